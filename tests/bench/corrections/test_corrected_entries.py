"""Any value of an entry corrected: the entry is written anew, and what rests on it follows."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.queries.correction_preview import Preview, preview
from service.bench.queries.corrections import Fact, correctable, correction
from service.bench.tables import Correction
from service.people.tables import Role
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import Question, Refused
from service.platform.permissions import Person
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.queries.build_verdicts import tests_in_words as in_words
from service.proof.queries.build_verdicts import verdicts_of_build
from service.proof.queries.stack_tests import MadeTest, made_in_record
from service.records.changes.deviations import Stands
from service.records.changes.make_safe import record_bump_test
from service.records.queries.content import verify
from service.records.tables import Step
from service.stacks.queries.release_standing import released_builds
from service.stacks.tables import Build
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument
from tests import builders
from tests.bench.at_the_bench import known
from tests.proof.stack_testing import ClosedStack, a_closed_stack
from tests.proof.test_helium_leak_tests import a_detector, with_helium

STAYS: dict[str, Any] = {"stands": Stands.STANDS, "outside_because": "it was done so"}


@dataclass
class Desk:
    """A tested stack whose record is handed in, and two people who put it right."""

    stack: ClosedStack
    proposer: Person
    decider: Person

    @property
    def number(self) -> int:
        return self.stack.bench.number

    def facts(self) -> tuple[Fact, ...]:
        with Session(self.stack.lab.engine) as session:
            return correctable(session, self.number).facts

    def fact(self, label: str) -> Fact:
        return next(fact for fact in self.facts() if fact.label == label)

    def propose(self, label: str, new_value: str, **given: Any) -> int:
        fact = self.fact(label)
        number: int = self.stack.lab.do(
            propose,
            self.number,
            of=fact.of,
            subject_id=fact.subject_id,
            field=fact.field,
            new_value=new_value,
            reason="misread",
            by=self.proposer,
            **given,
        )
        self.later()
        return number

    def decide(self, number: int) -> None:
        self.stack.lab.do(
            decide,
            number,
            approve=True,
            content_sha256=self.stack.lab.get(Correction, number).content_sha256,
            password=builders.PASSWORD,
            by=self.decider,
        )
        self.later()

    def correct(self, label: str, new_value: str, **given: Any) -> int:
        number = self.propose(label, new_value, **given)
        self.decide(number)
        return number

    def preview(self, number: int) -> Preview:
        with Session(self.stack.lab.engine) as session:
            return preview(session, correction(session, number))

    def later(self) -> None:
        self.stack.lab.now += timedelta(minutes=10)

    @property
    def tests(self) -> tuple[MadeTest, ...]:
        with Session(self.stack.lab.engine) as session:
            return made_in_record(session, self.number)

    @property
    def released(self) -> set[int]:
        with Session(self.stack.lab.engine) as session:
            return set(released_builds(session, self.stack.lab.stack_id).values())

    @property
    def holds(self) -> bool:
        with Session(self.stack.lab.engine) as session:
            return all(each.holds for each in verify(session, [self.number]).values())


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


def a_desk(engine: Engine) -> Desk:
    stack = a_closed_stack(engine)
    stack.all()
    stack.bench.do(hand_in)
    stack.lab.now += timedelta(hours=1)
    return in_hands(stack)


def in_hands(stack: ClosedStack) -> Desk:
    proposer, decider = (
        stack.lab.rows(lambda s, role=role: known(s, builders.a_person(s, role)))
        for role in (Role.BUILDER, Role.QUALITY)
    )
    return Desk(stack, proposer, decider)


def the_two(desk: Desk, sequence: int) -> tuple[MadeTest, MadeTest]:
    """The test as handed in, and the one in its place."""
    kept = next(test for test in desk.tests if test.sequence == sequence)
    (anew,) = (test for test in desk.tests if test.correction_id == kept.corrected_in)
    return kept, anew


def rows_of(shown: Preview) -> list[tuple[str, str, str]]:
    return [(row.what, row.before, row.after) for row in shown.rows]


@pytest.mark.both_engines
def test_a_misread_pressure_is_judged_anew_beside_the_verdict_kept(desk: Desk) -> None:
    desk.stack.lab.rows(lambda s: builders.a_release(s, present_build(s)))
    before = desk.released

    number = desk.propose("leak test, entry 3, end pressure", "50 mbar")
    shown = desk.preview(number)
    desk.decide(number)

    rows = rows_of(shown)
    assert ("leak test, entry 3, end pressure", "50.38 kPa", "5 kPa") in rows
    assert ("verdict of the test", "pass", "fail") in rows
    assert ("release of build 1 of TARN-001", "released", "ended by this correction") in rows
    assert set(rows) <= set(rows_of(desk.preview(number)))
    kept, anew = the_two(desk, 3)
    assert (kept.verdict, kept.stands) == (Verdict.PASS, False)
    assert (anew.verdict, anew.stands) == (Verdict.FAIL, True)
    assert anew.test.end_pressure_kpa == 5.0
    assert anew.limit_version == kept.limit_version
    assert anew.by == kept.by
    assert (before, desk.released) == ({1}, set())
    assert desk.holds


def present_build(session: Session) -> Build:
    return session.scalars(select(Build)).one()


def test_a_value_that_changes_no_verdict_ends_no_release(desk: Desk) -> None:
    desk.stack.lab.rows(lambda s: builders.a_release(s, present_build(s)))

    desk.correct("leak test, entry 3, end pressure", "50.37 kPa")

    assert desk.released == {1}


def test_a_helium_test_was_read_with_another_detector(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    with_helium(stack)
    stack.all()
    stack.bench.do(hand_in)
    stack.lab.now += timedelta(hours=1)
    desk = in_hands(stack)
    coarse, flow_meter = stack.lab.rows(_a_coarse_detector), stack.tools.meter
    label = f"leak test, entry {desk.tests[0].sequence}, leak detector"

    with pytest.raises(Refused, match="it is a flow meter"):
        desk.propose(label, stack.lab.get(Instrument, flow_meter).label)
    desk.correct(label, stack.lab.get(Instrument, coarse).label)

    anew = next(test for test in desk.tests if test.stands and test.what.count("helium"))
    assert anew.tools[-1].id == coarse
    assert isinstance(anew.test, LeakTest)
    assert anew.test.helium is not None
    assert anew.test.helium.step_mbar_l_s == 0.002


def _a_coarse_detector(session: Session) -> int:
    number = a_detector(session)
    session.get_one(Instrument, number).resolution = 0.002
    return number


def test_a_wrong_gas_is_asked_about_like_a_fresh_test(desk: Desk) -> None:
    label = "leak test, entry 2, gas"

    with pytest.raises(Question) as asked:
        desk.propose(label, "helium")
    desk.correct(label, "helium", **STAYS)

    assert "asks for nitrogen" in asked.value.reason
    kept, anew = the_two(desk, 2)
    assert (kept.verdict, anew.verdict) == (Verdict.PASS, Verdict.UNDECIDED)
    with Session(desk.stack.lab.engine) as session:
        assert "Tested with helium" in (session.get_one(Step, anew.step_id).deviation or "")


@pytest.mark.parametrize(
    ("label", "value", "verdict"),
    [
        (
            "insulation test, entry 6, plates to ground, dry: resistance",
            "0.2 MΩ",
            Verdict.FAIL,
        ),
        ("short check, entry 8, cell 2", "0.001", Verdict.FAIL),
        ("leak test, entry 2, duration", "31 min", Verdict.PASS),
        ("leak test, entry 2, start temperature", "22.5 °C", None),
        ("leak test, entry 2, time", "2026-02-22T13:00Z", Verdict.PASS),
    ],
)
def test_every_value_of_a_test_is_put_right(
    desk: Desk, label: str, value: str, verdict: Verdict | None
) -> None:
    desk.correct(label, value)

    sequence = int(label.split("entry ")[1].split(",", maxsplit=1)[0])
    _kept, anew = the_two(desk, sequence)
    assert verdict is None or anew.verdict is verdict
    fact = desk.fact(label.replace(f"entry {sequence}", f"entry {anew.sequence}"))
    assert fact.old_value.split()[0] == value.split(maxsplit=1)[0]
    assert desk.holds


def test_another_gauge_counts_with_its_accuracy_and_calibration(desk: Desk) -> None:
    desk.stack.lab.rows(lambda s: a_gauge(s, "PG-9", 2.5))
    desk.stack.lab.rows(lambda s: a_gauge(s, "PG-10", 2.5, calibrated=False))

    desk.correct("leak test, entry 3, instrument", "PG-9")
    with pytest.raises(Question) as asked:
        desk.propose("leak test, entry 4, instrument", "PG-10")

    _kept, anew = the_two(desk, 3)
    assert anew.tools[0].label == "PG-9"
    assert anew.test.gauge_percent == 2.5
    assert "was due on" in asked.value.reason


def a_gauge(session: Session, label: str, percent: float, *, calibrated: bool = True) -> None:
    due = {} if calibrated else {"due_at": builders.FIRST_CLOSING}
    gauge = builders.a_torque_instrument(
        session, kind=InstrumentKind.PRESSURE_GAUGE, unit="kPa", label=label, **due
    )
    gauge.range_least, gauge.range_most = None, 200.0
    gauge.accuracy_percent = percent


@pytest.mark.parametrize(
    ("label", "value", "field"),
    [
        ("leak test, entry 3, end pressure", "-400 kPa", "new_value"),
        ("leak test, entry 3, end pressure", "tight", "new_value"),
        ("leak test, entry 3, end pressure", "50.38 kPa", "new_value"),
        ("leak test, entry 3, gas", "oxygen", "new_value"),
        ("leak test, entry 3, duration", "", "new_value"),
        ("leak test, entry 3, instrument", "TD-07", "new_value"),
        ("leak test, entry 3, time", "2026-01-01T00:00Z", "new_value"),
        ("insulation test, entry 6, cells bonded", "no", "new_value"),
    ],
)
def test_what_a_test_cannot_have_read_is_refused(
    desk: Desk, label: str, value: str, field: str
) -> None:
    with pytest.raises(Refused) as refused:
        desk.propose(label, value)

    assert refused.value.field == field
    assert not isinstance(refused.value, Question)


def test_an_entry_waits_for_one_correction_at_a_time(desk: Desk) -> None:
    desk.propose("leak test, entry 3, end pressure", "5 kPa")

    with pytest.raises(Refused, match="waits for a decision"):
        desk.propose("leak test, entry 3, duration", "31 min")
    desk.propose("leak test, entry 3, note", "read by torchlight")


def test_a_bump_test_is_put_right_by_its_line_in_the_table(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    detector = stack.lab.detector_id
    gas = {"gas": "2 % hydrogen in nitrogen", "reading": 2.0, "passed": True}
    stack.bench.do(record_bump_test, instrument_id=detector, **gas)
    stack.bench.do(hand_in)
    stack.lab.now += timedelta(hours=1)
    desk = in_hands(stack)

    desk.correct("bump test, entry 1, passed", "no")
    desk.correct("bump test, entry 2, test gas", "1 % hydrogen in nitrogen")

    assert desk.fact("bump test, entry 3, passed").old_value == "no"
    assert desk.fact("bump test, entry 3, test gas").old_value.startswith("1 %")
    assert desk.holds


INVALID = {
    "leak test, entry 4": ("tested with argon", "leak anode to outside"),
    "insulation test, entry 6": (
        "the tester's calibration had expired",
        "insulation plates to ground, dry",
    ),
    "short check, entry 8": ("coolant stood in the cells", "shorts of cells"),
}


@pytest.mark.both_engines
@pytest.mark.parametrize("label", INVALID)
def test_case_26_a_test_is_marked_invalid_after_hand_in_and_its_verdicts_obey(
    desk: Desk, label: str
) -> None:
    """Wrong gas, pressure or an expired gauge: the values stay, the verdict is to be made again."""
    because, what = INVALID[label]
    desk.stack.lab.rows(lambda s: builders.a_release(s, present_build(s)))

    number = desk.propose(f"{label}, invalid because", because)
    shown = desk.preview(number)
    assert desk.released == {1}, "it counts once somebody else has approved it"
    desk.decide(number)

    assert ("verdict of the test", "pass", "test again") in rows_of(shown)
    ends = ("release of build 1 of TARN-001", "released", "ended by this correction")
    assert ends in rows_of(shown)
    kept, anew = the_two(desk, int(label.rsplit(" ", 1)[1]))
    assert (kept.verdict, kept.stands, anew.verdict) == (Verdict.PASS, False, Verdict.TEST_AGAIN)
    assert anew.result.remarks[0] == f"Marked invalid: {because}."
    assert desk.released == set()
    assert desk.holds
    with Session(desk.stack.lab.engine) as session:
        closed = verdicts_of_build(session, present_build(session).id)
    verdicts = {required.what: required.verdict for required in closed.wanted}
    assert verdicts[what] is Verdict.TEST_AGAIN
    said = [sentence for sentence in in_words(closed) if what in sentence]
    assert [sentence.split(":")[0] for sentence in said] == ["Repeat these tests (marked invalid)"]
