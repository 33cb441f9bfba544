"""Stacks: the list, a new one, where one stands, and its hour meter."""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import FIRST
from service.records.changes.deviations import Stands
from service.stacks.arithmetic.stack_fields import (
    DAYS_TAKEN_BACK,
    FIRST_METER_FIELDS,
    METER_FIELDS,
    READING_FIELDS,
    STACK_FIELDS,
)
from service.stacks.changes.hour_reports import take_back_reports
from service.stacks.changes.hours import read_hours, replace_meter
from service.stacks.changes.stacks import FirstMeter, add_stack, change_stack
from service.stacks.queries.hour_histories import (
    HourHistory,
    Reading,
    TakenBack,
    hour_history,
    reports_taken_back,
)
from service.stacks.queries.hour_kinds import BuildKinds, OutsideBuilds, hours_outside, stack_kinds
from service.stacks.queries.hours import LeftOut, left_out_of_hours
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import (
    STATES,
    ListedStack,
    designs_for_choice,
    find_stack,
    stack_list,
)

router = APIRouter(prefix="/stacks")


@dataclass(frozen=True, slots=True)
class StacksPage:
    """Some stacks."""

    stacks: Shown[ListedStack]
    designs: tuple[tuple[int, str], ...]
    states: tuple[str, ...]
    form: Form


@dataclass(frozen=True, slots=True)
class NewPage:
    """The form of a new stack."""

    form: Form
    designs: tuple[tuple[int, str], ...]
    fields: tuple[Field, ...] = STACK_FIELDS
    meter: tuple[Field, ...] = FIRST_METER_FIELDS


@dataclass(frozen=True, slots=True)
class EditPage:
    """The form of a stack's place and notes."""

    form: Form
    stack: MapStack
    fields: tuple[Field, ...] = STACK_FIELDS[2:]


@dataclass(frozen=True, slots=True)
class HoursPage:
    """A stack's hour meters and readings, with the forms to read and replace."""

    stack: MapStack
    history: HourHistory
    form: Form
    as_of: AsOf
    taken_back: tuple[TakenBack, ...]
    left_out: tuple[LeftOut, ...]
    builds_kinds: tuple[BuildKinds, ...]
    outside: tuple[OutsideBuilds, ...]
    """hours of its meters that no build has"""
    until: datetime
    """up to when calendar hours count"""
    readings: Shown[Reading]
    read: Form
    replace: Form
    back: Form
    reading: tuple[Field, ...] = READING_FIELDS
    meter: tuple[Field, ...] = METER_FIELDS
    days: tuple[Field, ...] = DAYS_TAKEN_BACK


def address(serial: str) -> str:
    """Return the address of a stack's sheet."""
    return f"/stacks/{quote(serial, safe='')}"


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the stacks with their state."""
    need(me, Act.READ)
    design_id = query.whole("design", required=False)
    state = query.one_of("state", STATES, required=False)
    with reading(database) as session:
        stack_rows = stack_list(
            session,
            turn_asked(request, query),
            text=query.text("text", required=False, most=200),
            design_id=design_id,
            state=state,
        )
        designs = designs_for_choice(session)
    context = StacksPage(shown(request, stack_rows), designs, STATES, query)
    return page(request, "stacks/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new stack."""
    need(me, Act.STACK_WRITE)
    form = blank(
        request,
        serial=query.raw("serial"),
        design_id=query.raw("design"),
        meter_hours=0,
        meter_fitted_at=now_utc(),
    )
    return _new_page(request, database, form)


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add a stack with its hour meter."""
    with form.collecting_errors():
        values = form.values(STACK_FIELDS + FIRST_METER_FIELDS)
        meter = FirstMeter(
            **{of.name.removeprefix("meter_"): values.pop(of.name) for of in FIRST_METER_FIELDS}
        )
        with changing(database, me, key=form.key) as work:
            work.answer = address(values["serial"])
            add_stack(work, **values, meter=meter)
        return go_on(request, work.answer)
    return _new_page(request, database, form)


def _new_page(request: Request, database: Engine, form: Form) -> Response:
    with reading(database) as session:
        designs = designs_for_choice(session)
    return page(request, "stacks/new.html", NewPage(form, designs), form.status)


@router.get("/{serial:path}/edit")
def show_edit(request: Request, me: Me, database: Database, serial: str) -> Response:
    """Show the form of a stack's place and notes."""
    need(me, Act.STACK_WRITE)
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    form = blank(
        request,
        place=stack.place,
        notes=stack.notes,
        place_seen=stack.place,
        notes_seen=stack.notes,
    )
    return page(request, "stacks/edit.html", EditPage(form, stack))


@router.post("/{serial:path}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Say where a stack stands."""
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    with form.collecting_errors():
        # browsers send line ends as CR LF, whatever they were
        place, notes, place_seen, notes_seen = (
            form.text(name, required=False).replace("\r\n", "\n")
            for name in ("place", "notes", "place_seen", "notes_seen")
        )
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            change_stack(
                work, stack.id, place=place, notes=notes, as_shown=(place_seen, notes_seen)
            )
        return go_on(request, work.answer)
    return page(request, "stacks/edit.html", EditPage(form, stack), form.status)


@router.get("/{serial:path}/hours")
def show_hours(request: Request, me: Me, database: Database, query: Asked, serial: str) -> Response:
    """Show the readings of a stack's hour meters, and its hours kept apart."""
    need(me, Act.READ)
    return _hours_page(request, database, serial, query=query)


@router.post("/{serial:path}/hours")
def read_meter(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Write down what the hour meter shows."""
    with reading(database) as session:
        stack_id = find_stack(session, serial)
    with form.collecting_errors():
        values = form.values(READING_FIELDS) | {
            "stands": form.choice("stands", Stands, required=False),
            "outside_because": form.text("outside_because", required=False),
        }
        with changing(database, me, key=form.key) as work:
            work.answer = f"{address(serial)}/hours"
            read_hours(work, stack_id, **values)
        return go_on(request, work.answer)
    return _hours_page(request, database, serial, read=form)


@router.post("/{serial:path}/hour-meter")
def change_meter(
    request: Request, me: Me, database: Database, form: Typed, serial: str
) -> Response:
    """Replace the hour meter, or fit the first one."""
    with reading(database) as session:
        stack_id = find_stack(session, serial)
    with form.collecting_errors():
        meter = form.values(METER_FIELDS)
        with changing(database, me, key=form.key) as work:
            work.answer = f"{address(serial)}/hours"
            replace_meter(work, stack_id, **meter)
        return go_on(request, work.answer)
    return _hours_page(request, database, serial, replace=form)


@router.post("/{serial:path}/hours/taken-back")
def take_back(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Take back what a bench reported on some days."""
    with reading(database) as session:
        stack_id = find_stack(session, serial)
    with form.collecting_errors():
        days = form.values(DAYS_TAKEN_BACK)
        with changing(database, me, key=form.key) as work:
            work.answer = f"{address(serial)}/hours"
            take_back_reports(
                work,
                stack_id,
                first_day=days["first_day"],
                last_day=days["last_day"] or days["first_day"],
                reason=days["back_reason"],
            )
        return go_on(request, work.answer)
    return _hours_page(request, database, serial, back=form)


def _hours_page(
    request: Request,
    database: Engine,
    serial: str,
    *,
    read: Form | None = None,
    replace: Form | None = None,
    back: Form | None = None,
    query: Form | None = None,
) -> Response:
    turn = turn_asked(request, query) if query else FIRST
    as_of = query.as_of() if query else PRESENT
    with reading(database) as session:
        stack_id = find_stack(session, serial)
        stack = stack_facts(session, stack_id)
        history = hour_history(session, stack_id, as_of, turn)
        gone = reports_taken_back(session, stack_id)
        left_out = left_out_of_hours(session, stack_id)
        builds_kinds = stack_kinds(session, stack_id, as_of)
    now = now_utc()
    context = HoursPage(
        stack,
        history,
        query or blank(request),
        as_of,
        gone,
        left_out,
        builds_kinds,
        hours_outside(builds_kinds, history.now),
        as_of.until(now),
        shown(request, history.readings, at="readings"),
        read or blank(request, taken_at=now),
        replace or blank(request, replaced_at=now, first_hours=0),
        back or blank(request),
    )
    status = (read or replace or back or query or context.read).status
    return page(request, "stacks/hours.html", context, status)
