"""The comparison of failing MEAs with comparable ones, from rows to names."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.life.arithmetic.factors import FactorKind, Unit
from service.life.queries.compared import compared
from service.life.queries.containment import containment
from service.life.queries.suspects import NamedFactor, SuspectsSheet, suspects_sheet
from service.life.queries.traces import trace, traced_mea
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.people.tables import Role
from service.platform.database import reading
from service.platform.errors import NotFound
from service.stacks.tables import Stack
from tests import builders
from tests.found_by_index import read_whole
from tests.life.suspecting import BETWEEN, FailingLab, a_mark, failing_lab, fill
from tests.life.test_build_features import two_stacks

Statements = Callable[[], AbstractContextManager[list[str]]]


def sheet(engine: Engine, lab: FailingLab, **asked: bool) -> SuspectsSheet:
    """The comparison for the first failing MEA."""
    with reading(engine) as session:
        return suspects_sheet(session, lab.design.id, lab.meas[0][0].id, **asked)


def factor(found: SuspectsSheet, kind: FactorKind) -> NamedFactor:
    """One factor of a comparison."""
    return next(one for one in found.factors if one.outcome.kind is kind)


def a_lab(engine: Engine, **given: object) -> FailingLab:
    """A laboratory kept in the database, with the makeups of its builds."""
    with Session(engine, expire_on_commit=False) as session:
        lab = failing_lab(session, **given)  # type: ignore[arg-type]
        session.commit()
    fill(engine)
    return lab


def test_the_lot_of_the_failing_is_told_with_its_counts(engine: Engine) -> None:
    """Four of twelve from lot A-1 fail, of lot B-2 none."""
    lab = a_lab(engine)

    found = sheet(engine, lab)

    lot = factor(found, FactorKind.MEA_LOT)
    assert (found.result.meas, found.result.failing, found.result.builds) == (24, 4, 4)
    assert lot.outcome.unit is Unit.MEA
    level = lot.levels[0]
    assert (level.name, level.address) == ("A-1", f"/lots/{lab.lots[0].id}")
    assert (level.counts.failing, level.counts.all) == (4, 12)
    assert (level.counts.rest_failing, level.counts.rest_all) == (0, 12)
    assert level.is_own
    assert lot.own == ("A-1",)
    assert level.counts.test is not None
    # all four at the same hours: Fisher's table of 4, 12, 4, 24
    assert level.counts.test.two_sided == pytest.approx(0.0932, abs=5e-5)
    assert "association" not in lot.sentence
    assert found.not_cause.startswith("This tells what goes together")


def test_few_data_are_said(engine: Engine) -> None:
    found = sheet(engine, a_lab(engine))

    assert found.few_data[0].startswith("Few data: 4 failing MEAs.")
    assert any("4 builds" in sentence for sentence in found.few_data)


def test_the_grid_comes_with_lot_place_and_driver(engine: Engine) -> None:
    found = sheet(engine, a_lab(engine))

    assert found.columns == ("end cell", "second from an end", "third to fifth")
    rows = {(row.lot, row.driver): row for row in found.rows}
    assert {lot for lot, _ in rows} == {"A-1", "B-2"}
    assert sum(row.total[1] for row in found.rows) == 24
    assert sum(row.total[0] for row in found.rows) == 4


def test_lots_that_only_ever_sat_in_one_place_cannot_be_told_from_it(engine: Engine) -> None:
    """Two cells, all of lot A-1 at one end; all plates and gaskets are of one lot."""
    with Session(engine, expire_on_commit=False) as session:
        lab = failing_lab(session, stacks=6, failing=((0, 0), (1, 0), (2, 0), (3, 0)))
        types = builders.the_part_types(session)
        for number in range(4):
            for cell, mea in enumerate(lab.meas[number]):
                mea.lot_id = lab.lots[0].id if cell in {0, 5} else lab.lots[1].id
        for number in (4, 5):
            for mea in lab.meas[number]:
                mea.lot_id = lab.lots[1].id
            lab.meas[number][0].lot_id = lab.meas[number][5].lot_id = lab.lots[0].id
        assert types.mea.id == lab.meas[0][0].part_type_id
        session.commit()
    fill(engine)

    found = sheet(engine, lab)

    assert (
        "MEA lot A-1 was only ever in place from the nearer end “end cell”:"
        " they cannot be told apart."
    ) in found.apart


def test_people_are_neither_named_nor_ordered(engine: Engine) -> None:
    found = sheet(engine, a_lab(engine))

    people = factor(found, FactorKind.BUILDER)
    assert people.levels == ()
    assert people.own == ()


def test_drivers_are_counted_by_builds(engine: Engine) -> None:
    lab = a_lab(engine)

    driver = factor(sheet(engine, lab), FactorKind.INSTRUMENT)

    assert driver.outcome.unit is Unit.BUILD
    assert driver.outcome.n == 4


def test_hours_end_where_an_mea_failed_and_later_stays_are_left_out(engine: Engine) -> None:
    """Failed half way between closing and the reading of 500 h; rebuilt with it later on."""
    with Session(engine, expire_on_commit=False) as session:
        lab = failing_lab(session, failing=())
        half = builders.FIRST_CLOSING + BETWEEN / 2
        a_mark(session, lab.meas[0][0], failed_at=half, confirmed_at=half + BETWEEN)
        builders.a_build(session, lab.stacks[0], hours=600.0)
        session.commit()
    fill(engine)

    with reading(engine) as session:
        sides = compared(session, lab.design.id, by_rule=False)

    rows = np.flatnonzero(sides.stays.part == lab.meas[0][0].id)
    assert sides.counts[rows].tolist() == [True, False]
    assert sides.population.failing[rows].tolist() == [True, False]
    assert sides.population.stands[rows].tolist() == [True, False]
    assert sides.population.left_h[rows[1]] == sides.population.entered_h[rows[1]]
    assert sides.population.left_h[rows[0]] == pytest.approx(250.0, abs=15.0)
    beside = np.flatnonzero(sides.stays.part == lab.meas[0][1].id)
    assert beside.size == 2
    assert sides.population.stands[beside].tolist() == [False, True]
    assert sides.population.left_h[beside[0]] == pytest.approx(600.0)


def test_a_closed_build_runs_on_with_its_meter(engine: Engine) -> None:
    """What its meter shows by now counts, though nothing was written anew since."""
    lab = a_lab(engine)
    with Session(engine) as session:
        stack = session.merge(lab.stacks[0])
        later = builders.FIRST_CLOSING + 2 * BETWEEN
        builders.an_hour_reading(session, stack, 800.0, later)
        session.commit()

    with reading(engine) as session:
        sides = compared(session, lab.design.id, by_rule=False)

    ran = dict(zip(sides.build_ids.tolist(), sides.population.ran_h.tolist(), strict=True))
    assert ran[lab.builds[0].id] == pytest.approx(800.0)
    assert ran[lab.builds[1].id] == pytest.approx(500.0)


def test_those_the_rule_says_count_if_asked_for(engine: Engine) -> None:
    lab = a_lab(engine, failing=((0, 0),))
    with Session(engine) as session:
        by = builders.a_person(session, Role.QUALITY)
        rule = FailingRule(
            design_id=lab.design.id, version=1, content="{}", source="test plan", reason="first",
            by_id=by.id, made_at=builders.START,
        )  # fmt: skip
        session.add(rule)
        session.flush()
        for place, answer in ((1, RuleAnswer.MET), (2, RuleAnswer.NOT_MET)):
            session.add(
                RuleVerdict(
                    part_id=lab.meas[1][place].id, rule_id=rule.id, stack_id=lab.stacks[1].id,
                    answer=answer, reasons="[]", judged_at=builders.START,
                )
            )  # fmt: skip
        session.commit()

    assert sheet(engine, lab).result.failing == 1
    assert sheet(engine, lab, by_rule=True).result.failing == 2


def test_a_word_withdrawn_no_longer_counts(engine: Engine) -> None:
    lab = a_lab(engine)
    with Session(engine) as session:
        mark = session.scalars(select(FailingMark).order_by(FailingMark.id)).first()
        assert mark is not None
        mark.withdrawn_at, mark.withdrawn_by_id = builders.START, mark.confirmed_by_id
        mark.withdrawn_because = "a loose lead"
        session.commit()

    assert sheet(engine, lab).result.failing == 3


@pytest.mark.both_engines
def test_an_mea_from_another_stack_is_told_by_it(engine: Engine) -> None:
    with Session(engine, expire_on_commit=False) as session:
        moved, new = two_stacks(session)
        design_id = session.scalars(select(Stack.design_id).where(Stack.serial == "TEL-1")).one()
        a_mark(session, moved, failed_at=builders.FIRST_CLOSING + timedelta(days=100))
        session.commit()
    fill(engine)

    with reading(engine) as session:
        found = suspects_sheet(session, design_id, moved.id)
        other = suspects_sheet(session, design_id, new.id)

    assert factor(found, FactorKind.PREVIOUS_STACK).own == ("TEL-1",)
    assert factor(other, FactorKind.PREVIOUS_STACK).own == ("no other stack",)
    assert factor(found, FactorKind.OPENINGS).own == ("two",)


def test_any_number_of_stacks_takes_the_same_statements(
    engine: Engine, statements: Statements
) -> None:
    lab = a_lab(engine, stacks=2, failing=((0, 0),))
    with statements() as few:
        sheet(engine, lab)
    with Session(engine, expire_on_commit=False) as session:
        more = failing_lab_beside(session, lab)
        session.commit()
    fill(engine)

    with statements() as many:
        sheet(engine, lab)

    assert more == 3
    assert len(many) == len(few)


def failing_lab_beside(session: Session, lab: FailingLab) -> int:
    """Three more stacks of the same design, one MEA of each failing."""
    types = builders.the_part_types(session)
    for number in range(3):
        stack = builders.a_stack(session, serial=f"TEL-9{number}", design=session.merge(lab.design))
        meas = [builders.a_part(session, types.mea, lot=session.merge(lab.lots[0]))
                for _ in range(3)]  # fmt: skip
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, 3, meas=meas))
        a_mark(session, meas[1])
    return 3


def test_no_table_that_grows_is_read_whole(app: Any, statements: Statements) -> None:
    """Comparison and containment find everything by index."""
    engine = app.state.engine
    lab = a_lab(engine)

    with reading(engine) as session, statements() as seen:
        part_id = lab.meas[0][0].id
        traced_mea(session, part_id)
        suspects_sheet(session, lab.design.id, part_id, by_rule=True)
    with reading(engine) as session:
        traced = trace(session, part_id)
        with statements() as more:
            containment(session, traced)

    assert read_whole(engine, [*seen, *more]) == []


def test_a_design_without_builds_has_nothing_to_compare(engine: Engine) -> None:
    with Session(engine, expire_on_commit=False) as session:
        design = builders.a_design(session)
        session.commit()

    with reading(engine) as session:
        found = suspects_sheet(session, design.id, 1)

    assert (found.result.meas, found.result.looked_at, found.rows) == (0, 0, ())


@pytest.mark.both_engines
def test_an_unknown_design_is_not_found(engine: Engine) -> None:
    with reading(engine) as session, pytest.raises(NotFound):
        suspects_sheet(session, 99, 1)
