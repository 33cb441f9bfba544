"""Tests of a closed stack as the bench shows them, and the gate to hydrogen with its signature."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.insulation import Condition, working_voltage
from service.limits.arithmetic.leak_figures import mbar_l_s
from service.limits.arithmetic.leak_paths import SET_UPS, SetUp
from service.limits.arithmetic.leak_recipes import Recipe, Wetness
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.physics.arithmetic.gases import CROSSOVER_GASES, REFERENCES, TEST_GASES
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.pressures import Zero
from service.platform.arithmetic.units import Measure, from_si, to_si
from service.platform.arithmetic.verdicts import Verdict
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, may, need
from service.proof.arithmetic.electrical_tests import InsulationOutcome, ShortMethod
from service.proof.arithmetic.hold_time import time_needed
from service.proof.arithmetic.leak_departures import loads_membrane
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.leak_searches import SearchOutcome, SearchWay
from service.proof.arithmetic.leak_tests import HeliumMode, Method
from service.proof.arithmetic.stack_tests import TestKind
from service.proof.arithmetic.tests_in_words import digits
from service.proof.changes.releases import release_build
from service.proof.queries.build_verdicts import (
    ClosedVerdicts,
    StandingTest,
    VerdictLine,
    verdict_lines,
)
from service.proof.queries.releases import Gate, gate
from service.proof.queries.stack_tests import MadeTest, made_in_record, trace_kept
from service.records.queries.records import RecordHead
from service.store.arithmetic.instrument_errors import UNKNOWN, MayBeOff, may_be_off
from service.store.arithmetic.instruments import InstrumentKind
from service.store.queries.instruments import InstrumentRow

THIN = "\u2009"
MOST_TRACE = 400_000
CONDITIONS = {Condition.DRY: "insulation-dry", Condition.WITH_COOLANT: "insulation-coolant"}


SHORTS, SEARCH = "shorts", "leak-search"
OF_ANODE = "leak-4"


@dataclass(frozen=True, slots=True)
class Choice:
    """One test that can be made, in its place in the order; ``verdict`` is worth now."""

    key: str
    kind: TestKind
    words: str
    verdict: Verdict | None
    attempts: int
    set_up: SetUp | None = None
    condition: Condition | None = None


@dataclass(frozen=True, slots=True)
class TestsSheet:
    """The tests of the closed stack at the bench. ``why_not``: why none can be made now."""

    choices: tuple[Choice, ...]
    here: Choice
    why_not: str
    limits: str
    pressures: tuple[str, ...]
    hold: str
    membrane: str
    recipe: Recipe | None
    voltage: str
    cells: int
    blank_cells: tuple[int, ...]
    attempts: tuple[MadeTest, ...]
    lines: tuple[VerdictLine, ...]
    hints: tuple[str, ...]
    tools: Mapping[str, tuple[tuple[int, str], ...]]
    methods: tuple[str, ...] = tuple(Method)
    helium_modes: tuple[str, ...] = tuple(HeliumMode)
    states: tuple[str, ...] = tuple(Wetness)
    zeros: tuple[str, ...] = (Zero.GAUGE, Zero.ABSOLUTE)
    gases: tuple[str, ...] = ()
    references: tuple[str, ...] = tuple(one.name for one in REFERENCES)
    ways: tuple[str, ...] = tuple(ShortMethod)
    search_ways: tuple[str, ...] = tuple(SearchWay)
    conditions: tuple[Condition, ...] = tuple(Condition)
    __test__ = False


@dataclass(frozen=True, slots=True)
class Ground:
    """What the sheet is made from."""

    closed: ClosedVerdicts | None
    made: tuple[MadeTest, ...]
    instruments: tuple[InstrumentRow, ...]
    cells: int
    blank_cells: tuple[int, ...]
    typed: Mapping[str, str] = field(default_factory=dict)


def tests_sheet(ground: Ground, key: str, why_not: str) -> TestsSheet:
    """Return the sheet at the test asked for, else at the first without a verdict that counts."""
    closed = ground.closed
    figures = closed.figures if closed else DesignFigures()
    choices = tuple(_choices(closed.tests if closed else (), ground.made))
    choice_here = next((test_row for test_row in choices if test_row.key == key), None)
    choice_here = choice_here or next(
        (row for row in choices if row.verdict is not Verdict.PASS and row.key != SEARCH),
        choices[0],
    )
    cells = max(1, ground.cells)
    return TestsSheet(
        choices,
        choice_here,
        why_not,
        closed.limits.name if closed and closed.limits else "",
        tuple(_pressures(choice_here, figures)),
        _hold(choice_here, figures, ground) if choice_here.set_up else "",
        _membrane(choice_here, figures),
        figures.leak.recipe(choice_here.set_up.order)
        if figures.leak and choice_here.set_up
        else None,
        f"{working_voltage(cells):.3g}{THIN}V" if choice_here.condition else "",
        ground.cells,
        ground.blank_cells,
        tuple(
            test_row for test_row in reversed(ground.made) if key_of(test_row) == choice_here.key
        ),
        verdict_lines(closed) if closed else (),
        closed.together.hints if closed and choice_here.set_up else (),
        tools_by_kind(ground.instruments),
        gases=tuple(
            gas.name for gas in (CROSSOVER_GASES if choice_here.key == OF_ANODE else TEST_GASES)
        ),
    )


def tools_by_kind(
    instruments: Sequence[InstrumentRow],
) -> Mapping[str, tuple[tuple[int, str], ...]]:
    """Return the instruments to choose from by kind, its words joined by underscores."""
    return {
        kind.value.replace(" ", "_"): tuple(
            (tool.id, f"{tool.label}, {tool.description or tool.kind}")
            for tool in instruments
            if tool.kind is kind
        )
        for kind in InstrumentKind
    }


def trace_from_file(form: Form) -> None:
    """Put the text of a trace's file where a pasted one stands."""
    for file in form.files("trace_file"):
        content = file.file.read(MOST_TRACE + 1)
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            form.refuse("trace_file", "is no text.", "Lines of time, pressure and temperature.")
            continue
        if len(content) > MOST_TRACE:
            form.refuse("trace_file", "is too large.", f"At most {MOST_TRACE // 1000}\u2009kB.")
            continue
        form.typed["trace"] = (text,)


def key_of(test: MadeTest) -> str:
    """Return the choice a test belongs to."""
    result = test.result
    if isinstance(result, LeakResult):
        return f"leak-{result.set_up}"
    if isinstance(result, InsulationOutcome):
        return CONDITIONS[result.found[0].condition]
    return SEARCH if isinstance(result, SearchOutcome) else SHORTS


def _choices(tests: Sequence[StandingTest], tests_made: Sequence[MadeTest]) -> Iterator[Choice]:
    last = {key_of(test.made): test.verdict for test in tests}
    keys = [key_of(test) for test in tests_made]

    def choice(key: str, kind: TestKind, words: str) -> Choice:
        return Choice(key, kind, words, last.get(key), keys.count(key))

    for set_up in SET_UPS:
        begun = choice(f"leak-{set_up.order}", TestKind.LEAK, f"leak {set_up.order}: {set_up.name}")
        yield replace(begun, set_up=set_up)
    for condition, key in CONDITIONS.items():
        begun = choice(key, TestKind.INSULATION, f"insulation, {condition}")
        yield replace(begun, condition=condition)
    yield choice(SHORTS, TestKind.SHORTS, "shorts")
    search = choice(SEARCH, TestKind.SEARCH, "search for the cell that leaks")
    yield replace(search, verdict=None)


def _pressures(choice: Choice, figures: DesignFigures) -> Iterator[str]:
    """The test pressure of each circuit that stands under it."""
    if choice.set_up is None or figures.leak is None:
        return
    for circuit in choice.set_up.pressurised:
        circuit_figures = figures.leak.circuit(circuit)
        if circuit_figures is not None:
            band = f"±{THIN}{circuit_figures.test_band_percent:g}{THIN}%"
            yield f"{circuit} {circuit_figures.test_pressure_kpa:g}{THIN}kPa gauge {band}"


def _membrane(choice: Choice, figures: DesignFigures) -> str:
    """What the membrane may bear where anode and cathode stand at different pressures."""
    if choice.set_up is None or not loads_membrane(choice.set_up):
        return ""
    most = figures.leak.most_across_kpa if figures.leak else None
    if most is None:
        return "No maximum pressure difference is in force: it is not checked."
    return f"bears at most {most:g}{THIN}kPa between anode and cathode"


def _hold(choice: Choice, figures: DesignFigures, ground: Ground) -> str:
    """How long to hold so that the test can decide, by the figures and the instruments."""
    if figures.leak is None or choice.set_up is None:
        return "No figures of tightness are in force: how long to hold is not known."
    gauge = _tool(ground, InstrumentKind.PRESSURE_GAUGE, "instrument_id")
    warm = _tool(ground, InstrumentKind.THERMOMETER, "thermometer_id")
    try:
        needed = time_needed(
            figures.leak,
            choice.set_up.order,
            max(1, ground.cells),
            gauge=_off(gauge, "kPa", Measure.PRESSURE),
            gauge_step_kpa=_step(gauge, Measure.PRESSURE, "kPa"),
            thermometer_k=_off(warm, "K", Measure.TEMPERATURE_CHANGE).at(20.0),
        )
    except TradeError as trouble:
        return f"How long to hold is not known. {trouble}"
    duration_s = max(needed.duration_s, 60 * figures.leak.hold_minutes)
    held = f"{digits(duration_s / 60)}{THIN}min"
    if duration_s < 2 * 60:
        held = f"{digits(duration_s)}{THIN}s"
    with_what = f" with {gauge.label}" if gauge else ""
    return (
        f"Hold at least {held}{with_what}: then a leak of half the limit passes"
        f" 95 of 100 tests, and one of {digits(mbar_l_s(needed.detection_limit_mol_s))}{THIN}"
        f"mbar·L/s is seen. A leak at the limit lets the pressure drop by"
        f" {digits(needed.pressure_drop_pa / 1e3)}{THIN}kPa;"
        f" {digits(needed.kelvin_that_look_like_it)}{THIN}K of warming or cooling look the same."
    )


def _tool(ground: Ground, kind: InstrumentKind, name: str) -> InstrumentRow | None:
    """The instrument chosen in the form, else the first of its kind."""
    of_kind = [instrument for instrument in ground.instruments if instrument.kind is kind]
    chosen = ground.typed.get(name, "")
    return next(
        (instrument for instrument in of_kind if str(instrument.id) == chosen),
        of_kind[0] if of_kind else None,
    )


def _off(tool: InstrumentRow | None, unit: str, measure: Measure) -> MayBeOff:
    return UNKNOWN if tool is None else may_be_off(tool).in_unit(tool.unit, unit, measure)


def _step(tool: InstrumentRow | None, measure: Measure, unit: str) -> float:
    if tool is None or tool.resolution is None:
        return 0.0
    try:
        return from_si(to_si(tool.resolution, tool.unit, measure), unit, measure)
    except TradeError:
        return 0.0


@dataclass(frozen=True, slots=True)
class TestedSheet:
    """The tests of a record, and the verdicts of the stack it left closed."""

    __test__ = False

    made: tuple[MadeTest, ...]
    lines: tuple[VerdictLine, ...]
    hints: tuple[str, ...]
    limits: str
    build_id: int


def tested_sheet(
    session: Session, head: RecordHead, closed: ClosedVerdicts | None
) -> TestedSheet | None:
    """Return the section of a record; None where nothing was tested or asked for. One statement."""
    tests = made_in_record(session, head.id)
    if closed is None or (not tests and head.closed_at is None):
        return TestedSheet(tests, (), (), "", 0) if tests else None
    lines = verdict_lines(closed)
    if not tests and not lines:
        return None
    return TestedSheet(
        tests,
        lines,
        closed.together.hints,
        closed.limits.name if closed.limits else "",
        closed.build_id,
    )


router = APIRouter()
Number = Annotated[int, Path(ge=1, le=2**31)]
Sha256 = Annotated[str, Path(pattern="^[0-9a-f]{64}$")]


@dataclass(frozen=True, slots=True)
class ReleasePage:
    """The gate of one build; ``decides`` says whether this person may open it, or why not."""

    gate: Gate
    decides: Answer
    remarks: tuple[str, ...]
    form: Form


@router.get("/builds/{build_id}/release")
def show(request: Request, me: Me, database: Database, build_id: Number) -> Response:
    """Show what stands at the gate of a build."""
    need(me, Act.READ)
    return _sheet(request, database, me, blank(request), build_id)


@router.post("/builds/{build_id}/release")
def release(
    request: Request, me: Me, database: Database, form: Typed, build_id: Number
) -> Response:
    """Release a build to hydrogen."""
    password = form.raw("password")
    read = form.raw("set_points_sha256") if form.raw("acknowledged") == "yes" else ""
    with form.collecting_errors():
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/builds/{build_id}/release"
            release_build(work, build_id, set_points_sha256=read, password=password)
        return go_on(request, work.answer)
    return _sheet(request, database, me, form, build_id)


@router.get("/traces/{sha256}")
def show_trace(me: Me, database: Database, sha256: Sha256) -> Response:
    """Give the trace of a leak test as it was sent."""
    need(me, Act.READ)
    with reading(database) as session:
        content = trace_kept(session, sha256)
    named = {"content-disposition": f'attachment; filename="leak-{sha256[:12]}.csv"'}
    return Response(content, media_type="text/csv; charset=utf-8", headers=named)


def _sheet(request: Request, database: Engine, me: Person, form: Form, build_id: int) -> Response:
    with reading(database) as session:
        gate_now = gate(session, build_id)
        remarks = remarks_beside(session, me.id, gate_now.had_a_part, now_utc())
    context = ReleasePage(gate_now, may(me, Act.BUILD_RELEASE, gate_now.facts), remarks, form)
    return page(request, "proof/releases/show.html", context, form.status)
