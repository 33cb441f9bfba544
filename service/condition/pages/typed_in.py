"""What is typed in of a stack's cells: a polarisation curve, or the voltages of one moment.

Each has its form, its sheet, and the form on it that makes it void.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.condition.arithmetic.measured_curves import MeasuredPoint
from service.condition.arithmetic.typed_voltages import (
    Across,
    read_curve_rows,
    read_voltages,
    typed_channels,
)
from service.condition.changes import add_curve, type_voltages, void_curve, void_voltages
from service.condition.queries.polarisation_curves import CellCurve, polarisation_curve
from service.condition.queries.snapshots import TypedSnapshot, typed_snapshot
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.database import changing, now_utc, reading
from service.platform.errors import NotFound, Refused
from service.platform.pages.forms import Asked, Form, Number, Typed, blank, cannot_be_read
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()
Values = TypeVar("Values")
MOST_SIGNS, MOST_SIGNS_OF_CURVE = 40_000, 400_000


@dataclass(frozen=True, slots=True)
class NewCurvePage:
    """The form of a curve that is typed or pasted in."""

    stack: MapStack
    form: Form
    across: tuple[str, ...] = tuple(map(str, Across))


@dataclass(frozen=True, slots=True)
class NewVoltagesPage:
    """The form of voltages that are typed in, or pasted from the voltage monitor."""

    stack: MapStack
    form: Form


@dataclass(frozen=True, slots=True)
class CurvePage:
    """One curve with all its points, and the form that makes it void."""

    curve: CellCurve
    form: Form


@dataclass(frozen=True, slots=True)
class VoltagesPage:
    """Voltages as they were typed in, and the form that makes them void."""

    snapshot: TypedSnapshot
    form: Form


@router.get("/stacks/{serial:path}/curves/new")
def show_new_curve(
    request: Request, me: Me, database: Database, query: Asked, serial: str
) -> Response:
    """Show the form of a curve."""
    need(me, Act.RUN_WRITE)
    occasion = query.raw("occasion")
    form = blank(request, taken_at=now_utc(), across=str(Across.DENSITY), occasion=occasion)
    return _new_curve(request, form, _stack(database, serial))


@router.post("/stacks/{serial:path}/curves/new")
def write_curve(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Keep a curve that was typed in."""
    need(me, Act.RUN_WRITE)
    stack = _stack(database, serial)
    with form.collecting_errors():
        measured = _measured(form)
        occasion = form.text("occasion", required=False, most=200)
        rows = form.text("rows", most=MOST_SIGNS_OF_CURVE)
        across = form.choice("across", Across)
        form.check()
        points = _points(rows, across or Across.DENSITY, stack.active_area_cm2)
        channels = typed_channels(len(points[0].means_v))
        with changing(database, me, key=form.key) as work:
            key = add_curve(
                work, stack.id, channels=channels, points=points, occasion=occasion, **measured
            )
            work.answer = f"{address(stack.serial)}/condition?curve={key}#curves"
        return go_on(request, work.answer)
    return _new_curve(request, form, stack)


@router.get("/stacks/{serial:path}/voltages/new")
def show_new_voltages(
    request: Request, me: Me, database: Database, query: Asked, serial: str
) -> Response:
    """Show the form of voltages."""
    need(me, Act.RUN_WRITE)
    form = blank(request, taken_at=now_utc(), current_a=query.raw("current_a"))
    return _new_voltages(request, form, _stack(database, serial))


@router.post("/stacks/{serial:path}/voltages/new")
def write_voltages(
    request: Request, me: Me, database: Database, form: Typed, serial: str
) -> Response:
    """Keep voltages that were typed in."""
    need(me, Act.RUN_WRITE)
    stack = _stack(database, serial)
    with form.collecting_errors():
        measured = _measured(form)
        current_a = form.number("current_a", least=0, unit="A") or 0.0
        stack_voltage_v = form.number("stack_voltage_v", unit="V", required=False)
        text = form.text("voltages", most=MOST_SIGNS)
        form.check()
        voltages = _read("voltages", lambda: read_voltages("voltages", text))
        with changing(database, me, key=form.key) as work:
            key = type_voltages(
                work,
                stack.id,
                current_a=current_a,
                voltages_v=voltages,
                stack_voltage_v=stack_voltage_v,
                **measured,
            )
            work.answer = f"{address(stack.serial)}/condition?moment=s{key}#cells"
        return go_on(request, work.answer)
    return _new_voltages(request, form, stack)


@router.get("/curves/{curve_id}")
def show_curve(request: Request, me: Me, database: Database, curve_id: Number) -> Response:
    """Show one curve."""
    need(me, Act.READ)
    return _curve(request, database, blank(request), curve_id)


@router.post("/curves/{curve_id}/void")
def make_curve_void(
    request: Request, me: Me, database: Database, form: Typed, curve_id: Number
) -> Response:
    """Make a curve void."""
    need(me, Act.RUN_WRITE)
    void = partial(void_curve, curve_id=curve_id)
    return _made_void(request, me, database, form, void) or _curve(
        request, database, form, curve_id
    )


@router.get("/voltages/{snapshot_id}")
def show_voltages(request: Request, me: Me, database: Database, snapshot_id: Number) -> Response:
    """Show voltages as they were typed in."""
    need(me, Act.READ)
    return _voltages(request, database, blank(request), snapshot_id)


@router.post("/voltages/{snapshot_id}/void")
def make_voltages_void(
    request: Request, me: Me, database: Database, form: Typed, snapshot_id: Number
) -> Response:
    """Make voltages that were typed in void."""
    need(me, Act.RUN_WRITE)
    void = partial(void_voltages, snapshot_id=snapshot_id)
    return _made_void(request, me, database, form, void) or _voltages(
        request, database, form, snapshot_id
    )


def _made_void(
    request: Request, me: Person, database: Engine, form: Form, void: Callable[..., object]
) -> Response | None:
    """Make what a sheet shows void and go back to the sheet; None where that is refused."""
    with form.collecting_errors():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            void(work, reason=reason)
            work.answer = request.url.path.removesuffix("/void")
        return go_on(request, work.answer)
    return None


def _stack(database: Engine, serial: str) -> MapStack:
    with reading(database) as session:
        return stack_facts(session, find_stack(session, serial))


def _new_curve(request: Request, form: Form, stack: MapStack) -> Response:
    return page(request, "condition/new_curve.html", NewCurvePage(stack, form), form.status)


def _new_voltages(request: Request, form: Form, stack: MapStack) -> Response:
    return page(request, "condition/new_voltages.html", NewVoltagesPage(stack, form), form.status)


def _curve(request: Request, database: Engine, form: Form, curve_id: int) -> Response:
    with reading(database) as session:
        curve = polarisation_curve(session, curve_id)
    return page(request, "condition/curve.html", CurvePage(curve, form), form.status)


def _voltages(request: Request, database: Engine, form: Form, snapshot_id: int) -> Response:
    with reading(database) as session:
        snapshot = typed_snapshot(session, snapshot_id)
    if snapshot is None:
        raise NotFound("set of typed-in voltages", snapshot_id)
    return page(request, "condition/voltages.html", VoltagesPage(snapshot, form), form.status)


def _measured(form: Form) -> dict[str, Any]:
    """What is told of every measurement: when, how warm, what the hour meter showed."""
    return {
        "taken_at": form.moment("taken_at") or now_utc(),
        "temperature_c": form.number("temperature_c", unit="°C", required=False),
        "meter_hours": form.number("meter_hours", least=0, unit="h", required=False),
    }


def _points(rows: str, across: Across, area_cm2: float) -> tuple[MeasuredPoint, ...]:
    try:
        return _read("rows", lambda: read_curve_rows("rows", rows, across, area_cm2))
    except (Inconsistent, OutOfRange) as trouble:
        raise Refused("rows", "", str(trouble)) from trouble


def _read(field: str, read: Callable[[], Values]) -> Values:
    try:
        return read()
    except FieldRefused as trouble:
        raise cannot_be_read(field, trouble) from trouble
