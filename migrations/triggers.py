"""What the database itself refuses to forget: append-only rows, in the words of both engines.

Laid again at the end of every step up or down, since rebuilding a SQLite table drops its triggers
without a word. A step which must change such rows, or tables and columns they speak of, lifts
them first: ``op.get_context().opts["lift_triggers"]()``.

Each `Guard` names a table, what is refused, of which columns and under which condition. Conditions
use ``old.`` and ``new.``, which both engines read alike.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import Connection, text

PREFIX = "guard_"
FUNCTION = "layerbook_refuse"
FROZEN = "('handed in', 'approved', 'void')"
RECORD_IS_FROZEN = f"(SELECT state FROM rebuild_record WHERE id = old.record_id) IN {FROZEN}"  # noqa: S608
APPROVED_AT_ONCE = (
    "(SELECT 1 FROM decision WHERE decision.correction_id IS NOT NULL"
    " AND decision.meaning = 'correction approved' AND decision.at = new.undone_at)"
)
IS_A_CIRCLE = (
    "EXISTS (WITH RECURSIVE below(id) AS (SELECT new.input_lot_id UNION"
    " SELECT lot_input.input_lot_id FROM lot_input JOIN below ON lot_input.lot_id = below.id)"
    " SELECT 1 FROM below WHERE id = new.lot_id)"
)
FREE_OF_FROZEN = {
    "step": ("standing", "undone_at", "undone_by_id"),
    "finding": ("known_until",),
    "record_person": ("known_until",),
}
"""What a correction still sets of the entries of a record handed in."""


@dataclass(frozen=True)
class Guard:
    """One refusal. ``free`` columns may still be set; ``when`` narrows it to some rows.

    A guard whose ``when`` speaks of ``later`` columns, of its table or as ``table.column``, is not
    laid before the step that adds them.
    """

    table: str
    verb: str
    why: str
    free: tuple[str, ...] = ()
    when: str = ""
    part: str = ""
    later: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Name of the trigger."""
        return "_".join(filter(None, (PREFIX + self.table, self.verb.lower(), self.part)))


def _guards() -> Iterator[Guard]:
    for table in (
        "audit_entry",
        "decision",
        "calibration_point",
        "failing_ground",
        "instrument_device",
        "use_judgement",
        "release_end",
        "record_make_safe_list",
        "record_person_removed",
        "void_proposal",
        "looked_again",
        "witness_confirmation",
        "witness_waiver",
    ):
        yield Guard(table, "UPDATE", f"{table} rows are never changed")
        yield Guard(table, "DELETE", f"{table} rows are never deleted")
    yield from _of_stacks()
    yield Guard("build", "UPDATE", "a build keeps its stack, its number and its record")
    for table in (
        "layer", "fixing", "build_period", "torque_reading", "hour_reading", "run_reading",
        "snapshot", "polarisation_curve", "tap_map", "cell_bridge", "calibration",
    ):  # fmt: skip
        free = ("known_until", "present") if table in ("layer", "fixing") else ("known_until",)
        yield Guard(table, "UPDATE", f"a {table} is closed out and written anew, not changed", free)
        yield Guard(
            table,
            "UPDATE",
            f"this {table} was closed out before",
            when="old.known_until IS NOT NULL AND"
            " (new.known_until IS NULL OR new.known_until <> old.known_until)",
            part="once",
            later=("known_until",),
        )
        yield Guard(table, "DELETE", f"{table} rows are never deleted")
    yield Guard(
        "rebuild_record",
        "UPDATE",
        "a record handed in is frozen: write a correction",
        free=("state", "version", "base_build_id", "signed_base_build_id"),
        when=f"old.state IN {FROZEN} AND new.state NOT IN ('open', 'sent back')",
    )
    signed_base = "COALESCE({0}.signed_base_build_id, {0}.base_build_id, 0)"
    yield Guard(
        "rebuild_record",
        "UPDATE",
        "a record handed in keeps the build it was signed as beginning from",
        when=f"old.state IN {FROZEN} AND new.state NOT IN ('open', 'sent back')"
        f" AND {signed_base.format('old')} <> {signed_base.format('new')}",
        part="base",
        later=("signed_base_build_id",),
    )
    yield Guard(
        "rebuild_record",
        "UPDATE",
        "this record cannot change its state so",
        when="old.state <> new.state AND (old.state = 'void'"
        " OR (old.state = 'approved' AND new.state <> 'void'))",
        part="state",
    )
    yield from _of_entries()
    yield Guard(
        "correction",
        "UPDATE",
        "this correction is decided",
        when="old.state <> 'waiting'",
    )
    yield Guard("correction", "UPDATE", "a correction is never changed", free=("state",), part="of")
    yield Guard(
        "design",
        "UPDATE",
        "a design in use is frozen",
        free=("pattern", "rod_sleeves", "rod_disc_springs", "rod_nuts"),
        when="old.frozen_at IS NOT NULL",
    )
    yield Guard(
        "design",
        "UPDATE",
        "the pattern of a design in use is frozen",
        when="old.frozen_at IS NOT NULL AND old.pattern IS NOT NULL",
        part="pattern",
        later=("pattern",),
    )
    plan = "changeover_plan"
    yield Guard(plan, "UPDATE", "a changeover plan keeps what it says", free=("record_id",))
    yield Guard(
        plan,
        "UPDATE",
        "a record was begun by this plan before",
        when="old.record_id IS NOT NULL",
        part="once",
    )
    yield Guard(plan, "DELETE", "changeover plans are never deleted")
    yield Guard(
        "limit_set",
        "UPDATE",
        "a version of limits keeps what it says",
        free=("approved_by_id", "approved_at", "remarks"),
    )
    yield Guard(
        "limit_set",
        "UPDATE",
        "these limits were approved before",
        when="old.approved_at IS NOT NULL",
        part="once",
    )
    yield Guard("limit_set", "DELETE", "limit_set rows are never deleted")
    yield Guard(
        "proposed_change",
        "UPDATE",
        "a proposed change keeps what it says",
        free=("approved_by_id", "approved_at", "remarks"),
    )
    yield Guard(
        "proposed_change",
        "UPDATE",
        "this change was approved before",
        when="old.approved_at IS NOT NULL",
        part="once",
    )
    yield Guard(
        "role_request",
        "UPDATE",
        "a role asked for keeps what it says",
        free=("decided_by_id", "decided_at", "granted"),
    )
    yield Guard(
        "role_request",
        "UPDATE",
        "this role was decided on before",
        when="old.decided_at IS NOT NULL",
        part="once",
    )
    yield Guard(
        "password_made",
        "UPDATE",
        "who made a password is never changed",
        free=("changed_at", "changed_in", "confirmed_by_id", "confirmed_at"),
    )
    yield Guard(
        "password_made",
        "UPDATE",
        "this person was confirmed before",
        when="old.confirmed_at IS NOT NULL",
        part="once",
    )
    for table in ("badge", "tablet"):
        yield Guard(table, "UPDATE", f"a {table} keeps what it says", free=("withdrawn_at",))
        yield Guard(
            table,
            "UPDATE",
            f"this {table} was withdrawn before",
            when="old.withdrawn_at IS NOT NULL",
            part="once",
        )
        yield Guard(table, "DELETE", f"{table} rows are never deleted")
    yield Guard("run", "UPDATE", "a run keeps its file", free=("note",))
    mark = "failing_mark"
    yield Guard(
        mark,
        "UPDATE",
        "a word of failing keeps what it says",
        free=("withdrawn_by_id", "withdrawn_at", "withdrawn_because"),
    )
    yield Guard(
        mark,
        "UPDATE",
        "this word of failing was withdrawn before",
        when="old.withdrawn_at IS NOT NULL",
        part="once",
    )
    yield Guard(
        "hour_report",
        "UPDATE",
        "reports of an hour meter only go forward",
        when="new.last_hours < old.last_hours OR new.last_at < old.last_at"
        " OR new.first_hours > old.first_hours OR new.first_at > old.first_at"
        " OR new.meter_id <> old.meter_id OR new.day <> old.day",
    )
    yield Guard(
        "hour_report",
        "UPDATE",
        "these reports were taken back before",
        when="old.known_until IS NOT NULL",
        part="once",
    )
    for table in ("column_mapping", "failing_rule", "lab_words", "accepted_used"):
        yield Guard(table, "UPDATE", f"{table} rows are never changed")
        yield Guard(table, "DELETE", f"{table} rows are never deleted")
    yield Guard(
        "part_leak_test",
        "UPDATE",
        "a leak test keeps what it says",
        free=("ended_at", "ended_as", "ended_because", "ended_by_id"),
    )
    yield Guard(
        "part_leak_test",
        "UPDATE",
        "this leak test was ended before",
        when="old.ended_at IS NOT NULL",
        part="once",
    )
    yield Guard("part_leak_test", "DELETE", "part_leak_test rows are never deleted")
    for table in (
        *("stack_test", "closing_result", "build_release", "spared", "pressure_trace"),
        "part_leak_tested",
    ):
        yield Guard(table, "UPDATE", f"{table} rows are never changed")
        yield Guard(table, "DELETE", f"{table} rows are never deleted")
    for table in ("design_rod", "design_port", "checklist_line"):
        frozen = "(SELECT frozen_at FROM design WHERE id = old.design_id) IS NOT NULL"
        yield Guard(table, "UPDATE", "a design in use is frozen", when=frozen)
        yield Guard(table, "DELETE", "a design in use is frozen", when=frozen)
    for table in (
        "person", "part_type", "lot", "part", "stack", "build", "rebuild_record", "correction",
        "instrument", "hold", "concession", "inspection", "attachment", "hour_meter",
        "hour_report", "run", "failing_mark", "password_made", "role_request", "proposed_change",
    ):  # fmt: skip
        yield Guard(table, "DELETE", f"{table} rows are never deleted")


def _of_stacks() -> Iterator[Guard]:
    """Where a stack was split from, and that none on hold is released."""
    yield Guard(
        "stack",
        "UPDATE",
        "a stack keeps what it was split from",
        when="old.origin_build_id IS NOT NULL AND"
        " (new.origin_build_id IS NULL OR new.origin_build_id <> old.origin_build_id)",
        part="origin",
        later=("origin_build_id",),
    )
    yield Guard(
        "build_release",
        "INSERT",
        "the stack is on hold",
        when="EXISTS (SELECT 1 FROM hold JOIN build ON build.stack_id = hold.stack_id"
        " WHERE build.id = new.build_id AND hold.lifted_at IS NULL)",
        later=("hold.stack_id",),
    )
    yield Guard("lot_input", "UPDATE", "what a lot is made of is taken back, not changed")
    yield Guard("lot_input", "INSERT", "a lot is not made of itself", when=IS_A_CIRCLE)


def _of_entries() -> Iterator[Guard]:
    """The entries of a record handed in: only an approved correction undoes what they say."""
    why = "the record is handed in: its entries are frozen"
    for table in (
        *("step", "finding", "make_safe_line", "tool_setting", "bump_test", "handover"),
        *("corner_height", "held_closing", "record_person"),
    ):
        yield Guard(table, "UPDATE", why, FREE_OF_FROZEN.get(table, ()), when=RECORD_IS_FROZEN)
        if table == "record_person":
            yield Guard(table, "DELETE", why, when=RECORD_IS_FROZEN)
        else:
            yield Guard(table, "DELETE", f"{table} rows are never deleted")
    yield Guard(
        "step",
        "INSERT",
        "parts come from another stack",
        when="(SELECT stack_id FROM rebuild_record WHERE id = new.donor_id) ="
        " (SELECT stack_id FROM rebuild_record WHERE id = new.record_id)",
        later=("donor_id",),
    )
    for table in ("finding", "record_person"):
        yield Guard(
            table,
            "UPDATE",
            f"this {table} was corrected before",
            when="old.known_until IS NOT NULL",
            part="once",
            later=("known_until",),
        )
    yield Guard(
        "step",
        "UPDATE",
        "an entry handed in is undone by an approved correction alone",
        when=f"{RECORD_IS_FROZEN} AND ((old.undone_at IS NULL AND new.undone_at IS NOT NULL"
        f" AND NOT EXISTS {APPROVED_AT_ONCE}) OR (old.undone_at IS NOT NULL"
        " AND (new.undone_at IS NULL OR new.undone_at <> old.undone_at)))",
        part="corrected",
    )


GUARDS = tuple(_guards())
_HELD = "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'guard%'"
_COLUMNS = {
    "sqlite": "SELECT tables.name, columns.name FROM sqlite_master AS tables,"
    " pragma_table_info(tables.name) AS columns WHERE tables.type = 'table'"
    " ORDER BY tables.name, columns.cid",
    "postgresql": "SELECT relname, attname FROM pg_attribute JOIN pg_class ON oid = attrelid"
    " WHERE relnamespace = current_schema()::regnamespace AND relkind IN ('r', 'p')"
    " AND attnum > 0 AND NOT attisdropped ORDER BY relname, attnum",
}
"""Every column with its table, in one statement: it is asked for after each step."""
_REFUSE = (
    f"CREATE FUNCTION {FUNCTION}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
    " RAISE EXCEPTION USING MESSAGE = TG_ARGV[0],"
    " ERRCODE = 'integrity_constraint_violation';"
    " END $$"
)


def lay(connection: Connection) -> None:
    """Make all triggers anew for the tables there are; on SQLite those that differ."""
    engine = connection.dialect.name
    columns: defaultdict[str, list[str]] = defaultdict(list)
    for table, column in connection.exec_driver_sql(_COLUMNS[engine]):
        columns[table].append(column)
    there_are = {f"{table}.{name}" for table, names in columns.items() for name in names}
    guards = [
        guard
        for guard in GUARDS
        if guard.table in columns
        and there_are.issuperset(
            name if "." in name else f"{guard.table}.{name}" for name in guard.later
        )
    ]
    wanted = {
        guard.name: _statement(
            guard, [name for name in columns[guard.table] if name not in guard.free], engine
        )
        for guard in guards
    }
    if engine == "sqlite":
        held = dict(row[:2] for row in connection.exec_driver_sql(_HELD))
        for name, statement in held.items():
            if statement != wanted.get(name):
                connection.exec_driver_sql(f"DROP TRIGGER {name}")
        for name, statement in wanted.items():
            if held.get(name) != statement:
                connection.exec_driver_sql(statement)
        return
    lift(connection)
    truncating = (
        f"CREATE TRIGGER {PREFIX}{table}_truncate BEFORE TRUNCATE ON {table}"
        f" FOR EACH STATEMENT EXECUTE FUNCTION {FUNCTION}('{table} is never emptied')"
        for table in sorted({guard.table for guard in GUARDS} & columns.keys())
    )
    connection.exec_driver_sql("; ".join([_REFUSE, *wanted.values(), *truncating]))


def lift(connection: Connection) -> None:
    """Take all triggers away, for a migration or a restoring into an empty database."""
    if connection.dialect.name == "sqlite":
        for name, _table in laid(connection):
            connection.exec_driver_sql(f"DROP TRIGGER {name}")
        return
    functions = connection.scalars(
        text(
            "SELECT proname FROM pg_proc WHERE pronamespace = current_schema()::regnamespace"
            " AND proname LIKE 'layerbook\\_refuse%'"
        )
    ).all()
    statements = [
        *(f"DROP TRIGGER {name} ON {table} CASCADE" for name, table in laid(connection)),
        *(f"DROP FUNCTION {name}()" for name in functions),
    ]
    if statements:
        connection.exec_driver_sql("; ".join(statements))


def laid(connection: Connection) -> list[tuple[str, str]]:
    """Name the triggers there are, each with its table."""
    if connection.dialect.name == "sqlite":
        statement = (
            "SELECT name, tbl_name FROM sqlite_master WHERE type = 'trigger'"
            " AND name LIKE 'guard\\_%' ESCAPE '\\' ORDER BY name"
        )
    else:
        statement = (
            "SELECT tgname, relname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid"
            " WHERE relnamespace = current_schema()::regnamespace AND NOT tgisinternal"
            " AND tgname LIKE 'guard\\_%' ORDER BY tgname"
        )
    return [(row[0], row[1]) for row in connection.execute(text(statement))]


def _statement(guard: Guard, held: list[str], engine: str) -> str:
    of = f" OF {', '.join(held)}" if guard.free else ""
    head = f"CREATE TRIGGER {guard.name} BEFORE {guard.verb}{of} ON {guard.table} FOR EACH ROW"
    if engine == "sqlite":
        when = f" WHEN {guard.when}" if guard.when else ""
        return f"{head}{when} BEGIN SELECT RAISE(ABORT, '{guard.why}'); END"
    if "SELECT" in guard.when:  # PostgreSQL looks at no other table in a WHEN
        function = f"{FUNCTION}{guard.name.removeprefix(PREFIX.rstrip('_'))}"
        return (
            f"CREATE FUNCTION {function}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
            f" IF {guard.when} THEN"
            f" RAISE EXCEPTION '{guard.why}' USING ERRCODE = 'integrity_constraint_violation';"
            f" END IF; IF TG_OP = 'DELETE' THEN RETURN old; END IF; RETURN new; END $$;"
            f" {head} EXECUTE FUNCTION {function}()"
        )
    when = f" WHEN ({guard.when})" if guard.when else ""
    return f"{head}{when} EXECUTE FUNCTION {FUNCTION}('{guard.why}')"
