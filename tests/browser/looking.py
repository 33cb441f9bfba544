"""Ways of signing in and of looking at a page which more than one day needs."""

import os
import re
from pathlib import Path

from axe_playwright_python.base import AXE_SCRIPT
from playwright.sync_api import BrowserContext, Page

from service.platform.pages.guard import FORM_TOKEN
from tests import builders

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
            # a hidden caret leaves style attributes behind, which the next swap would carry over
            page.screenshot(
                path=Path(LOOK) / f"{name}-{scheme}.png", full_page=True, caret="initial"
            )
        page.emulate_media(color_scheme="light")


def barriers(page: Page) -> list[str]:
    """What keeps somebody out, by the rules of WCAG 2.2 A and AA as axe-core tests them."""
    if not page.evaluate("'axe' in window"):
        page.evaluate(AXE_SCRIPT)
    found: list[str] = page.evaluate(_VIOLATIONS, _RULES)
    return found


def sign_in_by_page(page: Page, at: str, login: str) -> None:
    """Fill in the sign-in page and wait for the page that follows."""
    page.goto(f"{at}/sign-in")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(builders.PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in" not in address)


def send_sign_in(context: BrowserContext, at: str, login: str) -> None:
    """Send the form of the sign-in page; no page is drawn."""
    page = context.request.get(f"{at}/sign-in").text()
    token = re.search(rf'name="{FORM_TOKEN}" value="([^"]+)"', page)
    assert token is not None
    typed = {FORM_TOKEN: token[1], "login": login, "password": builders.PASSWORD}
    answer = context.request.post(f"{at}/sign-in", form=typed, max_redirects=0)
    assert answer.status == 303, answer.text()
