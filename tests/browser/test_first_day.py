"""The first day of a lab: from `layerbook serve` on an empty folder to the first layer put on."""

import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.looking import barriers
from tests.operation.running import HERE, answered, environment, free_port

pytestmark = pytest.mark.browser

MOST_ENTRIES, MOST_PRESSES = 40, 30
PASSWORD = "dry gas in the morning"


@dataclass
class Acts:
    """A newcomer's hand: counts fields filled or ticked, and presses."""

    page: Page
    entries: int = 0
    presses: int = 0
    pages: list[str] = field(default_factory=list)

    def fill(self, label: str, text: str) -> None:
        """Fill a field found by its label."""
        self.page.get_by_label(label, exact=True).fill(text)
        self.entries += 1

    def tick(self, label: str) -> None:
        """Tick a box."""
        self.page.get_by_label(label).check()
        self.entries += 1

    def press(self, what: Locator, then: str) -> None:
        """Press a link or button and wait for the page it leads to."""
        what.click()
        self.page.wait_for_url(then)
        self.presses += 1
        self.pages.append(re.sub(r"^https?://[^/]+", "", self.page.url))

    def button(self, name: str, then: str) -> None:
        """Press a button by its words."""
        self.press(self.page.get_by_role("button", name=name), then)

    def link(self, name: str, then: str) -> None:
        """Press a link by its words."""
        self.press(self.page.get_by_role("link", name=name, exact=True).first, then)


@pytest.fixture
def empty_lab(tmp_path: Path) -> Iterator[tuple[str, Path]]:
    """A server on an empty folder, and what it said in its terminal."""
    said, port = tmp_path / "said.txt", free_port()
    with said.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", "serve", "--port", str(port)],
            cwd=HERE,
            env=environment(tmp_path / "data") | {"PYTHONUNBUFFERED": "1"},
            stdout=subprocess.DEVNULL,
            stderr=out,
        )
    address = f"http://127.0.0.1:{port}"
    try:
        assert answered(process, f"{address}/health").status_code == 200
        yield address, said
    finally:
        process.kill()
        process.wait(10)


@pytest.mark.night
@pytest.mark.parametrize(
    "size", [pytest.param((1280, 800), id="desk"), pytest.param((820, 1180), id="tablet")]
)
def test_from_an_empty_folder_to_the_first_layer(
    new_page: Callable[..., Page], empty_lab: tuple[str, Path], size: tuple[int, int]
) -> None:
    """Led by *Set up your lab* alone: nobody needs an address, a terminal or this file."""
    address, said = empty_lab
    page = new_page(width=size[0], height=size[1])
    hand = Acts(page)
    code = re.search(r"^\s+(\w{4}-\w{4}-\w{4})$", said.read_text(), re.MULTILINE)
    assert code is not None

    page.goto(address)
    hand.fill("One-time code", code[1])
    hand.fill("Name", "Quinn Marsh")
    hand.fill("Login", "quinn")
    hand.fill("Password", PASSWORD)
    hand.tick("quality")
    hand.button("Add me and sign in", "**/setup")
    assert barriers(page) == []

    hand.link("Add a person", "**/people/add")
    hand.fill("Login", "sol")
    hand.fill("Name", "Sol Reyes")
    hand.tick("supervisor")
    page.locator("#password").fill(PASSWORD)
    hand.entries += 1
    hand.button("Add", "**/people/sol")
    set_up(hand)
    expect(page.locator("#people.done")).to_be_visible()

    hand.link("Begin from the sample design", "**/designs/bring?from=sample")
    hand.button("Copy it in", re.compile(r"/designs/\d+$"))
    set_up(hand)
    for key in ("design", "part-types"):
        expect(page.locator(f"#{key}.done")).to_be_visible()
    expect(page.locator("#pattern")).to_contain_text("somebody else than who proposed it")

    hand.link("Add a stack", "**/stacks/new?design=*")
    hand.fill("Serial number", "FIRST-01")
    hand.button("Add the stack", "**/stacks/FIRST-01")
    set_up(hand)

    hand.link("Begin the record of FIRST-01", "**/records/new?stack=FIRST-01")
    hand.fill("Reason", "first build")
    hand.button("Begin the record", re.compile(r"/records/\d+"))
    if "/bench" not in page.url:
        hand.press(page.get_by_role("link", name=re.compile("bench")).first, "**/bench*")

    first_layer(hand)

    assert hand.entries <= MOST_ENTRIES
    assert hand.presses <= MOST_PRESSES
    assert (hand.entries, hand.presses) == (14, 18), hand.pages


def set_up(hand: Acts) -> None:
    """Back to the list of steps, from the first page."""
    hand.link("floor", "**/floor")
    hand.press(hand.page.get_by_role("link", name=re.compile("^Set up your lab")), "**/setup")


def first_layer(hand: Acts) -> None:
    """Scanned, not known, added where one stands, put on."""
    page = hand.page
    expect(page.get_by_text("No pattern of the design is in force")).to_be_visible()
    expect(page.get_by_text("waits for somebody else. To put it in force, ask Sol")).to_be_visible()
    scan = page.locator("#scanned")
    scan.fill("IP-001")
    hand.entries += 1
    scan.press("Enter")
    hand.presses += 1

    new = page.locator("#new-part")
    expect(new).to_contain_text("IP-001")
    new.get_by_label("Part type").select_option(label="insulator plate 190 mm, S-140 rev. A")
    hand.entries += 1
    hand.tick("I inspected it: it may be used")
    new.get_by_role("button", name="Add it").click()
    hand.presses += 1
    expect(page.locator("p.answer.right")).to_contain_text("is known now")

    page.locator(".reach button.main").click()
    hand.presses += 1
    expect(page.locator("p.answer.right")).to_contain_text("IP-001 put on")
    assert barriers(page) == []


def test_rods_are_proposed_in_place(
    page: Page, served_at: str, sign_in: Callable[..., object]
) -> None:
    """What else was typed stays where it is; nothing is sent but the question."""
    sign_in(page, "quality")
    page.goto(f"{served_at}/designs/new")
    page.locator("#cooling").fill("every cell")
    page.evaluate("window.same = true")
    for name, value in (
        ("rows", "3"),
        ("columns", "3"),
        ("pitch_x_mm", "80"),
        ("pitch_y_mm", "6o"),
    ):
        page.locator(f"#grid_{name}").fill(value)

    page.get_by_role("button", name="Propose the rods").click()
    expect(page.locator("#wrong-grid_pitch_y_mm")).to_contain_text("is not a number")
    page.locator("#grid_pitch_y_mm").fill("60")
    page.get_by_role("button", name="Propose the rods").click()

    expect(page.locator("#rod_8_x_mm")).to_have_value("-80")
    expect(page.locator("#cooling")).to_have_value("every cell")
    assert page.evaluate("window.same")
    assert barriers(page) == []
