"""The form of a design's limits and figures: its groups of fields, filled in and read.

Every section is read by itself, so that all that is wrong is said at once, beside its field.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fastapi import Request

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.figures_fields import (
    BY_SECTION,
    CIRCUITS,
    FEEDS,
    INSULATION,
    LEAK,
    LIMITS,
    OPERATION,
    RULES,
    circuit_fields,
    feed_fields,
    limit_fields,
    rule_name,
)
from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.figures_help import help_of
from service.limits.arithmetic.limits import Quantity
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.typed_fields import Field
from service.platform.pages.described_fields import refuse_alone, refuse_in
from service.platform.pages.forms import Form, blank


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together; without a title they are the section's own."""

    title: str
    fields: tuple[Field, ...]


@dataclass(frozen=True, slots=True)
class Section:
    """One section of the form; ``name`` is its place on the page."""

    name: str
    title: str
    groups: tuple[Group, ...]


def _groups(section: str) -> Iterator[Group]:
    every = BY_SECTION[section]
    apart: tuple[Group, ...] = ()
    if section == LEAK:
        apart = tuple(Group(f"{one} circuit".capitalize(), circuit_fields(one)) for one in CIRCUITS)
    if section == OPERATION:
        apart = tuple(Group(gas.capitalize(), feed_fields(gas)) for gas in FEEDS)
    if section == INSULATION:
        apart = tuple(
            Group(f"{between}, {condition}", _named(every, rule_name(between, condition) + "_"))
            for between, condition in RULES
        )
    if section == LIMITS:
        apart = tuple(Group(str(quantity), limit_fields(quantity)) for quantity in Quantity)
    taken = {field.name for group in apart for field in group.fields}
    paths = tuple(f for f in _named(every, "leak_limit_") if f.name not in taken)
    taken |= {field.name for field in paths}
    own = tuple(field for field in every if field.name not in taken)
    if own:
        yield Group("", own)
    yield from apart
    if paths:
        yield Group("Limits of the six paths", paths)


def _named(fields: tuple[Field, ...], begin: str) -> tuple[Field, ...]:
    return tuple(field for field in fields if field.name.startswith(begin))


def _name(section: str) -> str:
    return "section_" + BY_SECTION[section][0].name.partition("_")[0]


SECTIONS = tuple(Section(_name(title), title, tuple(_groups(title))) for title in BY_SECTION)
HELP: Mapping[str, str] = {
    field.name: help_of(field) for fields in BY_SECTION.values() for field in fields
}


def form_of_figures(request: Request, figures: DesignFigures) -> Form:
    """The form filled in with what a version says."""
    return blank(request, source="", reason="", **to_form(figures))


def read_figures_form(form: Form) -> DesignFigures:
    """The figures of a form; everything that cannot be is refused beside its field."""
    typed = {name: form.kept(name) for name in HELP}
    for section in SECTIONS:
        fields = [field for group in section.groups for field in group.fields]
        wrong = [field for field in fields if refuse_alone(form, field)]
        if not wrong:
            try:
                from_form({field.name: typed[field.name] for field in fields})
            except TradeError as trouble:
                refuse_in(form, section.name, fields, trouble)
    form.check()
    return from_form(typed)
