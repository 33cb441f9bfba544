"""Instruments and their calibrations, which are only ever added."""

import math
from dataclasses import dataclass, fields, replace
from datetime import datetime

from sqlalchemy import select

from service.platform import changes as given
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import serial_key
from service.store.tables import Calibration, CalibrationResult, Instrument, InstrumentKind

MOST_PERCENT = 50.0


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """What is said of an instrument. The range is in ``unit``; None: not known.

    ``accuracy_percent`` is the greatest deviation in % of the reading, ``resolution`` the smallest
    step shown, in ``unit``; None: as is usual for its kind.
    """

    kind: InstrumentKind
    label: str
    description: str = ""
    range_least: float | None = None
    range_most: float | None = None
    unit: str = ""
    in_use: bool = True
    accuracy_percent: float | None = None
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class CalibrationEntry:
    """One calibration. Days without a time of day are noon in the lab's zone.

    ``error_percent`` is what was found, in % of the reading; it holds through the day it is due.
    """

    done_at: datetime
    due_at: datetime
    certificate: str
    result: CalibrationResult
    error_percent: float | None = None
    notes: str = ""


def add_instrument(work: Work, entry: InstrumentEntry) -> int:
    """Add an instrument. Gives its id. Raises Refused for a mark another one bears."""
    need(work.by, Act.INSTRUMENT_WRITE)
    entry = _checked(entry)
    _refuse_taken(work, entry.label, but=None)
    row = Instrument(
        **{f.name: getattr(entry, f.name) for f in fields(entry)},
        label_key=serial_key(entry.label),
        added_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    changes: list[Change] = [(f.name, None, getattr(entry, f.name)) for f in fields(entry)]
    work.note(Event.INSTRUMENT_ADDED, ("instrument", row.id, row.label), changes)
    return row.id


def change_instrument(
    work: Work, instrument_id: int, entry: InstrumentEntry, *, reason: str
) -> None:
    """Change what is said of an instrument, or withdraw it from use, with the reason.

    Its kind stays: readings were taken by it as what it is.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    row = work.row(Instrument, instrument_id, "instrument")
    entry = _checked(entry)
    why = given.reason(reason)
    if entry.kind is not row.kind:
        raise Refused("kind", entry.kind.value, f"it is a {row.kind}.", "Another instrument.")
    _refuse_taken(work, entry.label, but=instrument_id)
    changes: list[Change] = [
        (f.name, getattr(row, f.name), getattr(entry, f.name)) for f in fields(entry)
    ]
    for name, _, wanted in changes:
        setattr(row, name, wanted)
    row.label_key = serial_key(entry.label)
    work.note(
        Event.INSTRUMENT_CHANGED, ("instrument", instrument_id, row.label), changes, reason=why
    )


def add_calibration(work: Work, instrument_id: int, entry: CalibrationEntry) -> int:
    """Write down a calibration. Gives its id; it is never changed afterwards.

    One that found the instrument out of tolerance puts in doubt all readings since the last good
    one: store/queries/instruments.py lists them. Raises Refused for a date ahead or a due date
    before.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    instrument = work.row(Instrument, instrument_id, "instrument")
    given.not_ahead("done_at", entry.done_at, work.now)
    if entry.due_at <= entry.done_at:
        raise Refused(
            "due_at",
            f"{entry.due_at:%Y-%m-%d}",
            "it is not later than the calibration itself.",
            "The day the next one is due would be right.",
        )
    if entry.error_percent is not None and not math.isfinite(entry.error_percent):
        raise Refused("error_percent", entry.error_percent, "it is no number.", "Such as -2.5.")
    row = Calibration(
        instrument_id=instrument_id,
        done_at=entry.done_at,
        due_at=entry.due_at,
        certificate=given.words("certificate", entry.certificate, "Its number would be right."),
        result=entry.result,
        error_percent=entry.error_percent,
        notes=given.optional_words("notes", entry.notes, most=given.LONG_MOST),
        written_by_id=work.by.id,
        written_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    changes: list[Change] = [(f.name, None, getattr(entry, f.name)) for f in fields(entry)]
    work.note(Event.CALIBRATION_ADDED, ("instrument", instrument_id, instrument.label), changes)
    return row.id


def _checked(entry: InstrumentEntry) -> InstrumentEntry:
    unit = given.optional_words("unit", entry.unit, most=20)
    for name in ("range_least", "range_most"):
        value = getattr(entry, name)
        if value is not None and not unit:
            raise Refused("unit", "", "a range needs its unit.", "Such as N·m.")
        if value is not None and not math.isfinite(value):
            raise Refused(name, value, "it is no number.", f"A number in {unit}.")
    if (
        entry.range_least is not None
        and entry.range_most is not None
        and entry.range_most <= entry.range_least
    ):
        raise Refused(
            "range_most",
            f"{entry.range_most:g}",
            "the range ends before it begins.",
            f"More than {entry.range_least:g}\u2009{unit} would be right.",
        )
    _check_accuracy(entry, unit)
    return replace(
        entry,
        label=given.words("label", entry.label, "The mark on the tool, such as TD-03."),
        description=given.optional_words("description", entry.description),
        unit=unit,
    )


def _check_accuracy(entry: InstrumentEntry, unit: str) -> None:
    percent, step = entry.accuracy_percent, entry.resolution
    if percent is not None and not 0 <= percent <= MOST_PERCENT:
        raise Refused(
            "accuracy_percent",
            f"{percent:g}",
            "no instrument is given so.",
            f"The greatest deviation in % of the reading, 0 to {MOST_PERCENT:g}\u2009%.",
        )
    if step is None:
        return
    if not unit:
        raise Refused("unit", "", "a resolution needs its unit.", "Such as N·m.")
    span = None
    if entry.range_most is not None:
        span = entry.range_most - min(entry.range_least or 0.0, 0.0)
    if not 0 <= step < float("inf") or (span is not None and step > span):
        most = "" if span is None else f" and at most {span:g}\u2009{unit}, its whole range"
        raise Refused(
            "resolution",
            f"{step:g}",
            "no instrument shows such steps.",
            f"The smallest step it shows: 0\u2009{unit} or more{most}.",
        )


def _refuse_taken(work: Work, label: str, *, but: int | None) -> None:
    taken = work.session.scalar(
        select(Instrument.label).where(
            Instrument.label_key == serial_key(label), Instrument.id != (but or 0)
        )
    )
    if taken is not None:
        raise Refused(
            "label",
            label,
            f"another instrument bears the mark “{taken}”.",
            "A mark of its own would be right.",
        )
