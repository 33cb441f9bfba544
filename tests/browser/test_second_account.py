"""Four eyes by any road: a second account is told, whoever was once named cannot sign.

So too where a part gets its name back, and where the witness is waived.
"""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.tables import Role
from tests import builders
from tests.browser.at_the_bench import BENCH, Bench, the_tools
from tests.browser.looking import barriers, look
from tests.browser.rebuilds import a_rebuild

pytestmark = [pytest.mark.browser, pytest.mark.night]

Rows = Callable[..., Any]
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
    rows: Rows,
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


def test_a_part_without_a_serial_becomes_the_right_one_by_two(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str, rows: Rows
) -> None:
    """Found without its label, used, then recognised: its life goes to the right part."""
    rows(lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="SA-LOST"))
    builder, quality = new_page(width=820, height=1180), new_page()
    sign_in(builder, "builder", name="Mara Ilves SA2")
    sign_in(quality, "quality", name="Ines Falk SA2")
    builder.goto(f"{served_at}/parts/unread")
    builder.locator("#part_type").select_option(index=1)
    builder.locator("#seen").fill("label torn off, a blue dot")
    builder.locator("main button.main").click()
    builder.wait_for_url(re.compile(r"/parts/\d+$"))
    temporary = builder.url
    expect(builder.locator("h1")).to_contain_text("TEMP-")

    builder.get_by_role("link", name="Say which part it is").click()
    builder.locator("#serial").fill("SA-LOSD")
    builder.locator("#reason").fill("the blue dot is on its bag")
    builder.locator("main button.main").click()
    expect(builder.locator("main")).to_contain_text("no part bears it")
    builder.locator("#serial").fill("sa-lost")
    builder.locator("main button.main").click()
    builder.wait_for_url(re.compile(r"/proposals/\d+$"))
    expect(builder.get_by_role("row").filter(has_text="SA-LOST")).to_be_visible()
    expect(builder.locator("#approve")).to_have_count(0)
    look(builder, "identity-proposed")

    quality.goto(builder.url)
    assert barriers(quality) == []
    quality.locator("#approve #password").fill(builders.PASSWORD)
    quality.locator("#approve button").click()
    expect(quality.get_by_text("It is in force")).to_be_visible()
    builder.goto(temporary)
    expect(builder.locator("main")).to_contain_text("identified as SA-LOST")
    builder.get_by_role("link", name="SA-LOST").first.click()
    expect(builder.locator("main")).to_contain_text("It was known by a temporary identity")
    look(builder, "identity-merged")


def test_a_waiver_takes_the_witness_from_one_record_and_the_signature_from_its_giver(
    new_page: Callable[..., Page], sign_in: Callable[..., int], served_at: str, rows: Rows
) -> None:
    """The third line asks for a witness: it is recorded without one, and each page says so."""
    rows(lambda s: builders.a_stack(s, cells=2, serial="TARN-SAW", meter_hours=100.0))
    tools = rows(the_tools)
    builder, quality = new_page(width=820, height=1180), new_page()
    me = sign_in(builder, "builder", name="Mara Ilves SA3")
    sign_in(quality, "quality", name="Ines Falk SA3")
    bench = Bench(builder, served_at)
    bench.begin("TARN-SAW", "cell 1 is weak", worked=me)
    record = f"{served_at}/records/{bench.number}"
    bench.enter()
    builder.locator("#reading").fill("0.1")
    bench.choose("instrument_id", tools["GD-1"])
    bench.enter()

    quality.goto(record)
    quality.get_by_role("link", name="Do without a witness").click()
    quality.locator("#why").select_option("witness ill or away")
    quality.locator("#reason").fill("the second person is ill")
    look(quality, "waiver")
    assert barriers(quality) == []
    quality.locator("main button.main").click()
    expect(quality.locator(".refusal")).to_contain_text("the second person is ill")

    bench.go("make-safe")
    expect(builder.locator(".refusal").first).to_contain_text("the second person is ill")
    builder.locator("#reading").fill("0.2")
    bench.choose("instrument_id", tools["MM-1"])
    bench.enter()
    look(builder, "line-without-a-witness")
    expect(bench.next).to_have_text("Release the clamp, then record the opening.")
    quality.goto(f"{record}/approval")
    expect(quality.locator("#approve")).to_have_count(0)
    expect(quality.locator(".refusal").first).to_contain_text("Ines Falk SA3")
