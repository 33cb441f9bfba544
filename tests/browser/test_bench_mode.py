"""The bench shows the work, high on an upright tablet, and no way that leads off it.

An answer is in view, and a scan while a question is open waits for its answer.
"""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.changes.entries import Place
from service.people.tables import Person as PersonRow
from service.planning.arithmetic.options import ReplaceCells
from service.planning.changes import begin_record_from_plan, make_plan
from service.planning.queries.working_out import Ask
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing
from service.platform.permissions import Person
from service.records.changes.bench_opening import open_stack
from service.records.changes.make_safe import record_exception
from service.records.tables import RebuildRecord, Step
from service.store.arithmetic.instruments import GasMatrix, InstrumentKind, Principle
from tests import builders
from tests.bench.at_the_bench import known
from tests.browser.at_the_bench import LONG_AFTER, Bench, the_tools
from tests.browser.looking import look

pytestmark = pytest.mark.browser

HIGHEST_PX = 200
"""What is next begins above this line of 1,180."""
UNDER_FOOT_BAR = """() => {
  const bar = document.querySelector(".reach");
  const field = document.activeElement;
  if (!bar || !field || !field.matches("input, select, textarea")) return false;
  return field.getBoundingClientRect().bottom > bar.getBoundingClientRect().top;
}"""

BEGAN = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
SIZES = [pytest.param((1280, 800), marks=pytest.mark.night), (820, 1180)]
ANSWER_IN_VIEW = """
() => {
  const box = document.querySelector('#bench .answer').getBoundingClientRect();
  const foot = document.querySelector('#bench .reach').getBoundingClientRect().top;
  return box.top >= 0 && box.bottom <= Math.min(innerHeight, foot);
}
"""


def test_the_work_begins_high_and_no_field_lies_under_the_foot_bar(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    *,
    whole: bool,
) -> None:
    """Each place of a record, on an upright tablet: its heading, its fields, its navigation.

    By day the tests and each fourth place of the others.
    """
    places = list(Place)
    if not whole:
        places = [Place.TESTS, *(place for place in places[::4] if place is not Place.TESTS)]
    rows(lambda s: builders.a_stack(s, cells=4, serial="TEAL-01", meter_hours=100.0))
    page = new_page(width=820, height=1180, has_touch=True)
    me = sign_in(page, "builder", name="Mara Ilves")
    bench = Bench(page, served_at)
    bench.begin("TEAL-01", "cell 4 is weak", worked=me)
    address = page.url.split("?")[0]

    for place in places:
        page.goto(f"{address}?at={place}")
        top = page.locator(".next, .ahead").first.bounding_box()
        assert top is not None, place
        assert top["y"] <= HIGHEST_PX, (place, top)
        for _field in range(8):
            page.keyboard.press("Tab")
            assert not page.evaluate(UNDER_FOOT_BAR), place

    words = page.get_by_role("navigation", name="Main").get_by_role("link").all_inner_texts()
    assert words == ["Layerbook", "TEAL-01", "record " + address.split("/")[-2]]


IN_VIEW = """() => {
  const bar = document.querySelector(".reach").getBoundingClientRect().top;
  return ["#asked", "#outside_because"].map((selector) => {
    const box = document.querySelector(selector).getBoundingClientRect();
    return box.top >= 0 && box.bottom <= bar;
  });
}"""


@pytest.mark.parametrize("size", [(1280, 800), pytest.param((390, 844), marks=pytest.mark.night)])
def test_what_is_asked_stands_in_view_with_the_field_that_answers(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    size: tuple[int, int],
) -> None:
    """A torque far above its pass, from a bench scrolled down to the field."""
    serial = f"TEAL-V{size[0]}"
    rows(lambda s: builders.a_stack(s, cells=4, serial=serial, meter_hours=100.0))
    driver = rows(the_tools)["TD-9"]
    page = new_page(width=size[0], height=size[1])
    me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
    bench = Bench(page, served_at)
    bench.begin(serial, "cell 4 is weak", worked=me)
    bench.go("exception")
    page.locator("#reason").fill("nothing to make safe in a test")
    bench.enter()
    page.locator("#hours_unknown_because").fill("no display")
    bench.enter()
    bench.go("torque", stage="closing")
    page.locator("#entered").fill("11")
    bench.choose("instrument_id", driver)

    bench.press()

    expect(page.locator("#outside_because")).to_be_focused()
    assert page.evaluate(IN_VIEW) == [True, True]


def in_view(page: Page) -> None:
    """Wait until what the bench answered is seen whole, above the foot bar."""
    page.wait_for_function(ANSWER_IN_VIEW, timeout=3000)


def waits(page: Page, code: str = "HM-0134") -> None:
    """Scan a code: nothing is entered, nothing leaves the bench, the words say that it waits."""
    address = page.url
    page.keyboard.type(code)
    page.keyboard.press("Enter")
    expect(page.locator("#waits")).to_contain_text(f"{code} waits: answer the question first")
    reason = page.locator("[data-words=question]")
    assert reason.input_value() == ""
    assert page.url == address


def instruments(session: Session, serial: str) -> dict[InstrumentKind, int]:
    """What a closed stack is tested with."""
    units = {
        InstrumentKind.PRESSURE_GAUGE: "kPa",
        InstrumentKind.THERMOMETER: "°C",
        InstrumentKind.INSULATION_TESTER: "MΩ",
    }
    return {
        kind: builders.a_torque_instrument(
            session, label=f"{kind} {serial}", kind=kind, unit=unit, due_at=LONG_AFTER
        ).id
        for kind, unit in units.items()
    }


@pytest.mark.parametrize("size", SIZES)
def test_after_a_test_of_the_closed_stack_its_answer_is_in_view(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    size: tuple[int, int],
) -> None:
    serial = f"TARN-AV{size[0]}"
    rows(lambda s: builders.a_stack(s, cells=2, serial=serial, meter_hours=1.0))
    tools = rows(lambda s: instruments(s, serial))
    page = new_page(width=size[0], height=size[1])
    me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
    bench = Bench(page, served_at)
    bench.begin(serial, "a test of the answers", worked=me)

    bench.go("tests", test="insulation-dry")
    for box in ("cells_bonded", "no_hydrogen"):
        page.locator(f"[name={box}]").check()
    page.locator("#rods_plates_resistance").fill("15")
    page.locator("#test_voltage").fill("50")
    bench.choose("instrument_id", tools[InstrumentKind.INSULATION_TESTER])
    bench.enter()
    in_view(page)

    bench.go("tests", test="leak-2")
    page.locator("[name=zero][value=gauge]").check()
    bench.choose("gas", "nitrogen")
    readings = {"barometer": "101.3", "start_pressure": "15", "start_temperature": "18"}
    readings |= {"duration": "30", "end_pressure": "14.98", "end_temperature": "18"}
    for name, typed in (readings | {"volume": "1.2"}).items():
        page.locator(f"#{name}").fill(typed)
    bench.choose("instrument_id", tools[InstrumentKind.PRESSURE_GAUGE])
    bench.choose("thermometer_id", tools[InstrumentKind.THERMOMETER])
    page.locator("#start_pressure").fill("500")
    record = page.locator(".reach button[form=entry]")
    assert "reads 0 to 20" in bench.refused(record)
    in_view(page)
    page.locator("#start_pressure").fill("15")
    bench.enter(record)
    expect(page.locator(".answer.right")).to_contain_text("The leak test says")
    in_view(page)
    look(page, f"answer-leak-{size[0]}")


@pytest.mark.parametrize("size", SIZES)
def test_a_scan_waits_while_a_question_is_open(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    lab: Any,
    *,
    size: tuple[int, int],
) -> None:
    """A layer that stays by the plan, a torque outside its band, another person's entry."""
    serial = f"TARN-QU{size[0]}"
    tools = rows(the_tools)
    page = new_page(width=size[0], height=size[1], has_touch=True)
    me = sign_in(page, "builder", name=f"Mara Ilves {serial}")

    def begun(session: Session) -> tuple[int, Person]:
        types = builders.the_part_types(session)
        design = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_part(session, types.mea, serial=f"{serial}-M")
        for part_type in (types.gas_gasket, types.coolant_gasket):
            builders.a_lot(session, part_type, label=f"{serial} {part_type.name}", quantity=50)
        stack = builders.a_stack(session, serial=serial, cells=2, design=design, meter_hours=1.0)
        return stack.id, known(session, session.get_one(PersonRow, me))

    stack_id, by = rows(begun)
    other = rows(lambda s: known(s, builders.a_person(s, "builder", name=f"Ben Orr {serial}")))
    ask = Ask((ReplaceCells((2,), with_plates=False),), BEGAN.date(), may_open=(End.FREE,))
    with changing(lab, by) as work:
        plan = make_plan(work, stack_id=stack_id, ask=ask, note="cell 2 is weak")
        record = begin_record_from_plan(work, plan, performed_from=BEGAN)
        record_exception(work, record, None, reason="a count of acts", done_at=BEGAN)
    with changing(lab, other) as work:
        open_stack(work, record, None, opened_at=BEGAN, hours_unknown_because="no display")
    bench = Bench(page, served_at, record)

    # Somebody else's entry is undone with a reason; a scan is none.
    bench.go("lifting", end="fixed+end")
    bench.undo()
    expect(page.locator("#undoing")).to_contain_text("Ben Orr")
    waits(page)
    in_view(page)

    # A layer the plan leaves in: its scan asks what is seen, and that asks whether it stands.
    bench.go("lifting", end="fixed+end")
    label = bench.next.locator(".serial").inner_text()
    bench.scan(label)
    bench.press(key="Enter")
    expect(bench.next).to_contain_text("What is seen?")
    bench.press(page.locator("#entry button[name=condition][value='none seen']"))
    expect(bench.next).to_contain_text("The plan leaves it in")
    in_view(page)
    waits(page)
    look(page, f"question-lift-{size[0]}")
    page.locator("[data-words=question]").press_sequentially("its seal weeps", delay=60)
    bench.enter()
    in_view(page)

    # A nut outside its band.
    bench.go("torque", stage="closing")
    page.locator("#entered").fill("4.0")
    bench.choose("instrument_id", tools["TD-9"])
    bench.press()
    in_view(page)
    waits(page)
    page.locator("[data-words=question]").fill("the nut bound")
    bench.enter()
    in_view(page)

    # Where no field waits for one, a scan says so and does nothing.
    page.locator("#entered").evaluate("field => field.blur()")
    page.keyboard.type("HM-0134")
    page.keyboard.press("Enter")
    expect(page.locator("#waits")).to_contain_text("HM-0134 was not entered")
    assert page.url.startswith(f"{served_at}/records/{record}/bench")


@pytest.mark.night
def test_a_sites_list_goes_stale_over_a_weekend(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    """Written by one, approved by another, recorded on Friday, read again on Monday."""
    detector = rows(_rig)
    quality, supervisor, builder = new_page(), new_page(), new_page(width=820, height=1180)
    _write_a_list(quality, sign_in, served_at)
    sign_in(supervisor, "supervisor", name="Olu Hart of the rig")
    supervisor.goto(f"{served_at}/approvals")
    supervisor.get_by_role("link", name="make-safe list of opening, weekend rig").click()
    supervisor.locator("#password").fill(builders.PASSWORD)
    supervisor.locator("button.main").click()
    expect(supervisor.get_by_text("It is in force")).to_be_visible()
    me = sign_in(builder, "builder", name="Mara Ilves of the rig")
    bench = Bench(builder, served_at)
    bench.begin("TEAL-RIG", "cell 4 is weak", worked=me)

    bench.enter()
    _read_hydrogen(bench, detector)
    assert "no bump test of the day" in bench.refused()
    _try_with_gas(bench, detector)
    _read_hydrogen(bench, detector)
    bench.enter()
    rows(lambda s: _a_weekend_goes_by(s, bench.number))
    bench.go("opening")
    stale = "Read again: line 2 (hydrogen), 63\u2009h old, good for 30\u2009min."
    expect(bench.next).to_have_text(stale)
    builder.get_by_role("link", name="Go on: make-safe").click()
    _try_with_gas(bench, detector)
    _read_hydrogen(bench, detector, "0.2")
    bench.enter()

    bench.go("make-safe")
    expect(builder.get_by_text("before: 0.1\u2009% vol")).to_be_visible()
    bench.go("opening")
    expect(bench.next).to_have_text("Release the clamp, then record the opening.")
    builder.locator("#hours_unknown_because").fill("no display")
    bench.enter()
    look(builder, "opened-after-a-weekend")


def _rig(session: Session) -> int:
    stack = builders.a_stack(session, cells=4, serial="TEAL-RIG", meter_hours=100.0)
    stack.place = "weekend rig"
    detector = builders.a_torque_instrument(
        session,
        label="GD-RIG",
        kind=InstrumentKind.GAS_DETECTOR,
        unit="% vol",
        due_at=LONG_AFTER,
    )
    detector.principle, detector.gas_matrix = Principle.THERMAL_CONDUCTIVITY, GasMatrix.INERT
    session.flush()
    return detector.id


def _write_a_list(page: Page, sign_in: Callable[..., Any], served_at: str) -> None:
    """Two lines of those the form begins with."""
    sign_in(page, "quality", name="Keiko Brandt of the rig")
    page.goto(f"{served_at}/make-safe/new")
    page.locator("#place").fill("weekend rig")
    for number in range(1, 17):
        if number not in (1, 4):
            page.locator(f"#line_{number}_wording").fill("")
    page.locator("#line_4_needs_witness").uncheck()
    page.locator("#reason").fill("procedure 12")
    page.locator("main button.main").click()
    expect(page.get_by_text("waits for an approval").first).to_be_visible()


def _read_hydrogen(bench: Bench, detector: int, reading: str = "0.1") -> None:
    bench.page.locator("#reading").fill(reading)
    bench.choose("instrument_id", detector)


def _try_with_gas(bench: Bench, detector: int) -> None:
    bench.page.get_by_role("link", name="Record the bump test of the day").click()
    bench.choose("instrument_id", detector)
    bench.page.locator("#gas").fill("2 % hydrogen in nitrogen")
    bench.page.get_by_label("passed", exact=True).check()
    bench.enter()


def _a_weekend_goes_by(session: Session, record_id: int) -> None:
    """What was recorded until now was recorded 63 hours earlier."""
    weekend = timedelta(hours=63)
    record = session.get_one(RebuildRecord, record_id)
    record.performed_from -= weekend
    for step in session.scalars(select(Step).where(Step.record_id == record_id)):
        step.done_at, step.written_at = step.done_at - weekend, step.written_at - weekend
