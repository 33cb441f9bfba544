"""A correction of what a released build is ends its release, on every road that tells of it."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, delete, func, select
from sqlalchemy.orm import Session

from service.bench.changes.approvals import approve
from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.bench.queries.correction_preview import Preview, preview
from service.bench.queries.corrections import Fact, correctable, correction
from service.bench.tables import Correction, CorrectionOf
from service.closing.changes.torque import read_torque
from service.closing.queries.closing_results import KeptResult, kept_results
from service.closing.tables import ClosingResult
from service.operation.migrating import triggers
from service.overview.queries.columns import NeedKind
from service.overview.queries.overview import floor
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Kind, ReadingKind, Stage
from service.platform.database import reading
from service.platform.permissions import Person
from service.proof.changes.releases import release_build
from service.proof.queries.build_verdicts import CLAMP, verdicts_of_head
from service.proof.queries.releases import Gate, gate
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.deviations import Stands, Unloaded
from service.records.changes.make_safe import record_exception
from service.records.queries.content import verify
from service.records.queries.records import record_head
from service.records.tables import RecordKind
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import stack_list
from service.stacks.tables import Build, Stack
from service.store.tables import Instrument, Part, PartType
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known
from tests.closing.closings import FIGURES as CLOSING_FIGURES
from tests.closing.closings import LIMITS, give_stiffness, put_limits_in_force
from tests.ready import retold

OF = CorrectionOf
STAYS: dict[str, Any] = {"stands": Stands.STANDS, "outside_because": "it was found so"}
FIGURES = replace(CLOSING_FIGURES, limits=LIMITS[:1])
FAR_ABOVE = STAYS | {"unloaded_first": Unloaded.NO}
ENDS = ("release of build 2 of TARN-001", "released", "ended by this correction")


class Released:
    """A stack whose second build was closed, handed in, approved and released."""

    def __init__(self, engine: Engine) -> None:
        lab, number, self.build_id = retold(engine, type(self), lambda: self.tell(engine))
        self.lab: Lab = replace(lab, engine=engine)
        self.bench = Bench(self.lab, number)

    def tell(self, engine: Engine) -> tuple[Lab, int, int]:
        """From an empty laboratory to the release."""
        self.lab = a_lab(engine)
        self.lab.rows(self.a_driver_of_wide_range)
        self.lab.rows(give_stiffness)
        self.lab.rows(
            lambda s: put_limits_in_force(s, s.get_one(Stack, self.lab.stack_id).design_id, FIGURES)
        )
        self.bench = self.lab.begin()
        self.bench.open()
        self.lift_and_put_back()
        self.read_nuts()
        self.bench.do(close_stack, closed_at=self.lab.now)
        self.hand_in_and_approve()
        self.build_id = self.lab.rows(
            lambda s: s.scalars(select(Build.id).order_by(Build.id.desc())).first()
        )
        self.release()
        return self.lab, self.bench.number, self.build_id

    def lift_and_put_back(self) -> None:
        """Lift off all down to the first MEA and put it back, but another part outermost."""
        layers = self.bench.pile.pile.layers
        count = 1 + next(at for at, layer in enumerate(reversed(layers)) if layer.kind is Kind.MEA)
        self.bench.lift(count=count)
        outermost = self.lab.get(Part, layers[-1].part)
        spare = self.lab.rows(lambda s: self.a_spare(s, outermost.part_type_id, "S-1"))
        for layer in (*layers[-count:-1], replace(layers[-1], part=spare)):
            self.bench.do(put_on, end=End.FREE, part_id=layer.part, facing=layer.facing)

    def a_spare(self, session: Session, part_type_id: int, serial: str) -> int:
        """Another part of a type, in store."""
        kind = session.get_one(PartType, part_type_id)
        part: Part = builders.a_part(session, kind, serial=serial)
        return part.id

    def read_nuts(self) -> None:
        for rod, torque_nm in enumerate((9.1, 8.8, 9.0, 9.2), 1):
            self.bench.do(
                read_torque,
                rod_number=rod,
                pass_number=3,
                stage=Stage.CLOSING,
                kind=ReadingKind.SET,
                torque_nm=torque_nm,
                instrument_id=self.lab.driver_id,
            )

    def a_person(self, *roles: Role) -> Person:
        return self.lab.rows(lambda s: known(s, builders.a_person(s, *roles)))

    def hand_in_and_approve(self) -> None:
        self.bench.do(hand_in)
        self.later()
        self.lab.do(
            approve,
            self.bench.number,
            content_sha256=self.bench.record.content_sha256,
            password=builders.PASSWORD,
            by=self.a_person(Role.SUPERVISOR),
        )
        self.later()

    def release(self) -> None:
        self.lab.do(
            release_build,
            self.build_id,
            set_points_sha256=self.gate.set_points_sha256,
            password=builders.PASSWORD,
            by=self.a_person(Role.SUPERVISOR),
        )
        self.later()

    def later(self) -> None:
        self.lab.now += timedelta(hours=1)

    @property
    def gate(self) -> Gate:
        with reading(self.lab.engine) as session:
            return gate(session, self.build_id)

    @property
    def kept(self) -> tuple[KeptResult, ...]:
        with reading(self.lab.engine) as session:
            return kept_results(session, [self.bench.number])[self.bench.number]

    def fact(self, of: CorrectionOf, **details: Any) -> Fact:
        with Session(self.lab.engine) as session:
            facts = correctable(session, self.bench.number).facts
        return next(
            fact
            for fact in facts
            if fact.of is of
            and all(getattr(fact.details, name) == value for name, value in details.items())
        )

    def propose(self, fact: Fact, new_value: str, record_id: int = 0, **answers: Any) -> int:
        number: int = self.lab.do(
            propose,
            record_id or self.bench.number,
            of=fact.of,
            subject_id=fact.subject_id,
            new_value=new_value,
            reason="misread",
            **answers,
        )
        self.later()
        return number

    def preview(self, number: int) -> Preview:
        with reading(self.lab.engine) as session:
            return preview(session, correction(session, number))

    def decide(self, number: int, *, is_approved: bool = True) -> None:
        self.lab.do(
            decide,
            number,
            approve=is_approved,
            content_sha256=self.lab.get(Correction, number).content_sha256,
            password=builders.PASSWORD,
            reason="seen on the sheet",
            by=self.a_person(Role.QUALITY),
        )
        self.later()

    def correction_of(self, of: CorrectionOf) -> int:
        """A correction of this kind, proposed."""
        if of is OF.LAYER_PART:
            spare = self.lab.rows(
                lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="M-77")
            )
            return self.propose(self.fact(of, kind=Kind.MEA), spare.serial)
        if of is OF.LAYER_FACING:
            fact = self.fact(of)
            turned = {"fixed end": "free end", "free end": "fixed end"}[fact.old_value]
            return self.propose(fact, turned)
        if of is OF.TORQUE:
            return self.propose(self.fact(of), "11.4 N·m", **FAR_ABOVE)
        if of is OF.TORQUE_INSTRUMENT:
            self.lab.rows(self.a_coarse_driver)
            return self.propose(self.fact(of), "TD-10", **STAYS)
        if of is OF.HOURS:
            return self.propose(self.fact(of), "119", **STAYS)
        fact = self.fact(of)
        assert fact.at is not None
        return self.propose(fact, (fact.at - timedelta(minutes=1)).isoformat())

    def a_driver_of_wide_range(self, session: Session) -> None:
        session.get_one(Instrument, self.lab.driver_id).range_most = 100.0

    def a_coarse_driver(self, session: Session) -> None:
        builders.a_torque_instrument(session, label="TD-10").accuracy_percent = 15.0

    @property
    def states(self) -> set[str]:
        """What the list, the stack's page, the gate and the floor say of the present build."""
        with reading(self.lab.engine) as session:
            (row,) = stack_list(session).rows
            *_, build = builds_of(session, self.lab.stack_id)
            (shown,) = floor(session, self.lab.builder, self.lab.now).rows
        assert shown.last_approved is not None
        released = {self.gate.release is not None, shown.last_approved.stands}
        return {row.state, build.state, *("released" if it else "not released" for it in released)}


@pytest.fixture
def stack(engine: Engine) -> Released:
    return Released(engine)


ENDING = (
    *(OF.LAYER_PART, OF.LAYER_FACING, OF.TORQUE, OF.TORQUE_INSTRUMENT),
    *(OF.HOURS, OF.CLOSED_AT),
)


@pytest.mark.parametrize("of", ENDING)
def test_a_correction_of_what_a_build_is_ends_its_release(
    stack: Released, of: CorrectionOf
) -> None:
    assert stack.states == {"released"}
    number = stack.correction_of(of)
    before = stack.preview(number)
    assert stack.states == {"released"}

    stack.decide(number)

    assert ENDS in [(row.what, row.before, row.after) for row in before.rows]
    assert any("is released to hydrogen" in note for note in before.notes)
    assert stack.states == {"not released"}
    assert stack.gate.ended_by == f"correction {number} of record {stack.bench.number}"
    done = stack.preview(number)
    assert ENDS in [(row.what, row.before, row.after) for row in done.rows]


@pytest.mark.parametrize("of", ENDING)
def test_the_preview_says_what_the_closing_will_be(stack: Released, of: CorrectionOf) -> None:
    """Computed without writing, it reads as the trail does once it is approved."""
    number = stack.correction_of(of)
    with reading(stack.lab.engine) as session:
        rows_before = session.scalar(select(func.count(ClosingResult.id)))
    shown = stack.preview(number)
    before = [row for row in shown.rows if row.what.startswith("closing of record")]

    stack.decide(number)

    done = [row for row in stack.preview(number).rows if row.what.startswith("closing of record")]
    assert [row for row in before if row.before != row.after] == done
    assert rows_before == 1
    assert not [row for row in before if f"record {stack.bench.number}" not in row.what]
    (note,) = [note for note in shown.notes if "computed anew" in note]
    assert note.startswith(f"The closing of record {stack.bench.number} is")
    assert any(CLAMP in row.what for row in before)
    assert (len(done) > 1) is (of in {OF.TORQUE, OF.TORQUE_INSTRUMENT})


@pytest.mark.both_engines
def test_the_preview_says_what_another_part_makes_of_the_closing(stack: Released) -> None:
    fact = stack.fact(OF.LAYER_PART, kind=Kind.MEA)
    stack.lab.rows(lambda s: a_thick_part(s, fact.details.part_type_id))
    number = stack.propose(fact, "M-78")
    before = [row for row in stack.preview(number).rows if row.what.startswith("closing of record")]

    stack.decide(number)

    done = [row for row in stack.preview(number).rows if row.what.startswith("closing of record")]
    assert len(done) > 1
    assert [row for row in before if row.before != row.after] == done
    assert stack.states == {"not released"}
    with reading(stack.lab.engine) as session:
        (row,) = floor(session, stack.a_person(Role.SUPERVISOR), stack.lab.now).rows
    (again,) = [need for need in row.needs if need.kind is NeedKind.RELEASE_AGAIN]
    assert again.sentence == f"Build 2: release again. Correction {number} ended its release."
    assert again.since == stack.lab.now - timedelta(hours=1)


def a_thick_part(session: Session, part_type_id: int) -> None:
    kind = session.get_one(PartType, part_type_id)
    builders.a_part(session, kind, serial="M-78").measured_thickness_mm = 0.61


def test_when_the_build_before_was_opened_is_no_fact_of_the_one_released(stack: Released) -> None:
    number = stack.correction_of(OF.OPENED_AT)
    before = stack.preview(number)

    stack.decide(number)

    assert not [row for row in before.rows if row.what.startswith("release")]
    assert stack.states == {"released"}


def test_a_part_that_left_before_the_build_is_no_fact_of_it(stack: Released) -> None:
    with Session(stack.lab.engine) as session:
        first = session.scalars(select(Build).order_by(Build.id)).first()
        assert first is not None
        facts = correctable(session, first.record_id).facts
    fact = [fact for fact in facts if fact.of is OF.LAYER_PART][-1]
    stack.lab.rows(lambda s: stack.a_spare(s, fact.details.part_type_id, "S-2"))
    number = stack.propose(fact, "S-2", record_id=first.record_id)
    before = stack.preview(number)

    stack.decide(number)

    assert not [row for row in before.rows if row.what.startswith("release")]
    assert stack.states == {"released"}


def test_a_refused_correction_ends_nothing(stack: Released) -> None:
    stack.decide(stack.correction_of(OF.TORQUE), is_approved=False)

    assert stack.states == {"released"}
    assert stack.gate.ended_by == ""


@pytest.mark.parametrize("of", [OF.LAYER_PART, OF.LAYER_FACING, OF.TORQUE, OF.TORQUE_INSTRUMENT])
def test_a_closing_is_computed_anew_once_its_facts_are_corrected(
    stack: Released, of: CorrectionOf
) -> None:
    (before,) = stack.kept
    number = stack.correction_of(of)
    stack.decide(number)

    newest, handed_in = stack.kept
    assert handed_in == before
    assert (newest.correction_id, newest.counts, newest.holds) == (number, True, True)
    assert newest.limit_set_id == handed_in.limit_set_id
    found = stack.gate
    assert {line.outdated_by for line in found.lines} == {""}
    assert found.closed.clamp is not None
    assert found.closed.clamp.outcome == newest.outcome
    with reading(stack.lab.engine) as session:
        of_record = verdicts_of_head(session, record_head(session, stack.bench.number))
        assert verify(session, [stack.bench.number])[stack.bench.number].holds
    assert of_record is not None
    assert of_record.clamp == found.closed.clamp


def test_a_closing_computed_anew_takes_the_right_part(stack: Released) -> None:
    """The entry names the part as it was read; the closing follows the layers."""
    fact = stack.fact(OF.LAYER_PART, kind=Kind.MEA)
    (before,) = stack.kept

    stack.lab.rows(lambda s: a_thick_part(s, fact.details.part_type_id))
    stack.decide(stack.propose(fact, "M-78"))

    newest, _handed_in = stack.kept
    measured = [
        [each.thickness_mm for each in kept.inputs.pile.measured if kept.inputs]
        for kept in (before, newest)
    ]
    assert measured == [[], [0.61]]
    assert newest.results_sha256 != before.results_sha256


def test_a_result_of_before_that_was_not_computed_anew_says_test_again(stack: Released) -> None:
    """As corrections left them before closings were computed anew."""
    number = stack.correction_of(OF.TORQUE)
    stack.decide(number)
    with stack.lab.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(delete(ClosingResult).where(ClosingResult.correction_id == number))
        triggers().lay(connection)

    why = f"correction {number} of record {stack.bench.number}"
    found = stack.gate
    assert {line.outdated_by for line in found.lines} == {why}
    assert {str(line.now) for line in found.lines} == {"test again"}
    assert found.shut == (f"Limits of the closed clamp: test again ({why} since).",)
    with reading(stack.lab.engine) as session:
        of_record = verdicts_of_head(session, record_head(session, stack.bench.number))
    assert of_record is not None
    assert [(it.what, it.outdated_by) for it in of_record.wanted] == [(CLAMP, why)]


def test_a_closing_computed_since_the_correction_counts_again(stack: Released) -> None:
    stack.decide(stack.propose(stack.fact(OF.TORQUE), "9.2 N·m"))
    stack.bench = stack.lab.begin(RecordKind.RE_TORQUE, performed_from=stack.lab.now)
    stack.read_nuts()
    stack.later()
    stack.hand_in_and_approve()

    assert stack.gate.shut == ()
    stack.release()

    assert stack.states == {"released"}


def test_after_a_correction_of_hours_the_build_is_released_again_by_a_signature(
    stack: Released,
) -> None:
    stack.decide(stack.correction_of(OF.HOURS))

    assert stack.gate.shut == ()
    stack.release()

    assert stack.states == {"released"}


def test_as_known_before_the_correction_the_build_was_released(stack: Released) -> None:
    number = stack.correction_of(OF.TORQUE)
    then = stack.lab.now
    stack.later()
    stack.decide(number)

    with reading(stack.lab.engine) as session:
        *_, build = builds_of(session, stack.lab.stack_id, then)
    assert build.state == "released"


def test_a_build_opened_before_the_correction_keeps_that_it_was_released(stack: Released) -> None:
    number = stack.correction_of(OF.TORQUE)
    stack.bench = stack.lab.begin(performed_from=stack.lab.now)
    stack.bench.do(record_exception, reason="the checklist hangs in the other room")
    stack.bench.do(open_stack, opened_at=None, hours=122.0)
    stack.later()
    stack.read_nuts()
    stack.bench.do(close_stack, closed_at=stack.lab.now)
    stack.hand_in_and_approve()

    stack.decide(number)

    with reading(stack.lab.engine) as session:
        _first, second, third = builds_of(session, stack.lab.stack_id)
    assert (second.state, third.state) == ("released", "not released")
