"""What the instruments of a test say of its readings: how far off, how fine, up to where."""

from typing import Protocol

from sqlalchemy.orm import Session

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure, from_si, to_si
from service.proof.arithmetic.typed_tests import ReadWith
from service.store.arithmetic.instrument_errors import UNKNOWN, MayBeOff, may_be_off
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Calibration, Instrument


class ToolUsed(Protocol):
    """An instrument and its calibration of the time; None: used without a valid one."""

    @property
    def instrument(self) -> Instrument:
        """The instrument."""

    @property
    def calibration_id(self) -> int | None:
        """The calibration valid when it was used."""


def how_far_off(session: Session, used: ToolUsed, unit: str, measure: Measure) -> MayBeOff:
    """Return how far an instrument may be off, for readings in a unit of a measure."""
    calibration = session.get(Calibration, used.calibration_id or 0)
    return may_be_off(used.instrument, calibration).in_unit(used.instrument.unit, unit, measure)


def read_with(
    session: Session, gauge: ToolUsed, warm: ToolUsed, meter: ToolUsed | None
) -> ReadWith:
    """Return what a test of tightness was read with, in the units it is kept in.

    ``meter`` is a flow meter or a helium leak detector.
    """
    detects = meter is not None and meter.instrument.kind is InstrumentKind.HELIUM_DETECTOR
    detector, meter = (meter.instrument, None) if meter and detects else (None, meter)
    of_meter = meter.instrument if meter else None
    most = of_meter.range_most if of_meter else None
    return ReadWith(
        how_far_off(session, gauge, "kPa", Measure.PRESSURE),
        _in_unit(gauge.instrument.resolution, gauge.instrument, Measure.PRESSURE, "kPa") or 0.0,
        how_far_off(session, warm, "K", Measure.TEMPERATURE_CHANGE),
        _in_unit(warm.instrument.resolution, warm.instrument, Measure.TEMPERATURE_CHANGE, "K")
        or 0.0,
        _in_unit(most, of_meter, Measure.FLOW, "mL/min") if of_meter else None,
        how_far_off(session, meter, "mL/min", Measure.FLOW) if meter else UNKNOWN,
        (_in_unit(of_meter.resolution, of_meter, Measure.FLOW, "mL/min") or 0.0)
        if of_meter
        else 0.0,
        (_in_unit(detector.resolution, detector, Measure.LEAK_RATE, "mbar·L/s") or 0.0)
        if detector
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
