"""Ways of looking at a page which more than one day needs."""

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

_AXE = Axe()
_RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    "resultTypes": ["violations"],
}


def barriers(page: Page) -> list[str]:
    """What keeps somebody out, by the rules of WCAG 2.2 A and AA as axe-core tests them."""
    found = _AXE.run(page, options=_RULES).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found]
