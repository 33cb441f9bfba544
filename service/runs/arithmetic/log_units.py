"""Units of log columns: what stands in brackets behind a name or in a row of its own.

Test benches write units carelessly: “l/mn”, “mbara”, “degC”, and “A/cm²” in a code page that
turned the raised two into another sign. Each reading forgiven here is common practice, no source.
"""

import re
import unicodedata
from dataclasses import dataclass

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.units import Measure, from_si, to_si, unit_label

_LABEL_OF = {
    Measure.VOLTAGE: "V",
    Measure.CURRENT: "A",
    Measure.CURRENT_DENSITY: "A/cm²",
    Measure.TEMPERATURE: "°C",
    Measure.FLOW: "L/min",
    Measure.PRESSURE: "kPa",
    Measure.DURATION: "h",
    Measure.POWER: "W",
    Measure.RESISTANCE: "mΩ",
}
"""The unit each measure is kept in when a log is read."""
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[({<](?P<unit>[^\])}>]*)[\])}>]\s*$", re.DOTALL)
_TAIL = re.compile(r"^(?P<name>.*?\S)\s*(?:/|\sin\s)\s*(?P<unit>\S{1,12})$")
_UNDERSCORE = re.compile(
    r"^(?P<name>.+)_(?P<unit>m?A_cm2|l_min|mV|V|m?A|degC|C|K|m?bar|kPa|h|min|m?s)$"
)
_MOJIBAKE = str.maketrans({"\uff72": "²", "\uff70": "°", "˚": "°", "º": "°", "\ufffd": "?"})
_SPELLINGS = {
    "l/mn": "L/min", "lpm": "L/min", "slpm": "L/min", "nlpm": "L/min", "nl/min": "L/min",
    "sl/min": "L/min", "slm": "L/min", "ln/min": "L/min", "l/min": "L/min", "nl/h": "L/h",
    "sccm": "mL/min", "mln/min": "mL/min", "nml/min": "mL/min",
    "mbara": "mbar", "mbarg": "mbar", "mbar(a)": "mbar", "mbar(g)": "mbar",
    "bara": "bar", "barg": "bar", "bar(a)": "bar", "bar(g)": "bar", "kpaa": "kPa", "kpag": "kPa",
    "a/cm?": "A/cm²", "ma/cm?": "mA/cm²", "a/cm^2": "A/cm²", "ma/cm^2": "mA/cm²",
    "a/cm2": "A/cm²", "ma/cm2": "mA/cm²", "a/m^2": "A/m²",
    "?c": "°C", "deg c": "°C", "grad c": "°C", "celsius": "°C",
    "a_cm2": "A/cm²", "ma_cm2": "mA/cm²", "l_min": "L/min",
    "hr": "h", "hrs": "h", "hour": "h", "std": "h", "sec": "s", "secs": "s", "second": "s",
    "sek": "s", "mins": "min", "minute": "min", "volt": "V", "volts": "V", "amp": "A",
    "amps": "A", "ampere": "A", "millivolt": "mV",
}  # fmt: skip
"""Other spellings, in small letters. Normal and standard litres are read as litres: at which
reference condition a flow was given, a log does not say."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A column's name without its unit, and the unit as it is written; "" where none is."""

    name: str
    unit: str


def parted(heading: str) -> Heading:
    """Part a heading into the name and the unit.

    >>> parted("J (A/cm²)"), parted("T_in in °C"), parted("Uzelle_1 [mV]"), parted("cell 12")
    (Heading(name='J', unit='A/cm²'), Heading(name='T_in', unit='°C'), \
Heading(name='Uzelle_1', unit='mV'), Heading(name='cell 12', unit=''))
    """
    text = mended(heading).strip().strip('"').strip()
    for pattern in (_BRACKETS, _TAIL, _UNDERSCORE):
        match = pattern.match(text)
        if match and (pattern is _BRACKETS or measure_of(match["unit"]) is not None):
            return Heading(match["name"].strip(), match["unit"].strip())
    return Heading(text, "")


def mended(text: str) -> str:
    """Return the same with signs put right which a wrong code page made of ² and °."""
    return unicodedata.normalize("NFC", text.translate(_MOJIBAKE))


def label_in(text: str, measure: Measure) -> str | None:
    """Return the unit's label where it is one of this measure, else None.

    >>> label_in("l/mn", Measure.FLOW), label_in("degC", Measure.TEMPERATURE)
    ('L/min', '°C')
    """
    written = mended(text).strip()
    spelled = _SPELLINGS.get(written.casefold(), written)
    try:
        return unit_label(spelled, measure)
    except OutOfRange:
        return None


def measure_of(unit: str) -> Measure | None:
    """Return the measure of this unit in a log; None where it is not known."""
    for measure in _LABEL_OF:
        if label_in(unit, measure) is not None:
            return measure
    return None


def kept_in(measure: Measure) -> str:
    """Return the unit this measure is given in once a log was read.

    >>> kept_in(Measure.CURRENT_DENSITY)
    'A/cm²'
    """
    return _LABEL_OF[measure]


def linear(unit: str, measure: Measure) -> tuple[float, float]:
    """Return factor and addend that turn a value in ``unit`` into the unit it is kept in.

    Raises OutOfRange for a unit that is none of the measure's.

    >>> linear("mV", Measure.VOLTAGE), linear("K", Measure.TEMPERATURE)
    ((0.001, 0.0), (1.0, -273.15))
    """
    label = label_in(unit, measure)
    if label is None:
        label = unit_label(unit, measure)  # raises, naming those that would be right
    kept_unit = kept_in(measure)
    if label == kept_unit:
        return 1.0, 0.0
    # All units are straight lines of each other: two values a thousand apart give slope and start.
    # 500 is above absolute zero in °C, °F and K. Rounding takes off what floats leave behind.
    origin = 0.0 if measure is not Measure.TEMPERATURE else 500.0
    low = from_si(to_si(origin, label, measure), kept_unit, measure)
    high = from_si(to_si(origin + 1000.0, label, measure), kept_unit, measure)
    factor = round((high - low) / 1000.0, 15)
    return factor, round(low - origin * factor, 9)
