"""What must not be used again, and what is failing, is on hold from the moment it is said."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, note_finding, put_on
from service.bench.queries.choices import tray_of
from service.designs.arithmetic.pile import Layer
from service.life.arithmetic.grounds import MeaWord
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.overview.queries.overview import floor
from service.people.tables import Role
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Kind, Usability, Whereabouts
from service.platform.database import reading
from service.platform.errors import Refused, RefusedTogether
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.changes.bench_opening import close_stack
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.part_axes import judge_part
from service.store.queries.holds import About, HoldRow, holds
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known, voided

BURNT = (FindingEntry("burn mark", 3, "air inlet"), FindingEntry("dry and brittle", 2))
FREE = End.FREE


class Opened:
    """A stack open down to an MEA, which lies outermost."""

    def __init__(self, engine: Engine, *, has_pattern: bool = False) -> None:
        self.lab: Lab = a_lab(engine, has_pattern=has_pattern)
        self.quality: Person = self.lab.rows(
            lambda s: known(s, builders.a_person(s, Role.QUALITY, Role.SUPERVISOR))
        )
        self.bench: Bench = self.lab.begin()
        self.bench.open()
        while self.outermost.kind is not Kind.MEA:
            self.bench.lift()
        self.mea = self.outermost.part
        self.used = self.usability

    @property
    def outermost(self) -> Layer:
        layer = self.bench.pile.pile.outermost(FREE)
        assert layer is not None
        return layer

    @property
    def usability(self) -> Usability:
        return Usability(self.lab.get(Part, self.mea).usability)

    @property
    def holds(self) -> tuple[HoldRow, ...]:
        with reading(self.lab.engine) as session:
            return holds(session, About(part_id=self.mea), lifted_too=True).rows

    @property
    def offered(self) -> bool:
        """Whether the bench offers to put it back on."""
        with reading(self.lab.engine) as session:
            tray = tray_of(session, self.bench.pile, self.lab.now)
        return any(lifted.layer.part == self.mea for lifted in tray.back)

    def lift(self, findings: Any = BURNT) -> None:
        self.bench.do(lift_off, end=FREE, findings=findings)

    def put_back(self) -> None:
        self.bench.do(put_on, end=FREE, part_id=self.mea, facing="free end")

    def do(self, change: Any, *args: Any, **facts: Any) -> Any:
        self.lab.now += timedelta(minutes=1)
        return self.lab.do(change, *args, by=self.quality, **facts)

    def trail(self) -> list[tuple[str, str, int | None]]:
        return self.lab.rows(
            lambda s: [
                (entry.act, entry.reason, entry.record_id)
                for entry in s.scalars(
                    select(AuditEntry)
                    .where(AuditEntry.subject_kind == "part", AuditEntry.act.like("hold:%"))
                    .order_by(AuditEntry.id)
                )
            ]
        )


@pytest.fixture
def opened(engine: Engine) -> Opened:
    return Opened(engine)


def test_a_part_lifted_off_that_must_not_be_used_again_is_on_hold_at_once(opened: Opened) -> None:
    opened.lift()

    why = f"Must not be used again, by record {opened.bench.number}: burn mark, air inlet"
    (hold,) = opened.holds
    assert (hold.reason, hold.placed_by) == (why, opened.lab.builder.name)
    assert opened.usability is Usability.ON_HOLD
    assert opened.trail() == [("hold:placed", why, opened.bench.number)]
    assert not opened.offered
    with pytest.raises(Refused, match=r"on hold since .*burn mark"):
        opened.put_back()
    serial = opened.lab.get(Part, opened.mea).serial
    with pytest.raises(Refused, match="or a concession for this one"):
        opened.bench.do(put_on, end=FREE, scanned=serial, facing="free end")

    opened.do(give_concession, Subject(opened.mea), reason="for one hour at half load")
    opened.put_back()


@pytest.mark.parametrize("severity", [None, 0, 1])
def test_what_is_seen_of_less_weight_places_no_hold(opened: Opened, severity: int | None) -> None:
    opened.lift([FindingEntry("burn mark", severity)])

    assert opened.holds == ()
    assert opened.offered
    opened.put_back()


def test_a_part_that_stays_is_on_hold_too_and_keeps_the_record_from_being_handed_in(
    engine: Engine,
) -> None:
    opened = Opened(engine, has_pattern=True)
    opened.bench.do(note_finding, part_id=opened.mea, findings=BURNT)
    opened.bench.do(close_stack, closed_at=opened.lab.now)

    assert opened.usability is Usability.ON_HOLD
    with pytest.raises(RefusedTogether, match=r"on hold: .*burn mark.*: needs a concession"):
        opened.bench.do(hand_in)


def test_undoing_the_finding_lifts_its_hold(opened: Opened) -> None:
    opened.lift()

    opened.bench.do(undo_last)

    (hold,) = opened.holds
    assert hold.lifted_by == opened.lab.builder.name
    assert "was undone" in hold.lift_reason
    assert opened.usability is opened.used
    assert [act for act, _why, _record in opened.trail()] == ["hold:placed", "hold:lifted"]


def test_undoing_the_finding_leaves_another_hold(opened: Opened) -> None:
    other = opened.do(place_hold, Subject(opened.mea), reason="lot under suspicion")
    opened.lift()

    opened.bench.do(undo_last)

    assert [hold.id for hold in opened.holds if hold.lifted_at is None] == [other]
    assert opened.usability is Usability.ON_HOLD
    opened.do(lift_hold, other, reason="measured: sound")
    assert opened.usability is opened.used


def test_undoing_after_somebody_lifted_the_hold_changes_nothing_of_it(opened: Opened) -> None:
    opened.lift()
    opened.do(lift_hold, opened.holds[0].id, reason="soot, wiped off")

    opened.bench.do(undo_last)

    assert opened.holds[0].lift_reason == "soot, wiped off"


def test_a_record_made_void_lifts_what_its_findings_held(opened: Opened) -> None:
    opened.lift()

    lab = opened.bench.lab
    supervisor = lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
    voided(lab, opened.bench.number, supervisor)

    assert opened.usability is opened.used
    assert opened.holds[0].lift_reason == f"Record {opened.bench.number} was made void."


def test_a_concession_given_before_the_finding_knew_nothing_of_it(opened: Opened) -> None:
    opened.do(place_hold, Subject(opened.mea), reason="lot under suspicion")
    opened.do(give_concession, Subject(opened.mea), reason="for one hour at half load")
    opened.lift([FindingEntry("none seen")])
    opened.put_back()
    opened.lab.now += timedelta(minutes=1)
    opened.lift()

    with pytest.raises(Refused, match="burn mark"):
        opened.put_back()

    opened.do(give_concession, Subject(opened.mea), reason="to see how fast it dies")
    opened.put_back()


def confirmed(opened: Opened) -> None:
    opened.do(
        confirm_failing,
        opened.mea,
        failed_at=opened.lab.now,
        grounds=["voltage"],
        reason="0.31 V, and it stays so",
    )


def test_an_mea_confirmed_as_failing_is_on_hold_in_the_same_act(opened: Opened) -> None:
    confirmed(opened)
    opened.lift([FindingEntry("none seen")])

    (hold,) = opened.holds
    assert hold.reason == "Failed: 0.31 V, and it stays so"
    assert not opened.offered
    with pytest.raises(Refused, match="Failed"):
        opened.put_back()


def test_withdrawing_the_word_lifts_its_own_hold_only(opened: Opened) -> None:
    confirmed(opened)
    opened.lift()

    opened.do(withdraw_failing, opened.mea, reason="the lead was loose")

    standing, lifted = sorted(opened.holds, key=lambda hold: hold.lifted_at is not None)
    assert "burn mark" in standing.reason
    assert lifted.lift_reason == "No longer failed: the lead was loose"
    assert opened.usability is Usability.ON_HOLD


def test_withdrawing_the_word_gives_back_what_the_mea_was(opened: Opened) -> None:
    confirmed(opened)

    opened.do(withdraw_failing, opened.mea, reason="the lead was loose")

    assert opened.usability is opened.used
    assert opened.holds[0].lifted_at is not None


def test_a_word_whose_hold_was_lifted_can_still_be_withdrawn(opened: Opened) -> None:
    confirmed(opened)
    opened.do(lift_hold, opened.holds[0].id, reason="kept for a test on purpose")

    opened.do(withdraw_failing, opened.mea, reason="the lead was loose")

    assert opened.holds[0].lift_reason == "kept for a test on purpose"


def test_the_overview_names_a_failing_mea_once(opened: Opened) -> None:
    confirmed(opened)

    with reading(opened.lab.engine) as session:
        (row,) = floor(session, opened.quality, opened.lab.now).rows
    about = [
        need.sentence for need in row.needs if "failing" in need.sentence or "hold" in need.sentence
    ]
    assert len(about) == 1


def test_a_scrapped_mea_confirmed_as_failing_needs_no_hold(opened: Opened) -> None:
    opened.lift([FindingEntry("none seen")])
    opened.lab.rows(
        lambda s: setattr(s.get_one(Part, opened.mea), "whereabouts", Whereabouts.SCRAPPED)
    )

    confirmed(opened)

    assert opened.holds == ()


def said(opened: Opened, says: MeaWord, *grounds: str) -> None:
    opened.do(
        confirm_failing,
        opened.mea,
        says=says,
        failed_at=opened.lab.now,
        grounds=grounds,
        reason="beside the failed one",
    )


def test_a_suspected_mea_is_on_hold_until_somebody_decides(opened: Opened) -> None:
    said(opened, MeaWord.SUSPECTED)
    opened.lift([FindingEntry("none seen")])

    assert not opened.offered
    with pytest.raises(Refused, match="Suspected: beside the failed one"):
        opened.put_back()
    said(opened, MeaWord.END_OF_LIFE, "hours")

    (hold,) = opened.holds
    assert hold.lift_reason == "No longer suspected: Decided: end of life. beside the failed one"
    with pytest.raises(Refused, match="Withdraw that word first"):
        said(opened, MeaWord.FAILED, "voltage")


@pytest.mark.both_engines
def test_an_mea_at_the_end_of_life_is_not_offered_until_accepted_with_a_basis(
    opened: Opened,
) -> None:
    said(opened, MeaWord.END_OF_LIFE, "hours")
    opened.lift([FindingEntry("none seen")])

    assert opened.holds == ()
    assert not opened.offered
    with pytest.raises(Refused, match="End of life, by "):
        opened.put_back()
    opened.do(
        judge_part,
        opened.mea,
        usability=Usability.ACCEPTED_USED,
        acceptance=Acceptance(Basis.INSPECTION, until_openings=9),
        reason="good enough for training",
    )
    opened.put_back()
