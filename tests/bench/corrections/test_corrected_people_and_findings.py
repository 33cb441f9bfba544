"""Make-safe lines, findings, people and the head of a record corrected after it was approved."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off
from service.bench.queries.corrections import Fact, correctable
from service.bench.queries.rebuild_records import record_view
from service.bench.tables import Correction, CorrectionOf
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Facing
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.records.changes.deviations import Stands
from service.records.queries.content import verify
from service.records.queries.entries import CheckRecorded
from service.records.queries.records import people_on, record_head
from service.records.tables import Finding, RecordKind, Step
from service.stacks.queries.installations import Sitting, sittings
from service.stacks.queries.part_lives import findings_on
from service.stacks.tables import Build
from service.store.tables import Hold, Part
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, WORK_BEGAN, Lab, a_lab, known
from tests.proof.test_releases_corrected import Released

OF = CorrectionOf


@pytest.fixture
def stack(engine: Engine) -> Released:
    return Released(engine)


def fact(stack: Released, of: CorrectionOf, ending: str) -> Fact:
    with Session(stack.lab.engine) as session:
        facts = correctable(session, stack.bench.number).facts
    return next(each for each in facts if each.of is of and each.label.endswith(ending))


def correct(stack: Released, of: CorrectionOf, ending: str, value: str, **more: Any) -> int:
    chosen = fact(stack, of, ending)
    number = stack.propose(chosen, value, field=chosen.field, **more)
    stack.decide(number)
    return number


def holds(stack: Released) -> bool:
    with Session(stack.lab.engine) as session:
        return verify(session, [stack.bench.number])[stack.bench.number].holds


def line(stack: Released, number: int) -> CheckRecorded:
    """A make-safe line as the record's page shows it now."""
    with reading(stack.lab.engine) as session:
        rows = record_view(session, stack.bench.number).checklist
    (entry,) = (row.entry for row in rows if row.asked.number == number)
    assert entry is not None
    assert entry.check is not None
    return entry.check


def read_line(stack: Released) -> int:
    """The number of a make-safe line that is read with an instrument."""
    with reading(stack.lab.engine) as session:
        rows = record_view(session, stack.bench.number).checklist
    return next(
        row.asked.number
        for row in rows
        if row.entry and row.entry.check and row.entry.check.tool and row.entry.check.witness
    )


@pytest.mark.both_engines
def test_a_make_safe_line_is_put_right_value_by_value(stack: Released) -> None:
    number = read_line(stack)
    others = stack.a_person(Role.BUILDER), stack.a_person(Role.BUILDER)
    name = f"make-safe line {number}"

    correct(stack, OF.ENTRY, f"{name}, reading", "0.05")
    correct(stack, OF.ENTRY, f"{name}, witness", others[0].login)
    correct(stack, OF.ENTRY, f"{name}, done by", others[1].login)
    moved_to = WORK_BEGAN + timedelta(minutes=20)
    correct(stack, OF.ENTRY, f"{name}, time", moved_to.isoformat())

    check = line(stack, number)
    assert check.reading == 0.05
    assert (check.witness, check.person) == (others[0].name, others[1].name)
    assert fact(stack, OF.ENTRY, f"{name}, time").at == moved_to
    assert stack.states == {"released"}
    assert holds(stack)
    had_a_part = people_of(stack)
    assert {others[0].id, others[1].id, stack.lab.witness.id} <= had_a_part


@pytest.mark.both_engines
def test_a_make_safe_reading_beyond_its_limit_is_asked_about_and_kept(stack: Released) -> None:
    """It was read so: a fresh one is refused, and what happened is not."""
    number = read_line(stack)
    name = f"make-safe line {number}, reading"

    with pytest.raises(Question, match=f"the reading of line {number}") as asked:
        correct(stack, OF.ENTRY, name, "1.5")
    with pytest.raises(Refused, match="range"):
        correct(stack, OF.ENTRY, name, "1000000")
    why = {"stands": Stands.STANDS, "outside_because": "read so, seen too late"}
    kept = stack.lab.get(Correction, correct(stack, OF.ENTRY, name, "1.5", **why))

    assert asked.value.key == "stands"
    assert f"the reading of line {number}" in kept.deviation
    assert kept.deviation_because == "read so, seen too late"
    assert line(stack, number).reading == 1.5


@pytest.mark.both_engines
def test_a_make_safe_line_is_put_right_in_time_past_the_opening(stack: Released) -> None:
    """What it leaves without its check is shown and asked about, whatever was renewed since."""
    number = read_line(stack)
    name = f"make-safe line {number}, time"
    opened = stack.bench.record.opened_at
    after = (opened + timedelta(minutes=5)).isoformat()

    with pytest.raises(Question, match=f"line {number} of make-safe was recorded as done later"):
        correct(stack, OF.ENTRY, name, after)
    chosen = fact(stack, OF.ENTRY, name)
    why = {"stands": Stands.STANDS, "outside_because": "the note of the time was wrong"}
    proposed = stack.propose(chosen, after, field=chosen.field, **why)
    notes = stack.preview(proposed).notes
    stack.decide(proposed)

    assert any(note.startswith("opened, ") and f"line {number}" in note for note in notes)
    assert fact(stack, OF.ENTRY, name).at == opened + timedelta(minutes=5)
    assert holds(stack)


def people_of(stack: Released) -> frozenset[int]:
    with Session(stack.lab.engine) as session:
        return people_on(session, [stack.bench.number])[stack.bench.number]


def test_nobody_witnesses_their_own_check_by_a_correction(stack: Released) -> None:
    name = f"make-safe line {read_line(stack)}"

    with pytest.raises(Refused, match="nobody witnesses"):
        correct(stack, OF.ENTRY, f"{name}, witness", stack.lab.builder.login)
    with pytest.raises(Refused, match="nobody active"):
        correct(stack, OF.ENTRY, f"{name}, witness", "nemo")


def test_a_check_is_made_after_the_work_began(stack: Released) -> None:
    name = f"make-safe line {read_line(stack)}"
    earlier = WORK_BEGAN - timedelta(minutes=1)

    with pytest.raises(Refused, match="the work began later"):
        correct(stack, OF.ENTRY, f"{name}, time", earlier.isoformat())


def seen(stack: Released, part_id: int) -> list[tuple[str, int | None, str]]:
    with Session(stack.lab.engine) as session:
        return [
            (each.condition, each.severity, each.where)
            for each in findings_on(session, [part_id]).get(part_id, ())
        ]


def the_finding(stack: Released) -> tuple[Finding, str]:
    """What was seen on the MEA lifted off, and how its facts are labelled."""
    with Session(stack.lab.engine) as session:
        finding = session.scalars(select(Finding).order_by(Finding.id.desc())).first()
        assert finding is not None
        part = session.get_one(Part, finding.part_id)
        return finding, part.serial or ""


@pytest.mark.both_engines
def test_a_finding_is_put_right_withdrawn_and_added(stack: Released) -> None:
    finding, serial = the_finding(stack)
    part_id = finding.part_id
    assert seen(stack, part_id) == [("none seen", None, "")]

    correct(stack, OF.FINDING, f"{serial}, condition", "tear")
    correct(stack, OF.FINDING, f"{serial}, severity", "3")
    correct(stack, OF.FINDING, f"{serial}, where", "at the anode inlet")
    assert seen(stack, part_id) == [("tear", 3, "at the anode inlet")]
    assert held(stack, part_id)

    correct(
        stack,
        OF.FINDING,
        f"another finding on {kind_of(stack, part_id)} {serial}",
        "wrinkle",
        more={"severity": "1", "where": "free edge"},
    )
    assert seen(stack, part_id)[1:] == [("wrinkle", 1, "free edge")]

    correct(
        stack,
        OF.FINDING,
        f"tear, at the anode inlet on {kind_of(stack, part_id)} {serial}, whether it stands",
        "withdrawn",
    )

    assert seen(stack, part_id) == [("wrinkle", 1, "free edge")]
    assert not held(stack, part_id)
    assert holds(stack)


def kind_of(stack: Released, part_id: int) -> str:
    chosen = [
        each
        for each in facts_of(stack)
        if each.of is OF.FINDING and getattr(each.details, "part_id", None) == part_id
    ]
    return str(chosen[0].details.part_kind)  # type: ignore[union-attr]


def facts_of(stack: Released) -> tuple[Fact, ...]:
    with Session(stack.lab.engine) as session:
        return correctable(session, stack.bench.number).facts


def held(stack: Released, part_id: int) -> bool:
    with Session(stack.lab.engine) as session:
        standing = select(Hold.id).where(Hold.part_id == part_id, Hold.lifted_at.is_(None))
        return session.scalar(standing) is not None


def test_a_finding_seen_on_another_part_moves_to_it(stack: Released) -> None:
    finding, serial = the_finding(stack)
    part_type_id = stack.lab.get(Part, finding.part_id).part_type_id
    other = stack.lab.rows(lambda s: stack.a_spare(s, part_type_id, "S-9"))

    correct(stack, OF.FINDING, f"{serial}, part", "S-9")

    assert seen(stack, finding.part_id) == []
    assert seen(stack, other) == [("none seen", None, "")]


@pytest.mark.parametrize(
    ("ending", "value"),
    [("condition", "haunted"), ("severity", "4"), ("part", "S-404"), ("condition", "none seen")],
)
def test_a_finding_takes_no_word_of_no_list(stack: Released, ending: str, value: str) -> None:
    _finding, serial = the_finding(stack)

    with pytest.raises(Refused):
        correct(stack, OF.FINDING, f"{serial}, {ending}", value)


@pytest.mark.both_engines
def test_who_was_ever_named_still_counts(stack: Released) -> None:
    right, extra = stack.a_person(Role.BUILDER), stack.a_person(Role.SUPERVISOR)

    correct(stack, OF.PERSON, f"({stack.lab.builder.login}), worked on it", right.login)
    correct(stack, OF.PERSON, "somebody else who witnessed", extra.login)
    named = people_named(stack)
    correct(stack, OF.PERSON, f"({extra.login}), witnessed", "")

    assert (right.id, "worked on it") in named
    assert (extra.id, "witnessed") in named
    assert (stack.lab.builder.id, "worked on it") not in named
    assert (extra.id, "witnessed") not in people_named(stack)
    assert {right.id, extra.id, stack.lab.builder.id} <= people_of(stack)
    assert holds(stack)


def people_named(stack: Released) -> set[tuple[int, str]]:
    with reading(stack.lab.engine) as session:
        people = record_view(session, stack.bench.number).people
    return {(each.person_id, str(each.involvement)) for each in people}


def test_the_work_began_before_what_was_done(stack: Released) -> None:
    first = WORK_BEGAN - timedelta(minutes=30)

    correct(stack, OF.HEAD, "work began", first.isoformat())
    with pytest.raises(Refused, match="the first entry was made earlier"):
        correct(stack, OF.HEAD, "work began", (WORK_BEGAN + timedelta(hours=1)).isoformat())

    with Session(stack.lab.engine) as session:
        assert record_head(session, stack.bench.number).performed_from == first
    assert holds(stack)


def test_notes_and_reasons_are_put_right_beside_what_was_handed_in(stack: Released) -> None:
    correct(stack, OF.HEAD, "notes", "The bench was cold.\n" + "x" * 400)
    correct(stack, OF.HEAD, "reason", "cell 1 is weak")
    label = next(each.label for each in facts_of(stack) if each.label.endswith("note"))
    correct(stack, OF.ENTRY, label, "read twice")

    assert fact(stack, OF.HEAD, "notes").old_value.startswith("The bench was cold.")
    assert fact(stack, OF.HEAD, "reason").old_value == "cell 1 is weak"
    assert fact(stack, OF.ENTRY, label).old_value == "read twice"
    assert holds(stack)


def test_a_torque_read_at_another_rod_moves_there(stack: Released) -> None:
    label = "rod 4, pass 3, closing, set"
    correct(stack, OF.TORQUE, f"{label}, pass", "2")

    moved = fact(stack, OF.TORQUE, "rod 4, pass 2, closing, set")

    assert moved.old_value == "9.2 N·m"
    assert stack.states == {"not released"}
    assert holds(stack)


@pytest.mark.both_engines
def test_case_09_a_layer_found_the_other_way_round_flags_its_reversed_hours(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    bench = lab.begin(RecordKind.TEARDOWN)
    bench.open()
    layer = bench.pile.layers[-1]
    turned = {Facing.FIXED_END: Facing.FREE_END, Facing.FREE_END: Facing.FIXED_END}
    while layer.facing is Facing.EITHER:
        bench.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)
        layer = bench.pile.layers[-1]
    found = turned[layer.facing]

    step_id = bench.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, facing=found)
    entry = lab.get(Step, step_id)
    bench.lift(count=len(bench.pile.layers))
    bench.do(hand_in)
    before = sitting_of(lab, layer.part)
    desk = Corrector(lab)
    desk.correct(OF.LAYER_FACING, layer.part, found.value)
    after = sitting_of(lab, layer.part)

    assert entry.facing is found
    assert f"to the {found}; recorded: {layer.facing}." in entry.deviation
    assert (before.facing, before.lay_reversed) == (layer.facing, False)
    assert (after.facing, after.lay_reversed) == (found, True)
    assert after.hours.hours == before.hours.hours > 0


def test_case_09_a_layer_found_as_recorded_departs_from_nothing(engine: Engine) -> None:
    lab = a_lab(engine)
    bench = lab.begin()
    bench.open()
    layer = bench.pile.layers[-1]

    step_id = bench.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, facing=layer.facing)

    assert lab.get(Step, step_id).deviation is None


def sitting_of(lab: Lab, part_id: int) -> Sitting:
    with reading(lab.engine) as session:
        return sittings(session, part_id)[-1]


class Corrector:
    """Somebody who corrects the first build of a stack, and somebody who approves it."""

    def __init__(self, lab: Lab) -> None:
        self.lab = lab
        self.by = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))

    def correct(self, of: CorrectionOf, part_id: int, value: str) -> None:
        with Session(self.lab.engine) as session:
            record_id = session.scalars(select(Build.record_id).order_by(Build.id)).first() or 0
            facts = correctable(session, record_id).facts
        chosen = next(
            each
            for each in facts
            if each.of is of and getattr(each.details, "part_id", None) == part_id
        )
        given = {"of": of, "subject_id": chosen.subject_id, "new_value": value}
        number = self.lab.do(propose, record_id, reason="found so at teardown", **given)
        self.lab.do(
            decide,
            number,
            approve=True,
            content_sha256=self.lab.get(Correction, number).content_sha256,
            password=builders.PASSWORD,
            by=self.by,
        )
