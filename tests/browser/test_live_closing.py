"""Closing a stack on a tablet: values appear as nuts are read, and change when read again."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.arithmetic.closing_modes import ClosingMode, CornersAsked
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import TorqueTool
from service.store.tables import Instrument
from tests import builders
from tests.browser.at_the_bench import LONG_AFTER, Bench, the_tools
from tests.browser.looking import look
from tests.closing.closings import give_stiffness, put_limits_in_force

pytestmark = pytest.mark.browser

TABLET = {"width": 820, "height": 1180, "has_touch": True}
LAST_PASS = ("9.1", "8.6", "9.3", "8.8")


def a_known_stack(session: Session, serial: str) -> None:
    """Two cells whose parts' stiffness is known, of a design with limits in force."""
    give_stiffness(session)
    design = builders.a_design(session)
    builders.a_stack(session, cells=2, serial=serial, design=design, meter_hours=100.0)
    put_limits_in_force(session, design.id)


@pytest.fixture
def opened(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> Callable[..., tuple[Bench, int]]:
    """Open such a stack at the bench; give the bench and the torque driver."""

    def begin(serial: str, **browser: Any) -> tuple[Bench, int]:
        tools = rows(the_tools)
        rows(lambda session: a_known_stack(session, serial))
        page = new_page(**(TABLET | browser))
        me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
        bench = Bench(page, served_at)
        bench.begin(serial, "closed anew", worked=me)
        bench.go("exception")
        page.locator("#reason").fill("a bench test")
        bench.enter()
        bench.go("opening")
        page.locator("#hours").fill("320")
        bench.enter()
        bench.go("torque", stage="closing")
        return bench, tools["TD-9"]

    return begin


def value(page: Page, name: str) -> float:
    """The first value of a name, as a person reads it."""
    shown = page.locator(f"[data-value={name}]").first.inner_text()
    found = re.match(r"−?[\d.]+", shown)
    assert found is not None, shown
    return float(found.group(0))


def read(bench: Bench, torque: str, driver: int | None = None, key: str = "") -> None:
    """Enter the reading the page asks for."""
    bench.page.locator("#entered").fill(torque)
    if driver is not None:
        bench.choose("instrument_id", driver)
    bench.enter(key=key)


def test_values_appear_and_change_while_nuts_are_read(opened: Any) -> None:
    """By keyboard: each reading typed and entered, the next field has the cursor."""
    bench, driver = opened("TARN-LC1")
    page = bench.page
    nuts = page.locator("#nuts-read")
    expect(nuts).to_have_text("0 of 4 nuts read")

    for number, target in enumerate(("3", "6"), 1):
        for rod in range(1, 5):
            read(bench, target, driver if (number, rod) == (1, 1) else None, key="Enter")
            expect(nuts).to_have_text(f"{rod} of 4 nuts read in pass {number} of 3")
            expect(page.locator("#entered")).to_be_focused()
            shown = page.locator("[data-value=gdl_pressure]").count()
            assert bool(shown) is (number > 1 or rod == 4)
    half = value(page, "gdl_pressure")
    expect(page.locator("#live")).to_contain_text("pressure map after pass 3")
    for torque in LAST_PASS:
        read(bench, torque, key="Enter")
    whole = value(page, "gdl_pressure")
    look(page, "live-closing")

    assert whole > half
    expect(page.locator("#live .state").first).to_contain_text("pass")
    expect(page.locator("#live svg.map")).to_be_visible()
    expect(page.locator("#live svg.map")).to_contain_text("kN")
    expect(page.locator("#live-line")).to_contain_text(
        "4 of 4 nuts read in pass 3 of 3: GDL pressure"
    )

    # One nut read again: what it makes changes at once.
    ratio = value(page, "pressure_ratio")
    page.get_by_role("link", name="8.60").click()
    page.locator("#entered").fill("9.1")
    bench.enter()
    assert value(page, "gdl_pressure") >= whole
    assert value(page, "pressure_ratio") > ratio

    # Undone, it is as before.
    bench.undo()
    assert value(page, "gdl_pressure") == whole
    assert value(page, "pressure_ratio") == ratio


@pytest.mark.night
def test_what_is_computed_can_be_reached_and_folded_out_by_keyboard(opened: Any) -> None:
    bench, driver = opened("TARN-LC2")
    page = bench.page
    read(bench, "3", driver)

    page.locator("#live-line a").focus()
    page.keyboard.press("Enter")
    folded = page.locator("#live details.folded")
    folded.locator("summary").focus()
    page.keyboard.press("Enter")

    expect(page).to_have_url(re.compile("#live$"))
    expect(folded.locator("li").first).to_be_visible()
    expect(folded).to_contain_text("closed state: 1 of 4 nuts read in pass 1 of 3")
    look(page, "live-folded")


@pytest.mark.night
def test_without_script_each_reading_brings_the_values_too(opened: Any) -> None:
    """The same forms, answered by whole pages."""
    bench, driver = opened("TARN-LC3", java_script_enabled=False)
    page = bench.page
    for at, torque in enumerate(("3.0", "3.0", "3.0")):
        page.locator("#entered").fill(torque)
        if at == 0:
            bench.choose("instrument_id", driver)
        page.locator(".reach button.main").click()
        expect(page.locator("#nuts-read")).to_have_text(f"{at + 1} of 4 nuts read in pass 1 of 3")
        assert page.locator("[data-value=gdl_pressure]").count() == 0
    page.locator("#entered").fill("3.0")
    page.locator(".reach button.main").click()

    expect(page.locator("#nuts-read")).to_have_text("4 of 4 nuts read in pass 1 of 3")
    assert value(page, "gdl_pressure") > 0
    expect(page.locator("#live svg.map")).to_have_count(0)


@pytest.mark.night
def test_what_was_kept_is_seen_by_who_approves(
    opened: Any, new_page: Callable[..., Page], sign_in: Callable[..., Any], served_at: str
) -> None:
    """Handed in, the values stand on the record and the approval, computed again beside them."""
    bench, driver = opened("TARN-LC4")
    page = bench.page
    bench.tighten(driver, "3.0", "6.0", "9.0")
    kept = page.locator("[data-value=gdl_pressure]").first.inner_text()
    bench.go("closing")
    expect(page.locator("[data-value=gdl_pressure]").first).to_have_text(kept)
    bench.enter()
    bench.go("handing-in")
    for reason in page.locator("#entry textarea").all():
        reason.fill("not asked of this stack")
    page.locator(".reach button.main").click()
    page.wait_for_url(re.compile(r"/records/\d+$"))

    desk = new_page()
    sign_in(desk, "supervisor", name="Ana Sol LC")
    for address in ("", "/approval", "/closing"):
        desk.goto(f"{served_at}/records/{bench.number}{address}")
        row = desk.get_by_role("row", name=re.compile("GDL pressure, mean of the cells")).first
        expect(row).to_contain_text(kept)
        expect(row).to_contain_text("pass")
    expect(desk.locator("#differences")).to_contain_text("none")
    expect(desk.get_by_text("Formulas, limits and rows are those of then.")).to_be_visible()


@pytest.mark.night
@pytest.mark.parametrize(("width", "height"), [(1280, 800), (820, 1180)])
def test_a_stack_is_closed_to_height_with_a_click_tool_by_hand_and_scan(
    opened: Any, rows: Callable[..., Any], width: int, height: int
) -> None:
    """Nuts are run down to hold: set and checked, a press or a scan each, the height measured."""
    serial = f"TARN-LC8-{width}"
    bench, _driver = opened(serial, width=width, height=height)
    page, kinds = bench.page, builders.InstrumentKind

    def closes_to_height(session: Session) -> None:
        for label, kind, unit, tool in (
            ("TD-5", kinds.TORQUE_DRIVER, "N·m", TorqueTool.CLICK),
            ("TT-1", kinds.TORQUE_TESTER, "N·m", TorqueTool.READING),
            ("HG-1", kinds.HEIGHT_GAUGE, "mm", TorqueTool.READING),
        ):
            if not session.scalar(select(Instrument.id).where(Instrument.label == label)):
                builders.a_torque_instrument(
                    session, label=label, kind=kind, unit=unit, tool=tool, due_at=LONG_AFTER
                )
        stack = session.scalars(select(Stack).where(Stack.serial == serial)).one()
        put_limits_in_force(
            session,
            stack.design_id,
            mode=ClosingMode.HEIGHT,
            target_height_mm=57.0,
            height_tolerance_mm=0.3,
            corners_asked=CornersAsked.ALWAYS,
        )

    rows(closes_to_height)
    bench.go("torque", stage="closing", tool="click")
    look(page, f"tool-set-{width}")
    page.locator("#entered").fill("2")
    page.locator("#checked").fill("2.02")
    bench.enter()
    look(page, f"nut-pressed-{width}")
    for rod in (1, 2):
        expect(bench.next).to_contain_text(f"nut {rod}")
        page.get_by_role("button", name="Clicked", exact=True).click()
        expect(bench.next).to_contain_text(f"nut {rod + 1}")
    for rod in (3, 4):
        page.wait_for_timeout(2_100)  # the same code within two seconds is one scan
        page.locator("#scanned").fill("DO:CLICKED")
        page.locator("#scanned").press("Enter")
        expect(page.locator(".answer.right")).to_contain_text(f"rod {rod}, pass 1: clicked at 2.00")
    expect(bench.next).to_contain_text("check the tool on the tester")
    page.locator("#checked").fill("2.01")
    bench.enter()

    bench.go("corners", **{"pass": "1"})
    for corner, measured in zip("ABCD", ("57.0", "57.4", "57.4", "57.0"), strict=True):
        page.locator(f"[name='heights.{corner}']").fill(measured)
    bench.enter()
    bench.go("held")
    look(page, f"held-closing-{width}")
    expect(page.locator("#live")).to_contain_text("The end plate is tilted")
    page.locator("[name=held_by][value='hard stop']").check()
    page.locator("#height_after_mm").fill("57.5")
    page.locator(".reach button.main").click()
    expect(page.locator("#bench")).to_contain_text("the height aimed at is 57 ± 0.3 mm")
    page.locator("#height_after_mm").fill("57.2")
    bench.enter()

    expect(page.locator(".answer.right")).to_contain_text("closed to height, hard stop")
    bench.go("corners")
    look(page, f"corners-{width}")


SIZES = """
() => [...document.querySelectorAll('svg.rods text:not(.soft)')].map(
  (text) => parseFloat(getComputedStyle(text).fontSize) * text.getScreenCTM().a)
"""
"""How high the numbers of the rod plan are on the screen, px."""


@pytest.mark.parametrize(
    ("width", "height"), [pytest.param(1280, 800, marks=pytest.mark.night), (820, 1180)]
)
def test_the_numbers_of_the_rod_plan_are_read_at_arms_length(
    opened: Any, width: int, height: int
) -> None:
    """At least 22 px, the drawing within the page and seen from the end that is open."""
    bench, driver = opened(f"TARN-RP{width}", width=width, height=height)
    page = bench.page
    read(bench, "3", driver)
    look(page, f"rod-plan-{width}")

    sizes = page.evaluate(SIZES)
    assert len(sizes) == 5, "four numbers and one reading"
    assert min(sizes) >= 22
    expect(page.locator("svg.rods")).to_contain_text("Seen from outside the free end")
    expect(page.locator("svg.rods circle.next")).to_have_count(1)
    expect(page.locator("svg.rods path.order")).to_have_count(1)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
