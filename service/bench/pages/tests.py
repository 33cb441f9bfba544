"""The place of the tests at the bench: which test is next, and what it begins with."""

from collections.abc import Mapping
from dataclasses import replace

from sqlalchemy.orm import Session

from service.bench.pages.places import BenchPage
from service.designs.arithmetic.pile import counts
from service.limits.arithmetic.leak_figures import LeakFigures
from service.platform.arithmetic.vocabulary import Kind
from service.platform.permissions import Person
from service.proof.arithmetic.electrical_tests import ShortMethod
from service.proof.arithmetic.leak_searches import SearchWay
from service.proof.arithmetic.leak_tests import LeakTest, Method
from service.proof.arithmetic.stack_tests import TestKind
from service.proof.arithmetic.typed_tests import as_text
from service.proof.pages.stack_tests import SEARCH, SHORTS, Ground, TestsSheet, tests_sheet
from service.proof.queries.stack_tests import MadeTest, made_in_record
from service.store.queries.instruments import instruments


def at_tests(page: BenchPage, session: Session, query: Mapping[str, str], _me: Person) -> BenchPage:
    """Return the tests of the closed stack; two statements, whatever was tested."""
    head, form = page.view.head, page.form
    closed = page.closed
    tests = made_in_record(session, head.id)
    count_of = counts(page.pile.layers)
    key = form.raw("test") or query.get("test", "")
    _begin(page, key, tests, closed.figures.leak if closed else None)
    ground = Ground(
        closed,
        tests,
        instruments(session),
        count_of.cells,
        tuple(
            layer.cell for layer in page.pile.layers if layer.kind is Kind.BLANK_CELL and layer.cell
        ),
        {name: form.raw(name) for name in ("instrument_id", "thermometer_id")},
    )
    sheet = tests_sheet(ground, key, _why_not(page) if closed is None else "")
    _choose_the_only_ones(page, sheet)
    return replace(page, tests=sheet)


def _why_not(page: BenchPage) -> str:
    if page.view.head.opened_at is not None:
        return "The stack stands open."
    return "The stack is not closed yet."


def _begin(
    page: BenchPage, key: str, tests: tuple[MadeTest, ...], figures: LeakFigures | None
) -> None:
    """An empty form begins with gas, barometer and instruments of the last test of its kind."""
    form = page.form
    if form.refused or form.stale:
        return
    kind = {SHORTS: TestKind.SHORTS, SEARCH: TestKind.SEARCH}.get(key, TestKind.LEAK)
    kind = TestKind.INSULATION if key.startswith("insulation") else kind
    last = next((test_made for test_made in reversed(tests) if test_made.kind is kind), None)
    begun: dict[str, str] = {"method": Method.PRESSURE_DECAY, "way": ShortMethod.RESISTANCE}
    if kind is TestKind.SEARCH:
        begun["way"] = SearchWay.VOLTAGE
    own_gas = None
    if figures is not None:
        order = key.removeprefix("leak-")
        recipe = figures.recipe(int(order)) if order.isdecimal() else None
        own_gas = recipe.gas if recipe else None
        begun["gas"] = own_gas or figures.gas
    if last is not None:
        names = ("instrument_id", "thermometer_id", "meter_id")
        begun |= {name: str(tool.id) for name, tool in zip(names, last.tools, strict=False)}
        test = last.test
        if isinstance(test, LeakTest):
            begun |= {
                "gas": own_gas or test.gas,
                "zero": test.zero,
                "method": test.method,
                "barometer": as_text(test.barometer_kpa, "kPa"),
                "meter_reference": test.meter.reference if test.meter else "",
            }
    for name, value in begun.items():
        if not form.raw(name):
            form.typed[name] = (value,)


def _choose_the_only_ones(page: BenchPage, sheet: TestsSheet) -> None:
    """Where there is one instrument of a kind, it is chosen already."""
    first = {
        TestKind.LEAK: "pressure_gauge",
        TestKind.INSULATION: "insulation_tester",
        TestKind.SHORTS: "multimeter",
        TestKind.SEARCH: "cell_voltage_monitor",
    }[sheet.here.kind]
    fields = {"instrument_id": first, "thermometer_id": "thermometer", "meter_id": "flow_meter"}
    for name, kind in fields.items():
        tools = sheet.tools[kind]
        if len(tools) == 1 and not page.form.raw(name):
            page.form.typed[name] = (str(tools[0][0]),)
