"""Water and coolants: saturation pressure, density, heat capacity.

SI units. Sources: IAPWS-IF97, equation 30 (saturation); IAPWS-95 and CoolProp 8.0.0 (tables, at
0.2 MPa; ethylene glycol in water by mass).
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.preconditions import ZERO_CELSIUS_K, kelvin, more_than_zero, within

_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def saturation_pressure(temperature_k: float) -> float:
    """Compute the pressure in Pa at which water boils at this temperature.

    Valid for: 273.15 to 500 K.

    >>> round(saturation_pressure(300.0), 5)
    3536.58941

    Source: IAPWS-IF97, equation 30; the example is the first row of its table 35.
    """
    kelvin("the temperature", temperature_k, "temperature_k")
    within("the temperature", temperature_k, "K", ZERO_CELSIUS_K, 500.0, "temperature_k")
    theta = temperature_k + _N[8] / (temperature_k - _N[9])
    a = theta**2 + _N[0] * theta + _N[1]
    b = _N[2] * theta**2 + _N[3] * theta + _N[4]
    c = _N[5] * theta**2 + _N[6] * theta + _N[7]
    return 1e6 * float(2 * c / (-b + sqrt(b * b - 4 * a * c))) ** 4


@dataclass(frozen=True, slots=True)
class CoolantState:
    """A coolant at one temperature: kg/m³ and J/(kg·K)."""

    name: str
    density: float
    heat_capacity: float

    def __post_init__(self) -> None:
        """Refuse what is no coolant."""
        more_than_zero("the coolant's density", self.density, "kg/m³", "density")
        more_than_zero(
            "the coolant's heat capacity", self.heat_capacity, "J/(kg·K)", "heat_capacity"
        )


WATER, GLYCOL_30, GLYCOL_50 = "water", "30 % ethylene glycol", "50 % ethylene glycol"
_TABLES: dict[str, tuple[float, tuple[float, ...], tuple[float, ...]]] = {
    WATER: (
        10.0,
        (999.89, 999.75, 998.25, 995.69, 992.26, 988.08, 983.24, 977.81, 971.83, 965.35, 958.40),
        (4218.9, 4194.8, 4183.7, 4179.6, 4179.2, 4181.1, 4184.7, 4189.9, 4196.5, 4205.0, 4215.4),
    ),
    GLYCOL_30: (
        20.0,
        (1045.0, 1038.0, 1028.8, 1017.5, 1004.3, 989.4),
        (3658.0, 3718.0, 3775.0, 3829.0, 3878.0, 3922.0),
    ),
    GLYCOL_50: (
        20.0,
        (1074.6, 1064.9, 1053.4, 1040.5, 1026.4, 1011.5),
        (3203.0, 3312.0, 3413.0, 3503.0, 3582.0, 3646.0),
    ),
}
COOLANTS = tuple(_TABLES)


def coolant_at(name: str, temperature_k: float) -> CoolantState:
    """Return the density and heat capacity of a known coolant, 0 to 100 °C.

    Straight lines between rows.

    For another coolant make a `CoolantState` of its own figures. Raises OutOfRange for an unknown
    name or a temperature outside the table.

    >>> water = coolant_at("water", 338.15)
    >>> round(water.density, 1), round(water.heat_capacity)
    (980.5, 4187)
    """
    if name not in _TABLES:
        raise OutOfRange("the coolant", name or "missing", "", ", ".join(COOLANTS))
    kelvin("the coolant's temperature", temperature_k, "temperature_k")
    celsius = temperature_k - ZERO_CELSIUS_K
    within("the coolant's temperature", celsius, "°C", 0.0, 100.0, "celsius")
    step, densities, capacities = _TABLES[name]
    rows = step * np.arange(len(densities))
    density, capacity = (float(np.interp(celsius, rows, ys)) for ys in (densities, capacities))
    return CoolantState(name, density, capacity)
