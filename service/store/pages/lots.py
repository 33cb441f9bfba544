"""Lots: the list, one of them, a new one, and changing one."""

from dataclasses import dataclass
from datetime import datetime

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, now_utc, reading
from service.platform.files.days import day_of, noon
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.settings import Settings
from service.store.changes.lots import LotEntry, add_lot, change_lot
from service.store.queries.holds import (
    MOST,
    About,
    ConcessionRow,
    HoldRow,
    concessions,
    holds,
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
    """One lot, where everything of it is, and what holds it."""

    lot: LotOnPage
    parts: tuple[PartRow, ...]
    more_parts: bool
    holds: tuple[HoldRow, ...]
    concessions: tuple[ConcessionRow, ...]
    now: datetime


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new lot, or of one to be changed."""

    form: Form
    part_types: tuple[PartTypeFacts, ...]
    changed: LotOnPage | None = None


@router.get("")
def show_list(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """List the lots."""
    need(me, Act.READ)
    wanted = LotFilter(
        part_type_id=asked.whole("part_type", required=False),
        begins_with=asked.text("begins_with", required=False, most=200),
        held=asked.yes("held"),
    )
    with reading(database) as session:
        found = lots(session, wanted, turn_asked(request, asked))
        types = part_types(session)
    context = LotsPage(shown(request, found), types, asked, now_utc())
    return page(request, "store/lots/list.html", context, asked.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show the form of a new lot."""
    need(me, Act.PART_WRITE)
    form = blank(request, part_type=asked.kept("part_type"), label=asked.kept("label"))
    return _entry_page(request, database, form)


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add a lot."""
    with form.keeping():
        part_type_id = form.whole("part_type")
        entry = _entry(form)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{add_lot(work, part_type_id=part_type_id or 0, entry=entry)}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{lot_id}")
def show(request: Request, me: Me, database: Database, lot_id: int) -> Response:
    """Show one lot and where everything of it is today."""
    need(me, Act.READ)
    with reading(database) as session:
        found = parts(session, PartFilter(lot_id=lot_id), Turn(PARTS_SHOWN))
        about = About(lot_id=lot_id)
        context = LotPage(
            lot(session, lot_id),
            found.rows,
            bool(found.further),
            holds(session, about, Turn(MOST), lifted_too=True).rows,
            concessions(session, about, Turn(MOST), used_too=True).rows,
            now_utc(),
        )
    return page(request, "store/lots/show.html", context)


@router.get("/{lot_id}/edit")
def show_edit(request: Request, me: Me, database: Database, lot_id: int) -> Response:
    """Show the form of a lot to be changed."""
    need(me, Act.PART_WRITE)
    with reading(database) as session:
        facts = lot(session, lot_id).facts
    settings: Settings = request.app.state.settings
    zone = settings.time_zone
    form = blank(
        request,
        part_type=facts.part_type_id,
        label=facts.label,
        supplier=facts.supplier,
        received_at=day_of(facts.received_at, zone),
        produced_at=day_of(facts.produced_at, zone),
        expires_at=day_of(facts.expires_at, zone),
        quantity=facts.quantity,
        notes=facts.notes,
    )
    return _entry_page(request, database, form, lot_id)


@router.post("/{lot_id}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, lot_id: int) -> Response:
    """Change a lot."""
    with form.keeping():
        entry, reason = _entry(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/lots/{lot_id}"
            change_lot(work, lot_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, lot_id)


def _entry(form: Form) -> LotEntry:
    now = now_utc()
    return LotEntry(
        label=form.text("label", most=200),
        supplier=form.text("supplier", required=False, most=200),
        received_at=noon(form.day("received_at", required=False), form.zone, now),
        produced_at=noon(form.day("produced_at", required=False), form.zone, now),
        expires_at=noon(form.day("expires_at", required=False), form.zone),
        quantity=form.whole("quantity", required=False, unit="items"),
        notes=form.text("notes", required=False),
    )


def _entry_page(
    request: Request, database: Engine, form: Form, lot_id: int | None = None
) -> Response:
    with reading(database) as session:
        types = part_types(session)
        changed = None if lot_id is None else lot(session, lot_id)
    template = "store/lots/new.html" if changed is None else "store/lots/edit.html"
    return page(request, template, EntryPage(form, types, changed), form.status)
