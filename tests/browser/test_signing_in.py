"""Anybody's first minute: an empty laboratory, a wrong password, the way in and out."""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests import builders
from tests.browser.looking import barriers, sign_in_by_page
from tests.operation.running import served

pytestmark = pytest.mark.browser


@pytest.mark.night
def test_an_empty_laboratory_asks_for_the_code_of_its_terminal(
    page: Page, sqlite_template: Path, tmp_path: Path
) -> None:
    """The command that does the same is named beside it."""
    shutil.copyfile(sqlite_template, tmp_path / "empty.sqlite")

    with served(f"sqlite:///{tmp_path / 'empty.sqlite'}", tmp_path / "data") as (address, _process):
        page.goto(address)

        expect(page.get_by_label("One-time code")).to_be_focused()
        expect(page.get_by_text("layerbook person add")).to_be_visible()
        assert barriers(page) == []


def test_a_wrong_password_keeps_the_login(
    page: Page, served_at: str, rows: Callable[..., Any]
) -> None:
    """Only the password has to be typed again."""
    rows(lambda session: builders.a_person(session, "builder", login="kim"))
    page.goto(f"{served_at}/sign-in")

    page.get_by_label("Login").fill("kim")
    page.get_by_label("Password").fill("not this one at all")
    with page.expect_response(lambda answer: answer.request.method == "POST") as answered:
        page.keyboard.press("Enter")

    assert answered.value.status in {401, 403, 422}
    expect(page.get_by_label("Login")).to_have_value("kim")
    expect(page.get_by_label("Password")).to_have_value("")
    assert barriers(page) == []


@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.night)])
def test_the_way_in_and_out(
    page: Page, rows: Callable[..., Any], served_at: str, scheme: Any
) -> None:
    """To the floor; out again, and then nothing is shown."""
    person = rows(lambda session: builders.a_person(session, "builder", name="Kim Vale"))
    page.emulate_media(color_scheme=scheme)

    sign_in_by_page(page, served_at, person.login)

    expect(page.get_by_role("heading", level=1)).to_have_text("Floor")
    expect(page.get_by_text("Kim Vale")).to_be_visible()
    assert barriers(page) == []
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{served_at}/stacks")
    expect(page.get_by_label("Password")).to_be_visible()
