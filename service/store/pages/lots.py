"""Lots: the list, one of them, a new one, and changing one."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field, by_name
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Typed, blank, filled
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.store.arithmetic.lot_roles import INPUT_FIELDS, LotRole
from service.store.arithmetic.part_fields import LOT_FIELDS
from service.store.changes.lot_inputs import add_input, remove_input
from service.store.changes.lots import LotEntry, add_lot, change_lot
from service.store.queries.holds import About, HoldsOnIt, holds_on
from service.store.queries.lot_trees import (
    InputLot,
    LotMade,
    lots_to_make_of,
    made_from,
    made_of,
)
from service.store.queries.lots import LotFacts, LotFilter, LotOnPage, lot, lots
from service.store.queries.part_lists import PartFilter, PartRow, parts
from service.store.queries.part_types import PartTypeFacts, part_types

router = APIRouter(prefix="/lots")
PARTS_SHOWN = 200


@dataclass(frozen=True, slots=True)
class LotsPage:
    """Some lots; ``now`` tells which have expired."""

    lots: Shown[LotFacts]
    part_types: tuple[PartTypeFacts, ...]
    form: Form
    now: datetime


@dataclass(frozen=True, slots=True)
class LotPage:
    """One lot, where everything of it is, what holds it, what it is made of and what of it.

    ``choices`` are the lots it may be made of.
    """

    lot: LotOnPage
    parts: tuple[PartRow, ...]
    more_parts: bool
    on_it: HoldsOnIt
    made_of: tuple[InputLot, ...]
    made: tuple[LotMade, ...]
    choices: tuple[tuple[int, str], ...]
    form: Form
    now: datetime
    input_fields: tuple[Field, ...] = INPUT_FIELDS


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new lot, or of one to be changed."""

    form: Form
    part_types: tuple[PartTypeFacts, ...]
    changed: LotOnPage | None = None
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(LOT_FIELDS))


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the lots."""
    need(me, Act.READ)
    lot_filter = LotFilter(
        part_type_id=query.whole("part_type", required=False),
        begins_with=query.text("begins_with", required=False, most=200),
        held=query.yes("held"),
    )
    with reading(database) as session:
        lots_listed = lots(session, lot_filter, turn_asked(request, query))
        types = part_types(session)
    context = LotsPage(shown(request, lots_listed), types, query, now_utc())
    return page(request, "store/lots/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new lot."""
    need(me, Act.PART_WRITE)
    form = blank(request, part_type=query.raw("part_type"), label=query.raw("label"))
    return _entry_page(request, database, form)


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add a lot."""
    with form.collecting_errors():
        part_type_id = form.whole("part_type")
        entry = LotEntry(**form.values(LOT_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{add_lot(work, part_type_id=part_type_id or 0, entry=entry)}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{lot_id}")
def show(request: Request, me: Me, database: Database, lot_id: int) -> Response:
    """Show one lot and where everything of it is today."""
    need(me, Act.READ)
    return _lot_page(request, database, lot_id, blank(request))


@router.post("/{lot_id}/inputs")
def put_in(request: Request, me: Me, database: Database, form: Typed, lot_id: int) -> Response:
    """Say that a lot is made of another one."""
    with form.collecting_errors():
        input_lot_id, values = form.whole("input"), form.values(INPUT_FIELDS)
        values["role"] = LotRole(values["role"])
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{lot_id}#made-of"
            add_input(work, lot_id, input_lot_id=input_lot_id or 0, **values)
        return go_on(request, work.answer)
    return _lot_page(request, database, lot_id, form)


@router.post("/{lot_id}/inputs/take-back")
def take_back(request: Request, me: Me, database: Database, form: Typed, lot_id: int) -> Response:
    """Take back that a lot is made of another one."""
    with form.collecting_errors():
        input_id, reason = form.whole("taken_back"), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{lot_id}#made-of"
            remove_input(work, lot_id, input_id or 0, reason=reason)
        return go_on(request, work.answer)
    return _lot_page(request, database, lot_id, form)


def _lot_page(request: Request, database: Engine, lot_id: int, form: Form) -> Response:
    with reading(database) as session:
        parts_of_lot = parts(session, PartFilter(lot_id=lot_id), Turn(PARTS_SHOWN))
        context = LotPage(
            lot(session, lot_id),
            parts_of_lot.rows,
            bool(parts_of_lot.further),
            holds_on(session, About(lot_id=lot_id)),
            made_of(session, [lot_id])[lot_id],
            made_from(session, lot_id),
            lots_to_make_of(session),
            form,
            now_utc(),
        )
    return page(request, "store/lots/show.html", context, form.status)


@router.get("/{lot_id}/edit")
def show_edit(request: Request, me: Me, database: Database, lot_id: int) -> Response:
    """Show the form of a lot to be changed."""
    need(me, Act.PART_WRITE)
    with reading(database) as session:
        facts = lot(session, lot_id).facts
    form = filled(request, LOT_FIELDS, facts, part_type=facts.part_type_id)
    return _entry_page(request, database, form, lot_id)


@router.post("/{lot_id}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, lot_id: int) -> Response:
    """Change a lot."""
    with form.collecting_errors():
        reason, entry = form.text("reason"), LotEntry(**form.values(LOT_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{lot_id}"
            change_lot(work, lot_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, lot_id)


def _entry_page(
    request: Request, database: Engine, form: Form, lot_id: int | None = None
) -> Response:
    with reading(database) as session:
        types = part_types(session)
        changed = None if lot_id is None else lot(session, lot_id)
    template = "store/lots/new.html" if changed is None else "store/lots/edit.html"
    return page(request, template, EntryPage(form, types, changed), form.status)
