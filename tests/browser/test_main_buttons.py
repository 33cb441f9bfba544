"""Every form's main button as the page first opens: it answers, in words, and never silently."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Response, expect
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import make_engine
from tests import builders
from tests.browser.looking import send_sign_in
from tests.browser.test_every_sheet import PAGES, sheets
from tests.operation.running import served

pytestmark = pytest.mark.browser
__all__ = ["sheets"]

ADDRESSES = [address for group in PAGES.values() for address in group]
BY_DAY = 20
"""By day each role opens one page of so many, another than the other roles."""
FORMS_BY_DAY = 3
"""By day so many forms of a page are sent, by night all of them."""
SAYS = ".refusal, .wrong, .answer, .note, .empty, main h1"
FOCUSED = """form => {
    const at = document.activeElement;
    const box = at.getBoundingClientRect();
    return form.contains(at) && !at.validity?.valid && box.width > 0 ? at.validationMessage : "";
}"""
"""What the browser itself says beside the field it leads to."""


@pytest.fixture(scope="module")
def pressed_at(
    lab: Engine, sheets: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """The address of a server on a copy of the laboratory, with one person of each role."""
    folder = tmp_path_factory.mktemp("pressed")
    path = folder / "pressed.sqlite"
    with (
        closing(sqlite3.connect(str(lab.url.database))) as kept,
        closing(sqlite3.connect(path)) as copy,
    ):
        kept.backup(copy)
    engine = make_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        for role in Role:
            builders.a_person(session, role, name=f"Only {role}", login=f"only-{role}")
        session.commit()
    engine.dispose()
    with served(f"sqlite:///{path}", Path(folder) / "data") as (address, _process):
        yield address


@pytest.mark.parametrize("role", Role)
def test_every_main_button_answers_in_words(
    new_page: Callable[..., Page],
    pressed_at: str,
    sheets: dict[str, Any],
    role: Role,
    *,
    whole: bool,
) -> None:
    """Unfilled, as each role: by the browser beside a field, or by the page; never with a 500."""
    page = new_page()
    send_sign_in(page.context, pressed_at, f"only-{role}")
    first = list(Role).index(role) * (BY_DAY // len(Role))
    addresses = ADDRESSES if whole else ADDRESSES[first::BY_DAY]
    silent: dict[str, str] = {}
    forms = 0

    for address in addresses:
        at = pressed_at + address.format_map(sheets)
        opened = page.goto(at)
        if opened is None or opened.status >= 500:
            silent[address] = "the page itself fails"
        shown = page.locator("main form").count()
        for number in range(shown if whole else min(shown, FORMS_BY_DAY)):
            if number:
                page.goto(at)
            form = page.locator("main form").nth(number)
            if not form.count():
                break  # the press before took the form away
            forms += 1
            if wrong := pressed(page, form):
                silent[f"{address}, form {number + 1}"] = wrong

    assert silent == {}
    assert forms > 5 or role is Role.ADMIN


def pressed(page: Page, form: Locator) -> str:
    """Press the main button of a form; what is wrong with the answer, or nothing."""
    button = main_button(page, form)
    if button is None:
        return ""  # nothing to press: it sends itself as it is changed
    words = (button.text_content() or "").strip()
    refuses = button.evaluate(
        "b => !(b.formNoValidate || b.form.noValidate || b.form.checkValidity())"
    )
    if refuses:
        button.click()
        said = form.evaluate(FOCUSED)
        return "" if said else f"“{words}” is refused by the browser, silently"
    with page.expect_response(is_an_answer) as waited:
        button.click()
    answer = waited.value
    page.wait_for_load_state()
    if answer.status >= 500:
        return f"“{words}” is answered {answer.status}"
    said_words = page.locator(SAYS).first
    expect(said_words).to_be_attached()
    if answer.status >= 400 and not (page.locator(SAYS).all_text_contents()):
        return f"“{words}” is answered {answer.status} without a word"
    return ""


def main_button(page: Page, form: Locator) -> Locator | None:
    """The button a person presses: the main one, also where it stands outside its form."""
    form_id = form.get_attribute("id")
    places = [form.locator("button.main:visible:not(.out-of-sight)")]
    if form_id:
        places.append(page.locator(f'button.main[form="{form_id}"]:visible'))
    places.append(form.locator("button:not([type=button]):not(.out-of-sight):visible"))
    return next((place.first for place in places if place.count()), None)


def is_an_answer(response: Response) -> bool:
    """A page or a part of one, not what a page brings with it."""
    asked = response.request
    return asked.resource_type in {"document", "fetch", "xhr"} and response.status not in {
        301,
        302,
        303,
    }
