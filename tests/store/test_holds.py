"""Holds and concessions: what must not be used, and the one use that is allowed in spite of it."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotAllowed, NotFound, Refused
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.part_axes import judge_part
from service.store.queries.forbids import (
    allowing,
    concessions_left,
    for_instrument,
    for_parts,
    what_forbids,
)
from service.store.queries.holds import (
    About,
    concessions,
    hold,
    holds,
    subject,
)
from service.store.queries.lots import lot
from service.store.queries.part_lists import PartFilter, parts
from service.store.tables import Concession, Instrument, Part
from tests import builders
from tests.operation.keeping import Lab, a_lab


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def a_part(lab: Lab, usability: Usability = Usability.ACCEPTED) -> int:
    made: int = lab.rows(
        lambda s: builders.a_part(s, builders.the_part_types(s).mea, usability=usability).id
    )
    return made


def leave(session: Session, part_id: int, record_id: int | None = None) -> tuple[int, ...]:
    """Which unused concessions allow the part in spite of what forbids it now."""
    part = session.get_one(Part, part_id)
    left = concessions_left(session, for_parts([part]), record_id=record_id)
    return allowing(left, what_forbids(session, part_id), part)


def usability_of(lab: Lab, part_id: int) -> Usability:
    return Usability(lab.get(Part, part_id).usability)


@pytest.mark.parametrize(
    "before", [Usability.ACCEPTED, Usability.ACCEPTED_USED, Usability.REJECTED]
)
def test_lifting_a_hold_gives_back_what_the_part_was(lab: Lab, before: Usability) -> None:
    part_id = a_part(lab, before)
    with lab.work(lab.builder) as work:
        hold_id = place_hold(work, Subject(part_id), reason="wrinkle at the port")
    assert usability_of(lab, part_id) is Usability.ON_HOLD

    with lab.work(lab.quality) as work:
        lift_hold(work, hold_id, reason="only a fold of the foil")

    assert usability_of(lab, part_id) is before
    assert lab.last_entry().reason == "only a fold of the foil"


def test_with_several_holds_the_last_one_lifted_gives_it_back_in_any_order(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        first = place_hold(work, Subject(part_id), reason="one")
    with lab.work() as work:
        second = place_hold(work, Subject(part_id), reason="two")

    with lab.work() as work:
        lift_hold(work, first, reason="done")
    assert usability_of(lab, part_id) is Usability.ON_HOLD
    with lab.work() as work:
        lift_hold(work, second, reason="done")
    assert usability_of(lab, part_id) is Usability.ACCEPTED


def test_a_hold_is_lifted_with_a_word_on_what_the_part_is_from_then_on(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        first = place_hold(work, Subject(part_id), reason="one")
        second = place_hold(work, Subject(part_id), reason="two")

    with pytest.raises(Refused, match="another hold"), lab.work() as work:
        lift_hold(work, first, reason="torn", judged=Usability.REJECTED)
    with lab.work() as work:
        lift_hold(work, first, reason="torn")
    with pytest.raises(Refused, match="no judgement"), lab.work() as work:
        lift_hold(work, second, reason="torn", judged=Usability.ON_HOLD)
    with lab.work() as work:
        lift_hold(work, second, reason="torn", judged=Usability.REJECTED)
    assert usability_of(lab, part_id) is Usability.REJECTED


def test_a_held_part_is_not_judged_past_its_hold(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        place_hold(work, Subject(part_id), reason="one")

    with pytest.raises(Refused, match="a hold stands"), lab.work() as work:
        judge_part(work, part_id, usability=Usability.ACCEPTED, reason="fine")


def test_everybody_who_works_places_holds_quality_lifts_them(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work(lab.builder) as work:
        hold_id = place_hold(work, Subject(part_id), reason="one")

    for person in (lab.builder, lab.supervisor, lab.admin):
        with pytest.raises(NotAllowed), lab.work(person) as work:
            lift_hold(work, hold_id, reason="why not")
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        give_concession(work, Subject(part_id), reason="why not")


def test_a_hold_is_lifted_once(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        hold_id = place_hold(work, Subject(part_id), reason="one")
    with lab.work() as work:
        lift_hold(work, hold_id, reason="done")

    with pytest.raises(Refused, match="was lifted"), lab.work() as work:
        lift_hold(work, hold_id, reason="done")
    with pytest.raises(NotFound), lab.work() as work:
        lift_hold(work, 999, reason="done")


@pytest.mark.both_engines
def test_a_hold_on_a_lot_holds_all_its_parts_as_they_are_seen(lab: Lab) -> None:
    def make(session: Session) -> tuple[int, int, int]:
        mea = builders.the_part_types(session).mea
        lot = builders.a_lot(session, mea, label="L-7")
        stack = builders.a_stack(session, serial="TARN-1")
        fitted = builders.a_part(session, mea, serial="N-1", lot=lot, stack=stack)
        rejected = builders.a_part(
            session, mea, serial="N-2", lot=lot, usability=Usability.REJECTED
        )
        return lot.id, fitted.id, rejected.id

    lot_id, fitted, rejected = lab.rows(make)
    with lab.work() as work:
        hold_id = place_hold(work, Subject(lot_id=lot_id), reason="flash at the bead")

    with Session(lab.engine) as session:
        held = parts(session, PartFilter(usability=Usability.ON_HOLD)).rows
        assert [(row.label, row.whereabouts, row.held_by_lot) for row in held] == [
            ("N-1", Whereabouts.FITTED, True)
        ]
        assert usability_of(lab, fitted) is Usability.ACCEPTED  # the row itself stays
        assert [one.cause for one in what_forbids(session, fitted)] == ["lot on hold"]
        assert [one.cause for one in what_forbids(session, rejected)] == [
            "lot on hold",
            "not accepted",
        ]
        assert [one.cause for one in what_forbids(session, lot_id=lot_id)] == ["lot on hold"]
        seen = {place.usability for place in lot(session, lot_id).where}
        assert seen == {Usability.ON_HOLD, Usability.REJECTED}
    with lab.work() as work:
        lift_hold(work, hold_id, reason="sorted out")
    with Session(lab.engine) as session:
        assert what_forbids(session, fitted) == ()


@pytest.mark.parametrize(
    ("usability", "cause"),
    [
        (Usability.ACCEPTED, None),
        (Usability.ACCEPTED_USED, None),
        (Usability.NOT_INSPECTED, "not accepted"),
        (Usability.REJECTED, "not accepted"),
        (Usability.UNDER_CONCESSION, "not accepted"),
    ],
)
def test_what_was_judged_allows_or_forbids_a_use(
    lab: Lab, usability: Usability, cause: str | None
) -> None:
    part_id = a_part(lab, usability)

    with Session(lab.engine) as session:
        assert [one.cause for one in what_forbids(session, part_id)] == ([cause] if cause else [])


def test_no_concession_brings_back_what_is_gone(lab: Lab) -> None:
    part_id = lab.rows(
        lambda s: (
            builders.a_part(s, builders.the_part_types(s).mea, whereabouts=Whereabouts.SCRAPPED).id
        )
    )
    instrument = lab.rows(lambda s: builders.a_torque_instrument(s).id)

    def withdraw(session: Session) -> None:
        session.get_one(Instrument, instrument).in_use = False

    lab.rows(withdraw)
    with Session(lab.engine) as session:
        assert [one.concession_may for one in what_forbids(session, part_id)] == [False]
        gone = what_forbids(session, instrument_id=instrument)
        assert [one.concession_may for one in gone] == [False]
    with pytest.raises(Refused, match="scrapped"), lab.work() as work:
        give_concession(work, Subject(part_id), reason="why not")


def test_a_concession_allows_uses_in_one_record(lab: Lab) -> None:
    part_id = a_part(lab)
    with lab.work() as work:
        place_hold(work, Subject(part_id), reason="one")
    with lab.work(lab.supervisor) as work:
        concession_id = give_concession(work, Subject(part_id), reason="training build")
    assert usability_of(lab, part_id) is Usability.UNDER_CONCESSION

    def use(session: Session) -> tuple[int, int]:
        one = builders.a_record(session, builders.a_stack(session))
        two = builders.a_record(session, builders.a_stack(session))
        session.get_one(Concession, concession_id).used_in_record_id = one.id
        return one.id, two.id

    with Session(lab.engine) as session:
        assert leave(session, part_id) == (concession_id,)
        assert [one.cause for one in what_forbids(session, part_id)] == ["on hold"]
    one, two = lab.rows(use)
    with Session(lab.engine) as session:
        assert leave(session, part_id) == ()
        assert leave(session, part_id, record_id=one) == (concession_id,)
        assert leave(session, part_id, record_id=two) == ()


@pytest.mark.both_engines
def test_a_concession_for_a_lot_counts_for_its_parts(lab: Lab) -> None:
    def make(session: Session) -> tuple[int, int]:
        mea = builders.the_part_types(session).mea
        lot = builders.a_lot(session, mea)
        return lot.id, builders.a_part(session, mea, lot=lot).id

    lot_id, part_id = lab.rows(make)
    with lab.work() as work:
        given = give_concession(work, Subject(lot_id=lot_id), reason="training build")

    with Session(lab.engine) as session:
        assert leave(session, part_id) == (given,)
        assert concessions_left(session, for_instrument(1)) == ()


@pytest.mark.both_engines
def test_holds_and_concessions_are_listed_with_what_they_are_about(lab: Lab) -> None:
    part_id = a_part(lab)
    lot_id = lab.rows(
        lambda s: builders.a_lot(s, builders.the_part_types(s).gas_gasket, label="G-7").id
    )
    instrument = lab.rows(lambda s: builders.a_torque_instrument(s, label="TD-7").id)
    with lab.work() as work:
        first = place_hold(work, Subject(part_id), reason="one")
        place_hold(work, Subject(lot_id=lot_id), reason="two")
        place_hold(work, Subject(instrument_id=instrument), reason="dropped")
        give_concession(work, Subject(instrument_id=instrument), reason="no other here")
        lift_hold(work, first, reason="done")

    with Session(lab.engine) as session:
        standing = [(one.subject.kind, one.subject.label) for one in holds(session).rows]
        assert standing == [("instrument", "TD-7"), ("lot", "G-7")]
        assert len(holds(session, lifted_too=True).rows) == 3
        assert hold(session, first).lift_reason == "done"
        assert hold(session, first).usability_before is Usability.ACCEPTED
        about = About(instrument_id=instrument)
        assert [one.reason for one in holds(session, about).rows] == ["dropped"]
        assert [one.subject.label for one in concessions(session, about).rows] == ["TD-7"]
        assert subject(session, About(lot_id=lot_id)).label == "G-7"
        with pytest.raises(NotFound):
            subject(session, About(part_id=999))


def test_a_hold_names_exactly_one_thing() -> None:
    with pytest.raises(Refused):
        Subject()
    with pytest.raises(Refused):
        Subject(1, 2)


def test_an_instrument_on_hold_is_not_used_until_the_hold_is_lifted(lab: Lab) -> None:
    instrument = lab.rows(lambda s: builders.a_torque_instrument(s).id)
    with lab.work() as work:
        hold_id = place_hold(work, Subject(instrument_id=instrument), reason="dropped")

    with Session(lab.engine) as session:
        (one,) = what_forbids(session, instrument_id=instrument)
        assert one.hold_id == hold_id
        assert one.since is not None
        assert one.since - work.now < timedelta(seconds=1)
