"""Bench paper printed: as many sheets as its heads say, each whole on its page."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests import builders
from tests.browser.at_the_bench import Bench
from tests.browser.looking import barriers, look

pytestmark = pytest.mark.browser

TOO_FULL = """
() => [...document.querySelectorAll('.paper-sheet')].map((sheet) => {
  const tables = [...sheet.querySelectorAll('table')];
  const end = Math.max(...tables.map((table) => table.getBoundingClientRect().bottom));
  return end - sheet.getBoundingClientRect().bottom;
})
"""
"""How far the last table of each sheet reaches over its foot, px."""


def test_each_sheet_is_one_printed_page(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    rows(lambda session: builders.a_stack(session, cells=6, serial="TARN-BP", meter_hours=1.0))
    page = new_page()
    me = sign_in(page, "builder", name="Mara Ilves paper")
    bench = Bench(page, served_at)
    bench.begin("TARN-BP", "paper for the bench", worked=me)
    at = re.sub(r"/bench.*", "", page.url)

    page.goto(f"{at}/paper")
    look(page, "bench-paper")
    heads = page.locator(".running").all_inner_texts()
    assert barriers(page) == []
    page.emulate_media(media="print")
    assert max(page.evaluate(TOO_FULL)) <= 0
    printed = page.pdf(prefer_css_page_size=True)

    count = len(re.findall(rb"/Type\s*/Page[^s]", printed))
    assert count == len(heads) > 3
    assert all(f"Sheet {n} of {count}" in text for n, text in enumerate(heads, 1))
    page.emulate_media(media="screen")

    page.goto(f"{at}/paper/enter")
    look(page, "bench-paper-enter")
    assert barriers(page) == []
    page.locator("[id='safe.1.done']").check()
    page.locator("[id='safe.2.reading']").fill("9")
    page.get_by_role("button", name="Enter what is filled in").click()
    expect(page.locator("#refusals")).to_contain_text("1 line entered, 1 not")
    expect(page.locator("[id='safe.2.reading']")).to_have_value("9")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
