"""The instruments a test of the closed stack is read with: allowed, and how well they are known."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import select

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure, from_si, to_si
from service.platform.database import Work
from service.platform.errors import Refused
from service.proof.arithmetic.typed_leak_test import ReadWith
from service.records.changes.eligibility import InstrumentUsed, instrument_to_use
from service.records.tables import RebuildRecord
from service.store.tables.instruments import Calibration, Instrument, InstrumentKind

Used = InstrumentUsed
GAUGES = (InstrumentKind.PRESSURE_GAUGE,)
THERMOMETERS = (InstrumentKind.THERMOMETER,)
METERS = (InstrumentKind.FLOW_METER,)
TESTERS = (InstrumentKind.INSULATION_TESTER,)
MULTIMETERS = (InstrumentKind.MULTIMETER,)


def use(
    work: Work,
    record: RebuildRecord,
    field: str,
    instrument_id: int | None,
    *,
    at: datetime,
    kinds: Collection[InstrumentKind],
) -> InstrumentUsed:
    """The instrument of one field, or Refused beside this field."""
    named = " or ".join(kinds)
    if not instrument_id:
        raise Refused(field, "", f"the {named} is not given.", "Choose what it was read with.")
    try:
        return instrument_to_use(work, record, instrument_id, at, kinds)
    except Refused as refused:
        raise Refused(field, refused.value, refused.reason, refused.right_would_be) from refused


def accuracy_percent(work: Work, used: InstrumentUsed) -> float | None:
    """How far it may be off, % of the reading: what its sheet allows, or its calibration found
    where that is more; None: as is usual for its kind.
    """
    allowed = used.instrument.accuracy_percent
    if allowed is None or used.calibration_id is None:
        return allowed
    found = work.session.scalar(
        select(Calibration.error_percent).where(Calibration.id == used.calibration_id)
    )
    return max(allowed, abs(found or 0.0))


def read_with(
    work: Work, gauge: InstrumentUsed, warm: InstrumentUsed, meter: InstrumentUsed | None
) -> ReadWith:
    """What a test of tightness was read with, in the units it is kept in."""
    of_meter = meter.instrument if meter else None
    most = of_meter.range_most if of_meter else None
    return ReadWith(
        accuracy_percent(work, gauge),
        _in_unit(gauge.instrument.resolution, gauge.instrument, Measure.PRESSURE, "kPa") or 0.0,
        accuracy_percent(work, warm),
        _in_unit(warm.instrument.resolution, warm.instrument, Measure.TEMPERATURE_CHANGE, "K")
        or 0.0,
        _in_unit(most, of_meter, Measure.FLOW, "mL/min") if of_meter else None,
        accuracy_percent(work, meter) if meter else None,
        (_in_unit(of_meter.resolution, of_meter, Measure.FLOW, "mL/min") or 0.0)
        if of_meter
        else 0.0,
    )


def _in_unit(
    value: float | None, instrument: Instrument, measure: Measure, unit: str
) -> float | None:
    """A figure of an instrument in another unit; None where its own is not of this measure."""
    if value is None:
        return None
    try:
        return from_si(to_si(value, instrument.unit, measure), unit, measure)
    except TradeError:
        return None
