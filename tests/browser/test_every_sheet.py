"""Every kind of page as anybody may come to it: by keyboard, in the dark, on a tablet."""

import re
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import propose
from service.bench.queries.corrections import correctable
from service.bench.tables import Correction, CorrectionOf
from service.calculators.arithmetic.calculators import CALCULATORS
from service.condition.arithmetic.typed_voltages import typed_channels
from service.condition.changes import add_curve, type_voltages
from service.life.changes.failing_rules import propose_rule
from service.people.tables import Role
from service.platform.database import changing
from service.platform.permissions import Person
from service.proof.changes.part_leak_tests import record_part_leak_test
from service.proof.queries.tested_objects import PartsTested
from service.runs.changes.run_readings import LogRead
from service.runs.changes.runs import StoredLog, import_run, keep_mapping
from service.stacks.tables import Build, BuildPeriod, Stack
from service.store.arithmetic.make_safe import LineAsked, SafeAct
from service.store.changes.holds import Subject, place_hold
from service.store.changes.identities import add_unread
from service.store.changes.make_safe_lists import begin_list
from service.store.tables import Calibration
from tests import builders
from tests.browser.looking import barriers, send_sign_in
from tests.browser.rebuilds import a_rebuild, misread
from tests.closing.closings import give_stiffness, put_limits_in_force
from tests.condition.curving import some_points, volts
from tests.condition.test_sweeps_pages import a_file
from tests.house.test_every_route_asks import routes_of
from tests.life.mea_reading import a_read_stack
from tests.life.test_failing import RULE as FAILS
from tests.planning.test_changeover_plans import stock
from tests.proof.stack_testing import FIGURES, the_tools
from tests.proof.test_part_leak_tests import OWN, READ
from tests.proposing import put_in_force
from tests.runs.bench_logs import a_counted_log, a_log, bench_columns
from tests.taps.tapping import a_bridge, a_tap_map

pytestmark = pytest.mark.browser

Look = tuple[str, int, int]
LOOKS: tuple[Look, ...] = (("light", 1280, 800), ("dark", 820, 1180))
PAGES = {
    "floor": ("/floor", "/floor?mine=1", "/floor?wall=1"),
    "stacks": (
        "/stacks",
        "/stacks?state=released",
        "/stacks/new",
        "/stacks/{stack}",
        "/stacks/{stack}?build=1&equal=yes",
        "/stacks/{stack}/compare?from=1&to=2",
        "/stacks/{stack}/hours",
        "/stacks/{stack}/edit",
        "/stacks/{planned}/changeover",
        "/stacks/{planned}/changeover?add_cells=1&add_where=free+end&look=yes",
    ),
    "taps and bridges": (
        "/stacks/{stack}/taps",
        "/stacks/{stack}/taps/new",
        "/stacks/{long}/taps",
        "/tap-maps/{tap_map}",
        "/tap-maps/{tap_map}/correct",
        "/stacks/{stack}/bridges",
        "/bridges/{bridge}",
        "/bridges/{bridge}/correct",
    ),
    "high stacks": ("/stacks/{long}", "/stacks/{long}?whole=yes"),
    "parts": (
        "/parts?items=yes",
        "/parts/new",
        "/parts/inspection",
        "/parts/{mea}",
        "/parts/{mea}/trace",
        "/parts/{mea}/face-labels",
        "/parts/{mea}/suspects?compare=yes",
        "/parts/{mea}/containment",
        "/parts/{mea}/move",
        "/parts/{mea}/reserve",
        "/parts/{mea}/judge",
        "/parts/{mea}/edit",
        "/parts/{mea}/attachments",
        "/parts/unread",
        "/parts/{unread}/identity",
        "/leak-tests/new",
        "/leak-tests/new?parts={plate}",
        "/leak-tests/{part_test}",
        "/part-types",
        "/part-types/new",
        "/part-types/{type}",
        "/part-types/{type}/edit",
        "/part-types/{type}/stiffness",
        "/proposals/{proposal}",
    ),
    "lots and holds": (
        "/lots",
        "/lots/new",
        "/lots/{lot}",
        "/lots/{lot}/edit",
        "/lots/{lot}/shelf-life",
        "/holds?lifted=yes",
        "/holds/new?lot={lot}",
        "/holds/{hold}",
        "/holds/concessions/new?part={mea}",
        "/import/parts",
        "/import/stack",
        "/import/instruments",
    ),
    "records": (
        "/records",
        "/records/new",
        "/records/new?stack={stack}",
        "/records/{handed_in}",
        "/records/{handed_in}/approval",
        "/records/{handed_in}/closing",
        "/records/{handed_in}/attachments",
        "/records/{handed_in}/lifted",
        "/records/{handed_in}/corrections/new",
        "/records/{handed_in}/corrections/new?of=torque+reading&subject={torque}",
        "/records/{open}",
        "/records/{open}/head",
        "/records/{open}/open",
        "/records/{open}/paper",
        "/records/{open}/paper/enter",
        "/records/{open}/closing",
        "/records/{open}/approval",
        "/approvals",
        "/corrections/{correction}",
        "/corrections/{approved_correction}",
        "/records/{open}/check",
        "/records/{open}/waiver",
        "/records/{open}/split",
        "/looking-again",
        "/words",
        "/words/new",
        "/words/PINHOLE",
        "/words?list=reasons",
        "/words/NO-ROOM-FOR-THE-TOOL?list=reasons",
    ),
    "bench": (
        "/records/{begun}/bench",
        "/records/{begun}/bench?at=exception",
        "/records/{begun}/bench?at=opening",
        "/records/{begun}/bench?at=torque",
        "/records/{begun}/bench?at=tests",
        "/records/{begun}/bench?at=tests&test=leak-4",
        "/records/{begun}/bench?at=tests&test=insulation-dry",
        "/records/{begun}/bench?at=tests&test=shorts",
        "/records/{open}/bench?at=lifting",
        "/records/{open}/bench?at=lifting-several",
        "/records/{open}/bench?at=finding",
        "/records/{open}/bench?at=putting-on",
        "/records/{open}/bench?at=fixings",
        "/records/{open}/bench?at=fixings-from-lot",
        "/records/{open}/bench?at=fixings-as-found",
        "/records/{open}/bench?at=fixings-off",
        "/records/{open}/bench?at=torque",
        "/records/{open}/bench?at=closing",
        "/records/{open}/bench?at=tests",
        "/records/{open}/bench?at=handing-in",
    ),
    "desk": (
        "/bench-codes",
        "/desk",
        *(f"/desk/{one.name}?{urlencode(one.example)}" for one in CALCULATORS),
        "/desk/pressure-decay",
        "/desk/pressure-decay?start=-20&volume=0&duration=ten",
    ),
    "life by group": ("/life", "/life?by=design&laws=yes", "/life?level=2"),
    "runs": (
        "/stacks/{long}/runs",
        "/runs/{run}",
        "/runs/mappings",
        "/runs/mappings?name=bench+3",
    ),
    "condition": (
        "/stacks/{long}/condition",
        "/stacks/{long}/condition?over=days&against=none&density=0.5",
        "/stacks/{planned}/condition",
        "/stacks/{long}/curves/new",
        "/stacks/{long}/voltages/new",
        "/stacks/{long}/sweeps/new",
        "/curves/{curve}",
        "/voltages/{voltages}",
    ),
    "failing MEAs": (
        "/parts/{weak}/life",
        "/parts/{weak}/life?limit=0.5&density=0.7",
        "/parts/{weak}/failing",
        "/failing",
        "/failing?which=do+not+meet+it",
        "/failing/findings",
        "/designs/{read_design}/failing-rule",
        "/designs/{read_design}/failing-rule/new",
    ),
    "everything else": (
        "/designs",
        "/designs/new",
        "/designs/bring",
        "/designs/bring?from=sample",
        "/designs/{design}",
        "/designs/{design}/edit",
        "/designs/{patterned}",
        "/designs/{patterned}/pattern",
        "/designs/{design}/limits",
        "/designs/{design}/limits/new",
        "/limits/{limits}",
        "/builds/{build}/release",
        "/instruments",
        "/instruments/new",
        "/instruments/{instrument}",
        "/instruments/{instrument}/edit",
        "/instruments/{instrument}/uses/{calibration}",
        "/instruments/calibrations/{calibration}",
        "/make-safe",
        "/make-safe/new",
        "/make-safe/{list}",
        "/make-safe/{list}/edit",
        "/make-safe/{list}/withdraw",
        "/setup",
        "/people",
        "/people/add",
        "/people/{me}",
        "/people/{me}/badge",
        "/tablets",
        "/audit-trail",
        "/audit-trail?subject=part:{mea}",
        "/scan",
        "/scan?text=nobody-knows-this",
        "/stacks/nobody-knows-this",
    ),
}
NO_PAGES = {
    "/",
    "/favicon.ico",
    "/health",
    "/attachments/{attachment_id}",
    "/attachments/{attachment_id}/small",
    "/designs/{design_id}/pattern.toml",
    "/designs/{design_id}/design.toml",
    "/runs/{run_id}/file",
    "/parts/{part_id}/life.csv",
    "/here",
    "/traces/{sha256}",
}
LOOKED_AT_ELSEWHERE = {
    "/sign-in",
    "/import/parts/{token}",
    "/import/stack/{token}",
    "/import/instruments/{token}",
    "/changeover-plans/{plan_id}",
    "/stacks/{serial:path}/sweeps/{token}",
    "/runs/{run_id}/open-circuit",
    "/runs/uploads/{token}",
    "/change-person",
    "/unlock",
}


@pytest.fixture(scope="session")
def sheets(lab: Engine) -> dict[str, Any]:
    """A laboratory with something on every page; what the addresses of the pages need."""
    return _sheets(lab)


@cache
def _sheets(lab: Engine) -> dict[str, Any]:
    # a second module may ask for the fixture, and the laboratory is made once
    corrected = a_rebuild(lab, "TARN-ES1", cells=3, lot="M-ES1")
    misread(corrected)
    handed_in = a_rebuild(lab, "TARN-ES2")
    others = handed_in.lab
    with Session(lab, expire_on_commit=False) as session:
        me = builders.a_person(session, *Role, name="Vera Roth")
        builders.a_stack(session, cells=26, serial="TARN-ES3")
        for serial in ("TARN-ES4", "TARN-ES5"):
            builders.a_stack(session, cells=2, serial=serial, meter_hours=10.0)
        patterned = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_stack(session, cells=3, serial="TARN-ES6", design=patterned)
        stock(session)
        stacks = {one.serial: one for one in session.scalars(select(Stack))}
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.gas_gasket, label="G-ES", quantity=40)
        approved = session.scalars(
            select(Correction).where(Correction.record_id == corrected.number)
        ).one()
        free_design = builders.a_design(session)
        give_stiffness(session)
        put_limits_in_force(session, free_design.id)
        limits = put_limits_in_force(session, free_design.id, nut_factor=0.18)
        put_limits_in_force(session, stacks["TARN-ES1"].design_id, FIGURES)
        torque = next(
            fact
            for fact in correctable(session, handed_in.number).facts
            if fact.of is CorrectionOf.TORQUE
        )
        build_id = session.scalars(
            select(Build.id).where(Build.stack_id == stacks["TARN-ES1"].id).order_by(Build.id)
        ).all()[-1]
        read = a_read_stack(session)
        built = session.get_one(Build, build_id)
        tap_map = a_tap_map(session, built.stack_id, builders.START, {1: 2, 2: 1, 3: None}).id
        closed = select(BuildPeriod.closed_at).where(BuildPeriod.build_id == build_id)
        bridge = a_bridge(session, built, 1, session.scalars(closed).all()[-1]).id
        plate = builders.a_part(session, types.fuel_plate, serial="A-ES1")
        tools = the_tools(session)
        calibration = session.scalars(
            select(Calibration.id).where(Calibration.instrument_id == others.driver_id)
        ).first()
        session.commit()
    begun = others.begin(stack_id=stacks["TARN-ES4"].id)
    opened = others.begin(stack_id=stacks["TARN-ES5"].id)
    opened.open(hours=12.0)
    opened.lift(count=3)
    facts = {"of": torque.of, "subject_id": torque.subject_id}
    correction = others.do(
        propose, handed_in.number, new_value="3.1 N·m", reason="mistyped", **facts
    )
    quality = Person(me.id, me.login, me.name, frozenset(Role))
    curve, voltages = _read_cells(lab, quality, stacks["TARN-ES3"].id)
    run = _a_run(lab, quality, stacks["TARN-ES3"].id)
    with changing(lab, quality) as work:
        rule = propose_rule(
            work, read.design_id, FAILS, source="note 7, invented", reason="first rule"
        )
    put_in_force(lab, rule)
    hold = others.do(place_hold, Subject(lot_id=lot.id), reason="received wet")
    lines = (LineAsked(1, "Load off; gases shut, vented and locked."),)
    with changing(lab, quality) as work:
        safe = begin_list(work, SafeAct.OPENING, "bench 7", lines, source="", reason="first list")
    with changing(lab, quality) as work:
        unread = add_unread(work, part_type_id=types.mea.id, seen="label scorched")
    with changing(lab, quality) as work:
        part_test = record_part_leak_test(
            work,
            PartsTested((plate.serial or "",)),
            typed=READ | OWN,
            instrument_id=tools.gauge,
            thermometer_id=tools.thermometer,
            meter_id=tools.meter,
        )
    return {
        "me": me.login,
        "stack": corrected.serial,
        "long": "TARN-ES3",
        "planned": "TARN-ES6",
        "mea": corrected.old_mea_id,
        "type": types.mea.id,
        "lot": lot.id,
        "hold": hold,
        "proposal": rule,
        "handed_in": handed_in.number,
        "torque": torque.subject_id,
        "begun": begun.number,
        "open": opened.number,
        "correction": correction,
        "approved_correction": approved.id,
        "design": free_design.id,
        "limits": limits.id,
        "build": build_id,
        "tap_map": tap_map,
        "bridge": bridge,
        "patterned": patterned.id,
        "curve": curve,
        "run": run,
        "voltages": voltages,
        "weak": read.weak,
        "read_design": read.design_id,
        "instrument": others.driver_id,
        "calibration": calibration,
        "list": safe,
        "unread": unread,
        "plate": plate.serial,
        "part_test": part_test,
    }


def _read_cells(lab: Engine, by: Person, stack_id: int) -> tuple[int, int]:
    """Two curves and two times voltages of 26 cells, the last one low; their newest numbers."""
    names, day = typed_channels(26), timedelta(days=1)
    curve = voltages = 0
    for at, loss in ((builders.FIRST_CLOSING + day, 0.0), (builders.FIRST_CLOSING + 9 * day, 0.02)):
        with changing(lab, by) as work:
            curve = add_curve(
                work, stack_id, taken_at=at, channels=names, points=some_points(26, loss)
            )
        for current in (70.0, 0.0):
            own = [volts(current / 100, cell, loss) for cell in range(1, 27)]
            with changing(lab, by) as work:
                voltages = type_voltages(
                    work,
                    stack_id,
                    taken_at=at + timedelta(hours=1 + current),
                    current_a=current,
                    voltages_v=[*own[:-1], own[-1] - 0.1],
                )
    return curve, voltages


def _a_run(lab: Engine, by: Person, stack_id: int) -> int:
    """A log of thirty hours, its columns kept under a name."""
    began_at = builders.FIRST_CLOSING + timedelta(days=3)
    columns = bench_columns(26)
    log = LogRead(columns, a_counted_log(columns, hours=30), began_at, ("A row was left out.",))
    with changing(lab, by) as work:
        keep_mapping(work, "bench 3", columns)
    with changing(lab, by) as work:
        return import_run(work, stack_id, StoredLog("ab" * 32, 1_234_567, "endurance.csv"), log)


@pytest.fixture(scope="module")
def signed_in(chromium: Browser, sheets: dict[str, Any], served_at: str) -> Any:
    """The cookies of somebody with every role."""
    context = chromium.new_context()
    send_sign_in(context, served_at, sheets["me"])
    state = context.storage_state()
    context.close()
    return state


@pytest.fixture
def page(new_page: Callable[..., Page], signed_in: Any) -> Page:
    """A page of somebody with every role."""
    return new_page(storage_state=signed_in)


@pytest.fixture
def ways(whole: bool) -> Sequence[Look]:
    """How a sheet of its own is looked at: by day on a tablet, by night both ways."""
    return LOOKS if whole else LOOKS[1:]


def looks(
    page: Page, address: str, ways: Sequence[Look] = LOOKS, *, by_all_rules: bool = True
) -> Iterator[str]:
    """Everything wrong with a page, in light at a desk and in the dark on a tablet.

    What takes most of the time are the rules of WCAG; without them its width is looked at only.
    """
    page.goto(address)
    if page.locator("h1").count() != 1:
        yield "there is not one heading"
    for scheme, width, height in ways:
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        page.set_viewport_size({"width": width, "height": height})
        # As high as the page: what lies behind the buttons that stick is looked at as well.
        high = page.evaluate("document.documentElement.scrollHeight")
        page.set_viewport_size({"width": width, "height": high})
        too_wide = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        if too_wide > 0:
            yield f"{scheme}: {too_wide} px wider than {width} px"
        if by_all_rules:
            yield from (f"{scheme}: {one}" for one in barriers(page))


@pytest.mark.parametrize("group", PAGES)
def test_no_sheet_keeps_anybody_out(
    page: Page, served_at: str, sheets: dict[str, Any], group: str, *, whole: bool
) -> None:
    """Rules of WCAG 2.2 A and AA, no scrolling sideways, nothing in the console.

    By day each sixth page, either way in turn, one of three by the rules; by night all of it.
    """
    wrong = {}

    for number, address in enumerate(PAGES[group] if whole else PAGES[group][::12]):
        ways = LOOKS if whole else LOOKS[number % 2 :][:1]
        by_all_rules = whole or number % 3 == 0
        at = served_at + address.format_map(sheets)
        found = list(looks(page, at, ways, by_all_rules=by_all_rules))
        if found:
            wrong[address] = found

    assert wrong == {}


def test_lists_sent_are_looked_at_without_barriers(
    page: Page, served_at: str, sheets: dict[str, Any], tmp_path: Path, ways: Sequence[Look]
) -> None:
    """The step between sending a list and writing it, with rows in error."""
    lists = {
        "parts": "serial;part type;hours\nES-1;mea;1,5\nES-2;mee;0\n",
        "stack": "position;part type;serial\n1;mea;ES-9\n2;nothing;ES-8\n",
        "instruments": "mark;kind;unit\nMM-9;multimeter;V\nMM-8;multimetre;V\n",
    }
    wrong = {}

    for what, rows in lists.items():
        (tmp_path / f"{what}.csv").write_text(rows)
        page.goto(f"{served_at}/import/{what}")
        page.locator("#file").set_input_files(tmp_path / f"{what}.csv")
        page.locator("form.upload button").click()
        page.wait_for_url(f"**/import/{what}/*")
        wrong[what] = list(looks(page, page.url, ways))

    assert wrong == {"parts": [], "stack": [], "instruments": []}


@pytest.mark.night
def test_a_sweep_sent_is_looked_at_without_barriers(
    page: Page, served_at: str, sheets: dict[str, Any], tmp_path: Path, ways: Sequence[Look]
) -> None:
    """The step between sending a sweep and keeping it; then its time without load."""
    (tmp_path / "sweep.csv").write_bytes(a_file(26))
    page.goto(f"{served_at}/stacks/{sheets['long']}/sweeps/new")
    page.locator("#file").set_input_files(tmp_path / "sweep.csv")
    page.locator("form.upload button").click()
    page.wait_for_url(lambda address: not address.endswith("/sweeps/new"))
    assert list(looks(page, page.url, ways)) == []

    page.get_by_label("Taken at").fill("2026-02-25 08:00")
    page.get_by_role("button", name="Keep the curves").click()
    page.wait_for_url("**/condition?curve=*")
    kept = page.locator("a[href$='/open-circuit']").first.get_attribute("href")
    assert list(looks(page, f"{served_at}{kept}", ways)) == []
    expect(page.get_by_text("Open circuit from 2026-02-25")).to_be_visible()


@pytest.mark.night
def test_a_log_sent_is_looked_at_without_barriers(
    page: Page, served_at: str, sheets: dict[str, Any], tmp_path: Path, ways: Sequence[Look]
) -> None:
    """Its columns and doubts, then the bar while it is read, then why it was refused."""
    (tmp_path / "log.csv").write_bytes(a_log(cells=25).encode("latin-1"))
    page.goto(f"{served_at}/stacks/{sheets['long']}/runs")
    page.locator("#log").set_input_files(tmp_path / "log.csv")
    page.locator("form.upload button").click()
    page.wait_for_url("**/runs/uploads/*")
    assert list(looks(page, page.url, ways)) == []

    page.get_by_label("Time of the first row").fill("2026-02-20 08:00")
    page.get_by_role("button", name="Read it").click()
    expect(page.get_by_text("they read 25 cells")).to_be_visible(timeout=20_000)
    assert list(looks(page, page.url, ways)) == []


def test_a_hash_in_the_trail_does_not_push_the_reasons_out_of_sight(
    page: Page, served_at: str, sheets: dict[str, Any]
) -> None:
    """On a tablet all five columns can be read without scrolling sideways."""
    page.set_viewport_size({"width": 820, "height": 1180})
    page.goto(f"{served_at}/audit-trail?subject=record:{sheets['handed_in']}")

    expect(page.get_by_text(re.compile("[0-9a-f]{64}")).first).to_be_visible()
    wider = page.evaluate(
        "(({scrollWidth: all, clientWidth: seen}) => all - seen)(document.querySelector('.table'))"
    )
    assert wider <= 0


def test_a_plan_is_kept_without_barriers(
    page: Page, served_at: str, sheets: dict[str, Any], ways: Sequence[Look]
) -> None:
    """The sheet of a changeover, which is printed and taken to the bench."""
    page.goto(served_at + PAGES["stacks"][-1].format_map(sheets))
    page.locator("#keep #note").fill("more power")
    page.locator("#keep button.main").click()
    page.wait_for_url("**/changeover-plans/*")

    assert list(looks(page, page.url, ways)) == []


def test_every_page_there_is_is_looked_at(app: Any) -> None:
    """A new page is added to ``PAGES`` above."""
    reached = [address.partition("?")[0] for group in PAGES.values() for address in group]
    patterns = {
        route.path: re.compile(re.sub(r"\{[^}]*\}", "[^/]+", route.path))
        for route in routes_of(app)
        if "GET" in (route.methods or ()) and not route.path.startswith("/api/")
    }

    unseen = {
        path
        for path, pattern in patterns.items()
        if not any(pattern.fullmatch(address) for address in reached)
    }

    assert unseen - NO_PAGES - LOOKED_AT_ELSEWHERE == set()


def test_the_keys_walk_the_pile_and_open_a_part(
    page: Page, served_at: str, sheets: dict[str, Any]
) -> None:
    """One stop for the tab key, arrows from layer to layer, Enter opens what is pointed at."""
    page.goto(f"{served_at}/stacks/{sheets['stack']}")
    layers = page.locator("svg.pile .layer")
    expect(page.locator("svg.pile .layer[tabindex='0']")).to_have_count(1)

    layers.first.focus()
    expect(page.locator(".says")).to_contain_text("1: insulator plate")
    last = layers.count()
    for key, at in (("ArrowRight", 2), ("ArrowDown", 3), ("ArrowLeft", 2), ("End", last)):
        page.keyboard.press(key)
        assert page.evaluate("document.activeElement.dataset.position") == str(at)
    assert page.evaluate("document.querySelector('svg.pile .found').width.baseVal.value") > 0
    page.keyboard.press("Home")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    label = page.locator(".says").text_content() or ""
    page.keyboard.press("Enter")
    page.wait_for_url("**/parts/*")

    serial = page.get_by_role("heading", level=1).locator(".serial").inner_text()
    assert serial in label


def test_the_first_tab_leads_past_the_head(page: Page, served_at: str) -> None:
    """A skip link that can be seen, and goes where it says."""
    page.goto(f"{served_at}/stacks")

    page.keyboard.press("Tab")
    skip = page.locator(":focus")
    expect(skip).to_have_attribute("href", "#sheet")
    box = skip.bounding_box()
    assert box is not None
    assert box["y"] >= 0
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")

    assert page.evaluate("document.activeElement.closest('main') !== null")


FOCUS_SHOWN = """() => {
    const one = document.activeElement;
    const style = getComputedStyle(one);
    const shown = parseFloat(style.outlineWidth) >= 2 && style.outlineStyle !== "none";
    const framed = one.closest("svg.pile")?.querySelector(".found")?.width.baseVal.value > 0;
    if (!shown && !framed) return `not shown: ${one.outerHTML.slice(0, 200)}`;
    if (one.closest("svg")) return "";
    const box = one.getBoundingClientRect();
    const above = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
    const free = one.contains(above) || above?.contains(one) || above?.closest("label");
    return free ? "" : `behind ${above?.outerHTML.slice(0, 90)}: ${one.outerHTML.slice(0, 200)}`;
}"""


@pytest.mark.parametrize(
    "address", ["/stacks/{stack}", "/records/{open}/bench?at=putting-on", "/parts/{mea}"]
)
def test_whoever_tabs_through_a_sheet_sees_where_they_are(
    page: Page, served_at: str, sheets: dict[str, Any], address: str
) -> None:
    """Everything that takes the focus shows it, and it is never hidden behind what sticks."""
    page.set_viewport_size({"width": 820, "height": 600})
    page.emulate_media(reduced_motion="reduce")
    page.goto(served_at + address.format_map(sheets))
    page.mouse.click(1, 1)  # begin at the top, wherever the cursor is put
    stops, unseen = 0, []

    for _ in range(70):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('body, .skip')") and stops:
            break
        stops += 1
        unseen.append(page.evaluate(FOCUS_SHOWN))

    assert stops > 15
    assert [one for one in unseen if one] == []
