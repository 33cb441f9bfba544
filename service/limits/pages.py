"""Limits and figures of a design: all versions, a new one, and one with its approval."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.designs.queries import DesignOnPage, design
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.figures_differences import (
    NONE_GIVEN,
    FigureChange,
    FigureRow,
    differences,
    figure_rows,
)
from service.limits.arithmetic.figures_fields import (
    BY_SECTION,
    CIRCUITS,
    FEEDS,
    INSULATION,
    LEAK,
    LIMITS,
    OPERATION,
    PERMEATION_SOURCE,
    PERMEATIONS,
    RULES,
    circuit_fields,
    feed_fields,
    help_of,
    limit_fields,
    permeation_fields,
    recipe_fields,
    rule_name,
)
from service.limits.arithmetic.figures_fields import SECTIONS as TITLES
from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.leak_paths import SET_UPS
from service.limits.arithmetic.limits import Quantity
from service.limits.arithmetic.retests import USUAL
from service.limits.changes import approve_limits, write_limits
from service.limits.queries import (
    LimitsOnPage,
    LimitsRow,
    limits_of_design,
    limits_version,
    newest_figures,
)
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.fields import Field
from service.platform.database import changing, now_utc, reading
from service.platform.pages.described_fields import refuse_alone, refuse_in
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need

# The form of a design's limits and figures: its groups of fields, filled in and read.
#
# Every section is read by itself, so that all that is wrong is said at once, beside its field.


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
        apart = tuple(
            Group(f"{circuit} circuit".capitalize(), circuit_fields(circuit))
            for circuit in CIRCUITS
        )
        apart += tuple(
            Group(f"Recipe of set-up {set_up.order}, {set_up.name}", recipe_fields(set_up.order))
            for set_up in SET_UPS
        )
        fields = (field for of in PERMEATIONS for field in permeation_fields(*of))
        apart += (Group("Permeation of the membranes", (*fields, PERMEATION_SOURCE)),)
    if section == OPERATION:
        apart = tuple(Group(gas.capitalize(), feed_fields(gas)) for gas in FEEDS)
    if section == INSULATION:
        apart = tuple(
            Group(f"{between}, {condition}", _named(every, rule_name(between, condition) + "_"))
            for between, condition in RULES
        )
    if section == LIMITS:
        apart = tuple(Group(str(quantity), limit_fields(quantity)) for quantity in Quantity)
    names = {field.name for group in apart for field in group.fields}
    paths = tuple(f for f in _named(every, "leak_limit_") if f.name not in names)
    names |= {field.name for field in paths}
    rest = tuple(field for field in every if field.name not in names)
    if rest:
        yield Group("", rest)
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
    """Return the form filled in with what a version says."""
    return blank(request, source="", reason="", **to_form(figures))


def read_figures_form(form: Form) -> DesignFigures:
    """Return the figures of a form; everything that cannot be is refused beside its field."""
    texts = {name: form.raw(name) for name in HELP}
    for section in SECTIONS:
        fields = [field for group in section.groups for field in group.fields]
        wrong = [field for field in fields if refuse_alone(form, field)]
        if not wrong:
            try:
                from_form({field.name: texts[field.name] for field in fields})
            except TradeError as trouble:
                refuse_in(form, section.name, fields, trouble)
    form.check()
    return from_form(texts)


router = APIRouter()


@dataclass(frozen=True, slots=True)
class VersionsPage:
    """All versions of a design's limits."""

    design: DesignOnPage
    versions: tuple[LimitsRow, ...]


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new version; ``begun_from`` 0: there is none before."""

    design: DesignOnPage
    form: Form
    begun_from: int
    sections: tuple[Section, ...] = SECTIONS
    help: Mapping[str, str] = field(default_factory=lambda: HELP)


@dataclass(frozen=True, slots=True)
class VersionPage:
    """One version: what it says by section, what changed, and who may put it in force."""

    limits: LimitsOnPage
    rows: Mapping[str, tuple[FigureRow, ...]]
    changes: tuple[FigureChange, ...]
    decides: Answer
    remarks: tuple[str, ...]
    form: Form


@router.get("/designs/{design_id}/limits")
def show_versions(request: Request, me: Me, database: Database, design_id: Number) -> Response:
    """List the versions of a design's limits."""
    need(me, Act.READ)
    with reading(database) as session:
        context = VersionsPage(design(session, design_id), limits_of_design(session, design_id))
    return page(request, "limits/list.html", context)


@router.get("/designs/{design_id}/limits/new")
def show_new(
    request: Request, me: Me, database: Database, design_id: Number, retests: str = ""
) -> Response:
    """Show the form of a new version, filled in with the newest one; or with the usual retests."""
    need(me, Act.LIMITS_WRITE)
    with reading(database) as session:
        newest = newest_figures(session, design_id)
    figures = newest[1] if newest else NONE_GIVEN
    if retests == "usual":
        figures = replace(figures, retests=USUAL)
    form = form_of_figures(request, figures)
    return _entry(request, database, form, design_id)


@router.post("/designs/{design_id}/limits/new")
def write(request: Request, me: Me, database: Database, form: Typed, design_id: Number) -> Response:
    """Write a new version."""
    need(me, Act.LIMITS_WRITE)
    with form.collecting_errors():
        source, reason = form.text("source", most=1000), form.text("reason")
        figures = read_figures_form(form)
        with changing(database, me, key=form.key) as work:
            key = write_limits(work, design_id, figures, source=source, reason=reason)
            work.answer = f"/limits/{key}"
        return go_on(request, work.answer)
    return _entry(request, database, form, design_id)


@router.get("/limits/{limit_set_id}")
def show(request: Request, me: Me, database: Database, limit_set_id: Number) -> Response:
    """Show one version."""
    need(me, Act.READ)
    return _version(request, database, me, blank(request), limit_set_id)


@router.post("/limits/{limit_set_id}/approve")
def approve(
    request: Request, me: Me, database: Database, form: Typed, limit_set_id: Number
) -> Response:
    """Put a version in force."""
    password = form.raw("password")
    with form.collecting_errors():
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/limits/{limit_set_id}"
            approve_limits(
                work, limit_set_id, content_sha256=form.raw("content_sha256"), password=password
            )
        return go_on(request, work.answer)
    return _version(request, database, me, form, limit_set_id)


def _entry(request: Request, database: Engine, form: Form, design_id: int) -> Response:
    with reading(database) as session:
        design_shown = design(session, design_id)
        newest = newest_figures(session, design_id)
    context = EntryPage(design_shown, form, newest[0] if newest else 0)
    return page(request, "limits/new.html", context, form.status)


def _version(
    request: Request, database: Engine, me: Person, form: Form, limit_set_id: int
) -> Response:
    with reading(database) as session:
        limits = limits_version(session, limit_set_id)
        remarks = remarks_beside(session, me.id, {limits.row.made_by_id}, now_utc())
    figures_said = figure_rows(limits.figures)
    context = VersionPage(
        limits,
        {title: rows for title in TITLES if (rows := _of(figures_said, title))},
        differences(limits.before, limits.figures) if limits.before else (),
        may(me, Act.LIMITS_APPROVE, RecordFacts(written_by=limits.row.made_by_id)),
        remarks,
        form,
    )
    return page(request, "limits/show.html", context, form.status)


def _of(rows: tuple[FigureRow, ...], title: str) -> tuple[FigureRow, ...]:
    return tuple(row for row in rows if row.field.section == title)
