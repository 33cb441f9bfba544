"""Ways of looking at a page which more than one day needs."""

import os
from pathlib import Path

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

_AXE = Axe()
_RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "resultTypes": ["violations"],
}


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
    found = _AXE.run(page, options=_RULES).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found]
