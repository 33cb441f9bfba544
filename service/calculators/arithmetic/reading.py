"""Typed answers of a calculator read into SI; everything that cannot be read is told together.

Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from math import isfinite

from service.calculators.arithmetic.answers import FILL_IN, Answer, Answers, NotRead, Refusal
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.fields import Asks, Field
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.preconditions import kelvin
from service.platform.arithmetic.pressures import read_pressure
from service.platform.arithmetic.units import Measure, UnitEntry, from_si, read_quantity, unit_label

MOST_SIGNS, MOST_LINES = 8000, 400


def read_answers(fields: Sequence[Field], typed: Mapping[str, str]) -> Answers:
    """Return every answer read; raises NotRead with all that cannot be."""
    read: dict[str, Answer] = {}
    refusals: list[Refusal] = []
    for field in fields:
        text = typed.get(field.name, "").strip()
        try:
            if text:
                read[field.name] = _read(field, text, typed.get(field.unit_name, "").strip())
            elif field.asks is Asks.CHOICE:
                read[field.name] = field.first_choice
            elif field.required:
                refusals.append(Refusal(field.name, "", FILL_IN, is_missing=True))
        except NotRead as trouble:
            refusals.extend(trouble.refusals)
        except OutOfRange as trouble:
            refusals.append(_refusal(field, text, trouble))
        except TradeError as trouble:
            refusals.append(Refusal(field.name, text, str(trouble)))
    if refusals:
        raise NotRead(*refusals)
    return Answers(typed, read)


def _refusal(field: Field, text: str, trouble: OutOfRange) -> Refusal:
    unit = f"\u2009{trouble.unit}" if trouble.unit else ""
    problem = f"{trouble.name[:1].upper()}{trouble.name[1:]} is “{trouble.value}”{unit}."
    return Refusal(field.name, text, problem, f"Right would be {trouble.allowed}.")


def _read(field: Field, text: str, unit: str) -> Answer:
    if len(text) > MOST_SIGNS:
        raise NotRead(
            Refusal(field.name, text[:40], "This is too long.", f"{MOST_SIGNS} signs do.")
        )
    match field.asks:
        case Asks.CHOICE:
            return _chosen(field, text)
        case Asks.WORDS | Asks.LINES:
            if unit and field.measure:
                unit_label(unit, field.measure)
            return text
        case Asks.NUMBER | Asks.WHOLE:
            return _number(field, text)
        case Asks.PRESSURE:
            return read_pressure(text, unit or field.unit)
        case _:
            return _quantity(field, text, unit or field.unit)


def _chosen(field: Field, text: str) -> str:
    if text not in field.choices:
        right = f"Choose one of: {', '.join(field.choices)}."
        raise NotRead(Refusal(field.name, text, f"“{text}” is not one of the choices.", right))
    return text


def _number(field: Field, text: str) -> float:
    plain = text.removesuffix("%").strip() if field.unit == "%" else text
    value = read_number(plain)
    if field.asks is Asks.WHOLE and value != int(value):
        raise NotRead(Refusal(field.name, text, f"{text} is not a whole number.", "Such as 12."))
    _bounded(field, value, text)
    return value


def _quantity(field: Field, text: str, unit: str) -> UnitEntry:
    if field.measure is None:
        raise TypeError(f"{field.name} has no measure")
    entry = read_quantity(text, field.measure, unit)
    if field.measure is Measure.TEMPERATURE:
        _warm(field, entry, text)
    else:
        _bounded(field, from_si(entry.si, field.unit, field.measure), text, entry.unit)
    return entry


def _warm(field: Field, entry: UnitEntry, text: str) -> None:
    """Refuse °C given as K, and K given as °C."""
    try:
        kelvin(f"{field.label[:1].lower()}{field.label[1:]}", entry.si)
    except OutOfRange as trouble:
        right = f"Right would be {trouble.allowed}."
        if entry.unit == "°C" and 200 <= entry.value <= 500:
            right = f"Is that in K? Then choose K: {entry.value - 273.15:.5g} °C."
        value_text = f"{entry.value:g}\u2009{entry.unit} cannot be."
        raise NotRead(Refusal(field.name, text, value_text, right)) from trouble


def _bounded(field: Field, value: float, text: str, unit: str = "") -> None:
    low = value <= field.least if field.above else value < field.least
    if low or value > field.most or not isfinite(value):
        unit = unit or field.unit
        shown = text if not unit or unit in text else f"{text}\u2009{unit}"
        right = f"Right would be {field.range_in_words}."
        raise NotRead(Refusal(field.name, text, f"{shown} is out of range.", right))
