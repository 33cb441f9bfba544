"""Lots are made of lots: trees, circles, holds that reach what was made of a lot."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.life.arithmetic.factors import FactorKind
from service.life.queries.compared import compared
from service.life.queries.suspects import suspects_sheet
from service.life.queries.traces import trace
from service.people.tables import Role
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.store.arithmetic.lot_roles import LotRole
from service.store.changes.holds import Subject, place_hold
from service.store.changes.lot_inputs import add_input, remove_input
from service.store.queries.forbids import forbids_of_lots, what_forbids
from service.store.queries.lot_trees import made_from, made_of
from service.store.queries.lots import lot
from service.store.tables import LotInput
from tests import builders
from tests.bench.at_the_bench import known
from tests.life.suspecting import failing_lab, fill


@dataclass
class Rolled:
    """An MEA lot made of a hot-press run, which is made of a roll; and a part of it."""

    engine: Engine
    quality: Person
    delivery: int
    run: int
    roll: int
    part: int

    def do(self, change: Any, *args: Any, **facts: Any) -> Any:
        with changing(self.engine, self.quality) as work:
            return change(work, *args, **facts)

    def tree(self, of: int) -> Any:
        with reading(self.engine) as session:
            return made_of(session, [of])[of]


@pytest.fixture
def rolled(engine: Engine) -> Rolled:
    with Session(engine) as session:
        quality = known(session, builders.a_person(session, Role.QUALITY, Role.SUPERVISOR))
        types = builders.the_part_types(session)
        delivery = builders.a_lot(session, types.mea, label="Q-3")
        part = builders.a_part(session, types.mea, lot=delivery)
        run, roll = builders.a_material(session, "HP-12"), builders.a_material(session, "R-7")
        session.commit()
        made = Rolled(engine, quality, delivery.id, run.id, roll.id, part.id)
    made.do(add_input, made.delivery, input_lot_id=made.run, role=LotRole.HOT_PRESS)
    made.do(add_input, made.run, input_lot_id=made.roll, role=LotRole.MEMBRANE)
    return made


@pytest.mark.both_engines
def test_a_lot_shows_what_it_is_made_of_level_by_level_and_what_of_it(rolled: Rolled) -> None:
    (run,) = rolled.tree(rolled.delivery)
    (roll,) = run.made_of
    with reading(rolled.engine) as session:
        made = made_from(session, rolled.roll)
        traced = trace(session, rolled.part)

    assert [(run.role, run.label), (roll.role, roll.label)] == [
        ("hot-press run", "HP-12"),
        ("membrane", "R-7"),
    ]
    assert [(x.label, x.level, x.parts) for x in made] == [("HP-12", 1, 0), ("Q-3", 2, 1)]
    assert [x.label for tree in traced.lots[0].made_of for x in tree.all_levels] == ["HP-12", "R-7"]


@pytest.mark.both_engines
def test_a_circle_is_refused_by_the_change_and_by_the_database(rolled: Rolled) -> None:
    for lot_id, of in ((rolled.roll, rolled.delivery), (rolled.run, rolled.run)):
        with pytest.raises(Refused, match="it is made of this lot itself"):
            rolled.do(add_input, lot_id, input_lot_id=of, role=LotRole.MEMBRANE)
    with pytest.raises(Refused, match="it is its membrane already"):
        rolled.do(add_input, rolled.run, input_lot_id=rolled.roll, role=LotRole.MEMBRANE)
    with Session(rolled.engine) as session:
        session.add(
            LotInput(lot_id=rolled.roll, input_lot_id=rolled.delivery, role=LotRole.COATING)
        )
        with pytest.raises(IntegrityError, match="not made of itself"):
            session.flush()


@pytest.mark.both_engines
def test_a_hold_on_the_roll_reaches_the_parts_made_of_it(rolled: Rolled) -> None:
    assert forbidden(rolled) == []

    rolled.do(place_hold, Subject(lot_id=rolled.roll), reason="thin spots on the roll")

    (sentence,) = forbidden(rolled)
    assert sentence.startswith("Its lot Q-3 is made of lot R-7, which is on hold since ")
    with reading(rolled.engine) as session:
        assert forbids_of_lots(session, [rolled.delivery])[rolled.delivery]
        assert lot(session, rolled.delivery).facts.held
        assert rolled.tree(rolled.run)[0].held_because == "thin spots on the roll"
    (row,) = rolled.tree(rolled.run)
    rolled.do(remove_input, rolled.run, row.input_id, reason="another roll was on that day")
    assert forbidden(rolled) == []


def forbidden(rolled: Rolled) -> list[str]:
    with reading(rolled.engine) as session:
        return [forbid.sentence for forbid in what_forbids(session, rolled.part)]


@pytest.mark.both_engines
def test_each_level_is_a_factor_so_that_the_roll_is_named(engine: Engine) -> None:
    with Session(engine) as session:
        lab = failing_lab(session)
        quality = known(session, builders.a_person(session, Role.QUALITY))
        lots = [made.id for made in lab.lots]
        first, second = (builders.a_material(session, label).id for label in ("R-7", "R-8"))
        coating = builders.a_material(session, "C-1").id
        design_id, mea = lab.design.id, lab.meas[0][0].id
        later = builders.FIRST_CLOSING + timedelta(days=300)
        session.commit()
    fill(engine)
    with changing(engine, quality) as work:
        for of, roll in zip(lots, (first, second), strict=True):
            add_input(work, of, input_lot_id=roll, role=LotRole.MEMBRANE)
        add_input(work, lots[0], input_lot_id=coating, role=LotRole.COATING)
    with Session(engine) as session:
        session.add(
            LotInput(lot_id=lots[1], input_lot_id=coating, role=LotRole.COATING, since=later)
        )
        session.commit()

    with reading(engine) as session:
        sides = compared(session, design_id, by_rule=False)
        sheet = suspects_sheet(session, design_id, mea)

    of_kind = {factor.kind: factor for factor in sides.factors}
    rolls = of_kind[FactorKind.MEMBRANE].codes.ravel()
    assert (rolls == of_kind[FactorKind.MEA_LOT].codes).all()
    coated = of_kind[FactorKind.COATING].codes.ravel()
    assert ((coated == 0) == (rolls == 0)).all()
    named = next(factor for factor in sheet.factors if factor.outcome.kind is FactorKind.MEMBRANE)
    assert named.own == ("R-7 (type of R-7)",)
    assert named.levels[0].address == f"/lots/{first}"
    assert {FactorKind(role) for role in LotRole} < set(FactorKind)
