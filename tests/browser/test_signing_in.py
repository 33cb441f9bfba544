"""Anybody's first minute: an empty laboratory, a wrong password, the way in and out."""

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from tests import builders

pytestmark = pytest.mark.browser


def barriers(page: Page) -> list[str]:
    """What keeps somebody out, by the rules of WCAG 2.2 A and AA as axe-core tests them."""
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
    found = Axe().run(page, options=rules).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found]


def test_an_empty_laboratory_tells_how_to_add_the_first_person(page: Page, served_at: str) -> None:
    """No form that could not work."""
    page.goto(served_at)

    expect(page.get_by_text("layerbook person add")).to_be_visible()
    assert barriers(page) == []


def test_a_wrong_password_keeps_the_login(page: Page, served_at: str, lab: Engine) -> None:
    """Only the password has to be typed again."""
    with Session(lab) as session:
        builders.a_person(session, "builder", login="kim")
        session.commit()
    page.goto(f"{served_at}/sign-in")

    page.get_by_label("Login").fill("kim")
    page.get_by_label("Password").fill("not this one at all")
    with page.expect_response(lambda answer: answer.request.method == "POST") as answered:
        page.keyboard.press("Enter")

    assert answered.value.status in {401, 403, 422}
    expect(page.get_by_label("Login")).to_have_value("kim")
    expect(page.get_by_label("Password")).to_have_value("")
    assert barriers(page) == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_way_in_and_out(
    page: Page, sign_in: Callable[..., Any], served_at: str, scheme: Any
) -> None:
    """To the stacks; out again, and then nothing is shown."""
    page.emulate_media(color_scheme=scheme)

    sign_in(page, "builder", name="Kim Vale")

    expect(page.get_by_role("heading", level=1)).to_have_text("Stacks")
    expect(page.get_by_text("Kim Vale")).to_be_visible()
    assert barriers(page) == []
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{served_at}/stacks")
    expect(page.get_by_label("Password")).to_be_visible()
