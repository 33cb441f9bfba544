"""Instruments: their kinds, what each reads and how far it may read wrong, what is said of them.

Where an instrument's own figure is not known: ISO 6789-1:2017 from memory (torque drivers); common
practice, no source, for the rest.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.physics.arithmetic.clamping import permissible_deviation
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import (
    choice,
    day,
    figure,
    moment,
    notes,
    number,
    reason,
    serial,
    whole,
    words,
    yes,
)
from service.platform.arithmetic.units import Measure, from_si, labels, to_si, unit_label
from service.store.arithmetic.calibrations import POINT, AsLeft, CalibrationResult
from service.store.arithmetic.instrument_errors import Coverage, may_be_off


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
    MICROMETER = "micrometer or thickness gauge"
    SCALE = "scale"
    MILLIOHM_METER = "milliohm meter"
    LOAD_CELL = "press load cell"
    HELIUM_DETECTOR = "helium leak detector"
    OXYGEN_MONITOR = "oxygen monitor"
    CONDUCTIVITY_METER = "conductivity meter"
    POTENTIOSTAT = "potentiostat"
    CELL_MONITOR = "cell voltage monitor"
    TORQUE_TESTER = "torque tester"


class TorqueTool(StrEnum):
    """How a torque driver says what it does; one that clicks or slips shows no reading."""

    CLICK = "click"
    SLIPPING = "slipping"
    READING = "dial or electronic"

    @property
    def reads(self) -> bool:
        """Say whether it shows a reading."""
        return self is TorqueTool.READING


class Principle(StrEnum):
    """How an instrument for gases senses."""

    CATALYTIC = "catalytic"
    THERMAL_CONDUCTIVITY = "thermal conductivity"
    ELECTROCHEMICAL = "electrochemical"
    INFRARED = "infrared"
    PARAMAGNETIC = "paramagnetic"


class GasMatrix(StrEnum):
    """The gas an instrument reads its share of another gas in."""

    AIR = "air"
    INERT = "inert gas"
    DILUTED = "inert gas, diluted with air"
    ANY = "air and inert gas"


READS: dict[InstrumentKind, dict[Measure, tuple[str, ...]]] = {
    InstrumentKind.TORQUE_DRIVER: {Measure.TORQUE: labels(Measure.TORQUE)},
    InstrumentKind.PRESSURE_GAUGE: {Measure.PRESSURE: labels(Measure.PRESSURE)},
    InstrumentKind.INSULATION_TESTER: {Measure.RESISTANCE: ("kΩ", "MΩ", "GΩ")},
    InstrumentKind.MULTIMETER: {
        Measure.VOLTAGE: labels(Measure.VOLTAGE),
        Measure.CURRENT: labels(Measure.CURRENT),
        Measure.RESISTANCE: ("Ω", "kΩ", "MΩ"),
    },
    InstrumentKind.THERMOMETER: {Measure.TEMPERATURE: labels(Measure.TEMPERATURE)},
    InstrumentKind.GAS_DETECTOR: {},
    InstrumentKind.HEIGHT_GAUGE: {Measure.LENGTH: labels(Measure.LENGTH)},
    InstrumentKind.FLOW_METER: {Measure.FLOW: labels(Measure.FLOW)},
    InstrumentKind.MICROMETER: {Measure.LENGTH: labels(Measure.LENGTH)},
    InstrumentKind.SCALE: {Measure.MASS: labels(Measure.MASS)},
    InstrumentKind.MILLIOHM_METER: {Measure.RESISTANCE: ("µΩ", "mΩ", "Ω")},
    InstrumentKind.LOAD_CELL: {Measure.FORCE: labels(Measure.FORCE)},
    InstrumentKind.HELIUM_DETECTOR: {Measure.LEAK_RATE: labels(Measure.LEAK_RATE)},
    InstrumentKind.OXYGEN_MONITOR: {},
    InstrumentKind.CONDUCTIVITY_METER: {Measure.CONDUCTIVITY: labels(Measure.CONDUCTIVITY)},
    InstrumentKind.POTENTIOSTAT: {
        Measure.VOLTAGE: labels(Measure.VOLTAGE),
        Measure.CURRENT: labels(Measure.CURRENT),
    },
    InstrumentKind.TORQUE_TESTER: {Measure.TORQUE: labels(Measure.TORQUE)},
    InstrumentKind.CELL_MONITOR: {Measure.VOLTAGE: ("V", "mV")},
}
"""What each kind reads, and in which units; those without read a share of gas."""
SHARES = ("%", "ppm")
"""How a share of gas in air is written; the gas or “vol” may stand beside it."""
OTHER_GAS = {InstrumentKind.GAS_DETECTOR: ("O2", "O₂"), InstrumentKind.OXYGEN_MONITOR: ("H2", "H₂")}
"""A gas beside the share which the kind does not read."""


def reads_in(matrix: GasMatrix | None, wanted: GasMatrix) -> bool:
    """Say whether an instrument that reads in one gas fits where another is wanted.

    >>> reads_in(GasMatrix.DILUTED, GasMatrix.INERT), reads_in(GasMatrix.AIR, GasMatrix.INERT)
    (True, False)
    """
    fits = {wanted, GasMatrix.ANY} | ({GasMatrix.DILUTED} if wanted is GasMatrix.INERT else set())
    return matrix in fits


def kinds_that_read(unit: str | None) -> tuple[InstrumentKind, ...]:
    """Return the kinds of instruments that read a unit; every kind where none is known for it.

    >>> kinds_that_read("% vol")
    (<InstrumentKind.GAS_DETECTOR: 'gas detector'>, <InstrumentKind.OXYGEN_MONITOR: \
'oxygen monitor'>)
    >>> kinds_that_read("mΩ")
    (<InstrumentKind.MILLIOHM_METER: 'milliohm meter'>,)
    """
    if not unit:
        return tuple(InstrumentKind)
    return tuple(kind for kind in READS if reads(kind, unit)) or tuple(InstrumentKind)


def reads(kind: InstrumentKind, unit: str) -> bool:
    """Say whether instruments of a kind read this unit."""
    if not READS[kind]:
        is_share = any(share in unit for share in SHARES)
        return is_share and not any(gas in unit for gas in OTHER_GAS[kind])
    return any(_label(unit, measure) in units for measure, units in READS[kind].items())


def units_of(kind: InstrumentKind) -> tuple[str, ...]:
    """Return the units instruments of a kind read.

    >>> units_of(InstrumentKind.CELL_MONITOR), units_of(InstrumentKind.OXYGEN_MONITOR)
    (('V', 'mV'), ('% vol', 'ppm'))
    """
    return tuple(unit for units in READS[kind].values() for unit in units) or ("% vol", "ppm")


def measure_of(unit: str | None) -> Measure | None:
    """Return what is measured in a unit; None where no instrument is known for it."""
    measures = (measure for measured in READS.values() for measure in measured)
    return next((measure for measure in measures if unit and _label(unit, measure)), None)


def _label(unit: str, measure: Measure) -> str:
    try:
        return unit_label(unit, measure)
    except TradeError:
        return ""


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
        if measure is None or not _label(range_unit, measure):
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
    "torque tester": Accuracy(1.0, 0.0, "N·m", "common practice"),
}
KINDS = tuple(_USUAL)


def instrument_accuracy(kind: str, greatest_nm: float | None = None) -> Accuracy:
    """Return how far an instrument of this kind may read wrong.

    A torque driver's class goes by the end of its range, ``greatest_nm``: up to 10 N·m it may be
    6 % off, at every torque it is made for. Raises OutOfRange for an unknown kind.

    >>> instrument_accuracy("torque driver", 60.0).percent
    4.0
    >>> instrument_accuracy("torque driver", 8.0).percent
    6.0
    """
    if kind not in _USUAL:
        raise OutOfRange("the kind of instrument", kind or "missing", "", ", ".join(KINDS))
    usual = _USUAL[kind]
    if kind == "torque driver" and greatest_nm is not None:
        percent = round(100 * permissible_deviation(greatest_nm), 9)
        bound = "up to" if percent > usual.percent else "above"
        return Accuracy(percent, 0.0, usual.unit, f"ISO 6789-1:2017, {bound} 10 N·m")
    return usual


def driver_percent(driver: Any, torque_nm: float) -> float:
    """Return how far a torque driver may be off at a torque, ± % of it, from its row.

    Without a sheet it is of the class of its range; where that is not known, of the torque's.
    """
    unit = driver.unit or "N·m"
    percent = may_be_off(driver).in_unit(unit, "N·m", Measure.TORQUE).percent_at(torque_nm)
    if percent is None:
        greatest = driver.range_most and to_si(driver.range_most, unit, Measure.TORQUE)
        percent = instrument_accuracy("torque driver", greatest or torque_nm).percent
    return percent


INSTRUMENT_FIELDS = (
    choice("kind", "Kind", tuple(InstrumentKind)),
    choice("tool", "Type of torque driver", tuple(TorqueTool), required=False,
           help="Of a torque driver only. A click or slipping tool gives no reading: its setting is"
           " checked, and each nut is entered with one press."),
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
    number("accuracy_percent", "Accuracy, share of the reading", "% of the reading", most=50.0,
           required=False, help="± as its data sheet or certificate states it; the three parts add"
           " up. All empty: what is usual for its kind is taken."),
    number("accuracy_full_scale_percent", "Accuracy, share of full scale", "% of full scale",
           most=50.0, required=False, example="0.25", help="± of the end of its range."),
    figure("accuracy_offset", "Accuracy, offset", required=False, example="0.02",
           help="±, in the unit of the range."),
    choice("accuracy_coverage", "What the accuracy is", tuple(Coverage), required=False,
           otherwise=Coverage.GREATEST.value,
           help="Greatest deviation: a limit of error. Expanded or standard: an uncertainty."),
    figure("resolution", "Smallest step it shows", required=False, example="0.1",
           help="In the unit of the range, such as 0.1. Empty: what is usual for its kind is"
           " taken."),
    choice("principle", "Principle", tuple(Principle), required=False,
           help="Of an instrument for gases."),
    choice("gas_matrix", "Gas it reads in", tuple(GasMatrix), required=False,
           help="A catalytic head reads low without oxygen: in a nitrogen purge only diluted."),
)  # fmt: skip
ADDED_FIELDS = tuple(field for field in INSTRUMENT_FIELDS if field.name != "in_use")
"""What is said of a new instrument, which is in use."""

CALIBRATION_FIELDS = (
    day("done_at", "Done on", required=True, column="done"),
    day("due_at", "Next one due on", required=True, ahead=True, column="due",
        help="It counts through that day."),
    whole("due_operations", "Or due after", unit="operations", required=False, most=1_000_000,
          example="5000", help="Readings and tests with it are counted. Empty: by date alone."),
    serial("certificate", "Certificate", example="C-1042"),
    choice("result", "Result", tuple(CalibrationResult)),
    choice("as_left", "After adjustment", tuple(AsLeft), required=False,
           help="Empty: it was not adjusted."),
    figure("error_percent", "Error as found, share of the reading", "% of the reading",
           required=False, example="-2.5",
           help="Shown less true: −2.5 where it shows too little. The three parts add up."),
    figure("error_full_scale_percent", "Error as found, share of full scale", "% of full scale",
           required=False, example="0.2"),
    figure("error_offset", "Error as found, offset", required=False, example="-0.1",
           help="In the unit of the range."),
    notes(),
)  # fmt: skip
POINTS_FIELD = notes(
    "points",
    "Points of the certificate",
    help=f"One a line, in the unit of the range: {POINT}. A stroke: not read.",
)
AWAY_FIELDS = (
    moment("away_from", "Away from"),
    words("place", "Where it goes", example="calibration laboratory, by courier"),
)
DEVICE_FIELDS = (
    moment("from_at", "In use from"),
    words("device", "Device", help="Maker and serial number of the device, or the sensor put in."),
    reason("reason"),
)
