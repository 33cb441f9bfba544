"""Ways of looking at a page which more than one day needs."""

import os
from pathlib import Path

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import Page

_RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "resultTypes": ["violations"],
}
_VIOLATIONS = """
async (rules) =>
  (await axe.run(rules)).violations.map((rule) => `${rule.id}: ${rule.nodes[0].html}`)
"""


LOOK = os.environ.get("LAYERBOOK_TEST_PICTURES", "")
"""A folder for pictures of what the tests went through; empty: none are made."""


def look(page: Page, name: str) -> None:
    """Leave a picture of the page, light and dark, where a person wants to look at it."""
    if LOOK:
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=Path(LOOK) / f"{name}-{scheme}.png", full_page=True)
        page.emulate_media(color_scheme="light")


def barriers(page: Page) -> list[str]:
    """What keeps somebody out, by the rules of WCAG 2.2 A and AA as axe-core tests them."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found: list[str] = page.evaluate(_VIOLATIONS, _RULES)
    return found
