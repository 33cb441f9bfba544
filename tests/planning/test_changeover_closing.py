"""What a changeover does to the clamp: before and after, computed when a plan is shown."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.planning.arithmetic.options import AddCells, BlankCell, RemoveCells, Wish
from service.planning.queries.closing import ChangeoverClosing, changeover_closing
from service.planning.queries.working_out import Ask, ground_of, work_out
from service.stacks.tables import Stack
from service.store.tables import Part
from tests.bench.at_the_bench import Lab, a_lab
from tests.closing.closings import FIGURES, give_stiffness, put_limits_in_force
from tests.planning.test_changeover_plans import DAY, stock


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A stack of three cells with a pattern, parts for more in store, limits in force."""
    lab = a_lab(engine, 3, has_pattern=True)
    lab.rows(stock)
    lab.rows(give_stiffness)
    lab.rows(lambda s: put_limits_in_force(s, s.get_one(Stack, lab.stack_id).design_id))
    return lab


def changed(lab: Lab, *wishes: Wish) -> ChangeoverClosing:
    with Session(lab.engine) as session:
        ground = ground_of(session, lab.stack_id)
        worked = work_out(session, ground, Ask(wishes, DAY))
        return changeover_closing(session, ground.shown, worked.document)


def values(found: ChangeoverClosing, of: str) -> tuple[float, float]:
    """A value of the closed state before and after."""
    assert found.before is not None
    assert found.after is not None
    assert found.before.closed is not None, found.before.not_computed
    assert found.after.closed is not None, found.after.not_computed
    before, after = getattr(found.before.closed, of), getattr(found.after.closed, of)
    return before.value, after.value


def test_a_cell_more_on_the_same_rods_takes_thread_and_leaves_the_pressure(lab: Lab) -> None:
    """Every layer carries the same force: height and thread change, pressure does not."""
    found = changed(lab, AddCells(1, 4))

    pressure = values(found, "gdl_pressure_mpa")
    height = values(found, "closed_height_mm")
    thread = values(found, "protrusion_mm")

    assert found.torque_nm == 9.0
    assert pressure[1] == pytest.approx(pressure[0])
    # two half plates of 2.5 mm, the MEA's gap; the coolant layer's lands meet
    assert height[1] - height[0] == pytest.approx(5.32, abs=0.05)
    assert thread[0] - thread[1] == pytest.approx(height[1] - height[0], abs=0.05)


def test_a_cell_less_gives_it_back(lab: Lab) -> None:
    before, after = values(changed(lab, RemoveCells((3,))), "closed_height_mm")

    assert after < before


def test_a_picked_part_counts_with_its_own_thickness(lab: Lab) -> None:
    """A thin MEA from store shows as the cell with the least pressure."""
    lab.rows(
        lambda s: s.execute(
            update(Part).where(Part.serial == "M-NEW-1").values(measured_thickness_mm=0.42)
        )
    )

    found = changed(lab, AddCells(1, 4))

    assert found.after is not None
    assert found.after.closed is not None
    assert found.after.closed.least_gdl_mpa is not None
    assert found.after.closed.least_gdl_mpa.cell == 4


def test_a_type_of_which_nothing_is_known_is_named(lab: Lab) -> None:
    """A blank cell nobody gave a stiffness: before is computed, after says what is lacking."""
    found = changed(lab, BlankCell(2))

    assert found.before is not None
    assert found.before.closed is not None
    assert found.after is not None
    assert found.after.closed is None
    assert any("blank cell" in words for words in found.after.not_computed)


def test_set_points_follow_the_cells_with_an_mea(lab: Lab) -> None:
    rows = {row.name.split(" at ")[0]: row for row in changed(lab, AddCells(2, 4)).set_points}

    assert (rows["active cells"].before, rows["active cells"].after) == (3, 5)
    assert rows["hydrogen"].after == pytest.approx(rows["hydrogen"].before * 5 / 3)
    assert rows["rated stack voltage"].after == pytest.approx(5 * 0.65)


def test_without_limits_in_force_it_says_why_not(engine: Engine) -> None:
    lab = a_lab(engine, 3, has_pattern=True)
    lab.rows(stock)

    found = changed(lab, AddCells(1, 4))

    assert (found.before, found.after, found.set_points) == (None, None, ())
    assert found.no_set_points == "no figures are in force for the design"


@pytest.mark.both_engines
def test_figures_without_operation_give_no_set_points(lab: Lab) -> None:
    lab.rows(
        lambda s: put_limits_in_force(
            s, s.scalars(select(Stack.design_id)).one(), replace(FIGURES, operation=None)
        )
    )

    found = changed(lab, AddCells(1, 4))

    assert found.set_points == ()
    assert "no operation" in found.no_set_points
    assert found.after is not None
    assert found.after.closed is not None


def test_it_takes_a_constant_number_of_statements(lab: Lab, statements: Callable[[], Any]) -> None:
    seen = []
    for wish in (AddCells(1, 4), AddCells(3, 4)):
        with Session(lab.engine) as session:
            ground = ground_of(session, lab.stack_id)
            worked = work_out(session, ground, Ask((wish,), DAY))
            with statements() as some:
                changeover_closing(session, ground.shown, worked.document)
        seen.append(len(some))

    assert seen == [7, 7]
