"""A failing MEA's trace by keyboard: what failing ones share, and a hold on what is chosen."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.store.tables import Hold, Part
from tests import builders

pytestmark = pytest.mark.browser

SignIn = Callable[..., int]


@pytest.fixture(scope="module")
def failing(lab: Engine) -> dict[str, Any]:
    """Two stacks of four cells of one design; the second MEA of the first fails."""
    with Session(lab, expire_on_commit=False) as session:
        types = builders.the_part_types(session)
        design = builders.a_design(session)
        lot = builders.a_lot(session, types.mea, label="M-CT1")
        meas = []
        for number in (1, 2):
            stack = builders.a_stack(session, serial=f"TARN-CT{number}", design=design)
            own = [builders.a_part(session, types.mea, lot=lot) for _ in range(4)]
            pile = builders.a_pile(session, stack, 4, meas=own)
            builders.a_build(session, stack, laid=pile)
            meas += own
        builders.a_failing_mark(session, meas[1].id, builders.FIRST_CLOSING)
        session.commit()
        return {"id": meas[1].id, "serial": meas[1].serial, "beside": meas[0].serial}


def test_neighbours_of_a_failing_mea_are_held_by_keyboard(
    page: Page, sign_in: SignIn, served_at: str, lab: Engine, failing: dict[str, Any]
) -> None:
    sign_in(page, "quality", name="Rosa Lind")
    page.goto(f"{served_at}/parts/{failing['id']}/trace")

    grid = page.get_by_role("region", name="Lot, place and driver together")
    expect(grid).to_contain_text("M-CT1")
    expect(page.get_by_role("region", name="Factors")).to_contain_text("nobody is named or ranked")
    box = page.get_by_role("checkbox", name=f"Choose mea {failing['beside']}")
    box.focus()
    page.keyboard.press("Space")
    page.locator("#reason").fill("pinholes beside it")
    page.get_by_role("button", name="Hold what is chosen").focus()
    page.keyboard.press("Enter")

    page.wait_for_url("**/containment")
    row = page.get_by_role("row").filter(has_text=failing["beside"])
    expect(row).to_contain_text("on hold: pinholes beside it")
    with Session(lab) as session:
        held = session.scalars(
            select(Part.serial)
            .join(Hold, Hold.part_id == Part.id)
            .where(Hold.reason == "pinholes beside it")
        ).all()
    assert held == [failing["beside"]]


def test_a_box_is_large_enough_for_a_thumb(
    page: Page, sign_in: SignIn, served_at: str, failing: dict[str, Any]
) -> None:
    """44 px each way, also on a tablet."""
    sign_in(page, "builder", name="Tomas Reed")
    page.set_viewport_size({"width": 820, "height": 1180})
    page.goto(f"{served_at}/parts/{failing['id']}/containment")

    size = page.locator("label.tick").first.bounding_box()

    assert size
    assert size["width"] >= 44
    assert size["height"] >= 44
