"""The builder's day: a tablet at the bench, a scanner, gloves, a network that comes and goes."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, Route, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.tables import Attachment
from service.records.tables import (
    Finding,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.store.tables import Part
from tests import builders
from tests.browser.at_the_bench import Bench, a_photo, the_tools, until_gone

pytestmark = pytest.mark.browser

Rows = Callable[..., Any]
TABLET = {"width": 820, "height": 1180, "has_touch": True}


@pytest.fixture
def at_hand(rows: Rows) -> tuple[dict[str, int], int]:
    """The tools that lie at the bench, and somebody who stands beside."""
    witness = rows(lambda session: builders.a_person(session, "builder", name="Ben Orr"))
    return rows(the_tools), witness.id


@pytest.fixture
def at_bench(
    new_page: Callable[..., Page], sign_in: Callable[..., Any], served_at: str, rows: Rows
) -> Callable[..., Bench]:
    """Somebody signed in at a tablet, with a record of a stack of so many cells begun."""

    def begin(serial: str, cells: int = 4, **more: Any) -> Bench:
        rows(lambda s: builders.a_stack(s, cells=cells, serial=serial, meter_hours=100.0))
        page = new_page(**(TABLET | more))
        me = sign_in(page, "builder", name=f"Mara Ilves {serial}")
        bench = Bench(page, served_at)
        bench.begin(serial, "cell 4 is weak", worked=me)
        return bench

    return begin


def steps(lab: Any, number: int) -> list[tuple[StepKind, bool]]:
    """Kinds of a record's entries, and whether each still stands."""
    with Session(lab) as session:
        rows = session.execute(
            select(Step.kind, Step.undone_at)
            .where(Step.record_id == number)
            .order_by(Step.sequence)
        )
        return [(kind, undone is None) for kind, undone in rows]


def open_stack(bench: Bench) -> None:
    """Open by exception, hours unknown: the short way for a test about something else."""
    bench.go("exception")
    bench.page.locator("#reason").fill("nothing to make safe in a test")
    bench.enter()
    bench.page.locator("#hours_unknown_because").fill("no display")
    bench.enter()


@pytest.mark.night
def test_a_whole_rebuild_from_sign_in_to_hand_in(
    at_bench: Callable[..., Bench],
    at_hand: tuple[dict[str, int], int],
    rows: Rows,
    lab: Any,
    tmp_path: Path,
) -> None:
    """Cell 4 of four gets a new MEA and new gaskets; everything else goes back."""
    tools, witness = at_hand
    bench = at_bench("TARN-BD1")
    page = bench.page
    number = bench.number

    def delivered(session: Any) -> tuple[Part, Part, int, int]:
        types = builders.the_part_types(session)
        return (
            builders.a_part(session, types.mea, serial="MEA-BD1-NEW"),
            builders.a_part(session, types.mea, serial="MEA-BD1-BAD", usability=Usability.REJECTED),
            builders.a_lot(session, types.gas_gasket, label="GG-BD1", quantity=9).id,
            builders.a_lot(session, types.coolant_gasket, label="CG-BD1", quantity=9).id,
        )

    new_mea, _bad_mea, gas_lot, coolant_lot = rows(delivered)

    # The checklist, line by line; the opening waits for it.
    bench.go("opening")
    expect(page.locator("#hours")).to_have_count(0)
    bench.go("make-safe")
    page.locator("#witness_id").select_option("")
    bench.enter()
    page.locator("#reading").fill("0.9")
    bench.choose("instrument_id", tools["GD-1"])
    assert "0.4" in bench.refused()
    expect(page.locator("#reading")).to_have_value("0.9")
    page.locator("#reading").fill("0,1")
    bench.enter()
    page.locator("#reading").fill("0.2")
    bench.choose("instrument_id", tools["MM-1"])
    bench.choose("witness_id", witness)
    bench.enter()

    # Torque as found, before anything is loosened.
    bench.go("torque", stage="as found")
    for torque_nm in ("8,1", "8.2", "7.9", "8.0"):
        page.locator("#entered").fill(torque_nm)
        bench.choose("instrument_id", tools["TD-9"])
        bench.enter()

    # Open, with the hours the meter shows.
    bench.go("opening")
    page.locator("#hours").fill("1 412,5")
    bench.enter()
    expect(bench.next).to_contain_text("insulator plate")

    # Lift off from the free end: with a press, by comparing a scan, with findings and a photo.
    bench.lift()
    expect(bench.next).to_contain_text("current collector")
    bench.undo()
    expect(bench.next).to_contain_text("insulator plate")
    bench.lift()
    collector = bench.next.locator(".serial").inner_text()
    bench.scan(collector)
    bench.lift("not inspected")
    bench.lift()
    page.locator("input[name=condition][value='hairline crack']").check()
    page.locator("#severity").select_option("1")
    page.locator("#where").fill("at the air inlet")
    page.locator("#photos").set_input_files(a_photo(tmp_path))
    expect(page.locator(".photos img")).to_be_visible()
    bench.enter()
    bench.lift()
    old_mea = bench.next.locator(".serial").inner_text()
    bench.lift()
    expect(bench.next).to_contain_text("gasket")

    # Put on: the wrong part is refused, the scanner's Enter is enough for the right one.
    bench.go("putting-on", end="free end")
    bench.scan("MEA-BD1-BAD")
    assert "rejected" in bench.refused(key="Enter")
    expect(page.locator("#scanned")).to_have_value("MEA-BD1-BAD")
    to_add = page.get_by_role("button", name="Add it")
    expect(to_add).to_have_count(0)
    bench.scan("MEA-BD1-NEVER-SEEN")
    bench.refused(key="Enter")
    expect(to_add).to_be_visible()
    bench.scan("MEA-BD1-NEW")
    bench.enter(key="Enter")
    bench.enter(page.locator(f"button[name=lot_id][value='{gas_lot}']"))
    back = page.locator("#back button[name=part_id]")
    bench.press(back.filter(has_text="half plate"))
    bench.enter(page.locator("#entry button[name=facing][value='fixed end']"))
    bench.enter(page.locator(f"button[name=lot_id][value='{coolant_lot}']"))
    bench.enter(back.filter(has_text="current collector"))
    bench.enter(back.filter(has_text="insulator plate"))

    # Tighten crosswise in three passes, close, hand in.
    bench.go("torque", stage="closing")
    bench.tighten(tools["TD-9"], "3,0", "6,0", "9,0")
    bench.go("closing")
    page.locator("#hours").fill("1412.5")
    bench.enter()
    bench.go("handing-in")
    expect(page.locator(".missing .act")).to_have_count(0)
    for reason in page.locator("#entry textarea").all():
        reason.fill("not asked of this stack")
    page.locator(".reach button.main").click()
    page.wait_for_url(f"**/records/{number}")
    expect(page.get_by_role("heading", level=1)).to_contain_text("TARN-BD1")

    with Session(lab) as session:
        record = session.get_one(RebuildRecord, number)
        assert record.state is RecordState.HANDED_IN
        assert session.get_one(Part, new_mea.id).whereabouts is Whereabouts.FITTED
        lifted = session.scalars(select(Part).where(Part.serial == old_mea)).one()
        assert lifted.whereabouts is Whereabouts.LIFTED_OFF
        seen = session.execute(
            select(Finding.condition, Finding.severity, Finding.where).where(
                Finding.record_id == number, Finding.severity.is_not(None)
            )
        ).all()
        assert [tuple(one) for one in seen] == [("hairline crack", 1, "at the air inlet")]
        photo = session.scalars(select(Attachment).where(Attachment.record_id == number)).one()
        assert photo.name == "crack.jpg"
        readings = session.scalars(
            select(TorqueReading.torque_nm).where(TorqueReading.record_id == number)
        ).all()
        assert sorted(readings) == [3.0] * 4 + [6.0] * 4 + [7.9, 8.0, 8.1, 8.2] + [9.0] * 4
    page.goto(f"{bench.served_at}/stacks/TARN-BD1")
    expect(page.locator("svg.pile")).to_contain_text("MEA-BD1-NEW")


def test_an_entry_made_without_connection_is_neither_lost_nor_made_twice(
    at_bench: Callable[..., Bench], lab: Any
) -> None:
    """It stays on the page, says so, and is sent once by itself when the connection returns."""
    bench = at_bench("TARN-BD2", cells=1, unheard="ERR_INTERNET_DISCONNECTED")
    page = bench.page
    page.locator("details.later summary").click()
    page.locator("#note").fill("valve V2 locked")
    before = page.locator("#bench").element_handle()
    assert before is not None

    page.context.set_offline(True)
    page.locator(".reach button.main").click()
    expect(page.locator("#offline")).to_be_visible()
    page.locator(".reach button.main").click()
    expect(page.locator("#note")).to_have_value("valve V2 locked")
    assert steps(lab, bench.number) == []
    page.context.set_offline(False)
    until_gone(before)

    expect(page.locator(".answer.right")).to_be_visible()
    expect(page.locator("#offline")).to_be_hidden()
    assert steps(lab, bench.number) == [(StepKind.MAKE_SAFE, True)]
    with Session(lab) as session:
        note = session.scalars(select(Step.note).where(Step.record_id == bench.number)).one()
    assert note == "valve V2 locked"


def test_what_was_pressed_without_connection_is_what_is_entered_afterwards(
    at_bench: Callable[..., Bench], lab: Any
) -> None:
    """A button may carry the entry: lifted off, none seen; this part back on."""
    bench = at_bench("TARN-BD0", cells=1, unheard="ERR_INTERNET_DISCONNECTED")
    page = bench.page
    open_stack(bench)

    def enter_offline(button: Locator) -> None:
        before = page.locator("#bench").element_handle()
        assert before is not None
        page.context.set_offline(True)
        button.click()
        expect(page.locator("#offline")).to_be_visible()
        page.context.set_offline(False)
        until_gone(before)
        expect(page.locator(".answer.right")).to_be_visible()

    enter_offline(page.locator("#entry button[name=condition][value='not inspected']"))
    bench.go("putting-on")
    enter_offline(page.locator("#back button[name=part_id]"))

    assert [kind for kind, _stands in steps(lab, bench.number)][-2:] == [
        StepKind.LIFTED_OFF,
        StepKind.PUT_ON,
    ]
    with Session(lab) as session:
        seen = session.scalars(
            select(Finding.condition).where(Finding.record_id == bench.number)
        ).all()
    assert seen == ["not inspected"]


def test_an_entry_whose_answer_was_lost_is_made_once(
    at_bench: Callable[..., Bench], lab: Any
) -> None:
    """It reached the server, the answer did not reach the tablet, and the tablet tries again."""
    bench = at_bench("TARN-BD3", cells=1, unheard="ERR_FAILED|Failed to fetch")
    page = bench.page
    tries = []

    def lose_the_answer(route: Route) -> None:
        tries.append(route.request.post_data)
        if len(tries) == 1:
            route.fetch()
            route.abort()
        else:
            route.continue_()

    page.route("**/make-safe", lose_the_answer)
    bench.enter()

    assert len(tries) == 2
    assert steps(lab, bench.number) == [(StepKind.MAKE_SAFE, True)]
    expect(bench.next).to_contain_text("Anode side")


def test_what_was_typed_is_there_again_after_the_page_was_left(
    at_bench: Callable[..., Bench], lab: Any
) -> None:
    """A tablet that went to sleep, a wrong link: a reading half entered is put back, once."""
    bench = at_bench("TARN-BD4", cells=1)
    page = bench.page
    bench.enter()
    page.locator("#reading").fill("0.2")

    page.goto(f"{bench.served_at}/stacks")
    bench.go("make-safe")

    expect(page.locator("#reading")).to_have_value("0.2")
    expect(page.locator("#entry [role=status]")).to_be_visible()
    bench.go("exception")
    page.locator("#reason").fill("tested")
    bench.enter()
    bench.go("exception")
    expect(page.locator("#reason")).to_have_value("")


def test_of_two_at_one_record_the_later_is_told_and_loses_nothing(
    at_bench: Callable[..., Bench],
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    lab: Any,
) -> None:
    """The second hand sees what the first one entered, and sends its own once more."""
    first = at_bench("TARN-BD5", cells=1)
    page = new_page(**TABLET)
    sign_in(page, "builder", name="Ben Orr at the other side")
    page.goto(first.page.url)
    second = Bench(page, first.served_at, first.number)
    second.go("exception")
    page.locator("#reason").fill("typed with gloves on")

    first.go("exception")
    first.page.locator("#reason").fill("somebody was quicker")
    first.enter()
    said = second.refused()

    assert "exception" in said
    assert "Mara Ilves TARN-BD5" in said
    expect(page.locator("#reason")).to_have_value("typed with gloves on")
    assert len(steps(lab, first.number)) == 1
    second.enter()
    assert len(steps(lab, first.number)) == 2


def test_a_scanner_reaches_its_field_wherever_the_cursor_is(
    at_bench: Callable[..., Bench], rows: Rows, lab: Any
) -> None:
    """Keys faster than a hand go to the field that waits; slow ones are left alone."""
    bench = at_bench("TARN-BD6", cells=1)
    page = bench.page
    open_stack(bench)
    wanted = rows(
        lambda s: builders.a_part(s, builders.the_part_types(s).mea_directional, serial="MD-BD6")
    )
    bench.go("putting-on", end="free end")
    page.locator("#scanned").blur()
    keys = page.context.new_cdp_session(page)
    at = page.evaluate("performance.timeOrigin / 1000 + performance.now() / 1000")

    def type_at(text: str, seconds_between: float) -> None:
        nonlocal at
        for key in text:
            at += seconds_between
            for kind in ("keyDown", "keyUp"):
                more = {"text": key} if kind == "keyDown" else {}
                event = {"type": kind, "key": key, "timestamp": at, **more}
                keys.send("Input.dispatchKeyEvent", event)
        at += 1

    type_at("slow", 0.2)
    expect(page.locator("#scanned")).to_have_value("")
    type_at("MD-BD6", 0.005)
    expect(page.locator("#scanned")).to_have_value("MD-BD6")
    bench.press(key="Enter")
    bench.enter(page.locator("#entry button[name=facing][value='free end']"))

    with Session(lab) as session:
        part = session.get_one(Part, wanted.id)
        assert part.whereabouts is Whereabouts.FITTED


def test_a_code_with_a_group_separator_is_understood(
    at_bench: Callable[..., Bench], rows: Rows, lab: Any
) -> None:
    """A wedge sends the separator of a GS1 element string as Ctrl and a bracket."""
    bench = at_bench("TARN-BD7", cells=1)
    page = bench.page
    open_stack(bench)
    wanted = rows(lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="MEA7001"))
    bench.go("putting-on", end="free end")

    bench.scan("0104012345678901" + "21MEA7001")
    page.keyboard.press("Control+BracketRight")
    page.keyboard.type("10LOT7")
    bench.enter(key="Enter")

    with Session(lab) as session:
        step = session.scalars(
            select(Step).where(Step.record_id == bench.number).order_by(Step.id.desc())
        ).first()
        assert step is not None
        assert step.part_id == wanted.id
        assert step.scanned == "010401234567890121MEA7001\x1d10LOT7"


@pytest.mark.night
def test_a_short_rebuild_by_plain_forms(
    at_bench: Callable[..., Bench], at_hand: tuple[dict[str, int], int], lab: Any
) -> None:
    """Everything works in a browser that runs no script."""
    tools, witness = at_hand
    bench = at_bench("TARN-BD8", cells=1, java_script_enabled=False)
    page = bench.page
    number = bench.number
    bench.make_safe(tools, witness)
    bench.go("opening")
    page.locator("#hours").fill("120")
    bench.enter()
    bench.lift()
    bench.go("putting-on")
    bench.enter(page.locator("#back button[name=part_id]"))
    bench.undo()
    bench.go("putting-on")
    bench.enter(page.locator("#back button[name=part_id]"))
    bench.go("torque", stage="closing")
    bench.tighten(tools["TD-9"], "3.0", "6.0", "9.0")
    bench.go("closing")
    page.locator("#hours").fill("119")
    said = bench.refused()
    assert "120" in said
    page.locator("#hours").fill("120")
    bench.enter()
    page.locator(".reach button.main").click()

    page.wait_for_url(f"**/records/{number}")
    with Session(lab) as session:
        assert session.get_one(RebuildRecord, number).state is RecordState.HANDED_IN
    done = steps(lab, number)
    assert done.count((StepKind.PUT_ON, True)) == done.count((StepKind.PUT_ON, False)) == 1


TARGET_PX = 44
SMALL = """
(least) => [...document.querySelectorAll(
  "button, a, select, summary, input:not([type=hidden])")].filter((one) => {
    if (one.closest("svg, .out-of-sight, .skip")) return false;
    const isText = one.matches("a:not(.button)") && one.closest("p, td, th, li");
    if (isText && !one.closest("nav, .ends, .readings")) return false;
    const label = one.matches("[type=checkbox], [type=radio]") ? one.closest(".choice") : null;
    const box = (label ?? one).getBoundingClientRect();
    return box.width > 1 && (box.height < least - 0.5 || box.width < least - 0.5);
}).map((one) => one.outerHTML.slice(0, 120))
"""
"""What is pressed and too low or too narrow; links in sentences and cells are text."""


def test_what_is_pressed_at_the_bench_is_large_enough_for_a_glove(
    at_bench: Callable[..., Bench],
) -> None:
    """44 px each way, at every place of the work."""
    bench = at_bench("TARN-BD9", cells=1)
    page = bench.page
    places = ["make-safe", "exception"]
    for place in places:
        bench.go(place)
        assert page.evaluate(SMALL, TARGET_PX) == [], place
    open_stack(bench)
    places = ["lifting", "lifting-several", "finding", "putting-on", "fixings"]
    places += ["fixings-from-lot", "fixings-off", "torque", "closing", "handing-in"]
    for place in places:
        bench.go(place)
        assert page.evaluate(SMALL, TARGET_PX) == [], place
