"""The figures of a design from what was typed into the fields, and back.

A section nothing is typed into is left out. Common practice, no source.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.figures import DesignFigures, InsulationRule, ShortFigures
from service.limits.arithmetic.figures_fields import (
    CIRCUITS,
    CLAMP_FIELDS,
    FEEDS,
    FIELDS,
    INSULATION_FIELDS,
    LEAK_BEGINS,
    LEAK_FIELDS,
    LEAK_SOURCE,
    OBJECT_PATHS,
    OBJECT_SOURCE,
    OPERATION_FIELDS,
    PERMEATION_SOURCE,
    PERMEATIONS,
    RETEST_FIELDS,
    RETEST_SOURCE,
    RULES,
    SHORTS_FIELDS,
    circuit_fields,
    feed_fields,
    limit_fields,
    object_field,
    path_field,
    permeation_fields,
    recipe_fields,
    rule_name,
)
from service.limits.arithmetic.leak_figures import CircuitFigures, LeakFigures, PathLimit
from service.limits.arithmetic.leak_objects import LeakObject, ObjectLimit
from service.limits.arithmetic.leak_paths import SET_UPS, Path
from service.limits.arithmetic.leak_recipes import Recipe
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.operation_figures import FeedFigures, OperationFigures
from service.limits.arithmetic.permeation import Permeation
from service.limits.arithmetic.retests import RetestRule, repeat_as_typed, repeat_from
from service.platform.arithmetic.errors import Inconsistent, OutOfRange, placed
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.plain_data import from_data
from service.platform.arithmetic.typed_fields import (
    FieldRefused,
    as_typed,
    refused,
    typed,
    typed_value,
)

Made = TypeVar("Made")
Typed = Mapping[str, str]


def from_form(fields: Typed) -> DesignFigures:
    """Return the figures that were typed.

    Raises FieldRefused (its ``field`` is the form's), or another trade error where figures
    contradict each other.
    """
    return DesignFigures(
        _clamp(fields),
        _leak(fields),
        _insulation(fields),
        _shorts(fields),
        _operation(fields),
        tuple(limit for quantity in Quantity for limit in _limit(fields, quantity)),
        tuple(_retests(fields)),
    )


def _given(fields: Typed, of: Sequence[Field]) -> bool:
    return any(fields.get(field.name, "").strip() for field in of)


def _values(fields: Typed, of: Sequence[Field], prefix: str) -> dict[str, Any]:
    """What was typed, by the name without its prefix; empty fields are left out."""
    values = {field.name.removeprefix(prefix): typed_value(fields, field) for field in of}
    return {name: value for name, value in values.items() if value is not None}


def _made(of: type[Made], values: Mapping[str, Any], fields: Sequence[Field]) -> Made:
    """The dataclass; a trouble with its figures is given to the fields they were typed into."""
    by_key = {
        key: field.name for key in values for field in fields if field.name.endswith(f"_{key}")
    }
    try:
        with placed(**by_key):
            return from_data(of, values)
    except OutOfRange as trouble:
        if not trouble.is_placed:
            raise
        raise FieldRefused(
            trouble.fields[0], trouble.name, trouble.value, trouble.unit, trouble.allowed
        ) from trouble


def _clamp(fields: Typed) -> ClampFigures | None:
    if not _given(fields, CLAMP_FIELDS):
        return None
    return _made(ClampFigures, _values(fields, CLAMP_FIELDS, "clamp_"), CLAMP_FIELDS)


def _leak(fields: Typed) -> LeakFigures | None:
    if not _given(fields, LEAK_FIELDS):
        return None
    circuits = []
    for circuit in CIRCUITS:
        form_fields = circuit_fields(circuit)
        if _given(fields, form_fields):
            _need(fields, (form_fields[0], form_fields[1], form_fields[2]))
            values = _values(fields, form_fields, f"leak_{circuit}_")
            circuits.append(_made(CircuitFigures, {"circuit": str(circuit), **values}, form_fields))
    recipes = []
    for set_up in SET_UPS:
        asked = recipe_fields(set_up.order)
        if _given(fields, asked):
            _need(fields, asked[:4])
            values = _values(fields, asked, f"leak_recipe_{set_up.order}_")
            recipes.append(_made(Recipe, {"set_up": set_up.order, **values}, asked))
    limits = tuple(limit for path in Path for limit in _path_limit(fields, path))
    values = {**_values(fields, LEAK_BEGINS, "leak_"), "circuits": [], "limits": []}
    begun = replace(_made(LeakFigures, values, LEAK_BEGINS), circuits=tuple(circuits))
    permeation = tuple(_permeation(fields))
    objects = tuple(limit for of in OBJECT_PATHS for limit in _object_limit(fields, *of))
    return replace(
        begun, limits=limits, recipes=tuple(recipes), permeation=permeation, objects=objects
    )


def _permeation(fields: Typed) -> Iterator[Permeation]:
    for gas, state in PERMEATIONS:
        asked = permeation_fields(gas, state)
        if _given(fields, asked):
            _need(fields, (*asked, PERMEATION_SOURCE))
            values = _values(fields, asked, f"leak_permeation_{gas}_{state}_")
            about = {"gas": str(gas), "state": str(state)}
            source = typed(fields, PERMEATION_SOURCE)
            yield _made(Permeation, {**about, **values, "source": source}, asked)


def _path_limit(fields: Typed, path: Path) -> tuple[PathLimit, ...]:
    field = path_field(path)
    most = _most(fields, field, LEAK_SOURCE)
    try:
        return () if most is None else (PathLimit(path, most, typed(fields, LEAK_SOURCE)),)
    except OutOfRange as trouble:
        raise refused(field, typed(fields, field), trouble) from trouble


def _object_limit(fields: Typed, leak_object: LeakObject, path: Path) -> tuple[ObjectLimit, ...]:
    field = object_field(leak_object, path)
    most = _most(fields, field, OBJECT_SOURCE)
    if most is None:
        return ()
    try:
        return (ObjectLimit(leak_object, path, most, typed(fields, OBJECT_SOURCE)),)
    except OutOfRange as trouble:
        raise refused(field, typed(fields, field), trouble) from trouble


def _most(fields: Typed, field: Field, source: Field) -> float | None:
    """Return a limit that was typed; its source is needed then."""
    most = typed_value(fields, field)
    if not isinstance(most, float):
        return None
    _need(fields, (source,))
    return most


def _need(fields: Typed, fields_wanted: Sequence[Field]) -> None:
    for field in fields_wanted:
        if not fields.get(field.name, "").strip():
            right = f"a number in {field.unit}" if field.unit else "an answer"
            raise FieldRefused(field.name, field.label, "empty", "", right)


def _insulation(fields: Typed) -> tuple[InsulationRule, ...]:
    standard = typed(fields, INSULATION_FIELDS[-1])
    rules = []
    for between, condition in RULES:
        name = rule_name(between, condition)
        form_fields = [field for field in INSULATION_FIELDS if field.name.startswith(name + "_")]
        if _given(fields, form_fields):
            _need(fields, (INSULATION_FIELDS[-1],))
            values = {"ohm_per_volt": 0.0, "least_mohm": 0.0}
            values |= _values(fields, form_fields, f"{name}_")
            about = {"between": str(between), "condition": str(condition), "standard": standard}
            rules.append(_made(InsulationRule, {**values, **about}, form_fields))
    return tuple(rules)


def _shorts(fields: Typed) -> ShortFigures | None:
    if not _given(fields, SHORTS_FIELDS):
        return None
    return _made(ShortFigures, _values(fields, SHORTS_FIELDS, "shorts_"), SHORTS_FIELDS)


def _operation(fields: Typed) -> OperationFigures | None:
    if not _given(fields, OPERATION_FIELDS):
        return None
    of_feeds = {gas: feed_fields(gas) for gas in FEEDS}
    apart = {field.name for fields_asked in of_feeds.values() for field in fields_asked}
    rest = [field for field in OPERATION_FIELDS if field.name not in apart]
    values = _values(fields, rest, "operation_")
    for gas, fields_asked in of_feeds.items():
        values[gas] = _values(fields, fields_asked, f"operation_{gas}_")
        _made(FeedFigures, values[gas], fields_asked)
    return _made(OperationFigures, values, OPERATION_FIELDS)


def _limit(fields: Typed, quantity: Quantity) -> tuple[Limit, ...]:
    form_fields = limit_fields(quantity)
    if not _given(fields, form_fields):
        return ()
    least, most = (typed_value(fields, field) for field in form_fields[:2])
    if least is None and most is None:
        raise FieldRefused(
            form_fields[0].name, form_fields[0].label, "empty", "", "a least or most value"
        )
    _need(fields, (form_fields[2],))
    source = typed(fields, form_fields[2])
    values = {"quantity": str(quantity), "least": least, "most": most, "source": source}
    try:
        return (_made(Limit, values, form_fields),)
    except Inconsistent as trouble:
        range_words = f"{least} to {most}"
        right = str(trouble).rstrip(".")
        raise FieldRefused(
            form_fields[0].name, form_fields[0].label, range_words, quantity.unit, right
        ) from trouble


def _retests(fields: Typed) -> Iterator[RetestRule]:
    for act, field in RETEST_FIELDS.items():
        text = typed(fields, field)
        if text:
            _need(fields, (RETEST_SOURCE,))
            try:
                repeat = repeat_from(text)
            except Inconsistent as trouble:
                raise refused(field, text, trouble) from trouble
            yield RetestRule(act, repeat, typed(fields, RETEST_SOURCE))


def to_form(figures: DesignFigures) -> dict[str, str]:
    """Return the figures as they would be typed.

    Every field is there, empty where nothing is given.
    """
    form = {field.name: "" for field in FIELDS}
    if figures.clamp:
        _show(form, figures.clamp, CLAMP_FIELDS, "clamp_")
    if figures.leak:
        _show_leak(form, figures.leak)
    for rule in figures.insulation:
        name = rule_name(rule.between, rule.condition)
        form[f"{name}_ohm_per_volt"] = as_typed(rule.ohm_per_volt)
        form[f"{name}_least_mohm"] = as_typed(rule.least_mohm)
        form["insulation_standard"] = rule.standard
    if figures.shorts:
        _show(form, figures.shorts, SHORTS_FIELDS, "shorts_")
    if figures.operation:
        _show(form, figures.operation, OPERATION_FIELDS, "operation_")
        for gas in FEEDS:
            _show(form, getattr(figures.operation, gas), feed_fields(gas), f"operation_{gas}_")
    for limit in figures.limits:
        least, most, source = limit_fields(limit.quantity)
        form[least.name], form[most.name] = as_typed(limit.least), as_typed(limit.most)
        form[source.name] = limit.source
    for retest in figures.retests:
        form[RETEST_FIELDS[retest.act].name] = repeat_as_typed(retest.repeat)
        form[RETEST_SOURCE.name] = retest.source
    return form


def _show(form: dict[str, str], figures: object, fields: Sequence[Field], prefix: str) -> None:
    for field in fields:
        value = getattr(figures, field.name.removeprefix(prefix), None)
        form[field.name] = as_typed(value) if value is not None else ""


def _show_leak(form: dict[str, str], leak: LeakFigures) -> None:
    _show(form, leak, LEAK_BEGINS, "leak_")
    for recipe in leak.recipes:
        _show(form, recipe, recipe_fields(recipe.set_up), f"leak_recipe_{recipe.set_up}_")
    for circuit in leak.circuits:
        _show(form, circuit, circuit_fields(circuit.circuit), f"leak_{circuit.circuit}_")
    for entry in leak.permeation:
        name = f"leak_permeation_{entry.gas}_{entry.state}_"
        _show(form, entry, permeation_fields(entry.gas, entry.state), name)
        form[PERMEATION_SOURCE.name] = entry.source
    for limit in leak.limits:
        form[path_field(limit.path).name] = as_typed(limit.most_mbar_l_s)
        form[LEAK_SOURCE.name] = limit.source
    for alone in leak.objects:
        form[object_field(alone.leak_object, alone.path).name] = as_typed(alone.most_mbar_l_s)
        form[OBJECT_SOURCE.name] = alone.source
