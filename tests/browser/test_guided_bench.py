"""The guided bench on a tablet: the page says what comes next, the scanner answers it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.tables import MakeSafeLine, RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Layer
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Part
from tests import builders
from tests.browser.at_the_bench import LONG_AFTER, Bench, the_tools
from tests.browser.looking import look
from tests.closing.closings import put_limits_in_force
from tests.proof.arithmetic.test_leak_traces import a_trace
from tests.proof.stack_testing import the_tools as instruments_of_a_test
from tests.proof.test_leak_recipes import FIGURES_BY_RECIPE

pytestmark = pytest.mark.browser

TABLET = {"width": 820, "height": 1180, "has_touch": True}


def a_guided_stack(session: Session, serial: str) -> None:
    """Two cells, of a design that keeps its pattern."""
    design = builders.a_design(session, pattern=builders.the_pattern(session))
    builders.a_stack(session, cells=2, serial=serial, design=design, meter_hours=100.0)


def the_pile(lab: Any, serial: str) -> list[tuple[int, str | None, str]]:
    """Part, serial and facing of each layer of the present build, the free end first."""
    with Session(lab) as session:
        rows = session.execute(
            select(Layer.part_id, Part.serial, Layer.facing)
            .join(Part, Part.id == Layer.part_id)
            .join(RebuildRecord, RebuildRecord.base_build_id == Layer.build_id)
            .where(Layer.present)
            .order_by(RebuildRecord.id.desc(), Layer.position.desc())
        )
        return [(row[0], row[1], row[2].value) for row in rows]


def kinds(lab: Any, number: int, kind: StepKind) -> int:
    """How many entries of a kind stand."""
    with Session(lab) as session:
        standing = select(Step.id).where(
            Step.record_id == number, Step.kind == kind, Step.undone_at.is_(None)
        )
        return len(session.scalars(standing).all())


def put_on(bench: Bench, serial: str | None, facing: str) -> None:
    """Scan a part, or press the lot; say which way it lies if asked."""
    page = bench.page
    if serial is None:
        bench.press(page.locator("#entry button[name=lot_id]").first)
    else:
        bench.scan(serial)
        bench.press(key="Enter")
    way = page.locator(f"#entry button[name=facing][value='{facing}']")
    if way.count():
        bench.press(way)
    expect(page.locator(".answer.right")).to_be_visible()


@pytest.mark.night
def test_a_whole_rebuild_with_everything_that_goes_wrong(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    lab: Any,
) -> None:
    """A wrong part, a forgotten gasket, an undo, a lost connection and a change of device."""
    serial = "TARN-GB1"
    tools = rows(the_tools)
    rows(
        lambda s: builders.a_torque_instrument(
            s, label="HG-1", kind=InstrumentKind.HEIGHT_GAUGE, unit="mm", due_at=LONG_AFTER
        )
    )
    witness = rows(lambda s: builders.a_person(s, "builder", name="Ben Orr GB")).id
    rows(lambda s: a_guided_stack(s, serial))
    page = new_page(**TABLET, unheard="ERR_INTERNET_DISCONNECTED")
    me = sign_in(page, "builder", name="Mara Ilves GB")
    login = rows(lambda s: s.get_one(builders.Person, me)).login
    bench = Bench(page, served_at)
    bench.begin(serial, "cell 2 is weak", worked=me)
    bench.make_safe(tools, witness)
    bench.go("opening")
    page.locator("#hours").fill("320")
    bench.enter()
    pile = the_pile(lab, serial)

    # Lifting off: a layer deep in the pile is scanned, then lifted down to with the others.
    bench.go("lifting", end="free+end")
    look(page, "lifting")
    deep = next(one for one in pile if one[1] and pile.index(one) > 5)
    count = pile.index(deep) + 1
    bench.scan(deep[1] or "")
    assert "is outermost" in bench.refused(key="Enter")
    page.get_by_role("link", name="lift off down to it").click()
    expect(bench.next).to_contain_text(f"Lift off {count} layers")
    page.locator("input[name=condition][value='none seen']").check()
    look(page, "down-to")
    bench.enter()
    assert kinds(lab, bench.number, StepKind.LIFTED_OFF) == count
    # A layer in the drawing is a way down to it too.
    bench.go("lifting", end="free+end")
    nearest = page.locator("svg.pile a.layer").first
    assert "lifting-several" in (nearest.get_attribute("href") or "")

    # Stacking: what comes next is said; a wrong part is refused with what was expected.
    bench.go("putting-on", end="free+end")
    expect(page.locator("#renewed summary")).to_contain_text("To be renewed")
    back = list(reversed(pile[:count]))
    gasket_at = next(at for at, one in enumerate(back) if one[1] is None)
    for _part, code, facing in back[:gasket_at]:
        put_on(bench, code, facing)
    expect(bench.next).to_contain_text("gasket")
    expect(bench.next).to_contain_text("in the groove of the half plate's")
    assert bench.next.evaluate("e => getComputedStyle(e).fontSize") == "28px"
    look(page, "next")
    forgotten = back[gasket_at + 1]
    bench.scan(forgotten[1] or "")
    said = bench.refused(key="Enter")
    assert "Expected: a " in said
    assert "Lay it aside" in said
    look(page, "refused")
    assert kinds(lab, bench.number, StepKind.PUT_ON) == gasket_at

    # The gasket from the lot, an undo, and once more; then the connection is lost in a scan.
    put_on(bench, None, "")
    bench.undo()
    expect(page.locator(".answer.right")).to_contain_text("Undone")
    expect(bench.next).to_contain_text("gasket")
    put_on(bench, None, "")
    bench.scan(forgotten[1] or "")
    before = page.locator("#bench").element_handle()
    assert before is not None
    page.context.set_offline(True)
    page.keyboard.press("Enter")
    expect(page.locator("#offline")).to_be_visible()
    page.context.set_offline(False)
    before.wait_for_element_state("hidden")
    way = page.locator(f"#entry button[name=facing][value='{forgotten[2]}']")
    if way.count():
        bench.press(way)
    expect(page.locator(".answer.right")).to_be_visible()
    assert kinds(lab, bench.number, StepKind.PUT_ON) == gasket_at + 2

    # Another tablet goes on where this one stopped.
    other = new_page(**TABLET)
    sign_in(other, login=login)
    bench = Bench(other, served_at, bench.number)
    other.goto(f"{served_at}/records/{bench.number}/bench")
    page = other
    for _part, code, facing in back[gasket_at + 2 :]:
        put_on(bench, code, facing)
    expect(bench.next).to_contain_text("All layers are on")
    look(page, "complete")

    # Nuts in their order; one outside the tolerance is asked about.
    bench.go("torque", stage="closing")
    expect(page.locator("p.order")).to_contain_text("Order of the nuts")
    look(page, "torque")
    bench.tighten(tools["TD-9"], "3.0")
    bench.tighten(None, "6.0")
    page.locator("#entered").fill("11.0")
    bench.press(page.locator(".reach button.main"))
    expect(page.locator("#asked")).to_contain_text("its band 8.55 to 9.45 N·m")
    look(page, "outside")
    page.locator("#unloaded_first-2").check()
    page.locator("#outside_because").fill("the nut is at its stop; engineering has been told")
    bench.enter()
    for _ in range(3):
        page.locator("#entered").fill("9.0")
        bench.enter()
    expect(page.locator("#settling")).to_contain_text("due from")

    # The checks of the closing, then the closing and everything still open in one list.
    bench.go("closing-checks")
    expect(bench.next).to_contain_text("closed height")
    look(page, "height")
    page.locator("#reading_mm").fill("12")
    page.locator("#instrument_id").select_option(label="HG-1, height gauge")
    bench.press()
    page.locator("#note").fill("measured without the plates")
    bench.enter()
    for rod, mm in enumerate(("12", "12.2", "12", "12.5"), 1):
        expect(bench.next).to_contain_text(f"at rod {rod}")
        page.locator("#reading_mm").fill(mm)
        bench.enter()
    bench.enter()
    bench.enter()
    expect(bench.next).to_contain_text("Every check of the closing is recorded")
    look(page, "checks")
    bench.go("closing")
    page.locator("#hours").fill("320")
    bench.enter()
    look(page, "handing-in")
    with Session(lab) as session:
        assert session.get_one(RebuildRecord, bench.number).closed_at is not None
        checks = session.scalars(
            select(MakeSafeLine.line_number)
            .join(Step, Step.id == MakeSafeLine.step_id)
            .where(Step.record_id == bench.number, Step.kind == StepKind.CLOSING_CHECK)
        ).all()
    assert sorted(checks) == [1, 2, 2, 2, 2, 3, 4]
    bench.page.locator(".reach button.main").click()
    page.wait_for_url(f"**/records/{bench.number}")
    with Session(lab) as session:
        assert session.get_one(RebuildRecord, bench.number).state is RecordState.HANDED_IN


@pytest.mark.night
def test_a_leak_test_by_recipe_asks_for_a_fast_ramp_and_keeps_its_trace(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
    tmp_path: Path,
) -> None:
    """The recipe is read, a file of the trace is chosen, a ramp too fast is asked about."""

    def a_stack_with_a_recipe(session: Session) -> None:
        stack = builders.a_stack(session, cells=2, serial="TARN-GB3")
        put_limits_in_force(session, stack.design_id, FIGURES_BY_RECIPE)

    rows(a_stack_with_a_recipe)
    tools = rows(lambda s: instruments_of_a_test(s, due_at=LONG_AFTER))
    page = new_page(**TABLET)
    me = sign_in(page, "builder", name="Ida Holm GB")
    bench = Bench(page, served_at)
    bench.begin("TARN-GB3", "after the braid", worked=me)
    bench.go("tests", test="leak-4")
    expect(page.locator("#recipe li").nth(1)).to_contain_text("at most 6\u2009kPa/min")
    look(page, "recipe")

    def fill(trace: str) -> None:
        file = tmp_path / "anode.csv"
        file.write_text(trace, encoding="utf-8")
        page.locator("input[name=method][value='pressure decay']").check()
        page.locator("input[name=zero][value=gauge]").check()
        page.locator("#state").select_option("dry")
        for name, value in (("barometer", "101.3"), ("relief", "58")):
            page.locator(f"#{name}").fill(value)
        for name in ("arrived_cathode", "arrived_coolant"):
            page.locator(f"#{name}").fill("0")
        for name, tool in (
            ("instrument_id", tools.gauge),
            ("thermometer_id", tools.thermometer),
            ("meter_id", tools.meter),
        ):
            bench.choose(name, tool)
        page.locator("summary", has_text="Trace of the test").click()
        page.locator("#trace_file").set_input_files(file)

    fill(a_trace(ramp_min=2.0))
    assert "Ramp 25 kPa/min; the recipe asks for at most 6 kPa/min" in bench.refused()
    look(page, "ramp-too-fast")

    bench.go("tests", test="leak-4")
    fill(a_trace(lost_kpa_min=0.0))
    bench.enter()
    expect(page.locator("dl.steps").first).to_contain_text("ramp at most 5 kPa/min")
    look(page, "recipe-kept")
    with page.expect_download() as download:
        page.get_by_role("link", name="p(t), T(t) as sent").first.click()
    assert download.value.path().read_text(encoding="utf-8") == a_trace(lost_kpa_min=0.0)


@pytest.mark.night
def test_a_search_cell_by_cell_suspects_one_and_the_stack_is_split_next_to_it(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    """Voltages typed cell by cell; opened there, the end cell goes on as a stack of its own."""
    rows(lambda s: builders.a_stack(s, cells=4, serial="TARN-GB4", meter_hours=100.0))
    tools = rows(lambda s: instruments_of_a_test(s, due_at=LONG_AFTER))
    page = new_page(**TABLET)
    me = sign_in(page, "builder", name="Ida Holm GB4")
    bench = Bench(page, served_at)
    bench.begin("TARN-GB4", "hydrogen at the air outlet", worked=me)
    bench.go("tests", test="leak-search")
    page.get_by_label("open-circuit voltage").check()
    bench.choose("instrument_id", tools.multimeter)
    for cell, volts in enumerate(("0.102", "0.101", "0.03", "0.1"), 1):
        page.locator(f"#cell-{cell}").fill(volts)
    bench.enter(page.locator(".reach button[form=entry]"))
    expect(page.locator("#bench")).to_contain_text("Open next to cell 3: 2 cells from the free end")
    expect(page.get_by_role("img", name="suspect: 3")).to_be_visible()
    look(page, "leak-search")
    page.goto(f"{served_at}/stacks/TARN-GB4")
    expect(page.locator("main")).to_contain_text("Suspected, not found, to leak")

    bench.go("exception")
    page.locator("#reason").fill("a bench test")
    bench.enter(page.locator(".reach button[form=entry]"))
    bench.go("opening")
    page.locator("#hours_unknown_because").fill("no display")
    bench.enter()
    bench.go("lifting")
    bench.lift()
    lifted = page.locator(".answer.right").inner_text()
    page.goto(f"{served_at}/records/{bench.number}")
    page.get_by_role("link", name="Split the stack").click()
    look(page, "split")
    page.locator("#serial").fill("TARN-GB4B")
    page.locator("main button.main").click()
    page.wait_for_url("**/bench*")
    first = Bench(page, served_at)
    first.take_up()
    assert first.number != bench.number

    offered = page.locator("#bench button[name=part_id]").first
    label = offered.locator(".serial").first.inner_text()
    assert label in lifted
    first.press(offered)
    expect(page.locator(".answer.right")).to_contain_text(label)
    page.goto(f"{served_at}/stacks/TARN-GB4B")
    expect(page.locator("main")).to_contain_text("TARN-GB4, build 1")
    page.goto(f"{served_at}/records/{bench.number}")
    expect(page.locator("main")).to_contain_text(f"record {first.number}")
    look(page, "split-from")


def test_the_sound_can_be_switched_off_and_stays_off(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    rows: Callable[..., Any],
) -> None:
    """The switch is a button; this device remembers it."""
    rows(lambda s: a_guided_stack(s, "TARN-GB2"))
    page = new_page(**TABLET)
    me = sign_in(page, "builder", name="Ada Brill GB")
    bench = Bench(page, served_at)
    bench.begin("TARN-GB2", "a look", worked=me)
    button = page.locator("#sound button")
    expect(button).to_have_text("Sound is on")

    button.click()

    expect(button).to_have_text("Sound is off")
    page.reload()
    expect(button).to_have_text("Sound is off")
    expect(button).to_have_attribute("aria-pressed", "false")
