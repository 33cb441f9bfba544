"""What a number must be before anything is computed from it; refusals say what would be right.

Common practice, no source.
"""

from math import isfinite

from service.platform.arithmetic.errors import OutOfRange

ZERO_CELSIUS_K = 273.15
COLDEST_K, HOTTEST_K = 200.0, 500.0
GREATEST_PRESSURE_PA = 1e7


def finite(name: str, value: float, unit: str, field: str = "") -> float:
    """Return the value itself; raises OutOfRange with the field's key where it is no number."""
    if not isfinite(value):
        raise OutOfRange(name, value, unit, "a number", field)
    return value


def more_than_zero(name: str, value: float, unit: str, field: str = "") -> float:
    """Return the value itself; raises OutOfRange unless it is above zero.

    >>> more_than_zero("the active area", 0.0, "m²")
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the active area is 0 m²; allowed: more than zero.
    """
    if finite(name, value, unit, field) <= 0:
        raise OutOfRange(name, f"{value:g}", unit, "more than zero", field)
    return value


def not_below_zero(name: str, value: float, unit: str, field: str = "") -> float:
    """Return the value itself; raises OutOfRange where it is negative."""
    if finite(name, value, unit, field) < 0:
        raise OutOfRange(name, f"{value:g}", unit, "zero or more", field)
    return value


def within(  # noqa: PLR0917 - value and range first, the key of its field last, as in the others
    name: str, value: float, unit: str, least: float, most: float, field: str = ""
) -> float:
    """Return the value itself; raises OutOfRange outside ``least`` to ``most``."""
    if not least <= finite(name, value, unit, field) <= most:
        raise OutOfRange(name, f"{value:g}", unit, f"{least:g} to {most:g} {unit}".rstrip(), field)
    return value


def kelvin(name: str, value: float, field: str = "") -> float:
    """Return the value itself, an absolute temperature in K; refuses what looks like °C.

    >>> kelvin("the gas temperature", 22.4)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the gas temperature is 22.4 K; \
allowed: 200 to 500 K (22.4 °C would be 295.55 K).
    """
    if COLDEST_K <= finite(name, value, "K", field) <= HOTTEST_K:
        return value
    as_celsius = value + ZERO_CELSIUS_K
    hint = f" ({value:g} °C would be {as_celsius:g} K)" if -60 <= value < COLDEST_K else ""
    raise OutOfRange(name, f"{value:g}", "K", f"{COLDEST_K:g} to {HOTTEST_K:g} K{hint}", field)


def absolute_pressure(
    name: str, value: float, barometer_pa: float | None = None, *, field: str = ""
) -> float:
    """Return the value itself, an absolute pressure in Pa.

    With ``barometer_pa`` the gas stands above the air outside: a value below that is refused as
    a gauge pressure.

    >>> absolute_pressure("the pressure at the start", 20e3, 101325.0)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the pressure at the start is 20 kPa; \
allowed: an absolute pressure above the air outside, 101.325 kPa \
(20 kPa gauge would be 121.325 kPa absolute).
    """
    if finite(name, value, "Pa", field) <= 0:
        raise OutOfRange(
            name,
            f"{value / 1e3:g}",
            "kPa",
            "an absolute pressure, more than zero (vacuum is zero)",
            field,
        )
    if value > GREATEST_PRESSURE_PA:
        raise OutOfRange(
            name, f"{value / 1e3:g}", "kPa", f"up to {GREATEST_PRESSURE_PA / 1e3:g} kPa", field
        )
    if barometer_pa is not None and value < barometer_pa:
        absolute_kpa = (value + barometer_pa) / 1e3
        raise OutOfRange(
            name,
            f"{value / 1e3:g}",
            "kPa",
            f"an absolute pressure above the air outside, {barometer_pa / 1e3:g} kPa"
            f" ({value / 1e3:g} kPa gauge would be {absolute_kpa:g} kPa absolute)",
            field,
        )
    return value


def barometer(value: float) -> float:
    """Return the value itself, the pressure of the air outside in Pa: 50 to 110 kPa."""
    if not 50e3 <= finite("the barometer", value, "Pa", "barometer") <= 110e3:
        raise OutOfRange(
            "the barometer", f"{value / 1e3:g}", "kPa", "50 to 110 kPa absolute", "barometer"
        )
    return value
