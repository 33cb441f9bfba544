"""Frozen dataclasses as plain JSON data and back, with messages that name the field.

Numbers stay numbers, words stay words, tuples become lists, dates ISO 8601. Common practice,
no source.
"""

from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from math import isfinite
from types import NoneType, UnionType
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from service.platform.arithmetic.errors import Inconsistent, OutOfRange, placed
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.material_curves import Soft, soft_as_data, soft_from_data

Made = TypeVar("Made")
FORM = "form"


def as_data(value: Any) -> Any:
    """Return the value as plain data: what JSON can hold.

    >>> as_data(Estimate(2.0, 0.1))
    {'value': 2.0, 'u': 0.1}
    """
    if isinstance(value, Soft):
        return as_data(soft_as_data(value))
    if isinstance(value, Estimate):
        more = {"parts": as_data(value.parts)} if value.parts else {}
        return {"value": value.value, "u": value.u, **more}
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_data(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(name): as_data(inner) for name, inner in value.items()}
    if isinstance(value, tuple | list):
        return [as_data(inner) for inner in value]
    return str(value) if isinstance(value, StrEnum | date) else value


def with_form(form: str, value: Any) -> dict[str, Any]:
    """Return a dataclass as plain data that says in which form it is written."""
    return {FORM: form, **as_data(value)}


def check_form(form: str, data: Any) -> dict[str, Any]:
    """Return the data without its form; raises Inconsistent where it is not written in this one."""
    if not isinstance(data, Mapping) or data.get(FORM) != form:
        form_found = data.get(FORM) if isinstance(data, Mapping) else None
        raise Inconsistent(
            f"Data of the form “{form}” is wanted; this is “{form_found or 'none'}”."
        )
    return {name: value for name, value in data.items() if name != FORM}


def from_data(of: type[Made], data: Any, name: str = "") -> Made:
    """Return the dataclass from plain data.

    Raises OutOfRange or Inconsistent naming the field that is missing, unknown or of another kind.
    """
    instance = _read(of, data, name or of.__name__)
    if not isinstance(instance, of):
        raise Inconsistent(f"{name or of.__name__} is missing.")
    return instance


@cache
def _hints(of: type) -> dict[str, Any]:
    return get_type_hints(of)


def _read(of: Any, data: Any, name: str) -> Any:
    if get_origin(of) is UnionType or isinstance(of, UnionType):
        return _read_union(get_args(of), data, name)
    if get_origin(of) is tuple:
        return _read_tuple(get_args(of), data, name)
    if of is Soft:
        return soft_from_data(_mapping(data, name))
    if is_dataclass(of) and isinstance(of, type):
        return _read_fields(of, _mapping(data, name), name)
    return _read_plain(of, data, name)


def _read_union(choices: tuple[Any, ...], data: Any, name: str) -> Any:
    if data is None and NoneType in choices:
        return None
    inner = [choice for choice in choices if choice is not NoneType]
    return _read(inner[0], data, name)


def _read_tuple(inner: tuple[Any, ...], data: Any, name: str) -> tuple[Any, ...]:
    if not isinstance(data, list | tuple):
        raise Inconsistent(f"{name} is no list.")
    if inner[-1] is Ellipsis:
        return tuple(
            _read(inner[0], each, f"{name} {number}") for number, each in enumerate(data, 1)
        )
    if len(data) != len(inner):
        raise Inconsistent(f"{name} has {len(data)} entries; {len(inner)} are wanted.")
    return tuple(_read(kind, each, name) for kind, each in zip(inner, data, strict=True))


def _mapping(data: Any, name: str) -> Mapping[str, Any]:
    if not isinstance(data, Mapping):
        raise Inconsistent(f"{name} is no table of fields.")
    return data


def _read_fields(of: type, data: Mapping[str, Any], name: str) -> Any:
    field_of = {field.name: field for field in fields(of)}
    unknown = [name_found for name_found in data if name_found not in field_of]
    if unknown:
        raise Inconsistent(f"{name} has no field “{unknown[0]}”; it has: {', '.join(field_of)}.")
    hints = _hints(of)
    values = {}
    for field, described in field_of.items():
        if field in data:
            with placed(field):
                values[field] = _read(hints[field], data[field], spoken(field))
        elif NoneType in get_args(hints[field]):
            values[field] = None if described.default is MISSING else described.default
        elif described.default is MISSING and described.default_factory is MISSING:
            raise Inconsistent(f"{spoken(field)} is missing in {name}.")
    return of(**values)


def _read_plain(kind: Any, data: Any, name: str) -> Any:
    if kind is float:
        if isinstance(data, int | float) and not isinstance(data, bool) and isfinite(data):
            return float(data)
        raise OutOfRange(name, data, "", "a number")
    if kind is int:
        is_number = isinstance(data, int | float) and not isinstance(data, bool)
        if is_number and isfinite(data) and data == int(data):
            return int(data)
        raise OutOfRange(name, data, "", "a whole number")
    if isinstance(kind, type) and issubclass(kind, StrEnum):
        if isinstance(data, str) and data in {str(each) for each in kind}:
            return kind(data)
        raise OutOfRange(name, data, "", ", ".join(kind))
    if isinstance(kind, type) and isinstance(data, kind):
        return data
    raise OutOfRange(name, data, "", {str: "words", bool: "true or false"}.get(kind, "known"))


_UNITS = {
    "mm": "mm",
    "cm2": "cm²",
    "gpa": "GPa",
    "mpa": "MPa",
    "kpa": "kPa",
    "nm": "N·m",
    "c": "°C",
    "percent": "%",
    "l": "L",
    "v": "V",
    "a": "A",
}


def spoken(field: str) -> str:
    """Return a field's name as people say it, its unit in brackets.

    >>> spoken("free_thickness_mm")
    'free thickness (mm)'
    """
    words = field.split("_")
    unit = _UNITS.get(words[-1]) if len(words) > 1 else None
    return f"{' '.join(words[:-1])} ({unit})" if unit else " ".join(words)
