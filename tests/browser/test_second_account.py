"""Four eyes by any road: a second account is told, whoever was once named cannot sign."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.tables import Role
from tests import builders
from tests.browser.at_the_bench import BENCH
from tests.browser.looking import barriers, look
from tests.browser.rebuilds import a_rebuild

pytestmark = [pytest.mark.browser, pytest.mark.night]

MADE, CHOSEN = "made by the admin", "chosen by nobody else"
ALIKE = "the same name, the same browser within 12 h"
SIZES = [
    pytest.param((1280, 800), id="desk"),
    pytest.param((820, 1180), id="tablet"),
]


def sign_out(page: Page) -> None:
    """By the button in the head."""
    page.get_by_role("button", name="sign out").click()
    page.wait_for_url("**/sign-in*")


def add_a_second_account(page: Page, at: str, name: str, login: str) -> None:
    """An admin adds a name that is there already: asked, and answered."""
    page.goto(f"{at}/people/add")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Name", exact=True).fill(name)
    page.get_by_label("supervisor").check()
    page.get_by_label("First password").fill(MADE)
    page.get_by_role("button", name="Add", exact=True).click()
    asked = page.get_by_role("alert").filter(has_text=f"{name} (")
    expect(asked.first).to_be_visible()
    page.locator("#password").fill(MADE)
    page.locator("button[name=like_name][value=another]").click()
    page.wait_for_url(f"**/people/{login}")


def choose_a_password(page: Page, at: str, login: str) -> str:
    """Sign in with the first one, choose another; the code for whoever confirms the person."""
    page.goto(f"{at}/sign-in")
    page.get_by_label("Login").fill(login)
    page.get_by_label("Password").fill(MADE)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**/people/{login}")
    expect(page.locator("#confirming")).to_contain_text("Choose a password of your own first")
    page.locator("#old_password").fill(MADE)
    page.locator("#password").fill(CHOSEN)
    page.locator("#password_again").fill(CHOSEN)
    page.get_by_role("button", name="Set password").click()
    code = page.locator("#confirming .hash")
    expect(code).to_have_text(re.compile(r"^[0-9A-F]{8}$"))
    return code.inner_text()


@pytest.mark.parametrize("size", SIZES)
def test_the_same_person_under_another_login_is_told_to_signer_and_reader(
    new_page: Callable[..., Page],
    sign_in: Callable[..., int],
    served_at: str,
    lab: Engine,
    size: tuple[int, int],
) -> None:
    """Added, confirmed by another, warned before the signature, marked on the sheet after it."""
    name, second = f"Anton Weil {size[0]}", f"weil2-{size[0]}"
    with Session(lab, expire_on_commit=False) as session:
        writer = builders.a_person(session, "builder", name=name, login=f"weil-{size[0]}")
        session.commit()
    record = a_rebuild(lab, f"TARN-SA{size[0]}", builder=writer)
    page = new_page(width=size[0], height=size[1])
    other = new_page(width=size[0], height=size[1])
    sheet = f"{served_at}/records/{record.number}/approval"
    sign_in(page, login=writer.login)
    page.goto(sheet)
    expect(page.locator("#approve")).to_have_count(0)
    sign_out(page)
    sign_in(other, Role.ADMIN, name=f"Dev Moss {size[0]}")
    add_a_second_account(other, served_at, name, second)
    sign_out(other)

    code = choose_a_password(page, served_at, second)
    page.goto(sheet)
    expect(page.locator("#approve")).to_have_count(0)
    expect(page.locator("main")).to_contain_text("somebody else has to confirm you")

    sign_in(other, "quality", name=f"Ines Falk {size[0]}")
    other.goto(f"{served_at}/people/{second}")
    other.get_by_label("Code on their screen").fill(code)
    other.get_by_label("Your password").fill(builders.PASSWORD)
    other.get_by_role("button", name="Sign and confirm").click()
    expect(other.locator("#confirm")).to_have_count(0)

    page.goto(sheet)
    warned = page.locator(".note").filter(has_text="Look twice")
    expect(warned).to_contain_text(f"{name} ({writer.login}) had a part in this")
    expect(warned).to_contain_text(ALIKE)
    look(page, f"second-account-{size[0]}")
    assert barriers(page) == []
    page.locator("#approve #password").fill(CHOSEN)
    page.locator("#approve button").click()
    expect(page.locator("#approve")).to_have_count(0)
    other.goto(sheet)
    look(other, f"second-account-signed-{size[0]}")
    read = other.locator("main")
    expect(read).to_contain_text(f"{name} ({second})")
    expect(read).to_contain_text(f"{name} ({writer.login})")
    expect(read).to_contain_text(ALIKE)


def test_whoever_was_taken_out_of_the_head_cannot_sign(
    page: Page,
    new_page: Callable[..., Page],
    sign_in: Callable[..., int],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    """Named, taken out, handed in: the sheet says so to everybody, and offers them no signature."""
    once = rows(lambda s: builders.a_person(s, "supervisor", name="Petra Lind SA"))
    rows(lambda s: builders.a_stack(s, cells=2, serial="TARN-SA", meter_hours=10.0))
    me = sign_in(page, "builder", name="Mara Ilves SA")
    page.goto(f"{served_at}/records/new?stack=TARN-SA")
    page.locator("input[name=kind][value=inspection]").check()
    page.locator("#reason").fill("looked at from outside")
    for person in (me, once.id):
        page.locator(f"input[name=worked][value='{person}']").check()
    page.locator("#begin button.main").click()
    page.wait_for_url(BENCH)
    record = re.sub(r"/bench.*", "", page.url)
    page.goto(f"{record}/head")
    page.locator(f"input[name=worked][value='{once.id}']").uncheck()
    page.locator("#head button.main").click()
    page.wait_for_url(record)
    page.goto(f"{record}/bench?at=handing-in")
    page.locator(".reach button.main").click()
    page.wait_for_url(record)

    theirs = new_page()
    sign_in(theirs, login=once.login)
    theirs.goto(f"{record}/approval")

    expect(theirs.locator("#approve")).to_have_count(0)
    expect(theirs.locator("main")).to_contain_text("were named in it once")
    expect(theirs.locator("main")).to_contain_text("Petra Lind SA")
    expect(theirs.locator(".facts").first).to_contain_text("taken out")
