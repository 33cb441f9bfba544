"""The quality lead's day: from a failing MEA to everything that was built around it, and back."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.store.tables import Concession, Hold, Lot, Part
from tests import builders
from tests.browser.rebuilds import Rebuilt, a_rebuild, misread

pytestmark = pytest.mark.browser

Rows = Callable[..., Any]
SignIn = Callable[..., int]


@pytest.fixture
def desk(page: Page, sign_in: SignIn, request: pytest.FixtureRequest) -> Page:
    """The quality lead's screen; her name is another one in each test."""
    sign_in(page, "quality", name=f"Ines Falk, {request.node.name}")
    return page


def scan(page: Page, code: str) -> None:
    """Type into the field which is in the head of every page."""
    page.locator("#scan").fill(code)
    page.locator("#scan").press("Enter")


@pytest.mark.night
def test_a_failing_mea_is_traced_and_its_lot_contained(
    desk: Page, served_at: str, lab: Engine
) -> None:
    """A scan, the part's life, the trace, a hold on the lot, and where that hold shows."""
    record = a_rebuild(lab, "TARN-QD1", cells=3, lot="M-QD1")

    desk.goto(f"{served_at}/floor")
    scan(desk, record.old_mea.lower())
    desk.wait_for_url("**/parts/*")
    expect(desk.get_by_role("heading", level=1)).to_contain_text(record.old_mea)
    life = desk.get_by_role("row").filter(has_text=record.serial).first
    expect(life).to_contain_text("cell 3")
    desk.locator("a[href$='/trace']").first.click()
    sheet = desk.locator("main")
    for told in (record.cracked, "hairline crack", "M-QD1", record.serial):
        expect(sheet).to_contain_text(told)
    expect(sheet.get_by_role("link", name=f"{record.serial}-M2").first).to_be_visible()

    desk.locator("a[href^='/holds/new?lot=']").click()
    desk.locator("button.weighty").click()  # the browser asks for the reason
    desk.locator("#reason").fill("pinholes at the edge seal")
    desk.locator("button.weighty").click()
    expect(desk.get_by_role("main")).to_contain_text("pinholes at the edge seal")
    scan(desk, record.serial)
    expect(desk.locator(".refusal")).to_contain_text("pinholes at the edge seal")
    expect(desk.locator(".refusal")).to_contain_text(f"{record.serial}-M1")
    scan(desk, f"{record.serial}-M2")
    expect(desk.locator(".refusal")).to_contain_text("fitted")

    # One use in spite of it, with the reason.
    desk.locator("a[href^='/holds/concessions/new']").click()
    desk.locator("#reason").fill("cell 2 runs out this campaign, watched every hour")
    desk.locator("button.weighty").click()
    expect(desk.get_by_role("main")).to_contain_text("watched every hour")
    with Session(lab) as session:
        lot_id = session.scalars(select(Lot.id).where(Lot.label == "M-QD1")).one()
        held = session.scalars(select(Hold).where(Hold.lot_id == lot_id)).one()
        assert held.reason == "pinholes at the edge seal"
        given = session.scalars(select(Concession.reason)).all()
    assert "cell 2 runs out this campaign, watched every hour" in given


@pytest.mark.night
def test_the_trail_is_filtered_by_person_date_and_kind(
    desk: Page, served_at: str, rows: Rows, request: pytest.FixtureRequest
) -> None:
    """Who did what, when and why, for all and for one thing."""
    part = rows(lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="M-QD-TRAIL"))
    desk.goto(f"{served_at}/holds/new?part={part.id}")
    desk.locator("#reason").fill("dropped on the floor")
    desk.locator("button.weighty").click()
    scan(desk, "M-QD-TRAIL")
    desk.locator("a[href^='/audit-trail']").last.click()
    entry = desk.get_by_role("row").filter(has_text="dropped on the floor")
    expect(entry).to_contain_text("Ines Falk")

    desk.get_by_role("link", name="audit trail", exact=True).click()
    desk.locator("#act").select_option("hold")
    desk.locator("#person").select_option(label=f"Ines Falk, {request.node.name}")
    desk.locator("form.filter button").click()
    expect(entry).to_be_visible()
    desk.locator("#until").fill("2026-01-31")
    desk.locator("form.filter button").click()
    expect(entry).to_have_count(0)
    desk.locator("#until").fill("31st of January")
    desk.locator("form.filter button").click()
    expect(desk.locator("#wrong-until")).to_contain_text("2026")
    expect(desk.locator("#until")).to_have_value("31st of January")


@pytest.mark.night
def test_a_driver_found_out_of_tolerance_puts_its_readings_in_doubt(
    desk: Page, served_at: str, lab: Engine
) -> None:
    """The calibration is written down; the readings, and the trace of a part, say so."""
    record = a_rebuild(lab, "TARN-QD2", driver="TD-QD2")
    desk.goto(f"{served_at}/instruments")
    desk.get_by_role("link", name="TD-QD2").click()
    rests = desk.get_by_role("link", name="What rests on the finding")
    expect(rests).to_have_count(0)
    today = datetime.now(UTC)  # noqa: TID251 a person at a real browser types the day it is

    desk.locator("#done_at").fill(today.strftime("%Y-%m-%d"))
    desk.locator("#due_at").fill((today - timedelta(days=9)).strftime("%Y-%m-%d"))
    desk.locator("#certificate").fill("C-2026-77")
    desk.get_by_role("group", name="Result").get_by_label("out of").check()
    desk.locator("#error_percent").fill("-7,5")
    desk.locator("form button.main").click()
    expect(desk.get_by_role("alert")).to_be_visible()
    expect(desk.locator("#error_percent")).to_have_value("-7,5")
    desk.locator("#due_at").fill((today + timedelta(days=365)).strftime("%Y-%m-%d"))
    desk.locator("form button.main").click()
    expect(desk.get_by_role("table", name="Effect once it is recorded")).to_contain_text(
        record.serial
    )
    desk.get_by_role("button", name="Record it").click()

    rests.click()
    doubted = desk.get_by_role("table", name=f"of {record.serial}").get_by_role("rowheader")
    expect(doubted).to_have_count(12)
    scan(desk, record.new_mea)
    desk.locator("a[href$='/trace']").first.click()
    expect(desk.get_by_role("main")).to_contain_text("found out of tolerance afterwards")


def in_cell_2(page: Page) -> str:
    """The MEA of cell 2 by the table under the drawing: layer 12 of a pile cooled at both ends."""
    return page.locator("#layer-12").inner_text()


@pytest.mark.night
def test_the_pile_on_a_date_and_as_it_was_thought_to_be(
    desk: Page, served_at: str, lab: Engine
) -> None:
    """Before the rebuild, after it, and after it as it was known before the misreading came out."""
    record: Rebuilt = a_rebuild(lab, "TARN-QD3")
    really = misread(record)
    desk.goto(f"{served_at}/stacks/{record.serial}")
    assert really in in_cell_2(desk)

    desk.locator("#on").fill("2026-02-10 12:00")
    desk.locator("form.filter button").click()
    assert record.old_mea in in_cell_2(desk)
    expect(desk.locator("svg.pile")).to_contain_text(record.old_mea)
    desk.locator("#on").fill("yesterday")
    desk.locator("form.filter button").click()
    expect(desk.get_by_role("main")).to_contain_text("yesterday")
    expect(desk.locator("#on")).to_have_value("yesterday")
    desk.locator("#on").fill("2026-02-28 12:00")
    desk.locator("#known_at").fill("2026-02-23 08:00")
    desk.locator("form.filter button").click()
    assert record.new_mea in in_cell_2(desk)
    desk.locator("#known_at").fill("")
    desk.locator("form.filter button").click()
    assert really in in_cell_2(desk)

    desk.locator("a[href*='/compare']").first.click()
    changed = desk.get_by_role("table", name="What changed").get_by_role("row")
    expect(changed.filter(has_text=record.old_mea)).to_contain_text("out")
    expect(changed.filter(has_text=really)).to_contain_text("in")
    expect(desk.locator("svg.pile")).to_have_count(2)
    scan(desk, record.new_mea)
    expect(desk.get_by_role("main")).to_contain_text(really)


LIST = """Nr;Seriennummer;Bauteil;Charge;Stunden;Eingang
1;QDI-1;mea;L-QDI;1.012,5;07.03.2026
2;QDI-2;mee;L-QDI;0;07.03.2026
3;QDI-3;mea;L-QDI;1,25;7.3.2026
"""


def test_a_list_of_parts_is_looked_at_mended_and_written_whole(
    desk: Page, served_at: str, lab: Engine, tmp_path: Path
) -> None:
    """Semicolons and decimal commas; one column named by hand, one row in error, then all of it."""
    sent = tmp_path / "liste.csv"
    sent.write_bytes(LIST.encode("utf-8-sig"))
    desk.goto(f"{served_at}/parts")
    desk.locator("a[href='/import/parts']").first.click()
    desk.locator("#file").set_input_files(sent)
    desk.locator("form.upload button.main").click()
    expect(desk.locator("#column_serial")).to_have_value("1")
    expect(desk.locator("#column_part_type")).to_have_value("2")
    desk.locator("#column_hours_before").select_option("")
    desk.locator("form[method=get] button").last.click()
    desk.locator("#column_hours_before").select_option("4")
    desk.locator("form[method=get] button").last.click()
    wrong = desk.get_by_role("table", name="Rows in error").get_by_role("row")
    expect(wrong.filter(has_text="mee")).to_have_count(1)
    expect(desk.locator("form[method=post] button.main")).to_have_count(0)
    expect(desk.get_by_role("row").filter(has_text="QDI-1")).to_contain_text("1012.5")

    sent.write_bytes(LIST.replace("mee", "mea").encode("utf-8-sig"))
    desk.goto(f"{served_at}/import/parts")
    desk.locator("#file").set_input_files(sent)
    desk.locator("form.upload button.main").click()
    desk.locator("form[method=post] button.main").click()
    desk.wait_for_url("**/parts")
    with Session(lab) as session:
        made = session.execute(
            select(Part.serial, Part.hours_before).where(Part.serial.startswith("QDI-"))
        ).all()
    assert sorted(tuple(one) for one in made) == [
        ("QDI-1", 1012.5),
        ("QDI-2", 0.0),
        ("QDI-3", 1.25),
    ]
    desk.locator("#begins_with").fill("QDI")
    desk.locator("form.filter button").click()
    expect(desk.get_by_role("row").filter(has_text="L-QDI")).to_have_count(3)
