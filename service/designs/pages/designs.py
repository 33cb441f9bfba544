"""Designs: the list, one of them, a new one or a new revision, and changing one not yet used."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.closing.drawings.rods import draw_rods
from service.designs.arithmetic.grammar import Where
from service.designs.changes.designs import FLUIDS, change_design, make_design
from service.designs.pages.design_forms import (
    form_of,
    new_form,
    read_design,
    rows_shown,
    with_more_rows,
)
from service.designs.pages.pattern_pictures import USUALLY_SHOWN, AsDesignedPile, as_designed
from service.designs.queries.design_revisions import RevisionBefore, revision_before
from service.designs.queries.designs import DesignOnPage, DesignRow, design, designs
from service.designs.queries.patterns import KeptPattern, known_types, pattern_of_design
from service.limits.queries import LimitsRow, limits_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, need

router = APIRouter(prefix="/designs")


@dataclass(frozen=True, slots=True)
class DesignsPage:
    """All designs."""

    designs: tuple[DesignRow, ...]


@dataclass(frozen=True, slots=True)
class DesignPage:
    """One design, with the plan of its rods, its pile as designed, and the revision before."""

    design: DesignOnPage
    plan: str
    kept: KeptPattern
    form: Form
    designed: AsDesignedPile | None
    before: RevisionBefore | None
    in_pattern: tuple[str, ...]
    versions: tuple[LimitsRow, ...]
    parts: tuple[Where, ...] = tuple(Where)


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new design, of a new revision, or of one to be changed."""

    form: Form
    rows: Mapping[str, int]
    changed: DesignOnPage | None = None
    made_from: DesignOnPage | None = None
    fluids: tuple[str, ...] = FLUIDS
    ends: tuple[End, ...] = tuple(End)


@router.get("")
def show_list(request: Request, me: Me, database: Database) -> Response:
    """List the designs."""
    need(me, Act.READ)
    with reading(database) as session:
        return page(request, "designs/list.html", DesignsPage(designs(session)))


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show the form of a new design, or of a new revision made from another."""
    need(me, Act.DESIGN_WRITE)
    start = asked.whole("from", required=False)
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
    if form.kept("more"):
        return _entry_page(request, database, with_more_rows(form))
    with form.keeping():
        entry, old = read_design(form), form.whole("made_from", required=False)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{make_design(work, entry, made_from=old)}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{design_id}")
def show(request: Request, me: Me, database: Database, asked: Asked, design_id: int) -> Response:
    """Show one design, and its pile for as many cells as are asked for."""
    need(me, Act.READ)
    with reading(database) as session:
        shown = design(session, design_id)
        kept = pattern_of_design(session, design_id)
        before = revision_before(session, shown)
        types = known_types(session) if kept.pattern else ()
        versions = limits_of_design(session, design_id)
    cells = asked.whole("cells", least=shown.least_cells, most=shown.most_cells, required=False)
    cells = cells or min(max(USUALLY_SHOWN, shown.least_cells), shown.most_cells)
    asked.typed.setdefault("cells", (str(cells),))
    title = f"Pile of {kept.design} as designed"
    context = DesignPage(
        shown,
        _plan(shown),
        kept,
        asked,
        as_designed(kept.pattern, cells, types, title=title) if kept.pattern else None,
        before,
        before.in_pattern(kept.pattern) if before else (),
        versions,
    )
    if wants_part(request):
        return part(request, "designs/_as_designed.html", context, asked.status)
    return page(request, "designs/show.html", context, asked.status)


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
    if form.kept("more"):
        return _entry_page(request, database, with_more_rows(form), design_id)
    with form.keeping():
        entry, reason = read_design(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{design_id}"
            change_design(work, design_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, design_id)


def _entry_page(
    request: Request,
    database: Engine,
    form: Form,
    design_id: int | None = None,
) -> Response:
    changed = made_from = None
    old = form.whole("made_from", required=False) if "made_from" in form.typed else None
    if design_id is not None or old:
        with reading(database) as session:
            changed = design(session, design_id) if design_id is not None else None
            made_from = design(session, old) if old else None
    rows = {kind: rows_shown(form, kind) for kind in ("rod", "port", "line")}
    template = "designs/new.html" if changed is None else "designs/edit.html"
    return page(request, template, EntryPage(form, rows, changed, made_from), form.status)


def _plan(shown: DesignOnPage) -> str:
    return draw_rods(
        [(rod.number, rod.x_mm, rod.y_mm) for rod in shown.rods],
        shown.plate_width_mm,
        shown.plate_height_mm,
        title=f"Rods of {shown.name} {shown.revision}",
        order=[rod.number for rod in sorted(shown.rods, key=lambda rod: rod.turn)],
    )
