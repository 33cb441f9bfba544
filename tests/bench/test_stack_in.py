"""A stack taken over in the middle of its life, from a list of its pile."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, func, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench import files
from service.bench.changes.stack_imports import StackHead, write_stack
from service.bench.files import StackOptions, StackSeen, plan_stack
from service.designs.arithmetic.grammar_findings import Severity
from service.life.changes.failing_marks import confirm_failing
from service.people.tables import Role
from service.platform.arithmetic.dates import parse_partial
from service.platform.arithmetic.vocabulary import Facing, Usability, Whereabouts
from service.platform.audit import Event
from service.platform.changes import Stored
from service.platform.database import changing, reading
from service.platform.errors import NotAllowed, Refused, RefusedTogether
from service.platform.files.fields_in import Reading
from service.platform.files.tables_in import read_table, suggest_mapping
from service.platform.permissions import Person
from service.platform.tables import Attachment, AuditEntry
from service.records.queries.content import verify
from service.records.tables import RebuildRecord, RecordKind, RecordState
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.hour_kinds import part_kinds
from service.stacks.queries.hours import stack_hours
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, Fixing, Layer, Stack
from service.store.changes.holds import Subject, give_concession, place_hold
from service.store.changes.imports import SourceFile
from service.store.tables import Concession, Lot, Part
from tests import builders
from tests.bench.at_the_bench import what_is_missing

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
CLOSED = datetime(2026, 1, 20, 15, 30, tzinfo=UTC)
SOURCE = SourceFile("tarn-9.csv", "1" * 64)
TWO_CELLS = """position;part type;serial;lot;facing
1;insulator plate;I-1;;
2;collector flush;C-1;;
3;coolant gasket;;K-1;
4;fuel plate;F-1;;free end
5;gas gasket;;G-1;
6;mea;M-1;LM-1;
7;gas gasket;;G-1;
8;air plate;A-1;;fixed end
9;coolant gasket;;K-1;
10;fuel plate;F-2;;free end
11;gas gasket;;G-1;
12;mea;M-2;LM-1;
13;gas gasket;;G-1;
14;air plate;A-2;;fixed end
15;coolant gasket;;K-1;
16;collector channelled;C-2;;
17;insulator plate;I-2;;
fixed end;compression plate;CP-1;;
free end;compression plate;CP-2;;
rod 1;tie rod;R-1;;
rod 2;tie rod;R-2;;
"""


@dataclass
class TakenOver:
    engine: Engine
    by: Person
    head: StackHead

    def look(self, text: str = TWO_CELLS, head: StackHead | None = None, **how: bool) -> StackSeen:
        table = read_table(text.encode(), "tarn-9.csv", headings=files.HEADINGS)
        mapping = suggest_mapping(table.headers, files.SYNONYMS)
        options = StackOptions(Reading(ZoneInfo("Europe/Berlin"), NOW), **how)
        with reading(self.engine) as session:
            return plan_stack(
                session, table, mapping, SOURCE, head=head or self.head, options=options
            )

    def write(self, seen: StackSeen, file: Stored | None = None) -> int:
        with changing(self.engine, self.by, now=NOW) as work:
            return write_stack(work, seen.plan, file)


def test_hours_that_outrun_the_time_since_the_closing_are_refused(lab: TakenOver) -> None:
    """Both were typed just now: one of them is wrong."""
    head = replace(lab.head, hours_at_closing=100.0, hours_now=100.0 + 24 * 200, read_at=NOW)

    with pytest.raises(Refused, match="h on the meter in") as refused:
        lab.write(lab.look(head=head))

    assert refused.value.field == "hours_now"


@pytest.fixture
def lab(engine: Engine) -> TakenOver:
    """A lab with the part types, a design, and a builder who brings the list."""
    with Session(engine) as session:
        builders.the_part_types(session)
        design = builders.a_design(session)
        person = builders.a_person(session, Role.BUILDER)
        by = Person(person.id, person.login, person.name, frozenset({Role.BUILDER}))
        head = StackHead("TARN-9", design.id, 4, CLOSED, "bench 2", hours_at_closing=812.5)
        session.commit()
    return TakenOver(engine, by, head)


def said(seen: StackSeen) -> list[tuple[int, str]]:
    return [(wrong.line, wrong.said) for wrong in seen.wrong]


@pytest.mark.both_engines
def test_a_pile_is_taken_over_as_a_record_that_waits_for_approval(lab: TakenOver) -> None:
    seen = lab.look(make_missing=True)
    assert said(seen) == []
    assert (seen.counts.cells, seen.counts.half_plates, seen.counts.coolant_layers) == (2, 4, 3)

    record_id = lab.write(seen, Stored("2" * 64, "text/csv", 900, "tarn-9.csv"))

    with Session(lab.engine) as session:
        record = session.get_one(RebuildRecord, record_id)
        assert (record.kind, record.state) == (RecordKind.TAKEN_OVER, RecordState.HANDED_IN)
        assert "Transcribed from tarn-9.csv" in record.reason
        assert record.handed_in_by_id == lab.by.id
        build = session.scalars(select(Build)).one()
        assert (build.number, build.record_id) == (4, record_id)
        assert session.scalar(select(func.count()).select_from(Layer)) == 17
        assert session.scalar(select(func.count()).select_from(Fixing)) == 4
        attached = session.scalars(select(Attachment)).one()
        assert (attached.record_id, attached.content_sha256) == (record_id, "2" * 64)
        fitted = session.scalars(select(Part).where(Part.whereabouts == Whereabouts.FITTED)).all()
        assert len(fitted) == 21
        assert {part.usability for part in fitted} == {Usability.NOT_INSPECTED}
        assert verify(session, [record_id])[record_id].holds


def test_a_part_on_hold_is_taken_over_under_a_concession_only(lab: TakenOver) -> None:
    with Session(lab.engine) as session:
        kind = builders.the_part_types(session).mea
        lot = builders.a_lot(session, kind, label="LM-1")
        mea = builders.a_part(session, kind, serial="M-1", lot=lot).id
        row = builders.a_person(session, Role.QUALITY)
        quality = Person(row.id, row.login, row.name, frozenset({Role.QUALITY}))
        session.commit()
    with changing(lab.engine, quality, now=NOW) as work:
        confirm_failing(work, mea, failed_at=NOW, grounds=["voltage"], reason="0.31 V")
    seen = lab.look(make_missing=True)

    assert [line for line, _said in said(seen)] == [7]
    assert re.search(r"It is on hold since .*0\.31 V", said(seen)[0][1])
    with pytest.raises(Refused, match=r"line 7: It is on hold since .*0\.31 V"):
        lab.write(seen)

    with changing(lab.engine, quality, now=NOW) as work:
        concession = give_concession(work, Subject(mea), reason="it sits there already")
    assert lab.look(make_missing=True).may_be_written
    record_id = lab.write(seen)
    with Session(lab.engine) as session:
        assert session.get_one(Concession, concession).used_in_record_id == record_id


@pytest.mark.both_engines
def test_new_parts_are_accepted_by_whoever_may_judge_them_only(lab: TakenOver) -> None:
    """Taking a stack over is no way round incoming inspection."""
    accepting = lab.look(make_missing=True, head=replace(lab.head, accept_new=True))
    with pytest.raises(NotAllowed, match="quality or supervisor"):
        lab.write(accepting)

    with Session(lab.engine) as session:
        row = builders.a_person(session, Role.QUALITY, Role.BUILDER)
        lab.by = Person(row.id, row.login, row.name, frozenset({Role.QUALITY, Role.BUILDER}))
        session.commit()
    lab.write(accepting)

    with Session(lab.engine) as session:
        assert set(session.scalars(select(Part.usability))) == {Usability.ACCEPTED_USED}


def test_items_of_a_lot_the_lab_has_received_are_accepted_as_at_the_bench(lab: TakenOver) -> None:
    with Session(lab.engine) as session:
        gasket = builders.the_part_types(session).gas_gasket
        lot_id = builders.a_lot(session, gasket, label="G-1", quantity=9).id
        session.commit()

    lab.write(lab.look(make_missing=True))

    with Session(lab.engine) as session:
        of_lot = select(Part.usability).where(Part.lot_id == lot_id)
        assert set(session.scalars(of_lot)) == {Usability.ACCEPTED_USED}
        others = select(Part.usability).where(Part.lot_id.is_distinct_from(lot_id))
        assert set(session.scalars(others)) == {Usability.NOT_INSPECTED}


@pytest.mark.parametrize("held", ["lot", "part type"])
def test_new_items_of_what_is_held_are_taken_over_under_a_concession_only(
    lab: TakenOver, held: str
) -> None:
    with Session(lab.engine) as session:
        gasket = builders.the_part_types(session).gas_gasket
        lot = builders.a_lot(session, gasket, label="G-1", quantity=9)
        subject = Subject(lot_id=lot.id) if held == "lot" else Subject(part_type_id=gasket.id)
        row = builders.a_person(session, Role.QUALITY)
        quality = Person(row.id, row.login, row.name, frozenset({Role.QUALITY}))
        session.commit()
    with changing(lab.engine, quality, now=NOW) as work:
        place_hold(work, subject, reason="flash at the bead")
    seen = lab.look(make_missing=True)

    assert [line for line, _said in said(seen)] == [6, 8, 12, 14]
    with pytest.raises(RefusedTogether) as refused:
        lab.write(seen)
    assert [str(refusal.reason)[:7] for refusal in refused.value.refusals] == [
        "line 6:", "line 8:", "line 12", "line 14"
    ]  # fmt: skip

    with changing(lab.engine, quality, now=NOW) as work:
        given = give_concession(work, subject, reason="it sits there already")
    assert lab.look(make_missing=True).may_be_written
    record_id = lab.write(seen)
    with Session(lab.engine) as session:
        assert session.get_one(Concession, given).used_in_record_id == record_id


def test_fixings_the_list_does_not_name_are_asked_for(lab: TakenOver) -> None:
    seen = lab.look(make_missing=True)
    whole = TWO_CELLS + "".join(f"rod {rod};tie rod;R-{rod};;\n" for rod in (3, 4))

    assert seen.not_listed[0] == "tie rod at rods 3, 4"
    assert not any(named.startswith("compression plate") for named in seen.not_listed)
    assert not lab.look(whole, make_missing=True).not_listed[0].startswith("tie rod")
    assert lab.look(head=replace(lab.head, design_id=0), make_missing=True).not_listed == ()


def test_the_layer_map_of_a_stack_taken_over_reads_as_its_list(lab: TakenOver) -> None:
    lab.write(lab.look(make_missing=True))

    with reading(lab.engine) as session:
        stack_id = session.scalars(select(Stack.id)).one()
        shown = layer_map(session, stack_id)

    assert [layer.position for layer in shown.layers] == list(range(1, 18))
    assert [layer.label for layer in shown.layers[3:6]] == ["F-1", "G-1 item 1", "M-1"]
    assert shown.layers[3].facing is Facing.FREE_END
    assert [layer.cell for layer in shown.layers if layer.kind == "MEA"] == [1, 2]


def test_hours_at_the_closing_count_from_a_meter_that_began_at_zero(lab: TakenOver) -> None:
    read_at = datetime(2026, 5, 30, 8, 0, tzinfo=UTC)
    head = replace(lab.head, hours_now=1000.0, read_at=read_at)

    lab.write(lab.look(make_missing=True, head=head))

    with Session(lab.engine) as session:
        stack_id = session.scalars(select(Stack.id)).one()
        assert stack_hours(session, [stack_id])[stack_id].hours.hours == 1000.0


@pytest.mark.both_engines
def test_known_parts_and_lots_are_used_and_not_made_twice(lab: TakenOver) -> None:
    with Session(lab.engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="lm-1")
        known = builders.a_part(session, types.mea, serial=" m-1", lot=lot)
        gaskets = builders.a_lot(session, types.gas_gasket, label="G-1", quantity=10)
        builders.a_part(session, types.gas_gasket, lot=gaskets)
        known_id, gaskets_id = known.id, gaskets.id
        session.commit()

    lab.write(lab.look(make_missing=True))

    with Session(lab.engine) as session:
        assert session.get_one(Part, known_id).whereabouts is Whereabouts.FITTED
        items = session.scalars(select(Part.item_number).where(Part.lot_id == gaskets_id)).all()
        assert sorted(item for item in items if item) == [1, 2, 3, 4, 5]


@pytest.mark.both_engines
def test_a_lot_gives_no_more_items_than_it_has(lab: TakenOver) -> None:
    with Session(lab.engine) as session:
        gasket = builders.the_part_types(session).gas_gasket
        builders.a_lot(session, gasket, label="G-1", quantity=3)
        session.commit()

    with pytest.raises(Refused, match="3 items, and 4 would be taken"):
        lab.write(lab.look(make_missing=True))
    with Session(lab.engine) as session:
        assert session.scalars(select(Stack)).all() == []
        assert session.scalar(select(func.count()).select_from(Part)) == 0


def test_without_leave_to_make_parts_each_one_missing_is_named(lab: TakenOver) -> None:
    seen = lab.look()

    line, words = said(seen)[0]
    assert line == 2
    assert words.startswith("serial number “I-1”: no insulator plate has this serial.")
    assert not seen.may_be_written


@pytest.mark.parametrize(
    ("before", "after", "line", "words"),
    [
        ("4;fuel plate;F-1;;free end", "4;fuel plate;F-1;;", 5, "it matters which end"),
        ("4;fuel plate;F-1;;free end", "4;fuel plate;F-1;;unknown", 5, "look at the stack first"),
        ("6;mea;M-1;LM-1;", "5;mea;M-1;LM-1;", 7, "line 6 has this position"),
        ("6;mea;M-1;LM-1;", "six;mea;M-1;LM-1;", 7, "no position in the pile"),
        ("12;mea;M-2;LM-1;", "12;mea;m-1 ;LM-1;", 13, "line 7 has this part"),
        ("12;mea;M-2;LM-1;\n", "", 21, "leaves this position out"),
        ("6;mea;M-1;LM-1;", "6;mae;M-1;LM-1;", 7, "Nearest: mea"),
        ("5;gas gasket;;G-1;", "5;gas gasket;;;", 6, "known by its lot"),
        ("5;gas gasket;;G-1;", "5;gas gasket;G-5;G-1;", 6, "counted by lots"),
        ("rod 2;tie rod", "rod 9;tie rod", 22, "rod 1” to “rod 4"),
        ("free end;compression plate", "7;compression plate", 20, "stands at an end"),
    ],
)
def test_rows_that_cannot_be_taken_say_why(
    lab: TakenOver, before: str, after: str, line: int, words: str
) -> None:
    assert TWO_CELLS.count(before) >= 1
    seen = lab.look(TWO_CELLS.replace(before, after, 1), make_missing=True)

    assert any(at == line and words in text for at, text in said(seen)), said(seen)


def test_a_part_fitted_elsewhere_is_refused_with_its_stack(lab: TakenOver) -> None:
    with Session(lab.engine) as session:
        stack = builders.a_stack(session, cells=1, serial="TARN-3")
        part = session.scalars(
            select(Part).where(Part.stack_id == stack.id, Part.serial.like("M-%"))
        ).one()
        serial = part.serial
        session.commit()

    for text in (serial, f"(21){serial}"):
        seen = lab.look(TWO_CELLS.replace("6;mea;M-1", f"6;mea;{text}"), make_missing=True)

        assert "fitted in TARN-3" in said(seen)[0][1]


def test_positions_counted_from_the_free_end_are_turned_round(lab: TakenOver) -> None:
    seen = lab.look(make_missing=True, from_free_end=True)

    assert [layer.label for layer in seen.layers[:2]] == ["I-2", "C-2"]
    assert seen.plan.parts[0].position == 1


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"closed_at": datetime(2027, 1, 1, tzinfo=UTC)}, "closed_at"),
        ({"build_number": 0}, "build_number"),
        ({"hours_now": 3.0, "read_at": NOW}, "hours_now"),
        ({"read_at": datetime(2025, 1, 1, tzinfo=UTC)}, "read_at"),
        ({"serial": " "}, "serial"),
        ({"reason": ""}, "reason"),
    ],
)
def test_a_head_that_cannot_be_is_refused_and_nothing_is_written(
    lab: TakenOver, wrong: dict[str, object], field: str
) -> None:
    seen = lab.look(make_missing=True)
    seen = replace(seen, plan=replace(seen.plan, head=replace(lab.head, **wrong)))  # type: ignore[arg-type]

    with pytest.raises(Refused) as refused:
        lab.write(seen)

    assert refused.value.field == field
    with Session(lab.engine) as session:
        assert session.scalar(select(func.count()).select_from(Lot)) == 0


def test_the_statements_of_a_look_do_not_grow_with_the_pile(
    lab: TakenOver, statements: Callable[[], object]
) -> None:
    def counted(cells: int) -> int:
        rows = "".join(f"{n};mea;X-{n};LX;\n" for n in range(1, cells + 1))
        with statements() as seen:  # type: ignore[attr-defined]
            lab.look("position;part type;serial;lot;facing\n" + rows, make_missing=True)
        return len(seen)

    assert counted(3) == counted(200)


def by_a_pattern(lab: TakenOver) -> TakenOver:
    """The same, for a design that keeps its pattern."""
    with Session(lab.engine) as session:
        design = builders.a_design(session, rods=2, pattern=builders.the_pattern(session))
        for name in ("rod_sleeves", "rod_disc_springs", "rod_nuts"):
            setattr(design, name, None)
        session.commit()
        return replace(lab, head=replace(lab.head, design_id=design.id))


def test_a_list_is_compared_with_the_pattern_before_it_is_taken_over(lab: TakenOver) -> None:
    """Once its design is chosen; a clean one follows it."""
    lab = by_a_pattern(lab)

    before = lab.look(make_missing=True, head=replace(lab.head, design_id=0))
    clean = lab.look(make_missing=True)

    assert before.check is None
    assert clean.check is not None
    assert (clean.check.judged, clean.check.cells) == ((), 2)


def test_what_is_odd_in_it_is_a_remark_and_it_is_taken_over_all_the_same(lab: TakenOver) -> None:
    """The stack stands as it is: its record remarks on what was found and is handed in."""
    lab = by_a_pattern(lab)
    rows = TWO_CELLS.splitlines()
    for at in range(5, 17):  # the list forgets the first gas gasket
        rows[at] = f"{at};" + rows[at + 1].partition(";")[2]
    del rows[17]

    seen = lab.look("\n".join(rows), make_missing=True)
    record_id = lab.write(seen)

    assert said(seen) == []
    assert seen.check is not None
    [odd] = seen.check.judged
    assert odd.severity is Severity.REMARK
    assert odd.finding.sentence.startswith("cell gasket missing between layers 4 and 5 (cell 1")
    with Session(lab.engine) as session:
        assert session.get_one(RebuildRecord, record_id).state is RecordState.HANDED_IN
        listed = [one for one in what_is_missing(session, record_id) if one.anchor == "check"]
    assert [one.severity for one in listed] == ["remark"]
    assert "does not answer for it" in listed[0].sentence


def test_a_serial_that_looks_like_a_part_kept_here_makes_no_second_part(lab: TakenOver) -> None:
    """M-I is M-1 misread; said to differ, it is a part of its own."""
    with Session(lab.engine) as session:
        builders.a_part(session, builders.the_part_types(session).mea, serial="M-I")
        session.commit()

    seen = lab.look(make_missing=True)
    differ = lab.look(make_missing=True, alike_differ=True)

    assert ["it looks like M-I, which is kept here" in wrong.said for wrong in seen.wrong] == [True]
    assert not differ.wrong


@pytest.mark.both_engines
def test_case_35_unknown_hours_of_a_transcribed_list_are_neither_blank_nor_zero(
    lab: TakenOver, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    """The record says what it was transcribed from; every total of that part says “at least”."""
    lines = TWO_CELLS.splitlines()
    told = {"M-1": "unknown", "M-2": "0", "F-1": "120"}
    text = "\n".join(
        [lines[0] + ";hours before"]
        + [f"{line};{told.get(line.split(';')[2], '')}" for line in lines[1:]]
    )

    number = lab.write(lab.look(text, make_missing=True))

    with Session(lab.engine) as session:
        assert session.get_one(RebuildRecord, number).reason.endswith(
            "Transcribed from tarn-9.csv."
        )
        parts = {part.serial: part for part in session.scalars(select(Part))}
        ids = {serial: parts[serial].id for serial in ("M-1", "M-2", "F-1", "A-1")}
        hours = part_hours(session, list(ids.values()))
        kinds = part_kinds(session, [ids["M-1"]], NOW)
        trail = session.scalars(
            select(AuditEntry.changes).where(AuditEntry.act == Event.STACK_IMPORTED.value)
        ).one()
    assert {serial: hours[part].before for serial, part in ids.items()} == {
        "M-1": Hours(0.0, at_least=True),
        "M-2": Hours(0.0),
        "F-1": Hours(120.0),
        "A-1": Hours(0.0),
    }
    assert [parts[serial].hours_before_unknown for serial in ids] == [True, False, False, None]
    assert kinds[ids["M-1"]].total.at_load.at_least
    assert "parts with unknown hours before" in trail
    client = signed_in_client(Role.BUILDER)
    page = client.get(f"/parts/{ids['M-1']}").text
    assert "plus unknown hours before it came" in page
    assert "plus unknown hours before it came" in client.get(f"/parts/{ids['M-1']}/trace").text
    assert "plus unknown hours" not in client.get(f"/parts/{ids['M-2']}").text
    api = calling(Role.BUILDER).get("/api/v1/parts/M-1/history").json()
    assert api["part"]["hours_before_unknown"] is True
    assert api["hours"]["at_least"] is True
    with (
        pytest.raises(DBAPIError, match="unknown_hours_are_none"),
        lab.engine.begin() as connection,
    ):
        connection.execute(update(Part).where(Part.id == ids["M-1"]).values(hours_before=5.0))


def test_case_35_a_stack_is_taken_over_of_which_the_year_of_closing_is_known(
    lab: TakenOver, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    """Its hours since then are refused only where no day of that year leaves time for them."""
    closed = parse_partial("2025")
    assert closed is not None
    head = replace(lab.head, closed_at=closed, hours_now=812.5 + 13_000, read_at=NOW)
    with pytest.raises(Refused, match="from 2025 to 2026-06-01 09:00 UTC"):
        lab.write(lab.look(head=head, make_missing=True))

    lab.write(lab.look(head=replace(head, hours_now=812.5 + 12_000), make_missing=True))

    stack = signed_in_client(Role.BUILDER).get("/stacks/TARN-9").text
    assert re.search(r"<dt>Closed</dt><dd><time[^>]*>2025</time>", stack)
    assert re.search(r"<dt>Calendar</dt><dd><span[^>]*>unknown</span>", stack)
    build = calling(Role.BUILDER).get("/api/v1/stacks/TARN-9/layers").json()["build"]
    assert build["closed_at"] == "2025"
