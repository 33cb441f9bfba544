"""The bench shows the work, high on an upright tablet, and no way that leads off it."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from service.bench.changes.entries import Place
from tests import builders
from tests.browser.at_the_bench import Bench

pytestmark = pytest.mark.browser

HIGHEST_PX = 200
"""What is next begins above this line of 1,180."""
HIGHEST_OF_TESTS_PX = 300
"""The line of the tests stands above theirs, and whether limits are in force."""
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
) -> None:
    """Each place of a record, on an upright tablet: its heading, its fields, its navigation."""
    rows(lambda s: builders.a_stack(s, cells=4, serial="TEAL-01", meter_hours=100.0))
    page = new_page(width=820, height=1180, has_touch=True)
    me = sign_in(page, "builder", name="Mara Ilves")
    bench = Bench(page, served_at)
    bench.begin("TEAL-01", "cell 4 is weak", worked=me)
    address = page.url.split("?")[0]

    for place in Place:
        page.goto(f"{address}?at={place}")
        top = page.locator(".next, .ahead").first.bounding_box()
        highest = HIGHEST_OF_TESTS_PX if place is Place.TESTS else HIGHEST_PX
        assert top is not None, place
        assert top["y"] <= highest, (place, top)
        for _field in range(8):
            page.keyboard.press("Tab")
            assert not page.evaluate(UNDER_FOOT_BAR), place

    words = page.get_by_role("navigation", name="Main").get_by_role("link").all_inner_texts()
    assert words == ["Layerbook", "TEAL-01", "record " + address.split("/")[-2]]
