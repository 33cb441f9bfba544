"""Torque as it stands on the tools: N·m, cN·m, in·lbf and ft·lbf."""

import re

from service.trade.errors import Inconsistent, OutOfRange
from service.trade.numbers import read_number

FOOT_M = 0.3048
POUND_FORCE_N = 0.453_592_37 * 9.806_65

IN_NEWTON_METRES = {
    "N·m": 1.0,
    "cN·m": 0.01,
    "in·lbf": FOOT_M / 12 * POUND_FORCE_N,
    "ft·lbf": FOOT_M * POUND_FORCE_N,
}
"""N·m in one of each unit. Foot and pound are exact by definition (NIST SP 811, B.8)."""

_SPELLINGS = {
    "nm": "N·m",
    "cnm": "cN·m",
    "inlbf": "in·lbf",
    "inlb": "in·lbf",
    "lbfin": "in·lbf",
    "lbin": "in·lbf",
    "ftlbf": "ft·lbf",
    "ftlb": "ft·lbf",
    "lbfft": "ft·lbf",
    "lbft": "ft·lbf",
}
_ENTRY = re.compile(r"\s*(?P<number>[-+−]?[\d.,'’\s\u2009\u202f]*\d[.,]?)\s*(?P<unit>\D*?)\s*")


def torque_unit(text: str) -> str:
    """Which unit is written here? ``Nm``, ``in-lb``, ``lbf.ft`` and their like are understood.

    Raises OutOfRange for any other unit.

    >>> torque_unit("in-lbs")
    'in·lbf'
    """
    plain = re.sub(r"[\s.·⋅∙*×\-_]", "", text).casefold().replace("lbs", "lb")
    if plain not in _SPELLINGS:
        raise OutOfRange("the unit", text.strip(), "", ", ".join(IN_NEWTON_METRES))
    return _SPELLINGS[plain]


def read_torque_text(text: str, unit: str = "N·m") -> tuple[float, str]:
    """How many N·m are written here, and in which unit? ``unit`` holds where none is written.

    Raises OutOfRange where number or unit cannot be read, or the torque is not above zero.

    >>> read_torque_text("75 in·lbf")
    (8.473862177071252, 'in·lbf')

    Source: NIST SP 811 (2008), appendix B.8.
    """
    found = _ENTRY.fullmatch(text)
    if found is None:
        raise OutOfRange("the torque", text.strip() or "empty", "", "a number such as 8.5")
    unit = torque_unit(found["unit"] or unit)
    value = read_number(found["number"])
    if value <= 0:
        raise OutOfRange("the torque", found["number"].strip(), unit, "more than zero")
    return value * IN_NEWTON_METRES[unit], unit


def likely_units(value: float, target_nm: float) -> tuple[str, ...]:
    """In which units would this number lie near a target (half to twice), in N·m?

    >>> likely_units(75, 8.5)
    ('in·lbf',)
    """
    if target_nm <= 0:
        raise Inconsistent("A target torque is above zero.")
    return tuple(
        unit
        for unit, factor in IN_NEWTON_METRES.items()
        if target_nm / 2 <= value * factor <= target_nm * 2
    )
