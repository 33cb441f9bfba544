"""A builder's hands on the bench page, with script and without, and the tools that lie there."""

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from PIL import Image
from playwright.sync_api import ElementHandle, Error, Locator, Page, expect
from playwright.sync_api import TimeoutError as TookTooLong
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument
from tests import builders

BENCH = re.compile(r"/records/(\d+)/bench")
LONG_AFTER = datetime(2090, 1, 1, tzinfo=UTC)


def the_tools(session: Session, driver: str = "TD-9") -> dict[str, int]:
    """Instruments in calibration whenever the tests run, by their marks; made once."""
    wanted = {
        "GD-1": (InstrumentKind.GAS_DETECTOR, "% vol"),
        "MM-1": (InstrumentKind.MULTIMETER, "V"),
        driver: (InstrumentKind.TORQUE_DRIVER, "N·m"),
    }
    marked = Instrument.label.in_(wanted)
    known = {one.label: one.id for one in session.scalars(select(Instrument).where(marked))}
    for label, (kind, unit) in wanted.items():
        if label not in known:
            known[label] = builders.a_torque_instrument(
                session, label=label, kind=kind, unit=unit, due_at=LONG_AFTER
            ).id
    return known


def a_photo(folder: Path, name: str = "crack.jpg") -> Path:
    """A photo as a tablet's camera makes it."""
    Image.new("RGB", (640, 480), (60, 90, 70)).save(folder / name, "JPEG")
    return folder / name


def until_gone(element: ElementHandle) -> None:
    """Wait until an element has left the page, by a swap or with the page itself."""
    try:
        element.wait_for_element_state("hidden")
    except TookTooLong:
        raise
    except Error:
        return  # it left while it was looked at


@dataclass
class Bench:
    """One record on one page; each press waits until the bench stands as it is afterwards."""

    page: Page
    served_at: str
    number: int = 0

    def begin(self, serial: str, reason: str, worked: int | None = None) -> None:
        """Begin a rebuild record where the link on the stack's sheet leads."""
        page = self.page
        page.goto(f"{self.served_at}/records/new?stack={serial}")
        page.locator("input[name=kind][value=rebuild]").check()
        page.locator("#reason").fill(reason)
        if worked is not None:
            page.locator(f"input[name=worked][value='{worked}']").check()
        page.locator("#begin button.main").click()
        page.wait_for_url(BENCH)
        self.take_up()

    def take_up(self) -> None:
        """Stay with the record the page shows."""
        found = BENCH.search(self.page.url)
        assert found is not None
        self.number = int(found.group(1))

    def go(self, place: str, **asked: str) -> None:
        """Go to a place of the work."""
        more = "".join(f"&{name}={value}" for name, value in asked.items())
        self.page.goto(f"{self.served_at}/records/{self.number}/bench?at={place}{more}")

    @property
    def next(self) -> Locator:
        """The words which say what is next."""
        return self.page.locator("h2.next")

    @property
    def version(self) -> str:
        """The version of the record the page was shown at."""
        return self.page.locator("input[name=version]").first.get_attribute("value") or ""

    def press(self, button: Locator | None = None, key: str = "") -> None:
        """Press a button (else the main one) or a key, and wait for what the bench answers."""
        bench = self.page.locator("#bench")
        old = bench.element_handle()
        if key:
            self.page.keyboard.press(key)
        else:
            (button or self.page.locator(".reach button.main")).click()
        until_gone(old)
        bench.wait_for()

    def enter(self, button: Locator | None = None, key: str = "") -> None:
        """Make an entry which is taken."""
        self.press(button, key)
        expect(self.page.locator(".answer.right")).to_be_visible()

    def refused(self, button: Locator | None = None, key: str = "") -> str:
        """Make an entry which is not taken; give what is said."""
        self.press(button, key)
        alert = self.page.get_by_role("alert").first
        expect(alert).to_be_visible()
        return alert.inner_text()

    def undo(self) -> None:
        """Take the last entry back."""
        self.press(self.page.locator("#undo button"))

    def choose(self, name: str, value: int | str) -> None:
        """Choose from a list."""
        self.page.locator(f"#{name}").select_option(str(value))

    def make_safe(self, tools: dict[str, int], witness: int) -> None:
        """Record the three lines of the checklist."""
        self.enter()
        self.page.locator("#reading").fill("0,1")
        self.choose("instrument_id", tools["GD-1"])
        self.enter()
        self.page.locator("#reading").fill("0.2")
        self.choose("instrument_id", tools["MM-1"])
        self.choose("witness_id", witness)
        self.enter()

    def lift(self, condition: str = "none seen") -> None:
        """Lift the outermost layer off with one press."""
        self.enter(self.page.locator(f"#entry button[name=condition][value='{condition}']"))

    def scan(self, code: str) -> None:
        """Scan a code: a keyboard that types fast and ends with Enter."""
        field = self.page.locator("#scanned")
        expect(field).to_be_focused()
        self.page.keyboard.type(code)

    def tighten(self, driver: int | None, *torques_nm: str, rods: int = 4) -> None:
        """Read every rod in every pass, each with its torque, as the page asks for them."""
        for torque_nm in (torque_nm for torque_nm in torques_nm for _ in range(rods)):
            self.page.locator("#entered").fill(torque_nm)
            if driver is not None:
                self.choose("instrument_id", driver)
                driver = None  # the one used last is offered
            self.enter()
