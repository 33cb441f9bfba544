"""Units as they stand on tools, gauges and drawings, and the SI they are computed in.

Factors come from ``scipy.constants`` (exact by definition, NIST SP 811). One label a unit; other
spellings are read, never written.
"""

import re
from dataclasses import dataclass
from enum import StrEnum
from math import pi

from scipy import constants

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.preconditions import finite

_INCH, _FOOT, _POUND_FORCE = constants.inch, constants.foot, constants.lbf
_ATM, _TORR, _MINUTE = constants.atm, constants.atm / 760, constants.minute
_LITRE, _CM3 = constants.liter, 1e-6


class Measure(StrEnum):
    """What is measured. The comment names the SI unit everything is computed in."""

    TORQUE = "torque"  # N·m
    FORCE = "force"  # N
    PRESSURE = "pressure"  # Pa
    LENGTH = "length"  # m
    AREA = "area"  # m²
    VOLUME = "volume"  # m³
    LEAK_RATE = "leak rate"  # Pa·m³/s
    FLOW = "flow"  # m³/s, at a reference condition that is said beside it
    LINE_LOAD = "line load"  # N/m
    STIFFNESS = "stiffness"  # N/m
    TEMPERATURE = "temperature"  # K
    TEMPERATURE_CHANGE = "temperature change"  # K
    RESISTANCE = "resistance"  # Ω
    VOLTAGE = "voltage"  # V
    CURRENT = "current"  # A
    CURRENT_DENSITY = "current density"  # A/m²
    POWER = "power"  # W
    MASS_FLOW = "mass flow"  # kg/s
    DURATION = "duration"  # s
    ANGLE = "angle"  # rad
    EXPANSION = "expansion"  # 1/K
    MASS = "mass"  # kg
    CONDUCTIVITY = "conductivity"  # S/m


IN_SI: dict[Measure, dict[str, float]] = {
    Measure.TORQUE: {
        "N·m": 1.0,
        "cN·m": 0.01,
        "in·lbf": _INCH * _POUND_FORCE,
        "ft·lbf": _FOOT * _POUND_FORCE,
    },
    Measure.FORCE: {"N": 1.0, "kN": 1e3, "lbf": _POUND_FORCE, "kgf": constants.kgf},
    Measure.PRESSURE: {
        "Pa": 1.0,
        "kPa": 1e3,
        "MPa": 1e6,
        "bar": constants.bar,
        "mbar": constants.bar / 1e3,
        "hPa": 100.0,
        "GPa": 1e9,
        "N/mm²": 1e6,
        "psi": constants.psi,
        "atm": _ATM,
        "Torr": _TORR,
    },
    Measure.LENGTH: {"m": 1.0, "mm": 1e-3, "µm": 1e-6, "cm": 0.01, "in": _INCH},
    Measure.AREA: {"m²": 1.0, "cm²": 1e-4, "mm²": 1e-6, "in²": _INCH**2},
    Measure.VOLUME: {"m³": 1.0, "L": _LITRE, "mL": _CM3, "cm³": _CM3},
    Measure.LEAK_RATE: {
        "Pa·m³/s": 1.0,
        "mbar·L/s": constants.bar / 1e3 * _LITRE,
        "sccm": _ATM * _CM3 / _MINUTE,
        "Torr·L/s": _TORR * _LITRE,
        "atm·cm³/s": _ATM * _CM3,
    },
    Measure.FLOW: {
        "m³/s": 1.0,
        "L/min": _LITRE / _MINUTE,
        "mL/min": _CM3 / _MINUTE,
        "cm³/min": _CM3 / _MINUTE,
        "L/s": _LITRE,
        "L/h": _LITRE / constants.hour,
        "m³/h": 1 / constants.hour,
    },
    Measure.LINE_LOAD: {"N/m": 1.0, "N/mm": 1e3, "kN/m": 1e3, "lbf/in": _POUND_FORCE / _INCH},
    Measure.STIFFNESS: {"N/m": 1.0, "N/mm": 1e3, "kN/mm": 1e6, "N/µm": 1e6},
    Measure.TEMPERATURE: {"K": 1.0, "°C": 1.0, "°F": 5 / 9},
    Measure.TEMPERATURE_CHANGE: {"K": 1.0, "°C": 1.0, "°F": 5 / 9},
    Measure.RESISTANCE: {"Ω": 1.0, "µΩ": 1e-6, "mΩ": 1e-3, "kΩ": 1e3, "MΩ": 1e6, "GΩ": 1e9},
    Measure.VOLTAGE: {"V": 1.0, "mV": 1e-3, "kV": 1e3},
    Measure.CURRENT: {"A": 1.0, "mA": 1e-3, "µA": 1e-6},
    Measure.CURRENT_DENSITY: {"A/m²": 1.0, "A/cm²": 1e4, "mA/cm²": 10.0},
    Measure.POWER: {"W": 1.0, "kW": 1e3},
    Measure.MASS_FLOW: {"kg/s": 1.0, "g/s": 1e-3, "g/min": 1e-3 / _MINUTE, "kg/h": 1 / 3600},
    Measure.DURATION: {"s": 1.0, "min": _MINUTE, "h": constants.hour},
    Measure.ANGLE: {"rad": 1.0, "°": pi / 180, "turns": 2 * pi},
    Measure.EXPANSION: {"1/K": 1.0, "µm/(m·K)": 1e-6},
    Measure.MASS: {"kg": 1.0, "g": 1e-3, "mg": 1e-6},
    Measure.CONDUCTIVITY: {"S/m": 1.0, "mS/cm": 0.1, "µS/cm": 1e-4, "µS/m": 1e-6},
}
"""SI units in one of each unit. A leak rate in sccm is one of gas at 0 °C and 101.325 kPa."""

_ABOVE_ZERO_K: dict[str, float] = {
    "K": 0.0,
    "°C": constants.zero_Celsius,
    "°F": constants.zero_Celsius - 160 / 9,
}
_OTHER_NAMES = {
    "inlb": "in·lbf",
    "lbin": "in·lbf",
    "lbfin": "in·lbf",
    "ftlb": "ft·lbf",
    "lbft": "ft·lbf",
    "lbfft": "ft·lbf",
    "n/mm2": "N/mm²",
    "c": "°C",
    "degc": "°C",
    "f": "°F",
    "degf": "°F",
    "ohm": "Ω",
    "kohm": "kΩ",
    "mohm": "mΩ",
    "Mohm": "MΩ",
    "gohm": "GΩ",
    "deg": "°",
    "grad": "°",
    "turn": "turns",
    "cc": "cm³",
    "ccm": "cm³",
    "atmcc/s": "atm·cm³/s",
    "mbarl/sec": "mbar·L/s",
    "ml/minute": "mL/min",
    "ppm/k": "µm/(m·K)",
    "seconds": "s",
    "minutes": "min",
    "hours": "h",
}
_M_IS_NO_M = {
    *(Measure.PRESSURE, Measure.RESISTANCE, Measure.VOLTAGE, Measure.CURRENT, Measure.POWER),
    Measure.CONDUCTIVITY,
}
"""Where a capital M stands for a million and a small one for a thousandth, and both are used."""
_FOLDED = {"³": "3", "²": "2", "μ": "u", "µ": "u", "\u03a9": "ohm", "\u2126": "ohm", "º": "°"}
_ENTRY = re.compile(
    r"\s*(?P<number>[-+−]?[\d.,'’\s\u2009\u202f]*\d[.,]?(?:[eE][-+−]?\d+)?)\s*"
    r"(?P<unit>[^\d\s].*?)?\s*"
)


@dataclass(frozen=True, slots=True)
class UnitEntry:
    """A quantity as typed: the number, its unit's label, and the same in SI."""

    si: float
    value: float
    unit: str


def labels(measure: Measure) -> tuple[str, ...]:
    """Return units this can be given in, the SI unit first.

    >>> labels(Measure.TORQUE)
    ('N·m', 'cN·m', 'in·lbf', 'ft·lbf')
    """
    return tuple(IN_SI[measure])


def unit_label(text: str, measure: Measure) -> str:
    """Read a unit. Dots, spaces, raised digits are forgiven; case too, not m for M.

    Raises OutOfRange for any other unit, naming those that would be right.

    >>> unit_label("mbar l/s", Measure.LEAK_RATE), unit_label("in-lbs", Measure.TORQUE)
    ('mbar·L/s', 'in·lbf')
    >>> unit_label("mPa", Measure.PRESSURE)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the unit is mPa; allowed: Pa, kPa, MPa, bar, \
mbar, hPa, GPa, N/mm², psi, atm, Torr.
    """
    known_labels = IN_SI[measure]
    if text.strip() in known_labels:
        return text.strip()
    forgiving = measure not in _M_IS_NO_M
    folded = _folded(text, forgiving=forgiving)
    for label in known_labels:
        if folded == _folded(label, forgiving=forgiving):
            return label
    standard_name = _OTHER_NAMES.get(folded)
    if standard_name in known_labels:
        return str(standard_name)
    raise OutOfRange("the unit", text.strip() or "missing", "", ", ".join(known_labels))


def _folded(text: str, *, forgiving: bool) -> str:
    plain = "".join(_FOLDED.get(sign, sign) for sign in text)
    plain = re.sub(r"[\s.·⋅∙*×\-_()]", "", plain)
    plain = re.sub("lbs", "lb", plain, flags=re.IGNORECASE)
    if forgiving:
        return plain.casefold()
    return "".join(sign if sign == "M" else sign.casefold() for sign in plain)


def to_si(value: float, unit: str, measure: Measure) -> float:
    """Convert to SI.

    Raises OutOfRange for an unknown unit, for no number, and for a temperature below absolute zero.

    >>> round(to_si(75, "in·lbf", Measure.TORQUE), 4)
    8.4739
    >>> round(to_si(22.4, "°C", Measure.TEMPERATURE), 2)
    295.55
    """
    label = unit_label(unit, measure)
    si = finite(f"the {measure}", value, label) * IN_SI[measure][label]
    if measure is Measure.TEMPERATURE:
        si += _ABOVE_ZERO_K[label]
        if si < 0:
            raise OutOfRange("the temperature", f"{value:g}", label, "above absolute zero")
    return si


def from_si(si: float, unit: str, measure: Measure) -> float:
    """Convert to another unit; ``si`` in the measure's SI unit.

    >>> round(from_si(0.1, "sccm", Measure.LEAK_RATE), 1)
    59.2

    Source of the example: 1 mbar·L/s is 59.2 cm³/min of gas at 0 °C, leak-test conversion tables.
    """
    label = unit_label(unit, measure)
    if measure is Measure.TEMPERATURE:
        return (si - _ABOVE_ZERO_K[label]) / IN_SI[measure][label]
    return si / IN_SI[measure][label]


def read_quantity(text: str, measure: Measure, unit: str) -> UnitEntry:
    """Read a quantity. ``unit`` holds where none is written behind the number.

    Raises OutOfRange where number or unit cannot be read.

    >>> read_quantity("1,2 MPa", Measure.PRESSURE, "bar")
    UnitEntry(si=1200000.0, value=1.2, unit='MPa')
    """
    match = _ENTRY.fullmatch(text)
    if match is None:
        raise OutOfRange(
            f"the {measure}", text.strip() or "empty", "", f"a number such as 8.5, in {unit}"
        )
    label = unit_label(match["unit"] or unit, measure)
    value = read_number(match["number"])
    return UnitEntry(to_si(value, label, measure), value, label)
