"""Numbers, words and quantities typed into fields, read.

Common practice, no source.
"""

import re
from collections.abc import Mapping, Sequence

from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.pressures import Zero, read_pressure
from service.platform.arithmetic.units import Measure, from_si, read_quantity

_TWO_WAYS = re.compile(r"-?[1-9]\d{0,2}\.\d{3}")


class FieldRefused(OutOfRange):
    """What was typed into one field does not do; ``field`` is the field's name in the form."""

    is_placed = True

    def __init__(self, field: str, name: str, value: object, unit: str, allowed: str) -> None:
        super().__init__(name, value, unit, allowed, field)
        self.field = field


def typed(fields: Mapping[str, str], field: Field) -> str:
    """Return what was typed, without spaces around it.

    Raises FieldRefused where a word is not known.
    """
    text = fields.get(field.name, "").strip()
    if text and field.choices and text not in field.choices:
        raise FieldRefused(field.name, field.label, text, "", ", ".join(field.choices))
    return text


def typed_value(fields: Mapping[str, str], field: Field) -> float | str | None:
    """Return the number or words typed into a field; None where it is empty.

    Raises FieldRefused where a required one is empty, or where it is no number.
    """
    text = typed(fields, field)
    if not text:
        if field.required:
            right = f"a number in {field.unit}" if field.unit else "an answer"
            raise FieldRefused(field.name, field.label, "empty", "", right)
        return None
    if not field.is_number:
        return text
    try:
        return read_number(text)
    except OutOfRange as trouble:
        raise FieldRefused(field.name, field.label, text, field.unit, trouble.allowed) from trouble


def refused(field: Field, value: str, trouble: TradeError) -> FieldRefused:
    """Return a trouble of the computation as one of the field it comes from."""
    right = trouble.allowed if isinstance(trouble, OutOfRange) else str(trouble).rstrip(".")
    return FieldRefused(field.name, field.label, value, field.unit, right)


def as_typed(value: float | str | None) -> str:
    """Return a value as it would be typed, so that reading it gives it again.

    >>> as_typed(0.45), as_typed(1.125), as_typed(None)
    ('0.45', '1.1250', '')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    text = f"{value:.12g}"
    return f"{text}0" if _TWO_WAYS.fullmatch(text) else text


# Quantities typed with or without their unit, read into the unit they are kept in.
#
# Common practice, no source.


Typed = Mapping[str, str]
"""What was typed, by the name of the field."""


def typed_quantity(
    texts: Typed, name: str, label: str, measure: Measure, unit: str
) -> float | None:
    """Return the quantity of one field in ``unit``; None where it is empty.

    Raises FieldRefused where number or unit cannot be read.

    >>> typed_quantity({"duration": "600 s"}, "duration", "the duration", Measure.DURATION, "min")
    10.0
    """
    text = texts.get(name, "").strip()
    if not text:
        return None
    try:
        entry = read_quantity(text, measure, unit)
    except OutOfRange as trouble:
        raise FieldRefused(name, label, text, "", trouble.allowed) from trouble
    return entry.value if entry.unit == unit else from_si(entry.si, unit, measure)


def needed_quantity(texts: Typed, name: str, label: str, measure: Measure, unit: str) -> float:
    """Return the same; raises FieldRefused where the field is empty."""
    value = typed_quantity(texts, name, label, measure, unit)
    if value is None:
        raise FieldRefused(name, label, "empty", "", f"a number in {unit}")
    return value


def typed_pressure(
    texts: Typed, name: str, label: str, otherwise: Zero
) -> tuple[float, Zero] | None:
    """Return the pressure of one field in kPa and its zero; None where it is empty.

    ``otherwise`` holds where the text does not say gauge or absolute. Raises FieldRefused where
    the text says another one than was chosen.

    >>> typed_pressure({"start": "0.5 bar g"}, "start", "the pressure", Zero.NOT_SAID)
    (50.0, <Zero.GAUGE: 'gauge'>)
    """
    text = texts.get(name, "").strip()
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


def typed_word(texts: Typed, name: str, label: str, choices: Sequence[str]) -> str:
    """Return one of some words; raises FieldRefused for anything else."""
    text = texts.get(name, "").strip()
    if text not in choices:
        raise FieldRefused(name, label, text or "empty", "", ", ".join(choices))
    return text
