"""Torque as it stands on the tools: N·m, cN·m, in·lbf and ft·lbf."""

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.units import IN_SI, Measure, read_quantity, unit_label

IN_NEWTON_METRES = IN_SI[Measure.TORQUE]
"""N·m in one of each unit. Foot and pound are exact by definition (NIST SP 811, B.8)."""


def torque_unit(text: str) -> str:
    """Which unit is written here? ``Nm``, ``in-lb``, ``lbf.ft`` and their like are understood.

    Raises OutOfRange for any other unit.

    >>> torque_unit("in-lbs")
    'in·lbf'
    """
    return unit_label(text, Measure.TORQUE)


def read_torque_text(text: str, unit: str = "N·m") -> tuple[float, str]:
    """How many N·m are written here, and in which unit? ``unit`` holds where none is written.

    Raises OutOfRange where number or unit cannot be read, or the torque is not above zero.

    >>> torque_nm, unit = read_torque_text("75 in·lbf")
    >>> round(torque_nm, 9), unit
    (8.473862177, 'in·lbf')

    Source: NIST SP 811 (2008), appendix B.8.
    """
    entry = read_quantity(text, Measure.TORQUE, unit)
    if entry.si <= 0:
        raise OutOfRange("the torque", f"{entry.value:g}", entry.unit, "more than zero")
    return entry.si, entry.unit


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
