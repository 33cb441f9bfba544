"""What the builders write is what somebody at the bench would have written."""

import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, inspect, select
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.closing.changes.torque import read_torque
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.database import changing, make_engine
from service.records.changes.bench_fixings import fit_fixing
from service.records.changes.bench_opening import close_stack
from service.records.tables import Decision, RebuildRecord, RecordKind, Step, TorqueReading
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import NOW, Lab, a_lab, known

CELLS = 2
NAMES = {"person_name", "serial", "serial_key", "item_number"}
WORDS = {"reason", "entered", "content", "content_sha256"}


def test_a_stack_made_for_tests_is_one_built_at_the_bench(engine: Engine) -> None:
    """Row for row and column for column, but for keys, times and names."""
    lab = a_lab(engine, cells=0)
    made = lab.rows(lambda s: builders.a_stack(s, cells=CELLS, design=_design(s, lab)).id)

    _build_at_the_bench(lab)

    with Session(engine) as session:
        told, written = _rows(session, made), _rows(session, lab.stack_id)
    differing = {
        f"{table}.{name}: {value!r}, at the bench {there[name]!r}"
        for table, rows in told.items()
        for row, there in zip(rows, written[table], strict=True)
        for name, value in row.items()
        if value != there[name]
    }
    assert differing == set()


def test_a_copy_leaves_a_lifted_trigger_lifted(sqlite_template: Path, tmp_path: Path) -> None:
    """Else a test would lift one in vain, or the next would begin without it."""
    laid: list[list[str]] = []
    for number, lifted in enumerate((0, 1, 0)):
        file = shutil.copyfile(sqlite_template, tmp_path / f"{number}.sqlite")
        engine = make_engine(f"sqlite:///{file}")
        with engine.begin() as connection:
            for name, _table in triggers().laid(connection)[:lifted]:
                connection.exec_driver_sql(f"DROP TRIGGER {name}")
        with Session(engine) as session:
            builders.a_stack(session, cells=CELLS)
        with engine.connect() as connection:
            laid.append([name for name, _table in triggers().laid(connection)])
        engine.dispose()

    assert laid[0]
    assert laid == [laid[0], laid[0][1:], laid[0]]


def _design(session: Session, lab: Lab) -> Any:
    return session.get_one(builders.Design, session.get_one(Stack, lab.stack_id).design_id)


def _build_at_the_bench(lab: Lab) -> None:
    """The first build of the empty stack, from parts in store to the approval."""
    fixings = lab.rows(_fixings)
    pile = lab.rows(lambda s: [(p.id, facing) for p, facing in builders.a_pile(s, None, CELLS)])
    record = lab.begin(RecordKind.FIRST_BUILD)
    for part_id, end, rod in fixings:
        record.do(fit_fixing, part_id=part_id, end=end, rod_number=rod)
    for part_id, facing in pile:
        record.do(put_on, end=End.FREE, part_id=part_id, facing=facing)
    for at in range(12):
        record.do(
            read_torque,
            rod_number=at % 4 + 1,
            pass_number=at // 4 + 1,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            instrument_id=lab.driver_id,
            torque_nm=3.0 * (at // 4 + 1),
        )
    record.do(close_stack)
    signed = record.do(hand_in)
    supervisor = lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
    with changing(lab.engine, supervisor, now=NOW) as work:
        approve(work, record.number, content_sha256=signed, password=builders.PASSWORD)


def _fixings(session: Session) -> list[tuple[int, End | None, int | None]]:
    types = builders.the_part_types(session)
    each = (types.tie_rod, types.sleeve, types.disc_spring, types.nut)
    places = [
        *((types.compression_plate, end, None) for end in End),
        *((part_type, None, rod) for rod in (1, 2, 3, 4) for part_type in each),
    ]
    parts = builders.some_parts(session, [part_type for part_type, _, _ in places])
    return [(part.id, end, rod) for part, (_, end, rod) in zip(parts, places, strict=True)]


def _rows(session: Session, stack_id: int) -> dict[str, list[dict[str, Any]]]:
    """Everything kept of a stack's build, without keys, times and names."""
    record = select(RebuildRecord.id).where(RebuildRecord.stack_id == stack_id).scalar_subquery()
    build = select(Build.id).where(Build.stack_id == stack_id).scalar_subquery()
    of = {
        RebuildRecord: RebuildRecord.id == record,
        Step: Step.record_id == record,
        TorqueReading: TorqueReading.record_id == record,
        Decision: Decision.record_id == record,
        Build: Build.id == build,
        BuildPeriod: BuildPeriod.build_id == build,
        Layer: Layer.build_id == build,
        Fixing: Fixing.build_id == build,
        Part: Part.stack_id == stack_id,
    }
    return {
        table.__tablename__: [
            _told(row) for row in session.scalars(select(table).where(which).order_by(table.id))
        ]
        for table, which in of.items()
    }


def _told(row: Any) -> dict[str, Any]:
    values = {column.key: getattr(row, column.key) for column in inspect(row).mapper.column_attrs}
    return {
        name: type(value) if name.endswith("_id") or isinstance(value, datetime) else value
        for name, value in values.items()
        if name != "id" and name not in NAMES | WORDS
    }
