"""Cells bridged or shorted in service: those that are, all there were, a new one, its end."""

from dataclasses import dataclass
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Form, Number, Typed, blank, filled
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.stacks.arithmetic.stack_fields import BRIDGE_END_FIELDS, BRIDGE_FIELDS
from service.stacks.changes.cell_bridges import (
    BridgeEntry,
    correct_bridge,
    end_bridge,
    note_bridge,
    withdraw_bridge,
)
from service.stacks.queries.cell_bridges import (
    BuildThen,
    WrittenBridge,
    bridges_of_stack,
    build_then,
    written_bridge,
)
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()


@dataclass(frozen=True, slots=True)
class BridgesPage:
    """All bridges of a stack, and the form of a new one."""

    stack: MapStack
    standing: tuple[WrittenBridge, ...]
    ended: tuple[WrittenBridge, ...]
    former: tuple[WrittenBridge, ...]
    build: BuildThen | None
    cells: tuple[tuple[str, str], ...]
    form: Form
    fields: tuple[Field, ...] = BRIDGE_FIELDS


@dataclass(frozen=True, slots=True)
class BridgePage:
    """One bridge with the forms to end it and to take it back."""

    stack: MapStack
    bridge: WrittenBridge
    end: Form
    take_back: Form
    fields: tuple[Field, ...] = BRIDGE_END_FIELDS


@dataclass(frozen=True, slots=True)
class CorrectPage:
    """The form of what should have been noted, filled in with what was."""

    stack: MapStack
    bridge: WrittenBridge
    cells: tuple[tuple[str, str], ...]
    form: Form
    fields: tuple[Field, ...] = BRIDGE_FIELDS


def address(serial: str) -> str:
    """Return the address of a stack's bridged cells."""
    return f"/stacks/{quote(serial, safe='')}/bridges"


@router.get("/stacks/{serial:path}/bridges")
def show_list(request: Request, me: Me, database: Database, serial: str) -> Response:
    """Show which cells are bridged and which were."""
    need(me, Act.READ)
    return _list_page(request, database, serial, blank(request, from_at=now_utc()))


@router.post("/stacks/{serial:path}/bridges")
def note(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Note a bridge."""
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    with form.collecting_errors():
        entry = BridgeEntry(**form.values(BRIDGE_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            note_bridge(work, stack.id, entry)
        return go_on(request, work.answer)
    return _list_page(request, database, serial, form)


@router.get("/bridges/{bridge_id}")
def show(request: Request, me: Me, database: Database, bridge_id: Number) -> Response:
    """Show one bridge."""
    need(me, Act.READ)
    return _bridge_page(request, database, bridge_id)


@router.post("/bridges/{bridge_id}/end")
def end(request: Request, me: Me, database: Database, form: Typed, bridge_id: Number) -> Response:
    """Say when the jumper was taken off."""
    stack = _stack_of(database, bridge_id)
    with form.collecting_errors():
        note_text = form.values(BRIDGE_END_FIELDS)
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            end_bridge(work, bridge_id, **note_text)
        return go_on(request, work.answer)
    return _bridge_page(request, database, bridge_id, end=form)


@router.get("/bridges/{bridge_id}/correct")
def show_correction(request: Request, me: Me, database: Database, bridge_id: Number) -> Response:
    """Show the form of what should have been noted."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        wrong = written_bridge(session, bridge_id)
    form = filled(request, BRIDGE_FIELDS, wrong)
    return _correct_page(request, database, bridge_id, form)


@router.post("/bridges/{bridge_id}/correct")
def correct(
    request: Request, me: Me, database: Database, form: Typed, bridge_id: Number
) -> Response:
    """Write what should have been noted."""
    stack = _stack_of(database, bridge_id)
    with reading(database) as session:
        wrong = written_bridge(session, bridge_id)
    with form.collecting_errors():
        why, entry = form.text("why"), BridgeEntry(**form.values(BRIDGE_FIELDS, wrong))
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            correct_bridge(work, bridge_id, entry, why=why)
        return go_on(request, work.answer)
    return _correct_page(request, database, bridge_id, form)


@router.post("/bridges/{bridge_id}/take-back")
def take_back(
    request: Request, me: Me, database: Database, form: Typed, bridge_id: Number
) -> Response:
    """Take a bridge back that never was."""
    stack = _stack_of(database, bridge_id)
    with form.collecting_errors():
        why = form.text("why")
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            withdraw_bridge(work, bridge_id, why=why)
        return go_on(request, work.answer)
    return _bridge_page(request, database, bridge_id, take_back=form)


def _list_page(request: Request, database: Engine, serial: str, form: Form) -> Response:
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
        bridges = bridges_of_stack(session, stack.id)
        build = build_then(session, stack.id, now_utc())
    present = [bridge for bridge in bridges if bridge.known_until is None]
    context = BridgesPage(
        stack,
        tuple(bridge for bridge in present if bridge.stands),
        tuple(bridge for bridge in present if not bridge.stands),
        tuple(bridge for bridge in bridges if bridge.known_until is not None),
        build,
        _cells(build),
        form,
    )
    return page(request, "stacks/cell_bridges/list.html", context, form.status)


def _bridge_page(
    request: Request,
    database: Engine,
    bridge_id: int,
    *,
    end: Form | None = None,
    take_back: Form | None = None,
) -> Response:
    with reading(database) as session:
        bridge = written_bridge(session, bridge_id)
        stack = stack_facts(session, bridge.stack_id)
    refused = end or take_back
    context = BridgePage(
        stack, bridge, end or blank(request, until_at=now_utc()), take_back or blank(request)
    )
    status = refused.status if refused else 200
    return page(request, "stacks/cell_bridges/show.html", context, status)


def _correct_page(request: Request, database: Engine, bridge_id: int, form: Form) -> Response:
    with reading(database) as session:
        bridge = written_bridge(session, bridge_id)
        stack = stack_facts(session, bridge.stack_id)
        build = build_then(session, bridge.stack_id, bridge.from_at)
    context = CorrectPage(stack, bridge, _cells(build), form)
    return page(request, "stacks/cell_bridges/correct.html", context, form.status)


def _cells(build: BuildThen | None) -> tuple[tuple[str, str], ...]:
    """The live cells of a build, to choose from."""
    if build is None:
        return ()
    return tuple(
        (str(cell.cell), f"cell {cell.cell}, {cell.label}")
        for cell in build.cells
        if not cell.is_blank
    )


def _stack_of(database: Engine, bridge_id: int) -> MapStack:
    with reading(database) as session:
        return stack_facts(session, written_bridge(session, bridge_id).stack_id)
