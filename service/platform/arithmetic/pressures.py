"""Gauge and absolute pressure: which one is written, and the one from the other.

Common practice, no source.
"""

import re
from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import absolute_pressure, barometer
from service.platform.arithmetic.units import Measure, read_quantity

STANDARD_ATMOSPHERE_PA = 101_325.0
_SUFFIX = re.compile(
    r"(?P<rest>.*?[A-Za-z²])\s*(?:\(\s*(?P<inside>abs(?:olute)?|a|gauge|g)\s*\)"
    r"|\s(?P<apart>abs(?:olute)?|a|gauge|g)|(?<=bar)(?P<close>[ag])|(?<=psi)(?P<closer>[ag]))\s*",
    re.IGNORECASE,
)


class Zero(StrEnum):
    """Where a pressure counts from."""

    ABSOLUTE = "absolute"
    GAUGE = "gauge"
    NOT_SAID = "not said"


@dataclass(frozen=True, slots=True)
class Pressure:
    """A pressure as typed, in Pa from the zero it was given from."""

    pa: float
    zero: Zero
    value: float
    unit: str

    def absolute(self, barometer_pa: float, otherwise: Zero = Zero.NOT_SAID) -> float:
        """Return the absolute pressure in Pa; ``otherwise`` holds where the text did not say.

        Raises Inconsistent where neither says whether it is gauge or absolute; OutOfRange where
        the result is no pressure.
        """
        zero = otherwise if self.zero is Zero.NOT_SAID else self.zero
        if zero is Zero.NOT_SAID:
            raise Inconsistent(
                f"Say whether {self.value:g} {self.unit} is gauge or absolute,"
                f" such as “{self.value:g} {self.unit} g” or “{self.value:g} {self.unit} abs”."
            )
        if zero is Zero.GAUGE:
            return from_gauge(self.pa, barometer_pa)
        return absolute_pressure("the pressure", self.pa)


def from_gauge(gauge_pa: float, barometer_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
    """Compute the absolute pressure of this gauge pressure. All in Pa.

    >>> from_gauge(50e3, 98e3)
    148000.0
    """
    return absolute_pressure("the pressure", gauge_pa + barometer(barometer_pa))


def read_pressure(text: str, unit: str = "kPa") -> Pressure:
    """Read a pressure and the zero it counts from. ``bar g``, ``psia``, ``kPa (abs)``.

    Raises OutOfRange where number or unit cannot be read.

    >>> read_pressure("0.2 bar g").zero, read_pressure("121.3 kPa abs").zero
    (<Zero.GAUGE: 'gauge'>, <Zero.ABSOLUTE: 'absolute'>)
    >>> read_pressure("20").pa
    20000.0
    """
    match = _SUFFIX.fullmatch(text)
    suffix = next((part for part in (match.groups()[1:] if match else ()) if part), "")
    entry = read_quantity(match["rest"] if match else text, Measure.PRESSURE, unit)
    zero = {"a": Zero.ABSOLUTE, "g": Zero.GAUGE}.get(suffix[:1].casefold(), Zero.NOT_SAID)
    return Pressure(entry.si, zero, entry.value, entry.unit)
