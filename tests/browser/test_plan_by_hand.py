"""A rebuild by its plan, by hand alone: what is pressed is what each page offers as next."""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from playwright.sync_api import Locator, Page, expect
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.planning.queries.plans import progress
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.database import reading
from service.records.tables import RebuildRecord, RecordState
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Part
from tests import builders
from tests.browser.at_the_bench import LONG_AFTER, Bench, the_tools
from tests.browser.looking import look
from tests.browser.test_guided_bench import a_guided_stack

pytestmark = [pytest.mark.browser, pytest.mark.night]

MOST_STEPS = 150
READ_MM = "12"


@dataclass
class Hand:
    """Somebody who reads the heading, does it and presses the main button."""

    bench: Bench
    lab: Any
    places: list[str] = field(default_factory=list)

    @property
    def page(self) -> Page:
        return self.bench.page

    def work(self) -> None:
        """Follow the page from the checklist to hand-in."""
        record = re.compile(rf"/records/{self.bench.number}$")
        for _step in range(MOST_STEPS):
            if record.search(self.page.url):
                return
            here = (
                self.page.locator(".places [aria-current=step]").inner_text().split("✓")[0].strip()
            )
            if self.places[-1:] != [here]:
                self.places.append(here)
            lead = self.page.locator(".reach a.button.main")
            if lead.count():
                self.press(lead)
            else:
                getattr(self, here.replace(" ", "_").replace("-", "_"))()
        raise AssertionError(f"led in a circle: {self.places}, {self.bench.next.inner_text()}")

    def press(self, button: Locator | None = None) -> None:
        """Press what is offered; nothing of it is refused."""
        self.bench.press(button)
        expect(self.page.locator(".answer.wrong")).to_have_count(0)

    def choose(self, name: str) -> None:
        """Take what a list offers first, where nothing stands in it yet."""
        chosen = self.page.locator(f"select#{name}")
        if chosen.count() and not chosen.input_value():
            chosen.select_option(index=1)

    def fill(self, name: str, text: str) -> None:
        """Type into a field if it is there."""
        typed = self.page.locator(f"#{name}")
        if typed.count():
            typed.fill(text)

    def make_safe(self) -> None:
        self.fill("reading", "0.1")
        self.choose("instrument_id")
        self.choose("witness_id")
        self.press()

    def open(self) -> None:
        self.fill("hours", "320")
        self.press()

    def lift_off(self) -> None:
        self.press(self.page.get_by_role("button", name="Lifted off, nothing found"))

    def put_on(self) -> None:
        """Press what lies there by its name, else type the serial; say which way it lies."""
        with reading(self.lab) as session:
            planned = progress(session, self.bench.number)
        assert planned
        lay = planned.to_put_on[0]
        layer = next(laid for laid in planned.plan.document.after if laid.position == lay.position)
        label = layer.label if layer.part > 0 else layer.lot or ""
        offered = self.page.locator("#bench button").filter(has_text=label)
        if offered.count():
            self.press(offered.first)
        else:
            self.page.locator("#scanned").fill(label)
            self.press()
        way = self.page.locator(f"button[name=facing][value='{layer.facing.value}']")
        if way.count():
            self.press(way)

    def torque(self) -> None:
        """What the heading says, on the driver used last."""
        wanted = re.search(r"tighten to ([\d.]+)", self.bench.next.inner_text())
        assert wanted, self.bench.next.inner_text()
        self.page.locator("#entered").fill(wanted[1])
        self.choose("instrument_id")
        self.press()

    def close(self) -> None:
        """Checks of the closing, then the closing."""
        self.fill("reading_mm", READ_MM)
        self.choose("instrument_id")
        self.fill("hours", "320")
        self.bench.press()
        if self.page.locator("#wrong-reading_mm").count():
            self.fill("note", "measured without the plates")
            self.press()

    def hand_in(self) -> None:
        """Why for each of what is not done, where it is asked."""
        for reason in self.page.locator("#entry textarea, #entry input[type=text]").all():
            reason.fill("not asked of a stack of two cells")
        self.page.locator(".reach button.main").click()
        self.page.wait_for_url(re.compile(rf"/records/{self.bench.number}$"))


@pytest.mark.parametrize("size", [(1280, 800), (820, 1180)], ids=["desk", "tablet"])
def test_a_rebuild_by_plan_is_led_from_the_wish_to_hand_in(
    new_page: Callable[..., Page],
    sign_in: Callable[..., Any],
    served_at: str,
    lab: Any,
    size: tuple[int, int],
) -> None:
    """No address is typed, no place is chosen, nothing is scanned; nothing is refused."""
    serial = f"TARN-PH{size[0]}"
    with Session(lab) as session:
        the_tools(session)
        height = InstrumentKind.HEIGHT_GAUGE
        builders.a_torque_instrument(session, kind=height, unit="mm", due_at=LONG_AFTER)
        builders.a_person(session, "builder", name=f"Ben Orr {serial}")
        a_guided_stack(session, serial)
        types = builders.the_part_types(session)
        builders.a_part(session, types.mea, serial=f"{serial}-NEW")
        for part_type in (types.gas_gasket, types.coolant_gasket):
            builders.a_lot(session, part_type, label=f"{serial} {part_type.name}", quantity=50)
        session.commit()
    page = new_page(width=size[0], height=size[1], has_touch=size[0] < 1000)
    sign_in(page, "builder", name=f"Mara Ilves {serial}")
    page.goto(f"{served_at}/stacks/{serial}")
    page.locator("a[href$='/changeover']").first.click()
    page.locator("summary", has_text="Replace cells or parts").click()
    page.locator("#replace_cells").fill("2")
    page.get_by_role("button", name="Work out the plan").click()
    look(page, f"plan-{size[0]}")
    page.locator("#keep #note").fill("cell 2 is weak")
    page.locator("#keep button.main").click()
    page.wait_for_url("**/changeover-plans/*")
    page.get_by_role("button", name="Start the rebuild record").click()
    page.wait_for_url("**/bench*")
    bench = Bench(page, served_at)
    bench.take_up()
    hand = Hand(bench, lab)

    hand.work()

    assert hand.places[:6] == ["make-safe", "open", "lift off", "put on", "fixings", "torque"]
    assert hand.places[-1] == "hand in"
    with Session(lab) as session:
        assert session.get_one(RebuildRecord, bench.number).state is RecordState.HANDED_IN
        planned = progress(session, bench.number)
        assert planned
        after = [layer.part for layer in planned.plan.document.after if layer.part > 0]
        where = select(Part.whereabouts).where(Part.id.in_(after))
        assert set(session.scalars(where)) == {Whereabouts.FITTED}
    assert planned.is_done
    assert not planned.departures
