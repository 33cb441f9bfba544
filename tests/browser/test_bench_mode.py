"""The bench shows the work, high on an upright tablet, and no way that leads off it."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.bench.changes.entries import Place
from tests import builders
from tests.browser.at_the_bench import Bench, the_tools

pytestmark = pytest.mark.browser

HIGHEST_PX = 200
"""What is next begins above this line of 1,180."""
UNDER_FOOT_BAR = """() => {
  const bar = document.querySelector(".reach");
  const field = document.activeElement;
  if (!bar || !field || !field.matches("input, select, textarea")) return false;
  return field.getBoundingClientRect().bottom > bar.getBoundingClientRect().top;
}"""


def test_the_work_begins_high_and_no_field_lies_under_the_foot_bar(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    *,
    whole: bool,
) -> None:
    """Each place of a record, on an upright tablet: its heading, its fields, its navigation.

    By day the tests and each fourth place of the others.
    """
    places = list(Place)
    if not whole:
        places = [Place.TESTS, *(place for place in places[::4] if place is not Place.TESTS)]
    rows(lambda s: builders.a_stack(s, cells=4, serial="TEAL-01", meter_hours=100.0))
    page = new_page(width=820, height=1180, has_touch=True)
    me = sign_in(page, "builder", name="Mara Ilves")
    bench = Bench(page, served_at)
    bench.begin("TEAL-01", "cell 4 is weak", worked=me)
    address = page.url.split("?")[0]

    for place in places:
        page.goto(f"{address}?at={place}")
        top = page.locator(".next, .ahead").first.bounding_box()
        assert top is not None, place
        assert top["y"] <= HIGHEST_PX, (place, top)
        for _field in range(8):
            page.keyboard.press("Tab")
            assert not page.evaluate(UNDER_FOOT_BAR), place

    words = page.get_by_role("navigation", name="Main").get_by_role("link").all_inner_texts()
    assert words == ["Layerbook", "TEAL-01", "record " + address.split("/")[-2]]


IN_VIEW = """() => {
  const bar = document.querySelector(".reach").getBoundingClientRect().top;
  return ["#asked", "#outside_because"].map((one) => {
    const box = document.querySelector(one).getBoundingClientRect();
    return box.top >= 0 && box.bottom <= bar;
  });
}"""


@pytest.mark.parametrize("size", [(1280, 800), pytest.param((390, 844), marks=pytest.mark.night)])
def test_what_is_asked_stands_in_view_with_the_field_that_answers(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    size: tuple[int, int],
) -> None:
    """A torque far above its pass, from a bench scrolled down to the field."""
    serial = f"TEAL-V{size[0]}"
    rows(lambda s: builders.a_stack(s, cells=4, serial=serial, meter_hours=100.0))
    driver = rows(the_tools)["TD-9"]
    page = new_page(width=size[0], height=size[1])
    me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
    bench = Bench(page, served_at)
    bench.begin(serial, "cell 4 is weak", worked=me)
    bench.go("exception")
    page.locator("#reason").fill("nothing to make safe in a test")
    bench.enter()
    page.locator("#hours_unknown_because").fill("no display")
    bench.enter()
    bench.go("torque", stage="closing")
    page.locator("#entered").fill("11")
    bench.choose("instrument_id", driver)

    bench.press()

    expect(page.locator("#outside_because")).to_be_focused()
    assert page.evaluate(IN_VIEW) == [True, True]
