"""Instruments: the list, one with its calibrations and what they put in doubt, entries."""

from dataclasses import dataclass
from datetime import datetime
from typing import cast

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, now_utc, reading
from service.platform.files.days import noon
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.store.changes.instruments import (
    CalibrationEntry,
    InstrumentEntry,
    add_calibration,
    add_instrument,
    change_instrument,
)
from service.store.queries.holds import (
    MOST,
    About,
    ConcessionRow,
    HoldRow,
    concessions,
    holds,
)
from service.store.queries.instruments import (
    InDoubt,
    InstrumentOnPage,
    InstrumentRow,
    instrument,
    instrument_list,
    readings_in_doubt,
)
from service.store.tables import CalibrationResult, InstrumentKind

router = APIRouter(prefix="/instruments")


@dataclass(frozen=True, slots=True)
class InstrumentsPage:
    """Some instruments; ``now`` tells which are in calibration."""

    instruments: Shown[InstrumentRow]
    form: Form
    now: datetime
    kinds: tuple[InstrumentKind, ...] = tuple(InstrumentKind)


@dataclass(frozen=True, slots=True)
class InstrumentPage:
    """One instrument, with the form for a calibration."""

    instrument: InstrumentOnPage
    in_doubt: tuple[InDoubt, ...]
    holds: tuple[HoldRow, ...]
    concessions: tuple[ConcessionRow, ...]
    form: Form
    now: datetime
    results: tuple[CalibrationResult, ...] = tuple(CalibrationResult)


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new instrument, or of one to be changed."""

    form: Form
    changed: InstrumentOnPage | None = None
    kinds: tuple[InstrumentKind, ...] = tuple(InstrumentKind)


@router.get("")
def show_list(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """List the instruments."""
    need(me, Act.READ)
    kind = asked.choice("kind", InstrumentKind, required=False)
    turn, withdrawn = turn_asked(request, asked), asked.yes("withdrawn")
    with reading(database) as session:
        found = instrument_list(session, kind, turn, withdrawn=withdrawn)
    return page(
        request,
        "store/instruments/list.html",
        InstrumentsPage(shown(request, found), asked, now_utc()),
        asked.status,
    )


@router.get("/new")
def show_new(request: Request, me: Me) -> Response:
    """Show the form of a new instrument."""
    need(me, Act.INSTRUMENT_WRITE)
    return page(request, "store/instruments/new.html", EntryPage(blank(request, unit="N·m")))


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add an instrument."""
    with form.keeping():
        entry = _entry(form, in_use=True)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{add_instrument(work, entry)}"
        return go_on(request, work.answer)
    return page(request, "store/instruments/new.html", EntryPage(form), form.status)


@router.get("/{instrument_id}")
def show(request: Request, me: Me, database: Database, instrument_id: int) -> Response:
    """Show one instrument."""
    need(me, Act.READ)
    form = blank(request, error_percent="")
    return _instrument_page(request, database, instrument_id, form)


@router.post("/{instrument_id}/calibrations")
def calibrate(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Write down a calibration."""
    with form.keeping():
        done = form.day("done_at")
        due = form.day("due_at")
        result = form.choice("result", CalibrationResult)
        certificate = form.text("certificate", most=200)
        error = form.number("error_percent", unit="%", required=False)
        notes = form.text("notes", required=False)
        form.check()
        entry = CalibrationEntry(
            cast("datetime", noon(done, form.zone, now_utc())),
            cast("datetime", noon(due, form.zone)),
            certificate,
            cast("CalibrationResult", result),
            error,
            notes,
        )
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
    names = (
        "kind",
        "label",
        "description",
        "range_least",
        "range_most",
        "unit",
        "accuracy_percent",
        "resolution",
        "in_use",
    )
    form = blank(request, **{name: getattr(changed.row, name) for name in names})
    return page(request, "store/instruments/edit.html", EntryPage(form, changed))


@router.post("/{instrument_id}/edit")
def change(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Change an instrument, or withdraw it from use."""
    with form.keeping():
        entry, reason = _entry(form, in_use=form.yes("in_use")), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            change_instrument(work, instrument_id, entry, reason=reason)
        return go_on(request, work.answer)
    with reading(database) as session:
        changed = instrument(session, instrument_id)
    return page(request, "store/instruments/edit.html", EntryPage(form, changed), form.status)


def _entry(form: Form, *, in_use: bool) -> InstrumentEntry:
    kind = form.choice("kind", InstrumentKind)
    label = form.text("label", most=200)
    description = form.text("description", required=False, most=200)
    least = form.number("range_least", required=False)
    most = form.number("range_most", required=False)
    unit = form.text("unit", required=False, most=20)
    accuracy = form.number("accuracy_percent", unit="%", required=False)
    resolution = form.number("resolution", unit=unit, required=False)
    form.check()
    return InstrumentEntry(
        cast("InstrumentKind", kind),
        label,
        description,
        least,
        most,
        unit,
        in_use,
        accuracy,
        resolution,
    )


def _instrument_page(
    request: Request, database: Engine, instrument_id: int, form: Form
) -> Response:
    about = About(instrument_id=instrument_id)
    with reading(database) as session:
        context = InstrumentPage(
            instrument(session, instrument_id),
            readings_in_doubt(session, instrument_id),
            holds(session, about, Turn(MOST), lifted_too=True).rows,
            concessions(session, about, Turn(MOST), used_too=True).rows,
            form,
            now_utc(),
        )
    return page(request, "store/instruments/show.html", context, form.status)
