"""Quantities typed with or without their unit, read into the unit they are kept in.

Common practice, no source.
"""

from collections.abc import Mapping, Sequence

from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.pressures import Zero, read_pressure
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.arithmetic.units import Measure, from_si, read_quantity

Typed = Mapping[str, str]
"""What was typed, by the name of the field."""


def typed_quantity(
    typed: Typed, name: str, label: str, measure: Measure, unit: str
) -> float | None:
    """The quantity of one field in ``unit``; None where it is empty.

    Raises FieldRefused where number or unit cannot be read.

    >>> typed_quantity({"duration": "600 s"}, "duration", "the duration", Measure.DURATION, "min")
    10.0
    """
    text = typed.get(name, "").strip()
    if not text:
        return None
    try:
        entry = read_quantity(text, measure, unit)
    except OutOfRange as trouble:
        raise FieldRefused(name, label, text, "", trouble.allowed) from trouble
    return entry.value if entry.unit == unit else from_si(entry.si, unit, measure)


def needed_quantity(typed: Typed, name: str, label: str, measure: Measure, unit: str) -> float:
    """The same; raises FieldRefused where the field is empty."""
    value = typed_quantity(typed, name, label, measure, unit)
    if value is None:
        raise FieldRefused(name, label, "empty", "", f"a number in {unit}")
    return value


def typed_pressure(
    typed: Typed, name: str, label: str, otherwise: Zero
) -> tuple[float, Zero] | None:
    """The pressure of one field in kPa and its zero; None where it is empty.

    ``otherwise`` holds where the text does not say gauge or absolute. Raises FieldRefused where
    the text says another one than was chosen.

    >>> typed_pressure({"start": "0.5 bar g"}, "start", "the pressure", Zero.NOT_SAID)
    (50.0, <Zero.GAUGE: 'gauge'>)
    """
    text = typed.get(name, "").strip()
    if not text:
        return None
    try:
        read = read_pressure(text)
    except OutOfRange as trouble:
        raise FieldRefused(name, label, text, "", trouble.allowed) from trouble
    if Zero.NOT_SAID not in (read.zero, otherwise) and read.zero is not otherwise:
        raise FieldRefused(
            name, label, text, "", f"{otherwise} as chosen for the test, or choose {read.zero}"
        )
    kpa = read.value if read.unit == "kPa" else read.pa / 1e3
    return kpa, otherwise if read.zero is Zero.NOT_SAID else read.zero


def typed_word(typed: Typed, name: str, label: str, choices: Sequence[str]) -> str:
    """One of some words; raises FieldRefused for anything else."""
    text = typed.get(name, "").strip()
    if text not in choices:
        raise FieldRefused(name, label, text or "empty", "", ", ".join(choices))
    return text


def named_field(trouble: TradeError, fields: Sequence[tuple[str, str]], otherwise: str) -> str:
    """Which field does a computation's trouble speak of? The first whose phrase it uses."""
    said = str(trouble)
    return next((field for phrase, field in fields if phrase in said), otherwise)
