"""Fields of a form described as data, and the numbers and words typed into them.

Common practice, no source.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.numbers import read_number

_TWO_WAYS = re.compile(r"-?[1-9]\d{0,2}\.\d{3}")


class FieldRefused(OutOfRange):
    """What was typed into one field does not do; ``field`` is the field's name in the form."""

    def __init__(self, field: str, name: str, value: object, unit: str, allowed: str) -> None:
        super().__init__(name, value, unit, allowed)
        self.field = field


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a form. ``required`` holds where its section is filled in at all.

    ``choices`` are words to choose from; ``is_number`` says that a number is wanted.
    """

    name: str
    label: str
    unit: str = ""
    required: bool = True
    help: str = ""
    section: str = ""
    choices: tuple[str, ...] = ()
    is_number: bool = True


def typed(fields: Mapping[str, str], field: Field) -> str:
    """What was typed, without spaces around it; raises FieldRefused where a word is not known."""
    text = fields.get(field.name, "").strip()
    if text and field.choices and text not in field.choices:
        raise FieldRefused(field.name, field.label, text, "", ", ".join(field.choices))
    return text


def typed_value(fields: Mapping[str, str], field: Field) -> float | str | None:
    """The number or words typed into a field; None where it is empty.

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
    """A trouble of the computation as one of the field it comes from."""
    right = trouble.allowed if isinstance(trouble, OutOfRange) else str(trouble).rstrip(".")
    return FieldRefused(field.name, field.label, value, field.unit, right)


def as_typed(value: float | str | None) -> str:
    """A value as it would be typed, so that reading it gives it again.

    >>> as_typed(0.45), as_typed(1.125), as_typed(None)
    ('0.45', '1.1250', '')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    text = f"{value:.12g}"
    return f"{text}0" if _TWO_WAYS.fullmatch(text) else text
