"""Polarisation curves: all of a stack, a new one typed in, one as a sheet, one made void."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.condition.arithmetic.measured_curves import MeasuredPoint
from service.condition.arithmetic.typed_voltages import Across, read_curve_rows, typed_channels
from service.condition.changes import add_curve, void_curve
from service.condition.queries.polarisation_curves import CellCurve, polarisation_curve
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form, Typed, blank, cannot_be_read
from service.platform.pages.render import go_on, page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()
MOST_SIGNS = 400_000


@dataclass(frozen=True, slots=True)
class NewCurvePage:
    """The form of a curve that is typed or pasted in."""

    stack: MapStack
    form: Form
    across: tuple[str, ...] = tuple(str(it) for it in Across)


@dataclass(frozen=True, slots=True)
class CurvePage:
    """One curve with all its points, and the form that makes it void."""

    curve: CellCurve
    form: Form


@router.get("/stacks/{serial:path}/curves/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked, serial: str) -> Response:
    """Show the form of a curve."""
    need(me, Act.RUN_WRITE)
    form = blank(
        request,
        taken_at=now_utc(),
        across=str(Across.DENSITY),
        occasion=asked.kept("occasion"),
    )
    return _new(request, database, form, serial)


@router.post("/stacks/{serial:path}/curves/new")
def write(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Keep a curve that was typed in."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    with form.keeping():
        taken_at = form.moment("taken_at")
        occasion = form.text("occasion", required=False, most=200)
        temperature = form.number("temperature_c", unit="°C", required=False)
        meter = form.number("meter_hours", least=0, unit="h", required=False)
        rows = form.text("rows", most=MOST_SIGNS)
        across = form.choice("across", Across)
        form.check()
        points = _read(rows, across or Across.DENSITY, stack.active_area_cm2)
        with changing(database, me, key=form.key) as work:
            key = add_curve(
                work,
                stack.id,
                taken_at=taken_at or work.now,
                channels=typed_channels(len(points[0].means_v)),
                points=points,
                occasion=occasion,
                temperature_c=temperature,
                meter_hours=meter,
            )
            work.answer = f"{address(stack.serial)}/condition?curve={key}#curves"
        return go_on(request, work.answer)
    return page(request, "condition/new_curve.html", NewCurvePage(stack, form), form.status)


@router.get("/curves/{curve_id}")
def show(request: Request, me: Me, database: Database, curve_id: Number) -> Response:
    """Show one curve."""
    need(me, Act.READ)
    return _sheet(request, database, blank(request), curve_id)


@router.post("/curves/{curve_id}/void")
def make_void(
    request: Request, me: Me, database: Database, form: Typed, curve_id: Number
) -> Response:
    """Make a curve void."""
    need(me, Act.RUN_WRITE)
    with form.keeping():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            void_curve(work, curve_id, reason=reason)
            work.answer = f"/curves/{curve_id}"
        return go_on(request, work.answer)
    return _sheet(request, database, form, curve_id)


def _new(request: Request, database: Engine, form: Form, serial: str) -> Response:
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    return page(request, "condition/new_curve.html", NewCurvePage(stack, form), form.status)


def _sheet(request: Request, database: Engine, form: Form, curve_id: int) -> Response:
    with reading(database) as session:
        curve = polarisation_curve(session, curve_id)
    return page(request, "condition/curve.html", CurvePage(curve, form), form.status)


def _read(rows: str, across: Across, area_cm2: float) -> tuple[MeasuredPoint, ...]:
    try:
        return read_curve_rows("rows", rows, across, area_cm2)
    except FieldRefused as trouble:
        raise cannot_be_read("rows", trouble) from trouble
    except (Inconsistent, OutOfRange) as trouble:
        raise Refused("rows", "", str(trouble)) from trouble
