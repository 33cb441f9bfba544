"""What people do is judged at once: maps, voltages typed in, corrections, hand-ins."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.condition.changes import type_voltages
from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.changes.failing_rules import propose_rule
from service.life.tables import RuleAnswer, RuleVerdict
from service.people.tables import Role
from service.platform.database import changing
from service.platform.permissions import Person
from service.stacks.changes.hours import read_hours
from service.stacks.tables import Build, Moment
from service.taps.changes import write_tap_map
from tests import builders
from tests.bench.corrections.test_corrections import Desk, desk, the_mea
from tests.builders import FIRST_CLOSING
from tests.life.mea_reading import ReadStack, a_read_stack
from tests.proposing import put_in_force
from tests.taps.tapping import a_snapshot

__all__ = ["desk"]
LOW = FailingRule((Criterion(CriterionKind.VOLTAGE, 0.60),), 0.7)
NOW = FIRST_CLOSING + timedelta(days=80)


@pytest.fixture
def everybody(engine: Engine) -> Person:
    with Session(engine) as session:
        row = builders.a_person(session, *Role)
        session.commit()
        return Person(row.id, row.login, row.name, frozenset(Role))


@pytest.fixture
def made(engine: Engine, everybody: Person) -> ReadStack:
    with Session(engine) as session:
        made = a_read_stack(session)
        session.commit()
    with changing(engine, everybody, now=NOW) as work:
        key = propose_rule(work, made.design_id, LOW, source="note 7", reason="first rule")
    put_in_force(engine, key, NOW)
    return made


def failing(engine: Engine) -> set[int]:
    """MEAs that meet the rule."""
    with Session(engine) as session:
        return set(
            session.scalars(select(RuleVerdict.part_id).where(RuleVerdict.answer == RuleAnswer.MET))
        )


def test_a_tap_map_written_afterwards(engine: Engine, made: ReadStack, everybody: Person) -> None:
    assert failing(engine) == {made.weak}

    with changing(engine, everybody, now=NOW) as work:
        key = write_tap_map(
            work,
            made.stack_id,
            valid_from=FIRST_CLOSING + timedelta(days=29, hours=20),
            cell_of={1: 2, 2: 1, 3: 3, 4: 4},
            reason="leads were crossed at the rebuild",
        )
    assert failing(engine) == {made.weak}
    put_in_force(engine, key, NOW)

    assert failing(engine) == {made.meas[2]}


def test_voltages_typed_in(engine: Engine, made: ReadStack, everybody: Person) -> None:
    with changing(engine, everybody, now=NOW) as work:
        type_voltages(
            work,
            made.stack_id,
            taken_at=NOW - timedelta(hours=1),
            current_a=70.0,
            voltages_v=[0.56, 0.66, 0.66, 0.59],
        )

    assert failing(engine) == {made.weak, made.meas[4]}


def test_hours_read_later(engine: Engine, everybody: Person) -> None:
    """Without hours there is no rate; once the meter is read there is one, and it is too fast."""
    rate = FailingRule((Criterion(CriterionKind.RATE, 60.0, readings=5),), 0.7)
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        builders.an_hour_reading(session, stack, 0.0, FIRST_CLOSING, moment=Moment.CLOSING)
        for day in range(1, 9):
            volts = round(0.70 - day * 0.003 + 0.0001 * (-1) ** day, 4)
            a_snapshot(session, build, FIRST_CLOSING + timedelta(days=day), [volts])
        stack_id, design_id = stack.id, stack.design_id
        session.commit()
    with changing(engine, everybody, now=NOW) as work:
        key = propose_rule(work, design_id, rate, source="note 7", reason="first rule")
    put_in_force(engine, key, NOW)
    assert failing(engine) == set()

    with changing(engine, everybody, now=NOW) as work:
        read_hours(work, stack_id, hours=240.0, taken_at=FIRST_CLOSING + timedelta(days=10))

    assert len(failing(engine)) == 1


@pytest.mark.both_engines
def test_a_corrected_layer(engine: Engine, desk: Desk, everybody: Person) -> None:
    """The MEA with the low voltage was another one all the time."""
    with Session(engine) as session:
        builds = select(Build).where(Build.stack_id == desk.lab.stack_id)
        second = session.scalars(builds.order_by(Build.number)).all()[-1]
        a_snapshot(session, second, FIRST_CLOSING + timedelta(days=31), [0.55, 0.66])
        design_id = session.get_one(builders.Stack, desk.lab.stack_id).design_id
        session.commit()
    with changing(engine, everybody, now=desk.lab.now) as work:
        key = propose_rule(work, design_id, LOW, source="note 7", reason="first rule")
    put_in_force(engine, key, NOW)
    fact = the_mea(desk)
    assert failing(engine) == {fact.details.part_id}
    right = desk.spare(serial="M-77")

    desk.correct(desk.first, fact, "M-77")

    assert failing(engine) == {right.id}
