"""Which instruments read a unit, and whether a reading lies within what one of them reads.

Common practice, no source.
"""

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure, from_si, to_si
from service.store.arithmetic.instrument_kinds import InstrumentKind

READ_BY: dict[Measure, tuple[InstrumentKind, ...]] = {
    Measure.TORQUE: (InstrumentKind.TORQUE_DRIVER,),
    Measure.PRESSURE: (InstrumentKind.PRESSURE_GAUGE,),
    Measure.LENGTH: (InstrumentKind.HEIGHT_GAUGE,),
    Measure.FLOW: (InstrumentKind.FLOW_METER,),
    Measure.TEMPERATURE: (InstrumentKind.THERMOMETER,),
    Measure.RESISTANCE: (InstrumentKind.MULTIMETER, InstrumentKind.INSULATION_TESTER),
    Measure.VOLTAGE: (InstrumentKind.MULTIMETER,),
    Measure.CURRENT: (InstrumentKind.MULTIMETER,),
}
SHARES = ("%", "ppm")
"""How a share of gas in air is written; the gas or “vol” may stand beside it."""


def kinds_that_read(unit: str | None) -> tuple[InstrumentKind, ...]:
    """Return the kinds of instruments that read a unit; every kind where none is known for it.

    >>> kinds_that_read("% vol")
    (<InstrumentKind.GAS_DETECTOR: 'gas detector'>,)
    """
    if unit and any(share in unit for share in SHARES):
        return (InstrumentKind.GAS_DETECTOR,)
    measure = measure_of(unit)
    return tuple(InstrumentKind) if measure is None else READ_BY[measure]


def measure_of(unit: str | None) -> Measure | None:
    """Return what is measured in a unit; None where no instrument is known for it."""
    return next((measure for measure in READ_BY if unit and _converted(1.0, unit, measure)), None)


def beyond_range(
    value: float, unit: str, least: float | None, most: float | None, range_unit: str
) -> bool:
    """Say whether a reading lies outside a range kept in another unit.

    A range in a unit that measures something else says nothing.

    >>> beyond_range(0.3, "bar", None, 20.0, "kPa")
    True
    """
    low, high = least, most
    if unit != range_unit:
        measure = measure_of(unit)
        if measure is None or _converted(1.0, range_unit, measure) is None:
            return False
        low, high = (
            None if end is None else from_si(to_si(end, range_unit, measure), unit, measure)
            for end in (least, most)
        )
    slack = 1e-9 * max(abs(low or 0.0), abs(high or 0.0))
    return (low is not None and value < low - slack) or (high is not None and value > high + slack)


def range_words(least: float | None, most: float | None) -> str:
    """Return a range in words, without its unit; one end at least is known.

    >>> range_words(None, 2000.0), range_words(2.0, 20.0)
    ('up to 2000', '2 to 20')
    """
    if least is None:
        return f"up to {most:g}"
    return f"from {least:g}" if most is None else f"{least:g} to {most:g}"


def _converted(value: float, unit: str, measure: Measure) -> float | None:
    try:
        return to_si(value, unit, measure)
    except TradeError:
        return None
