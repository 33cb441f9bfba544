"""What departs from what was set: asked about before it counts, kept with its reason."""

import json
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.closing.changes.torque import read_torque
from service.platform.arithmetic.vocabulary import End, ReadingKind, Stage
from service.platform.errors import Question, Refused, RefusedTogether
from service.platform.tables import AuditEntry
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands, Unloaded
from service.records.queries.content import record_content, verify
from service.records.queries.entries import entries_of
from service.records.tables import RecordKind, Step, StepKind
from service.stacks.tables import Stack
from tests.bench.at_the_bench import WORK_BEGAN, Bench, Lab, a_lab, what_is_missing
from tests.bench.test_entries_api import Calling, Machine
from tests.closing import closings
from tests.proof.stack_testing import a_closed_stack, later

PASSES = (1, 2, 3)
STAYS: dict[str, Any] = {"stands": Stands.STANDS, "outside_because": "the nut is at its stop"}


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A laboratory with a stack of two cells; 9 N·m ± 5 % in three passes."""
    return a_lab(engine)


@pytest.fixture
def opened(lab: Lab) -> Bench:
    """A record whose stack stands open."""
    record = lab.begin()
    record.open()
    return record


def read(record: Bench, torque_nm: float, number: int = 3, rod: int = 1, **more: Any) -> int:
    """Read one nut."""
    given = {"stage": Stage.CLOSING, "kind": ReadingKind.SET} | more
    step_id: int = record.do(
        read_torque,
        rod_number=rod,
        pass_number=number,
        torque_nm=torque_nm,
        instrument_id=record.lab.driver_id,
        **given,
    )
    return step_id


def steps(lab: Lab) -> list[Step]:
    """Every entry that was written."""
    with Session(lab.engine, expire_on_commit=False) as session:
        return list(session.scalars(select(Step).order_by(Step.id)))


@pytest.mark.both_engines
def test_a_torque_outside_the_band_of_its_pass_is_asked_about_before_it_counts(
    opened: Bench,
) -> None:
    """The figures are told; nothing is written until somebody says that it stands, and why."""
    before = len(steps(opened.lab))

    with pytest.raises(Question) as asked:
        read(opened, 4.0, 1)

    assert asked.value.key == "stands"
    assert asked.value.facts == {
        "value": "4 N·m",
        "target": "3 N·m",
        "band": "2.25 to 3.75 N·m",
        "last target": "9 N·m ± 5 %",
    }
    assert list(asked.value.answers) == ["stands"]
    with pytest.raises(Refused, match="stands without a reason"):
        read(opened, 4.0, 1, stands=Stands.STANDS)
    with pytest.raises(Question):
        read(opened, 4.0, 1, outside_because="a reason alone is no answer")
    assert len(steps(opened.lab)) == before

    kept = opened.lab.get(Step, read(opened, 4.0, 1, **STAYS))

    assert kept.deviation_because == "the nut is at its stop"
    assert kept.deviation == (
        "4 N·m in pass 1: its target is 3 N·m, its band 2.25 to 3.75 N·m,"
        " the last target 9 N·m ± 5 %."
    )
    assert kept.unloaded_first is None


@pytest.mark.parametrize(
    ("torque_nm", "number"), [(2.26, 1), (3.74, 1), (4.51, 2), (7.49, 2), (8.56, 3), (9.44, 4)]
)
def test_a_torque_inside_its_band_is_taken_unasked(
    opened: Bench, torque_nm: float, number: int
) -> None:
    assert opened.lab.get(Step, read(opened, torque_nm, number)).deviation is None


@pytest.mark.parametrize(
    ("torque_nm", "number"), [(2.24, 1), (3.76, 1), (4.49, 2), (7.51, 2), (8.54, 3), (8.54, 4)]
)
def test_a_torque_outside_its_band_is_not(opened: Bench, torque_nm: float, number: int) -> None:
    with pytest.raises(Question):
        read(opened, torque_nm, number)


@pytest.mark.both_engines
@pytest.mark.parametrize("number", PASSES)
def test_above_the_last_target_it_is_asked_what_was_done_first(opened: Bench, number: int) -> None:
    with pytest.raises(RefusedTogether) as together:
        read(opened, 10.0, number)
    asked = [each for each in together.value.refusals if isinstance(each, Question)]
    assert [each.key for each in asked] == ["stands", "unloaded_first"]
    assert list(asked[1].answers) == ["yes", "no"]
    with pytest.raises(Question, match="say whether the stack was unloaded first"):
        read(opened, 10.0, number, **STAYS)

    no = read(opened, 10.0, number, **STAYS, unloaded_first=Unloaded.NO)
    yes = read(opened, 10.0, number, **STAYS, unloaded_first=Unloaded.YES)

    assert [opened.lab.get(Step, one).unloaded_first for one in (no, yes)] == [False, True]


def test_an_over_tightened_nut_is_not_mended_unasked_by_backing_it_off(opened: Bench) -> None:
    """Asked once, in whatever pass it is read next; an undone slip of the finger asks nothing."""
    read(opened, 10.0, 3, **STAYS, unloaded_first=Unloaded.NO)

    with pytest.raises(RefusedTogether, match="The same nut read 10 N·m before"):
        read(opened, 9.0, 3)
    with pytest.raises(RefusedTogether):
        read(opened, 3.0, 1)
    kept = opened.lab.get(Step, read(opened, 3.0, 1, **STAYS, unloaded_first=Unloaded.YES))
    assert kept.unloaded_first
    assert kept.deviation is not None
    assert opened.lab.get(Step, read(opened, 6.0, 2)).deviation is None

    read(opened, 10.0, 3, rod=2, **STAYS, unloaded_first=Unloaded.NO)
    opened.do(undo_last)
    assert opened.lab.get(Step, read(opened, 9.0, 3, rod=2)).deviation is None


def test_what_a_nut_still_holds_may_be_less_and_breaks_away_at_more(opened: Bench) -> None:
    """Within the band; held above the last target it was over-tightened."""
    read(opened, 7.0, kind=ReadingKind.RESIDUAL)
    read(opened, 10.5, kind=ReadingKind.BREAKAWAY)
    with pytest.raises(RefusedTogether):
        read(opened, 10.5, kind=ReadingKind.RESIDUAL)


@pytest.mark.parametrize("number", PASSES)
@pytest.mark.parametrize("kind", [ReadingKind.RESIDUAL, ReadingKind.BREAKAWAY])
def test_no_kind_of_reading_passes_unasked_far_from_its_target(
    opened: Bench, kind: ReadingKind, number: int
) -> None:
    """A nut nearly loose, and one far too tight."""
    with pytest.raises(Question):
        read(opened, 2.1, number, kind=kind)
    with pytest.raises(RefusedTogether):
        read(opened, 14.0, number, kind=kind)


def test_the_band_is_a_figure_of_the_design(opened: Bench) -> None:
    def narrow(session: Session) -> None:
        stack = session.get_one(Stack, opened.lab.stack_id)
        closings.put_limits_in_force(session, stack.design_id, pass_band_percent=10.0)

    read(opened, 3.6, 1)
    opened.lab.rows(narrow)

    with pytest.raises(Question, match=r"band 2\.7 to 3\.3 N·m"):
        read(opened, 3.6, 1)


def test_a_re_torque_has_the_tolerance_from_its_first_pass(lab: Lab) -> None:
    record = lab.begin(RecordKind.RE_TORQUE)

    read(record, 9.1, 1)
    with pytest.raises(Question):
        read(record, 3.0, 1)


@pytest.mark.both_engines
def test_a_deviation_stands_in_content_trail_and_before_hand_in(opened: Bench) -> None:
    """A record without one says nothing of it: what was hashed before keeps its hash."""
    lab = opened.lab
    read(opened, 9.0, 3, rod=2)
    read(opened, 10.0, 3, **STAYS, unloaded_first=Unloaded.NO)
    opened.do(close_stack)
    with Session(lab.engine) as session:
        text = [one.sentence for one in what_is_missing(session, opened.number)]
    opened.do(hand_in)

    with Session(lab.engine) as session:
        content = record_content(session, [opened.number])[opened.number].canonical
        assert verify(session, [opened.number])[opened.number].holds
        entries = [entry for entry in entries_of(session, opened.number) if entry.deviates]
        trail = session.scalars(
            select(AuditEntry.reason).where(AuditEntry.reason == "the nut is at its stop")
        ).all()
    deviation = "10 N·m in pass 3: its target is 9 N·m, its band 8.55 to 9.45 N·m, the last target"
    deviation += " 9 N·m ± 5 %."
    said = json.loads(content)["entries"]
    assert [entry.get("deviation") for entry in said if entry["kind"] == "torque reading"] == [
        None,
        {"from": deviation, "because": "the nut is at its stop", "unloaded_first": False},
    ]
    assert len(trail) == 1
    (entry,) = entries
    expected = f"Entry {entry.sequence} departs: {deviation} Kept because: the nut is at its stop"
    assert expected in text


@pytest.mark.both_engines
@pytest.mark.parametrize(
    "values",
    [{"deviation": "too tight"}, {"deviation_because": "why"}, {"unloaded_first": True}],
)
def test_the_database_holds_a_deviation_and_its_reason_together(
    opened: Bench, values: dict[str, object]
) -> None:
    step_id = read(opened, 9.0)

    def change(session: Session) -> None:
        step = session.get_one(Step, step_id)
        for name, value in values.items():
            setattr(step, name, value)
        session.flush()

    with pytest.raises(IntegrityError):
        opened.lab.rows(change)


@pytest.mark.both_engines
def test_a_machine_is_asked_and_answers_with_the_key_and_the_reason(
    calling: Calling, engine: Engine
) -> None:
    """Entry by entry, and in a whole record, where the place of the reading is named."""
    lab = a_lab(engine)
    machine = Machine(calling("builder"), lab.begin(RecordKind.RE_TORQUE))
    nut = {"rod_number": 1, "pass_number": 1, "entered": "9.8", "kind": "set"}
    nut |= {"instrument": machine.mark(lab.driver_id)}

    asked = machine.send("torque", "taken_at", **nut)

    assert asked.status_code == 422
    stands, unloaded = asked.json()["fields"]
    assert stands["question"]["key"] == "stands"
    assert stands["question"]["facts"]["band"] == "8.55 to 9.45 N·m"
    assert unloaded["question"] == {
        "key": "unloaded_first",
        "facts": {"value": "9.8 N·m"},
        "answers": ["yes", "no"],
    }
    answer = {"stands": "stands", "outside_because": "at its stop", "unloaded_first": "yes"}
    machine.enter("torque", "taken_at", **nut, **answer)

    at = (WORK_BEGAN + timedelta(minutes=30)).isoformat()
    read = {"torque_nm": 9.8, "taken_at": at, **{k: v for k, v in nut.items() if k != "entered"}}
    whole: dict[str, Any] = {
        "stack": serial_of(lab),
        "kind": "inspection",
        "reason": "looked at",
        "performed_from": WORK_BEGAN.isoformat(),
        "torque_at_closing": [read],
    }
    machine.enter("hand-in", "", not_done=machine.record.reasons())
    refused = machine.client.post("/api/v1/records", json=whole)
    whole["torque_at_closing"] = [read | answer]
    made = machine.client.post("/api/v1/records", json=whole)

    places = [one["field"] for one in refused.json()["fields"]]
    assert places == ["torque_at_closing.0.stands", "torque_at_closing.0.unloaded_first"]
    assert made.status_code == 201, made.text
    kept = [step for step in steps(lab) if step.deviation and step.kind is StepKind.TORQUE]
    assert [(step.deviation_because, step.unloaded_first) for step in kept] == [
        ("at its stop", True)
    ] * 2


def serial_of(lab: Lab) -> str:
    """The serial of the laboratory's stack."""
    return str(lab.get(Stack, lab.stack_id).serial)


def test_a_faultless_rebuild_is_asked_nothing(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From make-safe to hand-in, every reading as it should be; the questions are counted."""
    asked: list[str] = []
    begun = Question.__init__

    def counted(self: Question, key: str, *args: Any, **facts: Any) -> None:
        asked.append(key)
        begun(self, key, *args, **facts)

    monkeypatch.setattr(Question, "__init__", counted)
    stack = a_closed_stack(engine, kind=RecordKind.REBUILD)
    lab, record = stack.lab, stack.bench
    record.open()
    for end in End:
        lifted = [record.pile.pile.outermost(end) for _ in range(1)]
        record.lift(end)
        for layer in lifted:
            assert layer is not None
            record.do(put_on, end=end, part_id=layer.part, facing=layer.facing)
    for number in PASSES:
        for rod in (1, 2, 3, 4):
            read(record, 3.0 * number * (1 + 0.01 * (rod - 2)), number, rod)
    record.do(close_stack)
    lab.now += timedelta(minutes=40)
    for rod in (1, 2, 3, 4):
        read(record, 9.0, 4, rod)
    later(stack)
    stack.all()
    record.do(hand_in, not_done={})

    assert asked == []
    with Session(lab.engine) as session:
        assert [entry for entry in entries_of(session, record.number) if entry.deviates] == []
    late = lab.begin(RecordKind.RE_TORQUE, performed_from=lab.now)
    with pytest.raises(RefusedTogether):
        read(late, 10.0)
    assert asked == ["unloaded_first", "stands"]
