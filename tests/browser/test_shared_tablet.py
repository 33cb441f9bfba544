"""A shared tablet in the hand: PIN pad, lock and unsent words, each with whoever they belong to."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import update

from service.people import tables
from tests import builders

pytestmark = pytest.mark.browser
PINS = {"Mira Lund": "271828", "Anton Berg": "314159"}
LEAST_KEY_PX = 56


def enrolled(page: Page, rows: Callable[..., Any], sign_in: Callable[..., Any], at: str) -> None:
    """Two builders with PINs, and the browser at hand enrolled by a supervisor."""

    def people(session: Any) -> None:
        for name, pin in PINS.items():
            person = builders.a_person(session, "builder", name=name, login=name.split()[0].lower())
            session.add(
                tables.PersonPin(
                    person_id=person.id,
                    pin_hash=builders.QUICK.hash(pin),
                    chosen_at=builders.START,
                    wrong_in_a_row=0,
                )
            )

    rows(people)
    sign_in(page, "supervisor", name="Sam Holt")
    page.goto(f"{at}/tablets")
    page.get_by_label("Name of the tablet").fill("bench 2")
    page.get_by_label("Your password").fill(builders.PASSWORD)
    page.get_by_role("button", name="Enrol this browser").click()
    expect(page.get_by_text("This browser is the tablet bench 2")).to_be_visible()


def change_to(page: Page, name: str) -> None:
    """By the link in the head and the big keys."""
    page.get_by_role("link", name="Change person").click()
    page.get_by_role("radio", name=name).check()
    for digit in PINS[name]:
        key = page.locator(f"[data-key='{digit}']")
        box = key.bounding_box()
        assert box is not None
        assert min(box["width"], box["height"]) >= LEAST_KEY_PX
        key.click()
    page.get_by_role("button", name="Enter").click()


def end_every_session(session: Any) -> None:
    """As time would, of everybody."""
    session.execute(update(tables.SignInSession).values(ended_at=tables.SignInSession.begun_at))


def test_the_person_changes_and_unsent_words_stay_with_their_writer(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    """Back at the same place; locked, what is typed stays beneath."""
    page = new_page(width=820, height=1180, has_touch=True)
    page.clock.install()
    enrolled(page, rows, sign_in, served_at)
    rows(lambda session: builders.a_stack(session, cells=4, serial="TEAL-07", meter_hours=100.0))
    at = f"{served_at}/records/new?stack=TEAL-07"
    page.goto(at)
    change_to(page, "Mira Lund")
    expect(page).to_have_url(at)
    reason = page.locator("#reason")
    reason.fill("cell 4 is we")

    page.clock.run_for(11 * 60 * 1000)
    lock = page.locator("#lock")
    expect(lock).to_be_visible()
    box = lock.bounding_box()
    assert box is not None
    assert (box["width"], box["height"]) == (820, 1180)
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    expect(lock).to_be_visible()
    lock.get_by_label("PIN or password").fill(PINS["Anton Berg"])
    lock.get_by_role("button", name="Unlock").click()
    expect(lock.get_by_role("alert")).to_contain_text("not your PIN")
    lock.get_by_label("PIN or password").fill(PINS["Mira Lund"])
    lock.get_by_role("button", name="Unlock").click()
    expect(lock).to_be_hidden()
    expect(reason).to_have_value("cell 4 is we")

    change_to(page, "Anton Berg")
    expect(page).to_have_url(at)
    expect(reason).to_have_value("")
    expect(page.get_by_text("kept for its writer: what mira typed")).to_be_visible()
    change_to(page, "Mira Lund")
    expect(reason).to_have_value("cell 4 is we")

    # Signed out while it was locked: no word uncovers what was typed, it leads to signing in.
    page.clock.run_for(11 * 60 * 1000)
    expect(lock).to_be_visible()
    rows(end_every_session)
    lock.get_by_label("PIN or password").fill("anything")
    lock.get_by_role("button", name="Unlock").click()
    expect(page).to_have_url(re.compile(r"/sign-in\?next=/records/new"))
