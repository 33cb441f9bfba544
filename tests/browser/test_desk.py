"""Planning at the desk: results as one types, a link for a colleague, the same without script."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def test_results_come_as_one_types_and_the_cursor_stays(
    page: Page, sign_in: Callable[..., Any], served_at: str
) -> None:
    sign_in(page, "builder")
    page.goto(f"{served_at}/desk/torque")

    page.get_by_label("Torque on the nut").first.fill("8")
    page.get_by_label("Thread", exact=True).fill("M8")
    expect(page.locator("#results")).to_contain_text("still to be filled in")
    page.locator("#nut_factor").press_sequentially("0.2")

    expect(page.locator("#results")).to_contain_text("Preload of one rod")
    expect(page.locator("#results")).to_contain_text("5000")
    expect(page.locator("#nut_factor")).to_be_focused()
    page.locator("#torque_unit").select_option("in·lbf")
    expect(page.locator("#results")).to_contain_text("565 ± 39")


def test_the_link_opens_the_same_sheet_for_somebody_else(
    page: Page, sign_in: Callable[..., Any], served_at: str
) -> None:
    sign_in(page, "quality")
    page.goto(f"{served_at}/desk/pressure-map")
    page.get_by_role("link", name="Fill in an example, invented").click()
    expect(page.locator("svg.map")).to_be_visible()
    table = page.locator("#results table").first.inner_text()

    page.locator("#kept").click()

    expect(page.locator("#width")).to_have_value("170")
    assert page.locator("#results table").first.inner_text() == table


def test_without_script_the_button_works_it_out(
    new_page: Callable[..., Page], sign_in: Callable[..., Any], served_at: str
) -> None:
    page = new_page(java_script_enabled=False)
    sign_in(page, "builder")
    page.goto(f"{served_at}/desk/bolt-stress")
    page.locator("#thread").fill("M8")
    page.locator("#torque").fill("0")
    page.locator("#nut_factor").fill("0.2")

    page.get_by_role("button", name="Work out").click()
    expect(page.locator("#wrong-torque")).to_contain_text("more than zero")
    expect(page.locator("#nut_factor")).to_have_value("0.2")
    page.locator("#torque").fill("12")
    page.get_by_role("button", name="Work out").click()

    expect(page.locator("#results")).to_contain_text("Share of the proof load")
    assert "torque=12" in page.url


@pytest.mark.parametrize("size", [(390, 844), (820, 1180)])
def test_every_field_can_be_hit_with_a_finger(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    size: tuple[int, int],
) -> None:
    page = new_page(width=size[0], height=size[1])
    sign_in(page, "builder")
    page.goto(f"{served_at}/desk/closing")

    small = page.eval_on_selector_all(
        "#desk input, #desk select, #desk button, #desk textarea",
        "all => all.filter(one => one.getBoundingClientRect().height < 44).map(one => one.id)",
    )

    assert small == []
