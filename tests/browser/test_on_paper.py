"""On paper: what is printed for a file is whole, and nothing of the screen is on it."""

import re
from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine

from tests.browser.rebuilds import Rebuilt, a_rebuild

pytestmark = pytest.mark.browser

A4_WIDTH_PX = 699
"""210 mm less both margins, at 96 px an inch."""
CUT = """(width) => [...document.querySelectorAll(".table, .drawing, .frame, table, .titleblock")]
  .filter((one) => {
    const hides = getComputedStyle(one).overflowY !== "visible";
    const below = hides && one.scrollHeight > one.clientHeight + 2;
    return below || one.getBoundingClientRect().right > width + 1;
  })
  .map((one) => one.outerHTML.slice(0, 100))"""
"""What is cut off at its lower edge or leaves the paper at the right."""


RUNNING = """() => {
  const head = document.querySelector(".running-head");
  const says = head.dataset.says.startsWith(document.querySelector(".ident dd").innerText);
  const first = document.querySelector(".frame > .content > *").getBoundingClientRect();
  const rules = [...document.styleSheets].flatMap((sheet) => [...sheet.cssRules]);
  const numbered = rules.some((rule) => /^@page \\{[^]*counter\\(pages\\)/.test(rule.cssText));
  const isFixed = getComputedStyle(head).position === "fixed";
  return [says, isFixed && head.getBoundingClientRect().bottom < first.top, numbered];
}"""
"""Each printed page: what it is, above what stands on it, and which of how many."""


@pytest.fixture(scope="session")
def record(lab: Engine) -> Rebuilt:
    """A stack of many cells and its rebuild."""
    return a_rebuild(lab, "TARN-OP1", cells=14, lot="M-OP1")


@pytest.fixture
def printed(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str
) -> Callable[[str], Page]:
    """A page as the printer gets it."""
    page = new_page(width=A4_WIDTH_PX, color_scheme="dark")
    sign_in(page, "quality")

    def show(address: str) -> Page:
        page.goto(served_at + address)
        page.emulate_media(media="print")
        return page

    return show


@pytest.mark.parametrize(
    "address",
    [
        pytest.param("/stacks/{one.serial}", marks=pytest.mark.night),
        "/records/{one.number}",
        pytest.param("/records/{one.number}/approval", marks=pytest.mark.night),
        pytest.param("/parts/{one.old_mea_id}", marks=pytest.mark.night),
        "/parts/{one.old_mea_id}/trace",
    ],
)
def test_a_sheet_is_printed_whole(
    printed: Callable[[str], Page], record: Rebuilt, address: str
) -> None:
    """No navigation, the title block, black on white, nothing cut off, pages as many as needed."""
    page = printed(address.format(one=record))

    expect(page.locator("header.head")).to_be_hidden()
    for button in page.locator("button, .button").all():
        expect(button).to_be_hidden()
    block = page.locator(".titleblock")
    expect(block).to_be_visible()
    expect(block).to_contain_text("Identification")
    ground = page.evaluate("getComputedStyle(document.querySelector('.sheet')).backgroundColor")
    assert ground == "rgb(255, 255, 255)"
    assert page.evaluate(CUT, A4_WIDTH_PX) == []
    assert page.evaluate(RUNNING) == [True, True, True]
    pdf = page.pdf(prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF")
    sheets = len(re.findall(rb"/Type\s*/Page\b", pdf))
    assert 1 <= sheets <= 12


def test_every_layer_is_on_the_printed_sheet_of_a_stack(
    printed: Callable[[str], Page], record: Rebuilt, lab: Engine
) -> None:
    """A long table scrolls on the screen; on paper its last row lies above the title block."""
    page = printed(f"/stacks/{record.serial}")

    rows = page.locator("tr[id^='layer-']")
    assert rows.count() == 14 * 6 + 5
    last, block = rows.last.bounding_box(), page.locator(".titleblock").bounding_box()
    first = rows.first.bounding_box()
    assert first is not None
    assert last is not None
    assert block is not None
    assert first["y"] < last["y"] < block["y"]
    assert last["y"] - first["y"] >= (rows.count() - 1) * 10
