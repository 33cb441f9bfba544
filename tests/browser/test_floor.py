"""The floor by hand and on the wall: it reads itself again, and holds still for a finger."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.stacks.tables import Layer
from service.store.tables import Part
from tests import builders
from tests.browser.looking import look, sign_in_by_page

pytestmark = pytest.mark.browser

SignIn = Callable[..., int]


@pytest.fixture(scope="module")
def failing(lab: Engine) -> dict[str, Any]:
    """A stack of sixty-five cells whose thirty-third fails."""
    with Session(lab, expire_on_commit=False) as session:
        stack = builders.a_stack(session, cells=65, serial="TARN-FL1")
        mea = session.scalars(
            select(Part)
            .join(Layer, Layer.part_id == Part.id)
            .where(
                Part.stack_id == stack.id,
                Layer.cell == 33,
                Part.part_type_id == builders.the_part_types(session).mea.id,
            )
        ).one()
        builders.a_failing_mark(session, mea.id)
        session.commit()
        return {"serial": stack.serial, "mea": mea.serial, "mea_id": mea.id}


def test_signing_in_leads_to_the_floor_and_on_to_what_fails(
    page: Page, rows: Callable[..., Any], served_at: str, failing: dict[str, Any]
) -> None:
    """By keyboard: after the need itself the way to the MEA's trace is reached."""
    person = rows(lambda session: builders.a_person(session, "builder", name="Ilse Brand"))
    sign_in_by_page(page, served_at, person.login)
    page.wait_for_url(f"{served_at}/floor")
    expect(page.get_by_role("heading", level=1)).to_have_text("Floor")
    stack = page.locator(".floor > li").filter(has_text=failing["serial"])
    expect(stack.get_by_role("img")).to_have_accessible_name(
        re.compile(f"Cells of {failing['serial']} 65 cells .* failing: cell 33")
    )
    expect(stack.locator(".mine").first).to_contain_text("for you")
    look(page, "floor")

    stack.get_by_role("heading").get_by_role("link").focus()
    page.keyboard.press("Tab")
    focused = page.locator(":focus")
    expect(focused).to_contain_text(f"MEA {failing['mea']} in cell 33 is failing")
    page.keyboard.press("Tab")
    expect(focused).to_have_text("trace")
    page.keyboard.press("Enter")

    page.wait_for_url(f"**/parts/{failing['mea_id']}/trace")


def test_the_floor_reads_itself_again_but_not_under_a_finger(
    page: Page, sign_in: SignIn, served_at: str, failing: dict[str, Any], lab: Engine
) -> None:
    """After a touch it waits; once nobody moves, what changed meanwhile stands there."""
    sign_in(page, "builder", name="Ilse Brand")
    page.clock.install()
    page.goto(f"{served_at}/floor")
    shown = page.locator(".floor > li")
    count = shown.count()

    def a_new_stack(number: int) -> None:
        with Session(lab) as session:
            builders.a_stack(session, serial=f"TARN-FL-{served_at[-5:]}-{number}")
            session.commit()

    a_new_stack(1)
    page.clock.fast_forward(55_000)
    page.mouse.move(300, 300)
    page.clock.fast_forward(6_000)  # the minute is over while a hand moves
    page.wait_for_timeout(300)
    expect(shown).to_have_count(count)
    page.clock.fast_forward(60_000)
    expect(shown).to_have_count(count + 1)
    a_new_stack(2)
    page.clock.fast_forward(61_000)

    expect(shown).to_have_count(count + 2)


def test_the_wall_is_read_from_four_metres(
    new_page: Callable[..., Page], sign_in: SignIn, served_at: str, failing: dict[str, Any]
) -> None:
    """Large letters, no head line, nothing beyond the edges of the screen."""
    wall = new_page(width=1920, height=1080)
    sign_in(wall, name="The wall")

    wall.goto(f"{served_at}/floor?wall=1")

    expect(wall.locator("header.head")).to_be_hidden()
    row = wall.locator(".floor > li").filter(has_text=failing["serial"])
    expect(row).to_contain_text("65 cells")
    sizes = row.locator("h2 a, .needs a").evaluate_all(
        "all => all.map((one) => parseFloat(getComputedStyle(one).fontSize))"
    )
    assert min(sizes) >= 36
    beyond = wall.evaluate("[document.documentElement.scrollWidth, innerWidth]")
    assert beyond[0] <= beyond[1]
    box = row.bounding_box()
    assert box is not None
    assert box["y"] + box["height"] <= 1080
    look(wall, "floor-wall")
