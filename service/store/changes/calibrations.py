"""Calibrations of instruments, their absences, and which device bears a mark from when on."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import or_, select

from service.platform import changes as given
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.platform.tables import Attachment
from service.store.arithmetic.calibrations import AsLeft, CalibrationResult, Point
from service.store.arithmetic.instruments import (
    AWAY_FIELDS,
    CALIBRATION_FIELDS,
    DEVICE_FIELDS,
    POINTS_FIELD,
)
from service.store.changes.proposals import propose
from service.store.tables import (
    Calibration,
    CalibrationPoint,
    ChangeKind,
    Instrument,
    InstrumentAway,
    InstrumentDevice,
)


@dataclass(frozen=True, slots=True)
class CalibrationEntry:
    """One calibration, as `CALIBRATION_FIELDS` describes it, with the points of its certificate.

    Days without a time of day are noon in the lab's zone; it holds through the day it is due. The
    error as found is what was shown less what was true, in up to three parts.
    """

    done_at: datetime
    due_at: datetime
    certificate: str
    result: CalibrationResult
    error_percent: float | None = None
    notes: str = ""
    error_full_scale_percent: float | None = None
    error_offset: float | None = None
    due_operations: int | None = None
    as_left: AsLeft | None = None
    points: tuple[Point, ...] = ()


def add_calibration(
    work: Work, instrument_id: int, entry: CalibrationEntry, file: given.Stored | None = None
) -> int:
    """Record a calibration, with its certificate as a file where there is one. Gives its id.

    One that found the instrument out of tolerance puts in doubt all readings since the one before.
    Raises Refused for a date ahead or a due date before.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    instrument = work.row(Instrument, instrument_id, "instrument")
    entry = checked_calibration(work.now, instrument, entry)
    row = put_calibration(work, instrument_id, entry)
    changes = given.trail_of(CALIBRATION_FIELDS, None, entry)
    changes += [(f"point {number}", None, str(point)) for number, point in _numbered(entry)]
    if file is not None:
        changes += [("file", None, file.name), ("SHA-256", None, file.content_sha256)]
        work.session.add(
            Attachment(
                **asdict(file), calibration_id=row.id, added_by_id=work.by.id, added_at=work.now
            )
        )
        work.session.flush()
    work.note(Event.CALIBRATION_ADDED, ("instrument", instrument_id, instrument.label), changes)
    return row.id


def put_calibration(
    work: Work,
    instrument_id: int,
    entry: CalibrationEntry,
    *,
    by_id: int | None = None,
    replaces_id: int | None = None,
) -> Calibration:
    """Write the rows of a calibration, without leave and trail."""
    values = {field.name: getattr(entry, field.name) for field in fields(entry)}
    del values["points"]
    row = Calibration(
        instrument_id=instrument_id,
        written_by_id=by_id or work.by.id,
        written_at=work.now,
        replaces_id=replaces_id,
        **values,
    )
    work.session.add(row)
    work.session.flush()
    work.session.add_all(
        CalibrationPoint(calibration_id=row.id, number=number, **asdict(point))
        for number, point in _numbered(entry)
    )
    work.session.flush()
    return row


def checked_calibration(
    now: datetime, instrument: Any, entry: CalibrationEntry
) -> CalibrationEntry:
    """Return the entry as it is kept, of an instrument or its entry. Raises Refused."""
    entry = given.checked(entry, CALIBRATION_FIELDS, now)
    if entry.due_at <= entry.done_at:
        raise Refused(
            "due_at",
            f"{entry.due_at:%Y-%m-%d}",
            "it is not later than the calibration itself.",
            "The day the next one is due would be right.",
        )
    if entry.error_full_scale_percent is not None and instrument.range_most is None:
        raise Refused(
            "error_full_scale_percent",
            f"{entry.error_full_scale_percent:g}",
            f"the range of {instrument.label} has no end.",
            "State first up to where it reads.",
        )
    found = [point.as_found for point in entry.points if point.as_found is not None]
    if len(set(found)) < len(found):
        raise Refused("points", "", "two points show the same as found.", "One point for each.")
    return entry


def _numbered(entry: CalibrationEntry) -> list[tuple[int, Point]]:
    return list(enumerate(entry.points, 1))


@dataclass(frozen=True, slots=True)
class AwayEntry:
    """Since when an instrument is away, and where, as `AWAY_FIELDS` describes it."""

    away_from: datetime
    place: str


def send_away(work: Work, instrument_id: int, entry: AwayEntry) -> int:
    """Say that an instrument is away for calibration; nothing is read with it meanwhile.

    Gives the absence's id. Raises Refused where it is away already.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    instrument = work.row(Instrument, instrument_id, "instrument")
    entry = given.checked(entry, AWAY_FIELDS, work.now)
    overlaps = select(InstrumentAway.id).where(
        InstrumentAway.instrument_id == instrument_id,
        or_(InstrumentAway.back_at.is_(None), InstrumentAway.back_at > entry.away_from),
    )
    if work.session.scalar(overlaps) is not None:
        raise Refused(
            "away_from",
            f"{entry.away_from:%Y-%m-%d %H:%M} UTC",
            f"{instrument.label} was away then already.",
            "Record first that it is back.",
        )
    row = InstrumentAway(
        instrument_id=instrument_id,
        written_by_id=work.by.id,
        written_at=work.now,
        **asdict(entry),
    )
    work.session.add(row)
    work.session.flush()
    _note(work, instrument, Event.INSTRUMENT_AWAY, given.trail_of(AWAY_FIELDS, None, entry))
    return row.id


def take_back(work: Work, instrument_id: int, back_at: datetime) -> int:
    """Say that an instrument is back. Gives the absence's id. Raises Refused where it is here."""
    need(work.by, Act.INSTRUMENT_WRITE)
    instrument = work.row(Instrument, instrument_id, "instrument")
    row = work.session.scalar(
        select(InstrumentAway).where(
            InstrumentAway.instrument_id == instrument_id, InstrumentAway.back_at.is_(None)
        )
    )
    if row is None:
        raise Refused("back_at", "", f"{instrument.label} is not away.", "Nothing to record.")
    given.not_ahead("back_at", back_at, work.now)
    if back_at <= row.away_from:
        raise Refused(
            "back_at",
            f"{back_at:%Y-%m-%d %H:%M} UTC",
            f"it went away later, on {row.away_from:%Y-%m-%d}.",
            "When it came back.",
        )
    row.back_at, row.back_by_id = back_at, work.by.id
    work.session.flush()
    _note(work, instrument, Event.INSTRUMENT_BACK, [("back_at", None, back_at)])
    return row.id


@dataclass(frozen=True, slots=True)
class DeviceEntry:
    """From when on which device bears a mark, and why, as `DEVICE_FIELDS` describes it."""

    from_at: datetime
    device: str
    reason: str


def change_device(work: Work, instrument_id: int, entry: DeviceEntry) -> int:
    """Say that from a time on another device bears the mark, or has another sensor. Gives its id.

    Readings belong to the device of their time, and so do calibrations: the new one needs its own.
    Raises Refused where something is recorded for that very moment.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    instrument = work.row(Instrument, instrument_id, "instrument")
    entry = given.checked(entry, DEVICE_FIELDS, work.now)
    same = select(InstrumentDevice.device).where(
        InstrumentDevice.instrument_id == instrument_id, InstrumentDevice.from_at == entry.from_at
    )
    if (device := work.session.scalar(same)) is not None:
        raise Refused(
            "from_at",
            f"{entry.from_at:%Y-%m-%d %H:%M} UTC",
            f"from then on it is {device}.",
            "Another time.",
        )
    row = InstrumentDevice(
        instrument_id=instrument_id,
        written_by_id=work.by.id,
        written_at=work.now,
        **asdict(entry),
    )
    work.session.add(row)
    work.session.flush()
    changes = given.trail_of(DEVICE_FIELDS[:-1], None, entry)
    _note(work, instrument, Event.INSTRUMENT_DEVICE, changes, entry.reason)
    return row.id


def _note(
    work: Work, instrument: Instrument, did: Event, changes: list[Change], reason: str = ""
) -> None:
    work.note(did, ("instrument", instrument.id, instrument.label), changes, reason=reason)


# Corrections: the wrong calibration stays, a new row takes its place once somebody else approves.


def propose_correction(
    work: Work, calibration_id: int, entry: CalibrationEntry, *, reason: str
) -> int:
    """Propose that a calibration be corrected, with the reason; gives the proposal's number.

    Raises Refused where nothing differs, or it was corrected before.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    old = work.row(Calibration, calibration_id, "calibration")
    instrument = work.row(Instrument, old.instrument_id, "instrument")
    why = given.reason(reason)
    _refuse_corrected(old)
    entry = checked_calibration(work.now, instrument, entry)
    changes: list[Change] = [
        (field.label, _shown(getattr(old, field.name)), _shown(getattr(entry, field.name)))
        for field in CALIBRATION_FIELDS
        if getattr(old, field.name) != getattr(entry, field.name)
    ]
    points = points_of(work, calibration_id)
    if points != entry.points:
        changes.append((POINTS_FIELD.label, _listed(points), _listed(entry.points)))
    if not changes:
        raise Refused("reason", "", "nothing differs from what is recorded.", "What was wrong.")
    content = {
        field.name: getattr(entry, field.name) for field in fields(entry) if field.name != "points"
    }
    for name in ("done_at", "due_at"):
        content[name] = content[name].isoformat()
    content["points"] = [asdict(point) for point in entry.points]
    subject = (calibration_id, f"{instrument.label}, {old.certificate}")
    return propose(
        work, ChangeKind.CALIBRATION, subject, {"calibration": content}, changes, reason=why
    )


def calibration_proposed(content: Mapping[str, Any]) -> CalibrationEntry:
    """Return the calibration a proposal asks for."""
    values = dict(content["calibration"])
    values["points"] = tuple(Point(**point) for point in values["points"])
    for name in ("done_at", "due_at"):
        values[name] = datetime.fromisoformat(values[name])
    values["result"] = CalibrationResult(values["result"])
    values["as_left"] = AsLeft(values["as_left"]) if values["as_left"] else None
    return CalibrationEntry(**values)


def put_correction_in_force(
    work: Work, calibration_id: int, entry: CalibrationEntry, *, by_id: int, reason: str
) -> tuple[int, int]:
    """Let a corrected calibration take the place of the wrong one, which stays readable.

    Its certificate is the same file. Gives the ids of the instrument and of the new row. Raises
    Refused where it was corrected before.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    old = work.locked(Calibration, calibration_id, "calibration")
    instrument = work.row(Instrument, old.instrument_id, "instrument")
    _refuse_corrected(old)
    changes = given.trail_of(CALIBRATION_FIELDS, old, entry)
    old.known_until = work.now
    work.session.flush()
    row = put_calibration(work, instrument.id, entry, by_id=by_id, replaces_id=old.id)
    for file in work.session.scalars(
        select(Attachment).where(Attachment.calibration_id == calibration_id)
    ).all():
        kept = {name: getattr(file, name) for name in FILE}
        work.session.add(Attachment(**kept, calibration_id=row.id))
    work.session.flush()
    _note(work, instrument, Event.CALIBRATION_CORRECTED, changes, reason)
    return instrument.id, row.id


FILE = ("content_sha256", "media_type", "size_bytes", "name", "added_by_id", "added_at")


def points_of(work: Work, calibration_id: int) -> tuple[Point, ...]:
    """Return the points of a calibration. One statement."""
    rows = work.session.scalars(
        select(CalibrationPoint)
        .where(CalibrationPoint.calibration_id == calibration_id)
        .order_by(CalibrationPoint.number)
    )
    return tuple(Point(row.reference, row.as_found, row.as_left) for row in rows)


def _shown(value: object) -> object:
    return f"{value:%Y-%m-%d}" if isinstance(value, datetime) else value


def _listed(points: tuple[Point, ...]) -> str | None:
    return "; ".join(map(str, points)) or None


def _refuse_corrected(old: Calibration) -> None:
    if old.known_until is not None:
        raise Refused(
            "calibration",
            old.certificate,
            "it was corrected before.",
            "Correct what took its place.",
        )
