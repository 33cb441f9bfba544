"""One rule says whether a part may go into a stack: at the bench, in its lists and its plans."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import lift_off, note_finding, put_on
from service.bench.queries.choices import lots_at_hand, tray_of
from service.life.tables import FailingRule, RuleAnswer, RuleVerdict
from service.people.tables import Role
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.dates import parse_partial
from service.platform.arithmetic.vocabulary import LAYER_KINDS, End, Kind, Usability, Whereabouts
from service.platform.database import reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.stacks.tables import Stack
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.part_axes import judge_part, judge_parts
from service.store.queries.forbids import Cause, forbids_of_lots, forbids_of_parts
from service.store.tables import Concession, Inspection, Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known

LOOKED_AT = Acceptance(Basis.INSPECTION)

FREE = End.FREE
TO_LOOK_AT = (FindingEntry("burn mark", 2, "air inlet"),)


class Opened:
    """A stack open down to an MEA, which was just lifted off."""

    def __init__(self, engine: Engine, findings: Any = ()) -> None:
        self.lab: Lab = a_lab(engine)
        self.quality: Person = self.lab.rows(
            lambda s: known(s, builders.a_person(s, Role.QUALITY, Role.SUPERVISOR))
        )
        self.bench: Bench = self.lab.begin()
        self.bench.open()
        while self.outermost.kind is not Kind.MEA:
            self.bench.lift()
        self.mea = self.outermost.part
        self.bench.do(lift_off, end=FREE, findings=findings or (FindingEntry("none seen"),))

    @property
    def outermost(self) -> Any:
        layer = self.bench.pile.pile.outermost(FREE)
        assert layer is not None
        return layer

    @property
    def part(self) -> Part:
        part: Part = self.lab.get(Part, self.mea)
        return part

    @property
    def stack(self) -> Stack:
        stack: Stack = self.lab.get(Stack, self.lab.stack_id)
        return stack

    def by_quality(self, change: Any, *args: Any, **facts: Any) -> Any:
        self.lab.now += timedelta(minutes=1)
        return self.lab.do(change, *args, by=self.quality, **facts)

    def causes(self) -> list[str]:
        """What the rule says of the MEA now."""
        with reading(self.lab.engine) as session:
            forbids = forbids_of_parts(
                session, [self.mea], stack_id=self.lab.stack_id, on=self.lab.now
            )
        return [str(forbid.cause) for forbid in forbids[self.mea]]

    def is_offered(self) -> bool:
        with reading(self.lab.engine) as session:
            tray = tray_of(session, self.bench.pile, self.lab.now)
        return any(lifted.layer.part == self.mea for lifted in tray.back)

    def put_back(self) -> None:
        self.bench.do(put_on, end=FREE, part_id=self.mea, facing="free end")


@pytest.fixture
def opened(engine: Engine) -> Opened:
    return Opened(engine)


def meet_the_rule(session: Session, part_id: int, stack_id: int) -> None:
    """Let the rule in force say that an MEA is failing."""
    stack = session.get_one(Stack, stack_id)
    person = builders.a_person(session, Role.QUALITY)
    rule = FailingRule(
        design_id=stack.design_id,
        version=1,
        content="{}",
        source="invented",
        reason="first",
        by_id=person.id,
        made_at=builders.START,
    )
    session.add(rule)
    session.flush()
    session.add(
        RuleVerdict(
            part_id=part_id,
            rule_id=rule.id,
            stack_id=stack_id,
            answer=RuleAnswer.MET,
            reasons='[{"criterion": "voltage", "answer": "met", "words": "0.41 V is too low"}]',
            judged_at=builders.START,
        )
    )


AGAINST: dict[str, tuple[Callable[[Opened], Any], str]] = {
    "on hold": (
        lambda o: o.by_quality(place_hold, Subject(o.mea), reason="a fold"),
        "It is on hold since .*a fold",
    ),
    "part type on hold": (
        lambda o: o.by_quality(
            place_hold, Subject(part_type_id=o.part.part_type_id), reason="ink too thin"
        ),
        "Its part type .* is on hold since .*ink too thin",
    ),
    "design on hold": (
        lambda o: o.by_quality(
            place_hold, Subject(design_id=o.stack.design_id), reason="clamp too soft"
        ),
        "The design .* is on hold since .*clamp too soft",
    ),
    "failing by the rule": (
        lambda o: o.lab.rows(lambda s: meet_the_rule(s, o.mea, o.lab.stack_id)),
        "meets the rule for failing: 0.41 V is too low",
    ),
    "not accepted": (
        lambda o: o.by_quality(
            judge_part, o.mea, usability=Usability.REJECTED, reason="torn at the rim"
        ),
        "It is rejected",
    ),
}


@pytest.mark.both_engines
@pytest.mark.parametrize("cause", list(AGAINST))
def test_a_bad_part_is_not_offered_and_put_on_under_a_concession_only(
    opened: Opened, cause: str
) -> None:
    assert (opened.causes(), opened.is_offered()) == ([], True)
    say, words = AGAINST[cause]

    say(opened)

    assert opened.causes() == [cause]
    assert not opened.is_offered()
    with pytest.raises(Refused, match=words):
        opened.put_back()

    given = opened.by_quality(give_concession, Subject(opened.mea), reason="one hour, half load")
    opened.put_back()

    assert opened.lab.get(Concession, given).used_in_record_id == opened.bench.number


@pytest.mark.both_engines
def test_a_concession_given_before_the_part_was_rejected_allows_nothing(opened: Opened) -> None:
    """Whoever gave it knew nothing of that; one given since does."""
    leave = (give_concession, Subject(opened.mea))
    opened.by_quality(*leave, reason="one hour, half load")
    opened.by_quality(judge_part, opened.mea, usability=Usability.REJECTED, reason="torn")

    with pytest.raises(Refused, match="It is rejected"):
        opened.put_back()

    opened.by_quality(*leave, reason="to see it fail")
    opened.put_back()


def test_a_reserved_part_is_not_offered_and_no_concession_helps(opened: Opened) -> None:
    def reserve(session: Session) -> None:
        other = builders.a_stack(session, serial="TARN-77")
        session.get_one(Part, opened.mea).reserved_for_stack_id = other.id

    opened.lab.rows(reserve)

    assert opened.causes() == ["reserved"]
    assert not opened.is_offered()
    opened.by_quality(give_concession, Subject(opened.mea), reason="now and here")
    with pytest.raises(Refused, match="it is reserved for TARN-77"):
        opened.put_back()


def test_a_builder_gives_no_concession_with_a_reason_of_his_own(opened: Opened) -> None:
    opened.by_quality(place_hold, Subject(opened.mea), reason="a fold")

    with pytest.raises(Refused, match="or a concession for this one"):
        opened.bench.do(
            put_on,
            end=FREE,
            part_id=opened.mea,
            facing="free end",
            departs_because="it looks all right",
        )


@pytest.mark.parametrize("subject", ["part_type_id", "design_id"])
def test_a_concession_for_a_type_or_a_design_allows_what_is_held_with_it_and_no_more(
    opened: Opened, subject: str
) -> None:
    key = {"part_type_id": opened.part.part_type_id, "design_id": opened.stack.design_id}[subject]
    held = Subject(**{subject: key})
    opened.by_quality(place_hold, held, reason="in doubt")
    opened.by_quality(give_concession, held, reason="for one build")
    opened.by_quality(place_hold, Subject(opened.mea), reason="a fold")

    with pytest.raises(Refused, match="a fold"):
        opened.put_back()

    opened.by_quality(lift_hold, hold_of(opened), reason="no fold")
    opened.put_back()


def hold_of(opened: Opened) -> int:
    with reading(opened.lab.engine) as session:
        forbids = forbids_of_parts(session, [opened.mea], stack_id=opened.lab.stack_id)
    (own,) = [forbid for forbid in forbids[opened.mea] if forbid.cause is Cause.HOLD]
    assert own.hold_id is not None
    return own.hold_id


@pytest.mark.parametrize("subject", ["lot", "part type", "design"])
def test_lots_are_offered_unless_they_their_type_or_the_design_are_held(
    opened: Opened, subject: str
) -> None:
    def make(session: Session) -> tuple[int, int]:
        gasket = builders.the_part_types(session).gas_gasket
        return builders.a_lot(session, gasket, label="G-7", quantity=5).id, gasket.id

    lot_id, type_id = opened.lab.rows(make)

    def offered() -> bool:
        with reading(opened.lab.engine) as session:
            lots = lots_at_hand(session, opened.bench.number, LAYER_KINDS, opened.lab.now)
        return lot_id in {lot.id for lot in lots}

    assert offered()
    held = {
        "lot": Subject(lot_id=lot_id),
        "part type": Subject(part_type_id=type_id),
        "design": Subject(design_id=opened.stack.design_id),
    }[subject]
    opened.by_quality(place_hold, held, reason="in doubt")

    assert not offered()
    with pytest.raises(Refused, match="is on hold since"):
        opened.bench.do(put_on, end=FREE, lot_id=lot_id)


def test_many_parts_are_answered_in_as_many_statements_as_one(
    opened: Opened, statements: Callable[..., Any]
) -> None:
    with reading(opened.lab.engine) as session:
        every = session.scalars(select(Part.id)).all()

    counts = []
    for some in ([opened.mea], every):
        with statements() as seen, reading(opened.lab.engine) as session:
            forbids = forbids_of_parts(session, some, stack_id=opened.lab.stack_id)
        counts.append(len(seen))
        assert set(forbids) == set(some)

    assert counts[0] == counts[1] <= 3


@pytest.mark.parametrize(
    ("hours", "causes"), [(12.0, []), (12.1, [str(Cause.EXPIRED)])], ids=["that day", "the next"]
)
def test_a_shelf_life_counts_through_its_last_day(
    engine: Engine, hours: float, causes: list[str]
) -> None:
    """A day is kept as its noon; of a part and of the lot items are taken from."""
    with Session(engine) as session:
        mea = builders.the_part_types(session).mea
        lot = builders.a_lot(session, mea, label="M-9")
        lot.expires_at = builders.START
        part = builders.a_part(session, mea, serial="N-9", lot=lot)
        session.flush()
        on = builders.START + timedelta(hours=hours)

        of_parts = forbids_of_parts(session, [part.id], on=on)
        of_lots = forbids_of_lots(session, [lot.id], on=on)

    assert [str(forbid.cause) for forbid in of_parts[part.id]] == causes
    assert [str(forbid.cause) for forbid in of_lots[lot.id]] == causes


def test_case_35_a_shelf_life_forbids_a_partial_date_that_lies_behind_it_wholly(
    engine: Engine,
) -> None:
    with Session(engine) as session:
        lot = builders.a_lot(session, builders.the_part_types(session).mea, label="M-9")
        lot.expires_at = builders.START
        session.flush()

        forbids = [
            forbids_of_lots(session, [lot.id], on=parse_partial(month))[lot.id]
            for month in ("2026-01", "2026-02")
        ]

    assert [[forbid.cause for forbid in each] for each in forbids] == [[], [Cause.EXPIRED]]


# What a finding leaves undecided.


@pytest.mark.both_engines
def test_a_finding_to_be_looked_at_leaves_the_part_undecided_until_somebody_decides(
    engine: Engine,
) -> None:
    opened = Opened(engine, TO_LOOK_AT)

    assert opened.part.usability is Usability.NOT_INSPECTED
    assert not opened.is_offered()
    with pytest.raises(Refused, match=r"to be looked at since .* in record \d+: burn mark"):
        opened.put_back()
    entries = opened.lab.rows(
        lambda s: s.scalars(select(AuditEntry.reason).where(AuditEntry.act == "part:to be decided"))
    )
    assert list(entries) == [
        f"To be looked at, by record {opened.bench.number}: burn mark, air inlet"
    ]

    opened.by_quality(
        judge_part,
        opened.mea,
        usability=Usability.ACCEPTED_USED,
        reason="only soot",
        acceptance=LOOKED_AT,
    )
    opened.put_back()


def test_undoing_the_finding_gives_back_what_the_part_was(engine: Engine) -> None:
    opened = Opened(engine, TO_LOOK_AT)

    opened.bench.do(undo_last)

    assert opened.part.usability is Usability.ACCEPTED
    assert opened.part.whereabouts is Whereabouts.FITTED
    assert open_inspections(opened) == []


def test_undoing_it_leaves_what_somebody_has_decided_since(engine: Engine) -> None:
    opened = Opened(engine, TO_LOOK_AT)
    opened.by_quality(judge_part, opened.mea, usability=Usability.REJECTED, reason="torn")

    opened.bench.do(undo_last)

    assert opened.part.usability is Usability.REJECTED


def test_a_second_finding_still_asks_when_the_last_is_undone(engine: Engine) -> None:
    opened = Opened(engine, TO_LOOK_AT)
    opened.bench.do(note_finding, part_id=opened.mea, findings=TO_LOOK_AT)

    opened.bench.do(undo_last)

    assert opened.part.usability is Usability.NOT_INSPECTED
    assert len(open_inspections(opened)) == 1


def test_a_part_on_hold_is_undecided_once_its_hold_is_lifted(engine: Engine) -> None:
    opened = Opened(engine)
    opened.by_quality(place_hold, Subject(opened.mea), reason="a fold")
    opened.bench.do(note_finding, part_id=opened.mea, findings=TO_LOOK_AT)
    assert opened.part.usability is Usability.ON_HOLD

    opened.by_quality(lift_hold, hold_of(opened), reason="no fold")

    assert opened.part.usability is Usability.NOT_INSPECTED
    assert opened.causes() == ["not accepted"]


def test_several_parts_are_judged_together_or_none(opened: Opened) -> None:
    def make(session: Session) -> list[int]:
        mea = builders.the_part_types(session).mea
        return [
            builders.a_part(session, mea, serial=f"N-{at}", usability=Usability.NOT_INSPECTED).id
            for at in (1, 2)
        ]

    ids = opened.lab.rows(make)
    opened.by_quality(place_hold, Subject(ids[1]), reason="a fold")
    accepted = {"usability": Usability.ACCEPTED, "reason": "papers seen"}

    with pytest.raises(Refused, match="a hold stands on it"):
        opened.by_quality(judge_parts, ids, **accepted)
    assert opened.lab.get(Part, ids[0]).usability is Usability.NOT_INSPECTED

    opened.by_quality(judge_parts, ids[:1], **accepted)
    assert opened.lab.get(Part, ids[0]).usability is Usability.ACCEPTED


def open_inspections(opened: Opened) -> list[int]:
    with reading(opened.lab.engine) as session:
        return list(session.scalars(select(Inspection.id).where(Inspection.decided_at.is_(None))))
