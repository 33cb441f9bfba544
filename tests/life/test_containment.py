"""What else is exposed with a failing MEA, and holding it all at once."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import timedelta

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.life.queries.containment import Containment, Exposed, containment
from service.life.queries.traces import trace
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.database import changing, reading
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.stacks.tables import Stack
from service.store.changes.holds import Placed, Subject, lift_hold, place_hold, place_holds
from service.store.tables import Hold, Part
from tests import builders
from tests.bench.at_the_bench import known
from tests.life.suspecting import FailingLab, a_mark, failing_lab

Statements = Callable[[], AbstractContextManager[list[str]]]


@pytest.fixture
def lab(engine: Engine) -> FailingLab:
    """Four stacks; the first MEA of the first stack fails."""
    with Session(engine, expire_on_commit=False) as session:
        made = failing_lab(session)
        builders.a_part(session, builders.the_part_types(session).mea, lot=made.lots[0])
        session.commit()
        return made


def contained(engine: Engine, part_id: int) -> Containment:
    """What is exposed with a part."""
    with reading(engine) as session:
        return containment(session, trace(session, part_id))


def group(found: Containment, title: str) -> tuple[Exposed, ...]:
    """The things exposed in one way; none where it is left out."""
    return next((one.things for one in found.groups if one.title == title), ())


def somebody(engine: Engine, *roles: Role) -> Person:
    """A person with roles."""
    with Session(engine) as session:
        person = known(session, builders.a_person(session, *roles))
        session.commit()
        return person


def hold(engine: Engine, by: Person, subjects: list[Subject], reason: str = "pinholes") -> Placed:
    """Place holds for MEA-101."""
    with changing(engine, by, now=builders.FIRST_CLOSING + timedelta(days=30)) as work:
        return place_holds(work, subjects, reason=reason, about=("part", 1, "MEA-101"))


def test_its_lot_its_build_and_its_driver_are_exposed(engine: Engine, lab: FailingLab) -> None:
    found = contained(engine, lab.meas[0][0].id)

    assert found.build == "stack TEL-1, build 1"
    (lot,) = group(found, "Its own lot")
    assert (lot.kind, lot.label) == ("lot", "A-1")
    assert lot.where == (
        "12 other parts: 2 in TEL-1, 3 in TEL-2, 3 in TEL-3, 3 in TEL-4, 1 in store"
    )
    others = group(found, "Other MEAs of the same build")
    assert [one.label for one in others] == [f"MEA-10{cell}" for cell in range(2, 7)]
    assert others[0].where == "fitted in TEL-1, cell 2"
    around = group(found, "What lay around it in that build")
    assert len(around) == 6
    (driver,) = group(found, "The driver its nuts were tightened with")
    assert (driver.kind, driver.what) == ("instrument", "torque driver")
    assert [stack.serial for stack in found.stacks] == ["TEL-1", "TEL-2", "TEL-3", "TEL-4"]


def test_it_is_the_build_it_failed_in(engine: Engine, lab: FailingLab) -> None:
    """Not the present one, where it was rebuilt since."""
    with Session(engine) as session:
        stack = session.get_one(Stack, lab.stacks[0].id)
        builders.a_build(session, stack, hours=600.0)
        unmarked = session.get_one(Part, lab.meas[0][1].id).id
        session.commit()

    assert contained(engine, lab.meas[0][0].id).build == "stack TEL-1, build 1"
    assert contained(engine, unmarked).build == "stack TEL-1, build 2"


def test_all_of_it_is_held_with_one_entry(engine: Engine, lab: FailingLab) -> None:
    by = somebody(engine, Role.QUALITY)
    things = contained(engine, lab.meas[0][0].id).to_hold

    placed = hold(engine, by, [Subject(**{f"{one.kind}_id": one.id}) for one in things])

    found = contained(engine, lab.meas[0][0].id)
    assert len(placed.hold_ids) == len(things)
    assert placed.held_before == ()
    assert found.to_hold == ()
    assert {one.held_because for each in found.groups for one in each.things} == {"pinholes"}
    with Session(engine) as session:
        entries = session.scalars(select(AuditEntry).where(AuditEntry.act == "holds:placed")).all()
        assert [entry.subject_label for entry in entries] == ["MEA-101"]
        assert all(one.label in entries[0].changes for one in things)
        assert session.get_one(Part, lab.meas[0][1].id).usability is Usability.ON_HOLD


@pytest.mark.both_engines
def test_what_is_held_already_is_passed_over_and_told(engine: Engine, lab: FailingLab) -> None:
    by = somebody(engine, Role.QUALITY)
    first, second = (Subject(part_id=lab.meas[0][place].id) for place in (0, 1))
    with changing(engine, by) as work:
        place_hold(work, first, reason="a pinhole")

    placed = hold(engine, by, [first, second, second])

    assert len(placed.hold_ids) == 1
    assert placed.held_before == ("MEA-101",)
    with pytest.raises(Refused, match="on hold already"):
        hold(engine, by, [first, second])


def test_a_hold_of_many_is_lifted_like_any_other(engine: Engine, lab: FailingLab) -> None:
    by = somebody(engine, Role.QUALITY)
    part_id = lab.meas[0][1].id
    placed = hold(engine, by, [Subject(part_id=part_id), Subject(lot_id=lab.lots[0].id)])

    with changing(engine, by) as work:
        lift_hold(work, placed.hold_ids[0], reason="tested good")

    with Session(engine) as session:
        assert session.get_one(Part, part_id).usability is Usability.ACCEPTED


def test_all_or_none(engine: Engine, lab: FailingLab) -> None:
    """One of them is not there: nothing is held."""
    by = somebody(engine, Role.QUALITY)

    with pytest.raises(NotFound):
        hold(engine, by, [Subject(part_id=lab.meas[0][0].id), Subject(lot_id=99_999)])

    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(Hold)) == 0


def test_a_reason_a_choice_and_leave_are_needed(engine: Engine, lab: FailingLab) -> None:
    subject = [Subject(part_id=lab.meas[0][0].id)]
    by = somebody(engine, Role.QUALITY)
    with pytest.raises(Refused, match="reason"):
        hold(engine, by, subject, reason="  ")
    with pytest.raises(Refused, match="nothing is chosen"):
        hold(engine, by, [])
    with pytest.raises(NotAllowed):
        hold(engine, somebody(engine, Role.ADMIN), subject)


def test_scrapped_parts_need_no_hold(engine: Engine, lab: FailingLab) -> None:
    with Session(engine) as session:
        part = session.get_one(Part, lab.meas[0][3].id)
        part.whereabouts, part.stack_id = Whereabouts.SCRAPPED, None
        session.commit()

    found = contained(engine, lab.meas[0][0].id)

    assert lab.meas[0][3].id not in {one.id for one in found.to_hold if one.kind == "part"}


@pytest.mark.both_engines
def test_a_part_never_built_in_has_only_its_lot(engine: Engine, lab: FailingLab) -> None:
    with Session(engine) as session:
        spare = builders.a_part(session, builders.the_part_types(session).mea)
        a_mark(session, spare)
        session.commit()
        spare_id = spare.id

    found = contained(engine, spare_id)

    assert [one.title for one in found.groups] == ["The MEA itself"]
    assert (found.build, found.stacks) == ("", ())


def test_more_builds_take_no_more_statements(
    engine: Engine, lab: FailingLab, statements: Statements
) -> None:
    counts = []
    for _ in range(2):
        with reading(engine) as session:
            traced = trace(session, lab.meas[0][0].id)
            with statements() as seen:
                containment(session, traced)
        counts.append(len(seen))
        with Session(engine) as session:
            builders.a_build(session, session.get_one(Stack, lab.stacks[0].id), hours=700.0)
            session.commit()

    assert counts[0] == counts[1]
