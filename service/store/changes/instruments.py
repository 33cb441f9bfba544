"""Instruments: added, changed, withdrawn from use."""

from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import select

from service.platform import changes as given
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instrument_errors import Coverage
from service.store.arithmetic.instruments import (
    INSTRUMENT_FIELDS,
    GasMatrix,
    InstrumentKind,
    Principle,
    TorqueTool,
    reads,
    units_of,
)
from service.store.tables import Instrument


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """What is said of an instrument, as `INSTRUMENT_FIELDS` describes it; None: not known.

    Its range and its ``resolution``, the smallest step shown, are in ``unit``; an accuracy or
    resolution not known is as is usual for its kind.
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
    accuracy_full_scale_percent: float | None = None
    accuracy_offset: float | None = None
    accuracy_coverage: Coverage = Coverage.GREATEST
    tool: TorqueTool | None = None
    """how a torque driver works; None of any other kind"""
    principle: Principle | None = None
    gas_matrix: GasMatrix | None = None


def add_instrument(work: Work, entry: InstrumentEntry) -> int:
    """Add an instrument. Gives its id. Raises Refused for a mark another one bears."""
    need(work.by, Act.INSTRUMENT_WRITE)
    row = put_instrument(work, entry)
    changes = given.trail_of(INSTRUMENT_FIELDS, None, entry)
    work.note(Event.INSTRUMENT_ADDED, ("instrument", row.id, row.label), changes)
    return row.id


def put_instrument(work: Work, entry: InstrumentEntry) -> Instrument:
    """Write the row of an instrument, without leave and trail. Raises Refused as adding does."""
    entry = checked_instrument(work.now, entry)
    _refuse_taken(work, entry.label, but=None)
    row = Instrument(label_key=serial_key(entry.label), added_at=work.now, **asdict(entry))
    work.session.add(row)
    work.session.flush()
    return row


def change_instrument(
    work: Work, instrument_id: int, entry: InstrumentEntry, *, reason: str
) -> None:
    """Change what is said of an instrument, or withdraw it from use, with the reason.

    Its kind stays: readings were taken by it as what it is.
    """
    need(work.by, Act.INSTRUMENT_WRITE)
    row = work.row(Instrument, instrument_id, "instrument")
    entry = checked_instrument(work.now, entry)
    why = given.reason(reason)
    if entry.kind is not row.kind:
        raise Refused("kind", entry.kind.value, f"it is a {row.kind}.", "Another instrument.")
    _refuse_taken(work, entry.label, but=instrument_id)
    changes = given.trail_of(INSTRUMENT_FIELDS, row, entry)
    for name, after in asdict(entry).items():
        setattr(row, name, after)
    row.label_key = serial_key(entry.label)
    work.note(
        Event.INSTRUMENT_CHANGED, ("instrument", instrument_id, row.label), changes, reason=why
    )


def checked_instrument(now: datetime, entry: InstrumentEntry) -> InstrumentEntry:
    """Return the entry as it is kept. Raises Refused where it cannot be."""
    entry = given.checked(entry, INSTRUMENT_FIELDS, now)
    has_range = entry.range_least is not None or entry.range_most is not None
    if has_range and not entry.unit:
        raise Refused("unit", "", "a range needs its unit.", "Such as N·m.")
    if (
        entry.range_least is not None
        and entry.range_most is not None
        and entry.range_most <= entry.range_least
    ):
        raise Refused(
            "range_most",
            f"{entry.range_most:g}",
            "the range ends before it begins.",
            f"More than {entry.range_least:g}\u2009{entry.unit} would be right.",
        )
    _refuse_odd_unit(entry)
    _refuse_odd_step(entry)
    is_driver = entry.kind is InstrumentKind.TORQUE_DRIVER
    if is_driver is not (entry.tool is not None):
        reason = "a torque driver says its type." if is_driver else "it is no torque driver."
        right = f"One of: {', '.join(TorqueTool)}." if is_driver else "Leave the type empty."
        raise Refused("tool", entry.tool or "", reason, right)
    if entry.principle is Principle.CATALYTIC and entry.gas_matrix in {
        GasMatrix.INERT,
        GasMatrix.ANY,
    }:
        raise Refused(
            "gas_matrix",
            entry.gas_matrix,
            "a catalytic head reads low without oxygen.",
            f"“{GasMatrix.AIR}”, or “{GasMatrix.DILUTED}” where it is used so.",
        )
    return entry


def _refuse_odd_unit(entry: InstrumentEntry) -> None:
    if entry.unit and not reads(entry.kind, entry.unit):
        raise Refused(
            "unit",
            entry.unit,
            f"a {entry.kind} does not read it.",
            f"{', '.join(units_of(entry.kind))}.",
        )
    if entry.accuracy_full_scale_percent is not None and entry.range_most is None:
        raise Refused(
            "range_most", "", "a share of full scale needs the end of the range.", "Such as 400."
        )
    if entry.accuracy_offset is None:
        return
    if not entry.unit:
        raise Refused("unit", "", "an offset needs its unit.", "Such as kPa.")
    if entry.accuracy_offset < 0:
        raise Refused(
            "accuracy_offset",
            f"{entry.accuracy_offset:g}",
            "a deviation ± is not below zero.",
            "Such as 0.02.",
        )


def _refuse_odd_step(entry: InstrumentEntry) -> None:
    step, unit = entry.resolution, entry.unit
    if step is None:
        return
    if not unit:
        raise Refused("unit", "", "a resolution needs its unit.", "Such as N·m.")
    span = None
    if entry.range_most is not None:
        span = entry.range_most - min(entry.range_least or 0.0, 0.0)
    if step < 0 or (span is not None and step > span):
        most = "" if span is None else f" and at most {span:g}\u2009{unit}, its whole range"
        raise Refused(
            "resolution",
            f"{step:g}",
            "no instrument shows such steps.",
            f"The smallest step it shows: 0\u2009{unit} or more{most}.",
        )


def _refuse_taken(work: Work, label: str, *, but: int | None) -> None:
    namesake = work.session.scalar(
        select(Instrument.label).where(
            Instrument.label_key == serial_key(label), Instrument.id != (but or 0)
        )
    )
    if namesake is not None:
        raise Refused(
            "label",
            label,
            f"another instrument bears the mark “{namesake}”.",
            "A mark of its own would be right.",
        )
