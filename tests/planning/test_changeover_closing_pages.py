"""The clamp and the set points before and after, on the sheet of a changeover."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.planning.tables import ChangeoverPlan
from service.stacks.tables import Stack
from tests import builders
from tests.closing.closings import give_stiffness, put_limits_in_force
from tests.planning.test_changeover_pages import ADD_ONE, kept, looked_at
from tests.planning.test_changeover_plans import stock
from tests.stacks.test_stacks_pages import words


@pytest.fixture
def lab(app: Any) -> None:
    """A stack of three cells with a pattern, parts for more in store, its clamp known."""
    with Session(app.state.engine) as session:
        give_stiffness(session)
        design = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_stack(session, serial="TEL-4", cells=3, design=design)
        put_limits_in_force(session, design.id)
        stock(session)
        session.commit()


def test_the_plan_shows_clamp_and_set_points_before_and_after(
    signed_in_client: Callable[..., Any], lab: None
) -> None:
    said = words(looked_at(signed_in_client("builder"), **ADD_ONE).text)

    assert "The clamp before and after" in said
    assert "With 9 N·m, the design’s torque, on every nut" in said.replace("\u2009", " ")
    assert "GDL pressure, mean of the cells" in said
    assert "thread protrusion" in said
    assert "torque for 1.6 MPa of GDL pressure" in said.replace("\u2009", " ")
    assert "turns of a nut from finger-tight" in said
    assert "active cells 3 4 +1" in said
    assert "L/min" in said
    assert "rated stack voltage 1.95 V 2.6 V +0.65 V" in said.replace("\u2009", " ")


def test_newer_figures_change_what_is_shown_and_not_the_plan(
    app: Any, signed_in_client: Callable[..., Any], lab: None
) -> None:
    client = signed_in_client("builder")
    address = kept(client)
    before = words(client.get(address).text)
    with Session(app.state.engine) as session:
        plan = session.scalars(select(ChangeoverPlan)).one()
        content = plan.content
        put_limits_in_force(session, session.scalars(select(Stack.design_id)).one(), nut_factor=0.3)
        session.commit()

    after = words(client.get(address).text)

    assert "version 1. Computed now; the plan keeps none of it." in before
    assert "version 2. Computed now; the plan keeps none of it." in after
    assert before.count("intact") == after.count("intact") > 0
    with Session(app.state.engine) as session:
        assert session.scalars(select(ChangeoverPlan.content)).one() == content


def test_without_limits_the_sheet_says_what_is_lacking(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    with Session(app.state.engine) as session:
        design = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_stack(session, serial="TEL-4", cells=3, design=design)
        stock(session)
        session.commit()

    said = words(looked_at(signed_in_client("builder"), **ADD_ONE).text)

    assert "Not computed: no figures are in force for the design." in said
