"""Instruments: their kinds, what each reads and how far it may read wrong, what is said of them.

Where an instrument's own figure is not known: ISO 6789-1:2017 from memory (torque drivers); common
practice, no source, for the rest.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.physics.arithmetic.clamping import permissible_deviation
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import (
    choice,
    day,
    figure,
    notes,
    number,
    serial,
    words,
    yes,
)
from service.platform.arithmetic.units import Measure, from_si, to_si


class InstrumentKind(StrEnum):
    """What an instrument measures or sets."""

    TORQUE_DRIVER = "torque driver"
    PRESSURE_GAUGE = "pressure gauge"
    INSULATION_TESTER = "insulation tester"
    MULTIMETER = "multimeter"
    THERMOMETER = "thermometer"
    GAS_DETECTOR = "gas detector"
    HEIGHT_GAUGE = "height gauge"
    FLOW_METER = "flow meter"


class CalibrationResult(StrEnum):
    """How the instrument was found."""

    IN_TOLERANCE = "in tolerance as found"
    OUT_OF_TOLERANCE = "out of tolerance as found"


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


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Greatest deviation ± in % of the reading, and at least ``least`` in ``unit``; where from.

    A certificate or data sheet of the instrument itself goes first.
    """

    percent: float
    least: float
    unit: str
    source: str


_USUAL = {
    "torque driver": Accuracy(4.0, 0.0, "N·m", "ISO 6789-1:2017, above 10 N·m"),
    "pressure gauge": Accuracy(0.5, 0.05, "kPa", "common practice, digital gauge"),
    "thermometer": Accuracy(0.0, 0.2, "K", "common practice"),
    "flow meter": Accuracy(1.5, 0.0, "mL/min", "common practice, thermal flow meter"),
    "insulation tester": Accuracy(5.0, 0.0, "MΩ", "common practice"),
    "multimeter": Accuracy(0.5, 0.0, "", "common practice, hand-held"),
    "height gauge": Accuracy(0.0, 0.03, "mm", "common practice"),
    "gas detector": Accuracy(10.0, 0.0, "", "common practice"),
}
KINDS = tuple(_USUAL)


def instrument_accuracy(kind: str, reading: float | None = None) -> Accuracy:
    """Return how far an instrument of this kind may read wrong; ``reading`` in its unit.

    Drivers below 10 N·m may be 6 % off. Raises OutOfRange for an unknown kind.

    >>> instrument_accuracy("torque driver").percent
    4.0
    >>> instrument_accuracy("torque driver", 8.0).percent
    6.0
    """
    if kind not in _USUAL:
        raise OutOfRange("the kind of instrument", kind or "missing", "", ", ".join(KINDS))
    usual = _USUAL[kind]
    if kind == "torque driver" and reading is not None:
        percent = round(100 * permissible_deviation(reading), 9)
        bound = "up to" if percent > usual.percent else "above"
        return Accuracy(percent, 0.0, usual.unit, f"ISO 6789-1:2017, {bound} 10 N·m")
    return usual


INSTRUMENT_FIELDS = (
    choice("kind", "Kind", tuple(InstrumentKind)),
    serial("label", "Mark on the instrument", column="mark",
           help="As engraved or on its sticker, such as TD-03."),
    words("description", "Description", required=False,
          help="Such as: slipping driver, 1/4 inch."),
    figure("range_least", "Range from", required=False, example="0.5"),
    figure("range_most", "Range to", required=False, example="20"),
    words("unit", "Unit of the range", required=False, longest=20, help="N·m, kPa, V, MΩ …"),
    yes("in_use", "In use",
        help="Without the tick it is withdrawn: no reading can name it any more, those taken"
        " stay."),
    number("accuracy_percent", "Accuracy", "% of the reading", most=50.0, required=False,
           help="Greatest deviation either way, as its maker or its calibration gives it. Empty:"
           " what is usual for its kind is taken."),
    figure("resolution", "Smallest step it shows", required=False, example="0.1",
           help="In the unit of the range, such as 0.1. Empty: what is usual for its kind is"
           " taken."),
)  # fmt: skip
ADDED_FIELDS = tuple(field for field in INSTRUMENT_FIELDS if field.name != "in_use")
"""What is said of a new instrument, which is in use."""

CALIBRATION_FIELDS = (
    day("done_at", "Done on", required=True, column="done"),
    day("due_at", "Next one due on", required=True, ahead=True, column="due",
        help="It counts through that day."),
    serial("certificate", "Certificate", example="C-1042"),
    choice("result", "Result", tuple(CalibrationResult)),
    figure("error_percent", "Error as found", "% of the reading", required=False, example="-2.5"),
    notes(),
)  # fmt: skip
