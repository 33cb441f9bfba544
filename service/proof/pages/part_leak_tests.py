"""Leak tests of plates and of parts of the pile by themselves: a new one, and one as it was made.

What is tested is named first: its circuits and set-ups follow from it.
"""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Path, Request, Response
from sqlalchemy import Engine

from service.limits.arithmetic.leak_objects import PATHS, set_ups_of
from service.limits.arithmetic.leak_paths import Circuit, SetUp
from service.limits.arithmetic.leak_recipes import Wetness
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.gases import REFERENCES, TEST_GASES
from service.platform.arithmetic.pressures import Zero
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.proof.arithmetic.leak_tests import HeliumMode, Method
from service.proof.changes.part_leak_tests import end_part_leak_test, record_part_leak_test
from service.proof.pages.stack_tests import MOST_TRACE, tools_by_kind, trace_from_file
from service.proof.queries.part_leak_tests import MadePartTest, part_leak_test
from service.proof.queries.tested_objects import PartsTested, TestedObject, tested_object
from service.proof.tables import Ending
from service.records.changes.deviations import Stands
from service.store.queries.instruments import instruments
from service.store.queries.part_lists import designs_to_choose

router = APIRouter(prefix="/leak-tests")
Number = Annotated[int, Path(ge=1, le=2**31)]
MOST_PARTS = 40_000


@dataclass(frozen=True, slots=True)
class Choices:
    """What the fields of a leak test offer."""

    tools: dict[str, tuple[tuple[int, str], ...]]
    recipe: None = None
    methods: tuple[str, ...] = tuple(Method)
    helium_modes: tuple[str, ...] = tuple(HeliumMode)
    zeros: tuple[str, ...] = (Zero.GAUGE, Zero.ABSOLUTE)
    states: tuple[str, ...] = tuple(Wetness)
    gases: tuple[str, ...] = tuple(gas.name for gas in TEST_GASES)
    references: tuple[str, ...] = tuple(reference.name for reference in REFERENCES)


@dataclass(frozen=True, slots=True)
class NewPage:
    """The form of a leak test of parts; ``of`` None: what is tested is named first."""

    form: Form
    of: TestedObject | None
    set_up: SetUp | None
    set_ups: tuple[tuple[int, str], ...]
    designs: tuple[tuple[int, str], ...]
    tests: Choices


@dataclass(frozen=True, slots=True)
class TestPage:
    """One leak test of parts as it was made."""

    __test__ = False

    test: MadePartTest
    form: Form
    endings: tuple[Ending, ...] = tuple(Ending)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Ask what is tested, then show the form of its test."""
    need(me, Act.RECORD_WRITE)
    return _new_page(request, database, query)


@router.post("/new")
def make(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Record a leak test of parts."""
    need(me, Act.RECORD_WRITE)
    trace_from_file(form)
    with form.collecting_errors():
        tested = _tested(form)
        ids = {
            name: form.whole(name, required=False)
            for name in ("instrument_id", "thermometer_id", "meter_id")
        }
        stands = form.choice("stands", Stands, required=False)
        done_at = form.moment("done_at", required=False)
        with changing(database, me, key=form.key) as work:
            test_id = record_part_leak_test(
                work,
                tested,
                typed={name: form.raw(name) for name in form.typed},
                instrument_id=ids["instrument_id"] or 0,
                thermometer_id=ids["thermometer_id"],
                meter_id=ids["meter_id"],
                trace=form.text("trace", required=False, most=MOST_TRACE),
                stands=stands,
                outside_because=form.text("outside_because", required=False, most=4000),
                note=form.text("note", required=False, most=4000),
                done_at=done_at,
            )
            work.answer = f"/leak-tests/{test_id}"
        return go_on(request, work.answer)
    return _new_page(request, database, form)


@router.get("/{test_id}")
def show(request: Request, me: Me, database: Database, test_id: Number) -> Response:
    """Show one leak test of parts."""
    need(me, Act.READ)
    return _test_page(request, database, blank(request), test_id)


@router.post("/{test_id}/end")
def end(request: Request, me: Me, database: Database, form: Typed, test_id: Number) -> Response:
    """Say that it counts no more."""
    need(me, Act.RECORD_WRITE)
    with form.collecting_errors():
        ended_as, why = form.choice("ended_as", Ending) or Ending.WRONG, form.reason("because")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/leak-tests/{test_id}"
            end_part_leak_test(work, test_id, ended_as=ended_as, because=why)
        return go_on(request, work.answer)
    return _test_page(request, database, form, test_id)


def _tested(form: Form) -> PartsTested:
    return PartsTested(
        tuple(form.text("parts", required=False, most=MOST_PARTS).splitlines()),
        form.text("stack", required=False),
        form.whole("from_layer", required=False),
        form.whole("to_layer", required=False),
        form.text("fixture", required=False),
        form.whole("design", required=False),
    )


def _new_page(request: Request, database: Engine, form: Form) -> Response:
    of = None
    with reading(database) as session:
        if form.shows("parts") or form.shows("stack"):
            with form.collecting_errors():
                of = tested_object(session, _tested(form))
        tools = tools_by_kind(instruments(session))
        designs = designs_to_choose(session)
    set_ups = set_ups_of(of.leak_object) if of else ()
    shown = None
    if of:
        watched = {circuit for set_up in set_ups for circuit in set_up.watched}
        shown = SetUp(
            0,
            str(of.leak_object),
            tuple({circuit: 0 for set_up in set_ups for circuit in set_up.pressurised}),
            tuple(circuit for circuit in Circuit if circuit in watched),
            PATHS[of.leak_object],
            "",
        )
    context = NewPage(
        form,
        of,
        shown,
        tuple((set_up.order, f"{set_up.order}: {set_up.name}") for set_up in set_ups),
        designs,
        Choices(dict(tools)),
    )
    return page(request, "proof/part_leak_tests/new.html", context, form.status)


def _test_page(request: Request, database: Engine, form: Form, test_id: int) -> Response:
    with reading(database) as session:
        test = part_leak_test(session, test_id)
    return page(request, "proof/part_leak_tests/show.html", TestPage(test, form), form.status)
