"""The supervisor's day: what waits, what changed in it, the signature, and what is sent back."""

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.tables import Correction, CorrectionState
from service.people.tables import Role
from service.records.tables import Decision, RebuildRecord, RecordState
from tests import builders
from tests.browser.at_the_bench import Bench
from tests.browser.rebuilds import a_rebuild

pytestmark = pytest.mark.browser

SignIn = Callable[..., int]


def state_of(lab: Engine, number: int) -> RecordState:
    """What a record is now."""
    with Session(lab) as session:
        return session.get_one(RebuildRecord, number).state


def test_a_record_is_looked_through_and_signed(
    page: Page, sign_in: SignIn, served_at: str, lab: Engine
) -> None:
    """What changed, what was seen, what is outside; then the password, first a wrong one."""
    record = a_rebuild(lab, "TARN-SD1")
    me = sign_in(page, "supervisor", name="Ruth Amsel")
    page.goto(f"{served_at}/stacks/{record.serial}")
    expect(page.locator(".titleblock")).to_contain_text("not approved")
    expect(page.locator(".lead")).to_contain_text("not released")

    page.get_by_role("link", name="approvals").click()
    waiting = page.get_by_role("row").filter(has_text=record.serial)
    expect(waiting).to_contain_text(record.builder.name)
    waiting.locator("a.button").click()

    changed = page.get_by_role("table").filter(has_text="Layers changed")
    expect(changed.get_by_role("row").filter(has_text=record.new_mea)).to_be_visible()
    expect(changed.get_by_role("row").filter(has_text=record.old_mea)).to_be_visible()
    seen = page.get_by_role("row").filter(has_text="hairline crack")
    expect(seen).to_contain_text(record.cracked)
    expect(seen).to_contain_text("at the air inlet")
    expect(page.get_by_text("Outside the tolerance: rod 3")).to_be_visible()
    expect(page.locator("#make-safe")).to_contain_text(record.witness.name)

    form = page.locator("#approve")
    form.locator("#password").fill("not this one at all")
    form.get_by_role("button").click()
    expect(page.get_by_role("alert")).to_be_visible()
    expect(page.locator("#password")).to_have_value("")
    assert state_of(lab, record.number) is RecordState.HANDED_IN
    form.locator("#password").fill(builders.PASSWORD)
    form.get_by_role("button").click()

    expect(page.locator("#approve")).to_have_count(0)
    assert state_of(lab, record.number) is RecordState.APPROVED
    with Session(lab) as session:
        signed = session.scalars(select(Decision).where(Decision.record_id == record.number)).one()
        content = session.get_one(RebuildRecord, record.number).content_sha256
    assert (signed.person_id, signed.content_sha256) == (me, content)
    page.goto(f"{served_at}/stacks/{record.serial}")
    expect(page.locator(".titleblock")).to_contain_text("Ruth Amsel")
    expect(page.locator(".titleblock")).to_contain_text("not released")  # that is signed apart


def test_nobody_is_offered_their_own_work_to_sign(
    page: Page, sign_in: SignIn, served_at: str, lab: Engine, rows: Callable[..., Any]
) -> None:
    """Every role there is does not help; the list and the sheet say why."""
    me = rows(lambda session: builders.a_person(session, *Role, name="Alva Both"))
    record = a_rebuild(lab, "TARN-SD2", builder=me)
    sign_in(page, login=me.login)

    page.goto(f"{served_at}/approvals")
    waiting = page.get_by_role("row").filter(has_text=record.serial)
    expect(waiting.locator("a.button")).to_have_count(0)
    page.goto(f"{served_at}/records/{record.number}/approval")

    expect(page.locator("#decide")).to_be_visible()
    expect(page.locator("#approve")).to_have_count(0)
    expect(page.locator("#send-back")).to_have_count(0)
    expect(page.locator(".note").last).to_contain_text("You wrote this")


@pytest.mark.night
def test_a_record_sent_back_is_taken_up_and_handed_in_again(
    page: Page, new_page: Callable[..., Page], sign_in: SignIn, served_at: str, lab: Engine
) -> None:
    """A reason is asked for; the builder reads it, adds what was missing, and it waits again."""
    record = a_rebuild(lab, "TARN-SD3")
    sign_in(page, "supervisor", name="Ruth Amsel")
    page.goto(f"{served_at}/records/{record.number}/approval")

    form = page.locator("#send-back")
    form.get_by_role("button").click()
    assert state_of(lab, record.number) is RecordState.HANDED_IN
    form.locator("#reason").fill("read rod 3 again")
    form.get_by_role("button").click()
    expect(page.locator("#send-back")).to_have_count(0)
    assert state_of(lab, record.number) is RecordState.SENT_BACK

    tablet = new_page(width=820, height=1180, has_touch=True)
    sign_in(tablet, login=record.builder.login)
    tablet.goto(f"{served_at}/stacks/{record.serial}")
    tablet.locator(f"a[href='/records/{record.number}']").first.click()
    expect(tablet.get_by_text("read rod 3 again")).to_be_visible()
    tablet.locator("a.button.main").click()
    tablet.locator("#take-up button").click()
    tablet.wait_for_url("**/bench*")
    bench = Bench(tablet, served_at)
    bench.take_up()
    bench.go("torque", stage="closing", rod="3")
    tablet.locator("#pass_number, [name=pass_number]").first.wait_for(state="attached")
    tablet.locator("#entered").fill("9.2")
    bench.press()
    tablet.get_by_label("Yes, it was unloaded first").check()  # it had read more than its target
    tablet.locator("#outside_because").fill("the nut was backed off")
    bench.enter()
    bench.go("handing-in")
    for reason in tablet.locator("#entry textarea").all():
        reason.fill("not asked of this stack")
    tablet.locator(".reach button.main").click()
    tablet.wait_for_url(f"**/records/{record.number}")

    page.goto(f"{served_at}/records/{record.number}/approval")
    expect(page.get_by_text("Outside the tolerance: rod")).to_have_count(0)
    page.locator("#password").fill(builders.PASSWORD)
    page.locator("#approve").get_by_role("button").click()
    expect(page.locator("#approve")).to_have_count(0)
    assert state_of(lab, record.number) is RecordState.APPROVED


@pytest.mark.night
def test_a_correction_is_proposed_by_one_and_approved_by_another(
    page: Page, new_page: Callable[..., Page], sign_in: SignIn, served_at: str, lab: Engine
) -> None:
    """The torque of rod 3 was mistyped: the old value stays readable, the new one counts."""
    record = a_rebuild(lab, "TARN-SD4")
    sign_in(page, login=record.builder.login)
    page.goto(f"{served_at}/records/{record.number}")
    page.locator("a[href$='/corrections/new']").click()
    row = page.get_by_role("row").filter(has_text="rod 3").filter(has_text="10.2")
    row.get_by_role("link").click()
    page.locator("#new_value").fill("9.2 furlongs")
    page.locator("#reason").fill("the display was read upside down")
    page.locator("#correction button.main").click()
    expect(page.locator("#wrong-new_value")).to_be_visible()
    expect(page.locator("#reason")).to_have_value("the display was read upside down")
    page.locator("#new_value").fill("9,2 N·m")
    page.locator("#correction button.main").click()
    page.wait_for_url("**/corrections/*")
    expect(page.locator("#approve")).to_have_count(0)
    address = page.url

    desk = new_page()
    sign_in(desk, "quality", name="Ines Falk")
    desk.goto(f"{served_at}/approvals")
    desk.get_by_role("row").filter(has_text="read upside down").locator("a.button").click()
    assert desk.url == address
    expect(desk.locator(".facts")).to_contain_text("10.2")
    desk.locator("#approve #password").fill(builders.PASSWORD)
    desk.locator("#approve button").click()
    expect(desk.locator("#approve")).to_have_count(0)

    with Session(lab) as session:
        made = session.get_one(Correction, int(address.rsplit("/", 1)[1]))
        assert made.state is CorrectionState.APPROVED
    page.goto(f"{served_at}/records/{record.number}")
    cell = page.get_by_role("row").filter(has_text="10.20").get_by_role("cell").nth(2)
    expect(cell.locator("s")).to_have_text("10.20")
    expect(cell).to_contain_text("9.20")
    page.goto(f"{served_at}/stacks/{record.serial}")
    expect(page.locator("#rods ~ figure").first).to_contain_text("9.2")
