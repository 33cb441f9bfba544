"""Instruments: the list, one with its calibrations and what they put in doubt, entries."""

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import datetime

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.changes.calibration_corrections import before_recording, record_calibration
from service.bench.queries.calibration_follows import CalibrationFollows
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import Field, by_name
from service.platform.changes import Stored
from service.platform.database import changing, now_utc, reading
from service.platform.files import photos
from service.platform.pages.forms import Asked, Form, Typed, blank, filled
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.settings import Settings
from service.store.arithmetic.calibrations import Point, read_points
from service.store.arithmetic.instruments import (
    ADDED_FIELDS,
    AWAY_FIELDS,
    CALIBRATION_FIELDS,
    DEVICE_FIELDS,
    INSTRUMENT_FIELDS,
    POINTS_FIELD,
    InstrumentKind,
)
from service.store.changes.calibrations import (
    AwayEntry,
    CalibrationEntry,
    DeviceEntry,
    change_device,
    propose_correction,
    send_away,
    take_back,
)
from service.store.changes.instruments import InstrumentEntry, add_instrument, change_instrument
from service.store.queries.holds import About, HoldsOnIt, holds_on
from service.store.queries.instruments import (
    CalibrationRow,
    InstrumentOnPage,
    InstrumentRow,
    calibration_on_page,
    instrument,
    instrument_list,
)

router = APIRouter(prefix="/instruments")
OF_CALIBRATION = (*CALIBRATION_FIELDS, POINTS_FIELD)


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
    on_it: HoldsOnIt
    form: Form
    now: datetime
    most_mb: int
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(OF_CALIBRATION))
    away: Mapping[str, Field] = field(default_factory=lambda: by_name(AWAY_FIELDS))
    of_device: Mapping[str, Field] = field(default_factory=lambda: by_name(DEVICE_FIELDS))
    described: Mapping[str, Field] = field(default_factory=lambda: by_name(INSTRUMENT_FIELDS))


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new instrument, or of one to be changed."""

    form: Form
    changed: InstrumentOnPage | None = None
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(INSTRUMENT_FIELDS))


@dataclass(frozen=True, slots=True)
class CorrectionPage:
    """A calibration with the form that corrects it."""

    of: InstrumentOnPage
    calibration: CalibrationRow
    form: Form
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(OF_CALIBRATION))


@dataclass(frozen=True, slots=True)
class BeforeRecordingPage:
    """What follows a calibration that is not recorded yet; ``seen``: the hash of just that."""

    of: InstrumentOnPage
    follows: tuple[CalibrationFollows, ...]
    form: Form
    kept_file: str
    seen: str


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
    """Record a calibration, with its certificate as a file; first show what follows from it."""
    need(me, Act.INSTRUMENT_WRITE)
    if form.raw("step") == "change":
        return _instrument_page(request, database, instrument_id, form)
    with form.collecting_errors():
        entry = CalibrationEntry(**form.values(CALIBRATION_FIELDS), points=points_typed(form))
        form.check()
        file = _certificate(request.app.state.settings, form)
        with reading(database) as session:
            follows = before_recording(session, now_utc(), instrument_id, entry)
            of = instrument(session, instrument_id)
        seen = sha256_of(canonical_json([asdict(each) for each in follows]))
        if follows and form.raw("seen") != seen:
            kept = f"{file.content_sha256} {file.name}" if file else ""
            context = BeforeRecordingPage(of, follows, form, kept, seen)
            return page(request, "store/instruments/before_recording.html", context)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            record_calibration(work, instrument_id, entry, file)
        return go_on(request, work.answer)
    return _instrument_page(request, database, instrument_id, form)


def _certificate(settings: Settings, form: Form) -> Stored | None:
    """The file chosen, else the one kept from the step before."""
    most_mb = settings.attachment_max_mb
    sha256, _space, name = form.raw("kept_file").partition(" ")
    content = None
    if re.fullmatch("[0-9a-f]{64}", sha256):
        place = photos.path_of(settings.data_folder, sha256)
        content = place.read_bytes() if place.is_file() else None
    for upload in form.files("file"):
        content = upload.file.read(most_mb * photos.MEGABYTE + 1)
        name = upload.filename or ""
    if content is None:
        return None
    checked = photos.check(content, name, most_mb=most_mb, field="file")
    return photos.store(settings.data_folder, checked)


def points_typed(form: Form) -> tuple[Point, ...]:
    """Read the points of a certificate from a form."""
    try:
        return read_points(form.text(POINTS_FIELD.name, required=False))
    except OutOfRange as trouble:
        form.refuse(POINTS_FIELD.name, str(trouble))
        return ()


@router.post("/{instrument_id}/away")
def go_away(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Say that an instrument is away for calibration."""
    with form.collecting_errors():
        entry = AwayEntry(**form.values(AWAY_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            send_away(work, instrument_id, entry)
        return go_on(request, work.answer)
    return _instrument_page(request, database, instrument_id, form)


@router.post("/{instrument_id}/back")
def come_back(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Say that an instrument is back."""
    with form.collecting_errors():
        back_at = form.moment("back_at") or now_utc()
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            take_back(work, instrument_id, back_at)
        return go_on(request, work.answer)
    return _instrument_page(request, database, instrument_id, form)


@router.post("/{instrument_id}/devices")
def replace_device(
    request: Request, me: Me, database: Database, form: Typed, instrument_id: int
) -> Response:
    """Say that another device bears the mark from a time on."""
    with form.collecting_errors():
        entry = DeviceEntry(**form.values(DEVICE_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}"
            change_device(work, instrument_id, entry)
        return go_on(request, work.answer)
    return _instrument_page(request, database, instrument_id, form)


@router.get("/calibrations/{calibration_id}")
def show_calibration(request: Request, me: Me, database: Database, calibration_id: int) -> Response:
    """Show the form that corrects a calibration."""
    need(me, Act.READ)
    with reading(database) as session:
        of, calibration = calibration_on_page(session, calibration_id)
    form = filled(request, CALIBRATION_FIELDS, calibration)
    form.typed[POINTS_FIELD.name] = ("\n".join(map(str, calibration.points)),)
    context = CorrectionPage(of, calibration, form)
    return page(request, "store/instruments/correct.html", context)


@router.post("/calibrations/{calibration_id}/correct")
def correct(
    request: Request, me: Me, database: Database, form: Typed, calibration_id: int
) -> Response:
    """Propose that a calibration be corrected."""
    with reading(database) as session:
        of, calibration = calibration_on_page(session, calibration_id)
    with form.collecting_errors():
        reason = form.text("reason")
        values = form.values(CALIBRATION_FIELDS, calibration)
        entry = CalibrationEntry(**values, points=points_typed(form))
        with changing(database, me, key=form.key) as work:
            number = propose_correction(work, calibration_id, entry, reason=reason)
            work.answer = f"/proposals/{number}"
        return go_on(request, work.answer)
    context = CorrectionPage(of, calibration, form)
    return page(request, "store/instruments/correct.html", context, form.status)


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
            holds_on(session, About(instrument_id=instrument_id)),
            form,
            now_utc(),
            request.app.state.settings.attachment_max_mb,
        )
    return page(request, "store/instruments/show.html", context, form.status)
