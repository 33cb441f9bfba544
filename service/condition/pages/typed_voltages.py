"""Cell voltages of one moment, typed in or pasted from the voltage monitor; and made void."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.condition.arithmetic.typed_voltages import read_voltages
from service.condition.changes import type_voltages, void_voltages
from service.condition.queries.snapshots import TypedSnapshot, typed_snapshot
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.database import changing, now_utc, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Typed, blank, cannot_be_read
from service.platform.pages.render import go_on, page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()
MOST_SIGNS = 40_000


@dataclass(frozen=True, slots=True)
class NewVoltagesPage:
    """The form of voltages that are typed in."""

    stack: MapStack
    form: Form


@dataclass(frozen=True, slots=True)
class VoltagesPage:
    """Voltages as they were typed in, and the form that makes them void."""

    typed: TypedSnapshot
    form: Form


@router.get("/stacks/{serial:path}/voltages/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked, serial: str) -> Response:
    """Show the form of voltages."""
    need(me, Act.RUN_WRITE)
    form = blank(request, taken_at=now_utc(), current_a=asked.kept("current_a"))
    return _new(request, database, form, serial)


@router.post("/stacks/{serial:path}/voltages/new")
def write(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Keep voltages that were typed in."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        stack_id = find_stack(session, serial)
    with form.keeping():
        taken_at = form.moment("taken_at")
        current = form.number("current_a", least=0, unit="A")
        text = form.text("voltages", most=MOST_SIGNS)
        temperature = form.number("temperature_c", unit="°C", required=False)
        whole = form.number("stack_voltage_v", unit="V", required=False)
        meter = form.number("meter_hours", least=0, unit="h", required=False)
        form.check()
        voltages = _read(text)
        with changing(database, me, key=form.key) as work:
            key = type_voltages(
                work,
                stack_id,
                taken_at=taken_at or work.now,
                current_a=current or 0.0,
                voltages_v=voltages,
                temperature_c=temperature,
                stack_voltage_v=whole,
                meter_hours=meter,
            )
            work.answer = f"{address(serial)}/condition?moment=s{key}#cells"
        return go_on(request, work.answer)
    return _new(request, database, form, serial)


@router.get("/voltages/{snapshot_id}")
def show(request: Request, me: Me, database: Database, snapshot_id: Number) -> Response:
    """Show voltages as they were typed in."""
    need(me, Act.READ)
    return _sheet(request, database, blank(request), snapshot_id)


@router.post("/voltages/{snapshot_id}/void")
def make_void(
    request: Request, me: Me, database: Database, form: Typed, snapshot_id: Number
) -> Response:
    """Make voltages that were typed in void."""
    need(me, Act.RUN_WRITE)
    with form.keeping():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            void_voltages(work, snapshot_id, reason=reason)
            work.answer = f"/voltages/{snapshot_id}"
        return go_on(request, work.answer)
    return _sheet(request, database, form, snapshot_id)


def _new(request: Request, database: Engine, form: Form, serial: str) -> Response:
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    return page(request, "condition/new_voltages.html", NewVoltagesPage(stack, form), form.status)


def _sheet(request: Request, database: Engine, form: Form, snapshot_id: int) -> Response:
    with reading(database) as session:
        typed = typed_snapshot(session, snapshot_id)
    if typed is None:
        raise NotFound("set of typed-in voltages", snapshot_id)
    return page(request, "condition/voltages.html", VoltagesPage(typed, form), form.status)


def _read(text: str) -> tuple[float | None, ...]:
    try:
        return read_voltages("voltages", text)
    except FieldRefused as trouble:
        raise cannot_be_read("voltages", trouble) from trouble
