"""Corrections: maps, hours, whereabouts and traces follow; the old value stays readable."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.layers import lift_off
from service.bench.queries.correction_preview import preview
from service.bench.queries.corrections import (
    correctable,
    correction,
    corrections_of_records,
    corrections_waiting,
)
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Facing, Kind, Whereabouts
from service.platform.database import changing
from service.platform.errors import NotAllowed, NotFound, Refused, Stale
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.changes.bench_opening import open_stack
from service.records.changes.deviations import Stands
from service.records.changes.make_safe import record_exception
from service.records.queries.content import verify
from service.records.tables import Decision, Meaning, RebuildRecord, Step, TorqueReading
from service.stacks.queries.hours import build_hours
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import HourReading, Layer, Stack
from service.store.changes.holds import Subject, place_hold
from service.store.tables import Part, PartType
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Lab, a_lab, known, where
from tests.ready import retold

SECOND_CLOSING = builders.FIRST_CLOSING + timedelta(days=30)
NOW = builders.FIRST_CLOSING + timedelta(days=60)
OF = CorrectionOf
STAYS = {"stands": Stands.STANDS, "outside_because": "it was found so"}


@dataclass
class Desk:
    """A stack with two approved builds: all but the gaskets were carried on."""

    lab: Lab
    first: int
    second: int
    proposer: Person
    decider: Person

    def facts(self, number: int, of: CorrectionOf) -> list[Any]:
        with Session(self.lab.engine) as session:
            return [f for f in correctable(session, number).facts if f.of is of]

    def fact(self, number: int, of: CorrectionOf, **details: Any) -> Any:
        return next(
            fact
            for fact in self.facts(number, of)
            if all(getattr(fact.details, name) == value for name, value in details.items())
        )

    def propose(self, record_id: int, fact: Any, new_value: str, **facts: Any) -> int:
        given = {"of": fact.of, "subject_id": fact.subject_id, "reason": "misread"} | facts
        with changing(self.lab.engine, self.proposer, now=self.lab.now) as work:
            number = propose(work, record_id, new_value=new_value, **given)
        self.lab.now += timedelta(minutes=1)
        return number

    def decide(self, number: int, *, by: Person | None = None, **facts: Any) -> int:
        given = {
            "approve": True,
            "content_sha256": self.lab.get(Correction, number).content_sha256,
            "password": builders.PASSWORD,
        } | facts
        with changing(self.lab.engine, by or self.decider, now=self.lab.now) as work:
            decision = decide(work, number, **given)
        self.lab.now += timedelta(minutes=1)
        return decision

    def correct(self, record_id: int, fact: Any, new_value: str, **facts: Any) -> int:
        number = self.propose(record_id, fact, new_value, **facts)
        self.decide(number)
        return number

    def refused(self, record_id: int, fact: Any, new_value: str, **facts: Any) -> Refused:
        with pytest.raises(Refused) as refused:
            self.propose(record_id, fact, new_value, **facts)
        return refused.value

    def spare(self, kind: str = "mea", **given: Any) -> Part:
        return self.lab.rows(
            lambda s: builders.a_part(s, getattr(builders.the_part_types(s), kind), **given)
        )

    def part_at(self, position: int, build: int, known_at: datetime | None = None) -> int:
        with Session(self.lab.engine) as session:
            shown = layer_map(session, self.lab.stack_id, build_number=build, known_at=known_at)
        return shown.layers[position - 1].part

    def all_hold(self) -> bool:
        with Session(self.lab.engine) as session:
            ids = session.scalars(
                select(RebuildRecord.id).where(RebuildRecord.content_sha256.is_not(None))
            ).all()
            return all(one.holds for one in verify(session, ids).values())


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


def a_desk(engine: Engine, *, has_pattern: bool = False) -> Desk:
    lab = a_lab(engine, has_pattern=has_pattern)
    lab.now = NOW

    def more(session: Session) -> list[int]:
        stack = session.get_one(Stack, lab.stack_id)
        builders.a_build(session, stack, cells=2, hours=310.0)
        builders.an_hour_reading(session, stack, 500.0, SECOND_CLOSING + timedelta(days=20))
        return list(session.scalars(select(RebuildRecord.id).order_by(RebuildRecord.id)))

    first, second = retold(engine, a_desk, lambda: tuple(lab.rows(more)))
    proposer = lab.rows(lambda s: known(s, builders.a_person(s, Role.BUILDER, name="Jo Hale")))
    decider = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY, name="Ines Falk")))
    return Desk(lab, first, second, proposer, decider)


def the_mea(desk: Desk, record_id: int = 0, cell: int = 1) -> Any:
    return desk.fact(record_id or desk.first, OF.LAYER_PART, kind=Kind.MEA, cell=cell)


# --- a part misread


def test_a_misread_part_is_followed_through_every_build_that_carried_it_on(desk: Desk) -> None:
    fact, right = the_mea(desk), desk.spare(serial="M-77", hours_before=40.0)
    position, wrong = fact.details.position, fact.details.part_id
    thought = desk.lab.now

    number = desk.correct(desk.first, fact, " m-77 ")

    assert desk.part_at(position, 1) == desk.part_at(position, 2) == right.id
    assert desk.part_at(position, 1, thought) == desk.part_at(position, 2, thought) == wrong
    assert where(desk.lab, right.id) == ("fitted", desk.lab.stack_id)
    assert where(desk.lab, wrong) == ("in store", None)
    assert f"correction {number}" in desk.lab.get(Part, wrong).place
    assert desk.all_hold()


def test_the_preview_says_that_the_right_part_must_not_be_used(desk: Desk) -> None:
    """It lies there all the same; the gate to hydrogen stays shut with it."""
    right = desk.spare(serial="M-77")
    desk.lab.do(place_hold, Subject(right.id), reason="a fold", by=desk.proposer)

    number = desk.propose(desk.first, the_mea(desk), "M-77")

    with Session(desk.lab.engine) as session:
        notes = preview(session, correction(session, number)).notes
    (said,) = [note for note in notes if note.startswith("M-77 must not be used.")]
    assert said.endswith(": a fold")


def test_hours_follow_the_right_part(desk: Desk) -> None:
    fact, right = the_mea(desk), desk.spare(serial="M-77", hours_before=40.0)
    with Session(desk.lab.engine) as session:
        ran = sum(hours.hours for hours in build_hours(session, [desk.lab.stack_id]).values())

    desk.correct(desk.first, fact, "M-77")

    with Session(desk.lab.engine) as session:
        hours = part_hours(session, [right.id, fact.details.part_id])
    assert ran > 0
    assert hours[right.id].total.hours == ran + 40.0
    assert hours[fact.details.part_id].total.hours == 0.0


@pytest.mark.both_engines
def test_what_the_record_said_stays_readable(desk: Desk) -> None:
    fact = the_mea(desk)
    desk.spare(serial="M-77")
    number = desk.correct(desk.first, fact, "M-77", reason="label worn, 77 read as 71")

    with Session(desk.lab.engine) as session:
        told = correction(session, number)
        of_record = corrections_of_records(session, [desk.first])[desk.first]
    assert (told.old_value, told.new_value) == (fact.old_value, "M-77")
    assert told.reason == "label worn, 77 read as 71"
    signed = [f"{who.name} ({who.login})" for who in (desk.proposer, desk.decider)]
    assert [told.written_by, told.decided_by, told.state] == [*signed, "approved"]
    assert told.holds
    assert of_record == (told,)


@pytest.mark.both_engines
def test_a_counted_item_was_of_another_lot(desk: Desk) -> None:
    """Gaskets have no serial: the right item is taken from the right lot when it is approved."""
    fact = desk.fact(desk.second, OF.LAYER_PART, kind=Kind.GASKET, cell=1)
    lot = desk.lab.rows(
        lambda s: builders.a_lot(s, s.get_one(PartType, fact.details.part_type_id), label="S-31").id
    )

    number = desk.propose(desk.second, fact, "S-31")
    with Session(desk.lab.engine) as session:
        assert session.scalars(select(Part.id).where(Part.lot_id == lot)).all() == []
    desk.decide(number)

    item = desk.lab.get(Part, desk.part_at(fact.details.position, 2))
    assert (item.lot_id, item.item_number, item.whereabouts) == (lot, 1, Whereabouts.FITTED)
    assert desk.all_hold()


def test_two_parts_put_on_in_each_others_place_are_exchanged(desk: Desk) -> None:
    one, other = the_mea(desk, cell=1), the_mea(desk, cell=2)

    desk.correct(desk.first, one, other.old_value)

    for build in (1, 2):
        assert desk.part_at(one.details.position, build) == other.details.part_id
        assert desk.part_at(other.details.position, build) == one.details.part_id
    assert where(desk.lab, one.details.part_id) == ("fitted", desk.lab.stack_id)
    assert where(desk.lab, other.details.part_id) == ("fitted", desk.lab.stack_id)
    assert desk.all_hold()


def test_a_part_that_has_left_gives_its_whereabouts_to_the_right_one(desk: Desk) -> None:
    """The gaskets of the first build were renewed: a correction of one ends with that build."""
    fact = desk.fact(desk.first, OF.LAYER_PART, kind=Kind.GASKET, cell=1)
    desk.lab.rows(
        lambda s: builders.a_lot(s, s.get_one(PartType, fact.details.part_type_id), label="S-31")
    )

    desk.correct(desk.first, fact, "S-31")

    right = desk.part_at(fact.details.position, 1)
    assert desk.part_at(fact.details.position, 2) not in (right, fact.details.part_id)
    assert where(desk.lab, right) == ("lifted off", None)
    assert where(desk.lab, fact.details.part_id) == ("in store", None)


@pytest.mark.both_engines
def test_a_part_cannot_have_been_in_two_stacks_at_once(desk: Desk) -> None:
    """An identity conflict is explained, not forced."""
    other = desk.lab.rows(lambda s: builders.a_stack(s, cells=1, serial="TARN-009").id)
    with Session(desk.lab.engine) as session:
        row = session.execute(
            select(Part.serial, Layer.position)
            .join(Layer, Layer.part_id == Part.id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Part.stack_id == other, PartType.kind == Kind.MEA)
        ).one()

    refusal = desk.refused(desk.first, the_mea(desk), row.serial)

    assert "TARN-009" in str(refusal)
    assert f"layer {row.position}" in str(refusal)


def test_a_part_that_was_elsewhere_before_may_have_been_here(desk: Desk) -> None:
    """Two periods which do not overlap are no conflict."""
    right = desk.spare(serial="M-77")

    def elsewhere(session: Session) -> None:
        stack = builders.a_stack(session, serial="TARN-009")
        start = builders.FIRST_CLOSING - timedelta(days=10)
        mine = session.get_one(Part, right.id)
        laid = builders.a_pile(session, stack, 1, meas=[mine])
        builders.a_build(session, stack, closed_at=start, laid=laid)
        builders.a_build(session, stack, closed_at=start + timedelta(days=5), cells=1, laid=None)
        last = builders.a_pile(session, stack, 1)
        builders.a_build(session, stack, closed_at=start + timedelta(days=8), laid=last)
        mine.whereabouts, mine.stack_id = Whereabouts.IN_STORE, None

    desk.lab.rows(elsewhere)

    desk.correct(desk.first, the_mea(desk), "M-77")

    assert where(desk.lab, right.id) == ("fitted", desk.lab.stack_id)


def test_a_layer_carried_on_is_corrected_where_it_was_put_on(desk: Desk) -> None:
    """In the rebuild every layer was put on again; an inspection puts nothing on."""
    with Session(desk.lab.engine) as session:
        layer = session.scalars(select(Layer).where(Layer.build_id == 2, Layer.position == 6)).one()
    assert layer.part_id == the_mea(desk).details.part_id

    record = desk.lab.begin(performed_from=NOW - timedelta(days=1))
    record_id = record.number

    assert desk.facts(record_id, OF.LAYER_PART) == []


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("", "nothing is given"),
        ("NO-SUCH", "no part bears this serial"),
        ("plate", "it is a half plate"),
        ("same", "says already"),
        ("two", "several parts bear it"),
    ],
)
def test_a_new_part_that_cannot_be_is_refused(desk: Desk, typed: str, said: str) -> None:
    fact = the_mea(desk)
    serials = {
        "plate": lambda: desk.spare("air_plate").serial,
        "same": lambda: fact.old_value,
        "two": lambda: (
            (
                desk.spare("mea", serial="M-5"),
                desk.spare("mea_directional", serial="M-5"),
            )[0].serial
        ),
    }

    refusal = desk.refused(desk.first, fact, serials.get(typed, lambda: typed)())

    assert refusal.field == "new_value"
    assert said in str(refusal)
    assert refusal.right_would_be


def test_of_several_parts_with_one_serial_one_is_chosen(desk: Desk) -> None:
    right = desk.spare("mea", serial="M-5")
    desk.spare("mea_directional", serial="M-5")

    desk.correct(desk.first, the_mea(desk), "M-5", part_id=right.id)

    assert where(desk.lab, right.id) == ("fitted", desk.lab.stack_id)


def test_a_part_whose_facing_matters_needs_a_facing_that_was_recorded(desk: Desk) -> None:
    right = desk.spare("mea_directional")

    refusal = desk.refused(desk.first, the_mea(desk), right.serial or "")

    assert "which end its marked face looks at" in str(refusal)


@pytest.mark.both_engines
def test_found_out_at_the_bench_while_the_stack_stands_open(desk: Desk) -> None:
    """Lifting off shows the misread serial: the record before is corrected, then work goes on."""
    desk.spare(serial="M-77")
    fact = the_mea(desk, cell=2)
    record = desk.lab.begin(performed_from=NOW - timedelta(hours=3))
    _open(desk, record)
    while record.pile.pile.outermost(End.FREE).part != fact.details.part_id:
        record.lift()
    with pytest.raises(Refused, match="needs a correction"):
        record.do(lift_off, end=End.FREE, scanned="M-77", findings=SEEN_NOTHING)

    desk.correct(desk.first, fact, "M-77")

    record.do(lift_off, end=End.FREE, scanned="M-77", findings=SEEN_NOTHING)
    with Session(desk.lab.engine) as session:
        exposed = session.scalars(
            select(Step.exposed_part_id)
            .where(Step.record_id == record.number, Step.exposed_part_id.is_not(None))
            .order_by(Step.sequence)
        ).all()
        right = session.scalars(select(Part.id).where(Part.serial == "M-77")).one()
    assert exposed[-2] == right


def _open(desk: Desk, record: Any) -> None:
    record.do(record_exception, reason="test", done_at=NOW - timedelta(hours=3))
    record.do(open_stack, opened_at=NOW - timedelta(hours=2), hours_unknown_because="meter off")


def test_a_part_in_hand_is_not_corrected(desk: Desk) -> None:
    desk.spare(serial="M-77")
    fact = the_mea(desk, cell=2)
    record = desk.lab.begin(performed_from=NOW - timedelta(hours=3))
    _open(desk, record)
    while record.lift() != [fact.details.part_id]:
        pass

    refusal = desk.refused(desk.first, fact, "M-77")

    assert f"record {record.number}, which is still being written" in str(refusal)


# --- the way a part lay


def test_a_facing_is_followed_until_the_part_was_put_on_again(desk: Desk) -> None:
    fact = desk.fact(desk.first, OF.LAYER_FACING, kind=Kind.HALF_PLATE, cell=1)
    turned = Facing.FREE_END if fact.details.facing is Facing.FIXED_END else Facing.FIXED_END

    desk.correct(desk.first, fact, turned.value)

    with Session(desk.lab.engine) as session:
        first = layer_map(session, desk.lab.stack_id, build_number=1)
        second = layer_map(session, desk.lab.stack_id, build_number=2)
    at = fact.details.position - 1
    assert first.layers[at].facing is turned
    assert second.layers[at].facing is fact.details.facing
    assert desk.all_hold()


@pytest.mark.parametrize("typed", ["", "up", "either way", "same"])
def test_a_facing_is_one_of_the_two_ends(desk: Desk, typed: str) -> None:
    fact = desk.fact(desk.first, OF.LAYER_FACING, kind=Kind.HALF_PLATE, cell=1)

    refusal = desk.refused(desk.first, fact, fact.old_value if typed == "same" else typed)

    assert "end" in refusal.right_would_be


# --- readings


def test_a_torque_mistyped_gets_a_new_reading_and_keeps_the_old(desk: Desk) -> None:
    fact = desk.facts(desk.first, OF.TORQUE)[0]

    number = desk.correct(desk.first, fact, "30 in·lbf")

    with Session(desk.lab.engine) as session:
        old = session.get_one(TorqueReading, fact.subject_id)
        new = session.scalars(
            select(TorqueReading).where(TorqueReading.replaces_id == fact.subject_id)
        ).one()
        assert old.known_until == new.known_from
        assert (old.torque_nm, new.torque_nm) == (3.0, pytest.approx(3.38955, abs=1e-4))
        assert "30 in·lbf" in new.entered
        assert (new.correction_id, new.rod_number) == (number, old.rod_number)
        assert (new.by_id, new.taken_at) == (old.by_id, old.taken_at)
    assert desk.facts(desk.first, OF.TORQUE)[0].subject_id == new.id
    assert desk.all_hold()


@pytest.mark.parametrize("typed", ["", "-3", "0", "3 bar", "strong", "3 N·m"])
def test_a_torque_that_cannot_be_is_refused(desk: Desk, typed: str) -> None:
    refusal = desk.refused(desk.first, desk.facts(desk.first, OF.TORQUE)[0], typed)

    assert refusal.field == "new_value"


@pytest.mark.both_engines
def test_another_driver_was_used(desk: Desk) -> None:
    """The right driver counts even where it was out of calibration: the truth is told."""
    with Session(desk.lab.engine) as session:
        builders.a_torque_instrument(
            session,
            label="TD-OLD",
            done_at=builders.START - timedelta(days=900),
            due_at=builders.START - timedelta(days=500),
        )
        session.commit()
    fact = desk.facts(desk.first, OF.TORQUE_INSTRUMENT)[0]

    number = desk.correct(desk.first, fact, " td-old", **STAYS)

    with Session(desk.lab.engine) as session:
        new = session.scalars(
            select(TorqueReading).where(TorqueReading.replaces_id == fact.subject_id)
        ).one()
        told = session.scalars(
            select(AuditEntry.changes).where(
                AuditEntry.act == "correction:approved", AuditEntry.subject_id == number
            )
        ).one()
    assert new.calibration_id is None
    assert desk.facts(desk.first, OF.TORQUE_INSTRUMENT)[0].old_value == "TD-OLD"
    assert "was due on" in told
    assert desk.all_hold()
    assert "torque driver" in str(
        desk.refused(
            desk.first,
            desk.facts(desk.first, OF.TORQUE_INSTRUMENT)[1],
            _label_of(desk, desk.lab.multimeter_id),
        )
    )


def _label_of(desk: Desk, instrument_id: int) -> str:
    label: str = desk.lab.get(builders.Instrument, instrument_id).label
    return label


def test_hours_misread_move_hours_between_the_builds(desk: Desk) -> None:
    fact = desk.fact(desk.second, OF.HOURS, record_id=desk.second)
    with Session(desk.lab.engine) as session:
        before = build_hours(session, [desk.lab.stack_id])

    desk.correct(desk.second, fact, "301 h")

    with Session(desk.lab.engine) as session:
        after = build_hours(session, [desk.lab.stack_id])
        thought = build_hours(session, [desk.lab.stack_id], NOW)
    assert after[1].hours == before[1].hours - 9
    assert after[2].hours == before[2].hours + 9
    assert thought == before
    assert desk.all_hold()


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("90", "already showed 100 h"),
        ("501", "showed only 500 h later"),
        ("-1", "below zero"),
        ("some", "allowed"),
        ("310", "says already"),
    ],
)
def test_a_meter_does_not_count_backwards(desk: Desk, typed: str, said: str) -> None:
    fact = desk.fact(desk.second, OF.HOURS, record_id=desk.second)

    assert said in str(desk.refused(desk.second, fact, typed))


def test_a_reading_in_operation_is_corrected_with_the_record_before_it(desk: Desk) -> None:
    fact = desk.fact(desk.second, OF.HOURS, hours=500.0)

    desk.correct(desk.second, fact, "480,5")

    with Session(desk.lab.engine) as session:
        hours = session.scalars(
            select(HourReading.hours).where(HourReading.replaces_id == fact.subject_id)
        ).one()
    assert hours == 480.5
    assert desk.fact(desk.second, OF.HOURS, hours=480.5)
    with pytest.raises(StopIteration):
        desk.fact(desk.first, OF.HOURS, hours=480.5)


# --- times


@pytest.mark.both_engines
def test_a_wrong_date_of_opening_moves_the_end_of_the_build_before(desk: Desk) -> None:
    fact = desk.facts(desk.second, OF.OPENED_AT)[0]
    right = SECOND_CLOSING - timedelta(days=2)
    between = SECOND_CLOSING - timedelta(days=1)

    desk.correct(desk.second, fact, right.isoformat())

    with Session(desk.lab.engine) as session:
        now = layer_map(session, desk.lab.stack_id, on=between)
        thought = layer_map(session, desk.lab.stack_id, on=between, known_at=NOW)
        moved = session.scalars(
            select(HourReading.taken_at).where(
                HourReading.record_id == desk.second, HourReading.known_until.is_(None)
            )
        ).all()
        assert session.get_one(RebuildRecord, desk.second).opened_at == fact.at
    assert now.open_since == right
    assert thought.open_since is None
    assert moved == [right]
    assert desk.all_hold()


@pytest.mark.both_engines
def test_a_wrong_date_of_closing(desk: Desk) -> None:
    fact = desk.facts(desk.second, OF.CLOSED_AT)[0]
    right = SECOND_CLOSING - timedelta(hours=2)

    desk.correct(desk.second, fact, right.isoformat())

    with Session(desk.lab.engine) as session:
        shown = layer_map(session, desk.lab.stack_id)
    assert shown.build is not None
    assert shown.build.closed_at == right
    assert desk.all_hold()


@pytest.mark.parametrize(
    ("of", "at", "said"),
    [
        (OF.OPENED_AT, builders.FIRST_CLOSING - timedelta(days=1), "build 1 was closed later"),
        (OF.OPENED_AT, SECOND_CLOSING + timedelta(minutes=30), "closed again earlier"),
        (OF.CLOSED_AT, SECOND_CLOSING - timedelta(days=1), "was opened later"),
        (OF.CLOSED_AT, SECOND_CLOSING + timedelta(hours=2), "lies ahead"),
    ],
)
def test_times_keep_their_order(desk: Desk, of: CorrectionOf, at: datetime, said: str) -> None:
    assert said in str(desk.refused(desk.second, desk.facts(desk.second, of)[0], at.isoformat()))


@pytest.mark.parametrize("typed", ["yesterday", "2026-03-01T10:00", ""])
def test_a_time_is_written_with_its_zone(desk: Desk, typed: str) -> None:
    assert desk.refused(desk.second, desk.facts(desk.second, OF.CLOSED_AT)[0], typed)


def test_no_time_puts_a_part_into_two_stacks(desk: Desk) -> None:
    """Opening later than the part was fitted elsewhere would have it in both."""
    fact = desk.facts(desk.second, OF.OPENED_AT)[0]
    earlier = SECOND_CLOSING - timedelta(days=3)
    desk.correct(desk.second, fact, earlier.isoformat())
    gasket = desk.fact(desk.first, OF.LAYER_PART, kind=Kind.GASKET, cell=1).details.part_id

    def elsewhere(session: Session) -> None:
        stack = builders.a_stack(session, serial="TARN-009")
        laid = builders.a_pile(session, stack, 1)
        laid[4] = (session.get_one(Part, gasket), Facing.EITHER)
        builders.a_build(session, stack, closed_at=earlier + timedelta(days=1), laid=laid)

    desk.lab.rows(elsewhere)

    refusal = desk.refused(
        desk.second,
        desk.facts(desk.second, OF.OPENED_AT)[0],
        (SECOND_CLOSING - timedelta(days=1)).isoformat(),
    )

    assert "build 1 of TARN-009" in str(refusal)


# --- proposing and deciding


def test_only_what_was_handed_in_is_corrected(desk: Desk) -> None:
    record = desk.lab.begin(performed_from=NOW - timedelta(days=1))

    with pytest.raises(Refused, match="no such fact"):
        desk.propose(record.number, the_mea(desk), "M-77")


def test_a_fact_of_another_record_is_refused(desk: Desk) -> None:
    with pytest.raises(Refused, match="no such fact"):
        desk.propose(desk.second, desk.facts(desk.first, OF.TORQUE)[0], "3.5")


def test_one_correction_of_a_fact_waits_at_a_time(desk: Desk) -> None:
    fact = desk.facts(desk.first, OF.TORQUE)[0]
    desk.propose(desk.first, fact, "3.5")

    assert "waits for a decision" in str(desk.refused(desk.first, fact, "5"))
    other = next(
        one
        for one in desk.facts(desk.first, OF.TORQUE_INSTRUMENT)
        if one.subject_id == fact.subject_id
    )
    assert "waits for a decision" in str(desk.refused(desk.first, other, "TD-9"))


def test_until_it_is_decided_nothing_follows(desk: Desk) -> None:
    desk.spare(serial="M-77")
    fact = the_mea(desk)
    number = desk.propose(desk.first, fact, "M-77")

    assert desk.part_at(fact.details.position, 2) == fact.details.part_id
    with Session(desk.lab.engine) as session:
        assert [one.id for one in corrections_waiting(session).rows] == [number]


def test_a_reason_is_asked_for(desk: Desk) -> None:
    refusal = desk.refused(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "4", reason=" ")

    assert refusal.field == "reason"


def test_nobody_decides_on_their_own_correction(desk: Desk) -> None:
    desk.proposer = desk.lab.rows(
        lambda s: known(s, builders.a_person(s, Role.SUPERVISOR, Role.ADMIN, Role.QUALITY))
    )
    number = desk.propose(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "3.5")

    with pytest.raises(NotAllowed, match="somebody else"):
        desk.decide(number, by=desk.proposer)
    desk.decide(number)


def test_nobody_decides_on_a_record_they_worked_on(desk: Desk) -> None:
    number = desk.propose(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "3.5")
    wrote = desk.lab.get(RebuildRecord, desk.first).written_by_id
    worker = Person(wrote, "w", "w", frozenset(Role))

    with pytest.raises(NotAllowed, match="somebody else"):
        desk.decide(number, by=worker)


@pytest.mark.parametrize("role", [Role.BUILDER, Role.ADMIN])
def test_quality_or_a_supervisor_decides(desk: Desk, role: Role) -> None:
    number = desk.propose(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "3.5")
    somebody = desk.lab.rows(lambda s: known(s, builders.a_person(s, role)))

    with pytest.raises(NotAllowed, match="quality"):
        desk.decide(number, by=somebody)


def test_a_decision_is_signed_with_password_hash_and_meaning(desk: Desk) -> None:
    number = desk.propose(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "3.5")

    with pytest.raises(Refused, match="not your password"):
        desk.decide(number, password="wrong")
    with pytest.raises(Stale):
        desk.decide(number, content_sha256="0" * 64)
    decision = desk.lab.get(Decision, desk.decide(number))

    assert decision.meaning is Meaning.CORRECTION_APPROVED
    assert decision.correction_id == number
    assert decision.content_sha256 == desk.lab.get(Correction, number).content_sha256
    with pytest.raises(Refused, match="approved already"):
        desk.decide(number)


def test_a_refusal_gives_its_reason_and_changes_nothing(desk: Desk) -> None:
    fact = desk.facts(desk.first, OF.TORQUE)[0]
    number = desk.propose(desk.first, fact, "3.5")

    with pytest.raises(Refused) as refused:
        desk.decide(number, approve=False)
    assert refused.value.field == "reason"
    desk.decide(number, approve=False, reason="the slip says 3")

    assert desk.lab.get(Correction, number).state is CorrectionState.REFUSED
    assert desk.facts(desk.first, OF.TORQUE)[0] == fact
    desk.propose(desk.first, fact, "3.5")


def test_what_was_written_cannot_be_changed_before_it_is_signed(desk: Desk) -> None:
    number = desk.propose(desk.first, desk.facts(desk.first, OF.TORQUE)[0], "3.5")
    with desk.lab.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(text("UPDATE correction SET new_number = 40"))

    with Session(desk.lab.engine) as session:
        assert not correction(session, number).holds
    with pytest.raises(Refused, match="no longer what was written"):
        desk.decide(number)


def test_what_has_changed_since_stands_against_it(desk: Desk) -> None:
    """Checked again when it is approved: meanwhile the right part was fitted elsewhere."""
    right = desk.spare(serial="M-77")
    number = desk.propose(desk.first, the_mea(desk), "M-77")

    def elsewhere(session: Session) -> None:
        stack = builders.a_stack(session, serial="TARN-009")
        laid = builders.a_pile(session, stack, 1, meas=[session.get_one(Part, right.id)])
        builders.a_build(session, stack, closed_at=NOW - timedelta(days=1), laid=laid)

    desk.lab.rows(elsewhere)

    with pytest.raises(Refused, match="TARN-009"):
        desk.decide(number)
    assert desk.lab.get(Correction, number).state is CorrectionState.WAITING


def test_a_correction_can_be_corrected(desk: Desk) -> None:
    desk.spare(serial="M-77")
    desk.spare(serial="M-78")
    desk.correct(desk.first, the_mea(desk), "M-77")

    again = the_mea(desk)
    assert again.old_value == "M-77"
    desk.correct(desk.first, again, "M-78")

    assert the_mea(desk).old_value == "M-78"
    assert desk.all_hold()


def test_each_step_of_it_is_in_the_trail(desk: Desk) -> None:
    desk.spare(serial="M-77")
    number = desk.correct(desk.first, the_mea(desk), "M-77", reason="label worn")

    with Session(desk.lab.engine) as session:
        told = session.execute(
            select(AuditEntry.act, AuditEntry.person_name, AuditEntry.reason, AuditEntry.changes)
            .where(AuditEntry.subject_kind == "correction", AuditEntry.subject_id == number)
            .order_by(AuditEntry.id)
        ).all()
    assert [tuple(row[:3]) for row in told] == [
        ("correction:written", "Jo Hale", "label worn"),
        ("correction:approved", "Ines Falk", "label worn"),
    ]
    assert "build 2 of TARN-001" in told[1].changes


def test_there_is_no_such_correction(desk: Desk) -> None:
    with Session(desk.lab.engine) as session, pytest.raises(NotFound):
        correction(session, 99)
    with (
        pytest.raises(NotFound),
        changing(desk.lab.engine, desk.decider, now=desk.lab.now) as work,
    ):
        decide(work, 99, approve=True, content_sha256="", password="x")


def test_statements_do_not_grow_with_the_stack(
    engine: Engine, statements: Callable[[], Any]
) -> None:
    counts = []
    with Session(engine) as session:
        small = builders.a_build(session, builders.a_stack(session), cells=1).record_id
        large = builders.a_build(session, builders.a_stack(session), cells=12).record_id
        session.commit()
        for record_id in (small, large):
            with statements() as seen:
                correctable(session, record_id)
            counts.append(len(seen))
    assert counts[0] == counts[1]
