"""Instruments: the list, one with its calibrations and what they put in doubt, entries."""

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
from service.store.arithmetic.instruments import (
    ADDED_FIELDS,
    CALIBRATION_FIELDS,
    INSTRUMENT_FIELDS,
    InstrumentKind,
)
from service.store.changes.instruments import (
    CalibrationEntry,
    InstrumentEntry,
    add_calibration,
    add_instrument,
    change_instrument,
)
from service.store.queries.holds import About, HoldsOnIt, holds_on
from service.store.queries.instruments import (
    InDoubt,
    InstrumentOnPage,
    InstrumentRow,
    instrument,
    instrument_list,
    readings_in_doubt,
)

router = APIRouter(prefix="/instruments")


@dataclass(frozen=True, slots=True)
class InstrumentsPage:
    """Some instruments; ``now`` tells which are in calibration."""

    instruments: Shown[InstrumentRow]
    form: Form
    now: datetime
    kinds: tuple[InstrumentKind, ...] = tuple(InstrumentKind)
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(INSTRUMENT_FIELDS))


@dataclass(frozen=True, slots=True)
class InstrumentPage:
    """One instrument, with the form for a calibration."""

    instrument: InstrumentOnPage
    in_doubt: tuple[InDoubt, ...]
    on_it: HoldsOnIt
    form: Form
    now: datetime
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(CALIBRATION_FIELDS))
    described: Mapping[str, Field] = field(default_factory=lambda: by_name(INSTRUMENT_FIELDS))


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new instrument, or of one to be changed."""

    form: Form
    changed: InstrumentOnPage | None = None
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(INSTRUMENT_FIELDS))


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the instruments."""
    need(me, Act.READ)
    kind = query.choice("kind", InstrumentKind, required=False)
    turn, withdrawn = turn_asked(request, query), query.yes("withdrawn")
    with reading(database) as session:
        listed = instrument_list(session, kind, turn, withdrawn=withdrawn)
    return page(
        request,
        "store/instruments/list.html",
        InstrumentsPage(shown(request, listed), query, now_utc()),
        query.status,
    )


@router.get("/new")
def show_new(request: Request, me: Me) -> Response:
    """Show the form of a new instrument."""
    need(me, Act.INSTRUMENT_WRITE)
    return page(request, "store/instruments/new.html", EntryPage(blank(request, unit="N·m")))


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add an instrument."""
    with form.collecting_errors():
        entry = InstrumentEntry(**form.values(ADDED_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{add_instrument(work, entry)}"
        return go_on(request, work.answer)
    return page(request, "store/instruments/new.html", EntryPage(form), form.status)


@router.get("/{instrument_id}")
def show(request: Request, me: Me, database: Database, instrument_id: int) -> Response:
    """Show one instrument."""
    need(me, Act.READ)
    return _instrument_page(request, database, instrument_id, blank(request))


@router.post("/{instrument_id}/calibrations")
def calibrate(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Write down a calibration."""
    with form.collecting_errors():
        entry = CalibrationEntry(**form.values(CALIBRATION_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            add_calibration(work, instrument_id, entry)
        return go_on(request, work.answer)
    return _instrument_page(request, database, instrument_id, form)


@router.get("/{instrument_id}/edit")
def show_edit(request: Request, me: Me, database: Database, instrument_id: int) -> Response:
    """Show the form of an instrument to be changed."""
    need(me, Act.INSTRUMENT_WRITE)
    with reading(database) as session:
        changed = instrument(session, instrument_id)
    form = filled(request, INSTRUMENT_FIELDS, changed.row)
    return page(request, "store/instruments/edit.html", EntryPage(form, changed))


@router.post("/{instrument_id}/edit")
def change(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Change an instrument, or withdraw it from use."""
    with form.collecting_errors():
        reason, entry = form.text("reason"), InstrumentEntry(**form.values(INSTRUMENT_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            change_instrument(work, instrument_id, entry, reason=reason)
        return go_on(request, work.answer)
    with reading(database) as session:
        changed = instrument(session, instrument_id)
    return page(request, "store/instruments/edit.html", EntryPage(form, changed), form.status)


def _instrument_page(
    request: Request, database: Engine, instrument_id: int, form: Form
) -> Response:
    with reading(database) as session:
        context = InstrumentPage(
            instrument(session, instrument_id),
            readings_in_doubt(session, instrument_id),
            holds_on(session, About(instrument_id=instrument_id)),
            form,
            now_utc(),
        )
    return page(request, "store/instruments/show.html", context, form.status)
