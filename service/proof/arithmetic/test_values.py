"""The values of a test of a closed stack one by one, and the test with one of them put right.

What comes from the instruments alone, and what the stack itself is, are no values of the test.
Common practice, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from enum import StrEnum
from types import NoneType
from typing import Any, get_args, get_type_hints

from service.limits.arithmetic.leak_paths import SET_UPS
from service.physics.arithmetic.gases import CROSSOVER_GASES, REFERENCES
from service.proof.arithmetic.electrical_tests import ShortCheck, ShortMethod
from service.proof.arithmetic.leak_searches import LeakSearch
from service.proof.arithmetic.stack_tests import StackTest, kind_of, test_as_data, test_from_data

OF_TOOLS_OR_STACK = frozenset(
    (
        *("cells", "blank_cells", "active_area_cm2", "accuracy_percent"),
        *("gauge_percent", "gauge_step_kpa", "thermometer_k", "thermometer_step_k"),
        *("alone", "step_mbar_l_s", "unit"),
        *("full_scale_ml_min", "of_reading_percent", "of_full_scale_percent", "step_ml_min"),
    )
)
WORDS = {
    "gas": tuple(gas.name for gas in CROSSOVER_GASES),
    "reference": tuple(reference.name for reference in REFERENCES),
    "set_up": tuple(str(set_up.order) for set_up in SET_UPS),
}
"""Fields that hold words of a list kept elsewhere."""
YES_NO = ("yes", "no")
UNITS = {
    "_mbar_l_s": "mbar·L/s",
    "_ml_min": "mL/min",
    "_kpa_min": "kPa/min",
    "_kpa": "kPa",
    "_c": "°C",
    "_min": "min",
    "_l": "L",
    "_mohm": "MΩ",
    "_percent": "%",
    "_v": "V",
    "_mm": "mm",
}
"""The unit at the end of a field's name; the longest comes first."""


@dataclass(frozen=True, slots=True)
class TestValue:
    """One value: where it stands in the test, what people call it, and what may stand there.

    ``value`` is a number in its ``unit``, or words; None: not given.
    """

    __test__ = False  # no test of ours

    path: str
    name: str
    value: float | str | None
    unit: str
    choices: tuple[str, ...]
    is_optional: bool
    in_words: bool = False


def values_of(test: StackTest) -> tuple[TestValue, ...]:
    """Return every value of a test that was set or read, in the order of its fields."""
    return tuple(_values(test, "", "", _unit_of_list(test)))


def with_value(test: StackTest, path: str, value: float | str | None) -> StackTest:
    """Return the test with one value put right. Raises Inconsistent or OutOfRange.

    >>> from service.proof.arithmetic.electrical_tests import ShortCheck, ShortMethod
    >>> check = ShortCheck(ShortMethod.RESISTANCE, (40.0, 4.0), 25.0)
    >>> with_value(check, "values.1", 40.0).values
    (40.0, 40.0)
    """
    data = test_as_data(test)
    *way, last = path.split(".")
    place: Any = data
    for step in way:
        place = place[int(step)] if isinstance(place, list) else place[step]
    old = place[int(last)] if isinstance(place, list) else place[last]
    if isinstance(old, bool):
        value = value == YES_NO[0]
    elif last == "set_up" and value is not None:
        value = int(value)
    if isinstance(place, list):
        place[int(last)] = value
    else:
        place[last] = value
    return test_from_data(kind_of(test), data)


def _unit_of_list(test: StackTest) -> str:
    if isinstance(test, LeakSearch):
        return test.unit
    if not isinstance(test, ShortCheck):
        return ""
    return "V" if test.way is ShortMethod.VOLTAGE else "Ω"


def _values(of: Any, path: str, begun: str, list_unit: str) -> Iterator[TestValue]:
    hints = get_type_hints(type(of))
    for each in fields(of):
        if each.name in OF_TOOLS_OR_STACK:
            continue
        value, here = getattr(of, each.name), f"{path}{each.name}"
        if isinstance(value, tuple):
            for number, inner in enumerate(value):
                yield from _inner(inner, f"{here}.{number}", number, list_unit)
        elif is_dataclass(value):
            yield from _values(value, f"{here}.", f"{begun}{each.name} ", list_unit)
        else:
            leaf = _leaf(here, each.name, begun, value, hints[each.name])
            if leaf is not None:
                yield leaf


def _inner(inner: Any, path: str, number: int, list_unit: str) -> Iterator[TestValue]:
    """A reading of a list: a number of one cell, or a small table of its own."""
    if is_dataclass(inner):
        words = [getattr(inner, each.name) for each in fields(inner)]
        place = ", ".join(str(word) for word in words if isinstance(word, StrEnum))
        yield from _values(inner, f"{path}.", f"{place}: ", list_unit)
    else:
        yield TestValue(path, f"cell {number + 1}", inner, list_unit, (), is_optional=True)


def _leaf(path: str, field: str, begun: str, value: Any, hint: Any) -> TestValue | None:
    kinds = [kind for kind in get_args(hint) if kind is not NoneType] or [hint]
    is_optional = NoneType in get_args(hint)
    ending = next((ending for ending in UNITS if field.endswith(ending)), "")
    name = f"{begun}{field.removesuffix(ending).replace('_', ' ')}"
    if ending == "_percent":
        name += " uncertainty"
    if isinstance(value, bool):
        return TestValue(path, name, YES_NO[not value], "", YES_NO, is_optional)
    if field in WORDS:
        return TestValue(path, name, str(value), "", WORDS[field], is_optional)
    if isinstance(kinds[0], type) and issubclass(kinds[0], StrEnum):
        words = tuple(str(word) for word in kinds[0])
        return TestValue(path, name, None if value is None else str(value), "", words, is_optional)
    if field == "invalid_because":
        return TestValue(path, name, value, "", (), is_optional, in_words=True)
    if kinds[0] in (float, int):
        return TestValue(path, name, value, UNITS.get(ending, ""), (), is_optional)
    return None
