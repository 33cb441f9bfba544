"""Designs: the list, one of them, a new one or a new revision, and changing one not yet used."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from typing import Any

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.closing.drawings.rods import draw_rods
from service.designs.arithmetic.design_fields import (
    DESIGN_FIELDS,
    FLUIDS,
    GRID,
    ROWS,
)
from service.designs.arithmetic.grammar import Where
from service.designs.arithmetic.rod_grid import rods_in_grid
from service.designs.changes import change_design, make_design
from service.designs.pages.patterns import USUALLY_SHOWN, AsDesignedPile, as_designed
from service.designs.queries import (
    DesignEntry,
    DesignOnPage,
    DesignRow,
    KeptPattern,
    LineEntry,
    PortEntry,
    RevisionBefore,
    RodEntry,
    design,
    design_list,
    known_types,
    pattern_of_design,
    pattern_waiting,
    revision_before,
)
from service.limits.queries import LimitsRow, limits_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.typed_fields import as_typed
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank, filled
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.pages.rows import closed_up, row_fields, rows_begun, rows_shown, show_more
from service.platform.permissions import Act, need
from service.store.queries.holds import About, HoldsOnIt, holds_on
from service.store.queries.proposals import Proposal

# The form of a design: rows of rods, ports and checklist lines, read and written.


def new_form(request: Request) -> Form:
    """Return the form of a new design, with the ports one usually begins with."""
    ports = [
        PortEntry(End.FIXED, fluid, f"{fluid} {way}") for fluid in FLUIDS for way in ("in", "out")
    ]
    rows = _rows_begun({"rod": (), "port": ports})
    return blank(request, torque_tolerance_percent=6, tightening_passes=3, **rows)


def form_of(request: Request, design: DesignOnPage, *, revision: str) -> Form:
    """Return the form of a design as it stands, or of a new revision made from it."""
    begun = {"rod": design.rods, "port": design.ports}
    rows = _rows_begun(begun | ({"line": design.checklist} if design.checklist else {}))
    return filled(request, DESIGN_FIELDS, design, **rows | {"revision": revision})


def read_design(form: Form) -> DesignEntry:
    """Return the entry of a form; what cannot be read is refused beside its field."""
    numbers = {kind: range(1, closed_up(form, kind, ROWS[kind]) + 1) for kind in ROWS}
    row_fields_all = [
        row_fields(kind, number, ROWS[kind]) for kind, rows in numbers.items() for number in rows
    ]
    values = form.values(chain(DESIGN_FIELDS, *row_fields_all))

    def rows(kind: str) -> list[dict[str, Any]]:
        return [
            {field.name: values.pop(f"{kind}_{number}_{field.name}") for field in ROWS[kind]}
            for number in numbers[kind]
        ]

    return DesignEntry(
        rods=tuple(RodEntry(number, **row) for number, row in enumerate(rows("rod"), 1)),
        ports=tuple(PortEntry(**row) for row in rows("port")),
        checklist=tuple(LineEntry(**row | {"unit": row["unit"] or None}) for row in rows("line")),
        **values,
    )


def with_more_rows(form: Form) -> Form:
    """Return the same form with more empty rows of what “more” names."""
    kind = form.raw("more")
    if kind in ROWS:
        show_more(form, kind)
    return form


def with_proposed_rods(form: Form) -> Form:
    """Return the same form with the rods on the border of a grid instead of those it had."""
    with form.collecting_errors():
        values = form.values(replace(of, required=True) for of in GRID)
        try:
            rods = rods_in_grid(*(values[of.name] for of in GRID))
        except OutOfRange as trouble:
            form.refuse(trouble.fields[0], "is out of range", f"Right: {trouble.allowed}.")
            return form
        form.typed |= {
            name: (as_typed(value) if isinstance(value, float) else str(value),)
            for name, value in _rows_begun({"rod": rods}).items()
        }
    return form


def _shown_again(form: Form) -> Form | None:
    """Return the form as a button in it makes it, which sends nothing; None for the main one."""
    if form.raw("more"):
        return with_more_rows(form)
    return with_proposed_rods(form) if form.raw("propose") else None


def _rows_begun(begun: Mapping[str, Sequence[object]]) -> dict[str, object]:
    form: dict[str, object] = {}
    for kind, rows in begun.items():
        form |= rows_begun(kind, rows, ROWS[kind])
    return form


router = APIRouter(prefix="/designs")


@dataclass(frozen=True, slots=True)
class DesignsPage:
    """All designs."""

    designs: Shown[DesignRow]


@dataclass(frozen=True, slots=True)
class DesignPage:
    """One design, with the plan of its rods, its pile as designed, and the revision before."""

    design: DesignOnPage
    plan: str
    kept_pattern: KeptPattern
    pattern_waits: Proposal | None
    form: Form
    designed: AsDesignedPile | None
    before: RevisionBefore | None
    in_pattern: tuple[str, ...]
    versions: tuple[LimitsRow, ...]
    on_it: HoldsOnIt
    parts: tuple[Where, ...] = tuple(Where)


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new design, of a new revision, or of one to be changed."""

    form: Form
    rows: Mapping[str, int]
    changed: DesignOnPage | None = None
    made_from: DesignOnPage | None = None
    fields: tuple[Field, ...] = DESIGN_FIELDS
    asked: Mapping[str, tuple[Field, ...]] = field(default_factory=lambda: ROWS)
    grid: tuple[Field, ...] = GRID


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the designs."""
    need(me, Act.READ)
    with reading(database) as session:
        designs = design_list(session, turn_asked(request, query))
    return page(request, "designs/list.html", DesignsPage(shown(request, designs)))


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new design, or of a new revision made from another."""
    need(me, Act.DESIGN_WRITE)
    start = query.whole("from", required=False)
    if not start:
        return _entry_page(request, database, new_form(request))
    with reading(database) as session:
        old = design(session, start)
    form = form_of(request, old, revision="")
    form.typed["made_from"] = (str(old.id),)
    return _entry_page(request, database, form)


@router.post("/new")
def make(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Make a design."""
    need(me, Act.DESIGN_WRITE)
    if again := _shown_again(form):
        return _entry_page(request, database, again)
    with form.collecting_errors():
        entry, old = read_design(form), form.whole("made_from", required=False)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{make_design(work, entry, made_from=old)}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{design_id}")
def show(request: Request, me: Me, database: Database, query: Asked, design_id: int) -> Response:
    """Show one design, and its pile for as many cells as are asked for."""
    need(me, Act.READ)
    with reading(database) as session:
        design_shown = design(session, design_id)
        kept_pattern = pattern_of_design(session, design_id)
        waits = pattern_waiting(session, design_id)
        before = revision_before(session, design_shown)
        types = known_types(session) if kept_pattern.pattern else ()
        versions = limits_of_design(session, design_id)
        on_it = holds_on(session, About(design_id=design_id))
    cells = query.whole(
        "cells", least=design_shown.least_cells, most=design_shown.most_cells, required=False
    )
    cells = cells or min(max(USUALLY_SHOWN, design_shown.least_cells), design_shown.most_cells)
    query.typed.setdefault("cells", (str(cells),))
    title = f"Pile of {kept_pattern.design} as designed"
    context = DesignPage(
        design_shown,
        _plan(design_shown),
        kept_pattern,
        waits,
        query,
        as_designed(kept_pattern.pattern, cells, types, title=title)
        if kept_pattern.pattern
        else None,
        before,
        before.in_pattern(kept_pattern.pattern) if before else (),
        versions,
        on_it,
    )
    if wants_part(request):
        return part(request, "designs/_as_designed.html", context, query.status)
    return page(request, "designs/show.html", context, query.status)


@router.get("/{design_id}/edit")
def show_edit(request: Request, me: Me, database: Database, design_id: int) -> Response:
    """Show the form of a design no stack uses yet."""
    need(me, Act.DESIGN_WRITE)
    with reading(database) as session:
        changed = design(session, design_id)
    form = form_of(request, changed, revision=changed.revision)
    return _entry_page(request, database, form, design_id)


@router.post("/{design_id}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, design_id: int) -> Response:
    """Change a design no stack uses yet."""
    need(me, Act.DESIGN_WRITE)
    if again := _shown_again(form):
        return _entry_page(request, database, again, design_id)
    with form.collecting_errors():
        entry, reason = read_design(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{design_id}"
            change_design(work, design_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, design_id)


def _entry_page(
    request: Request, database: Engine, form: Form, design_id: int | None = None
) -> Response:
    changed = made_from = None
    old = form.whole("made_from", required=False) if "made_from" in form.typed else None
    if design_id is not None or old:
        with reading(database) as session:
            changed = design(session, design_id) if design_id is not None else None
            made_from = design(session, old) if old else None
    rows = {kind: rows_shown(form, kind) for kind in ROWS}
    template = "designs/new.html" if changed is None else "designs/edit.html"
    return page(request, template, EntryPage(form, rows, changed, made_from), form.status)


def _plan(design_shown: DesignOnPage) -> str:
    return draw_rods(
        [(rod.number, rod.x_mm, rod.y_mm) for rod in design_shown.rods],
        design_shown.plate_width_mm,
        design_shown.plate_height_mm,
        title=f"Rods of {design_shown.name} {design_shown.revision}",
        order=[rod.number for rod in sorted(design_shown.rods, key=lambda rod: rod.turn)],
    )
