"""Part types: the list, one of them, a new one or a new revision, and changing one."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.part_stiffness import OF_KIND
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.vocabulary import Back, Kind
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank, filled
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.store.arithmetic.part_fields import ANY_TIME, PART_TYPE_FIELDS
from service.store.changes.part_types import PartTypeEntry, change_part_type, make_part_type
from service.store.pages.stiffness import Given, given_of
from service.store.queries.holds import About, HoldsOnIt, holds_on
from service.store.queries.part_types import (
    PartTypeFacts,
    PartTypeOnPage,
    part_type,
    part_type_list,
)

router = APIRouter(prefix="/part-types")


@dataclass(frozen=True, slots=True)
class PartTypesPage:
    """The part types of a kind, or all."""

    part_types: Shown[PartTypeFacts]
    form: Form
    kinds: tuple[Kind, ...] = tuple(Kind)


@dataclass(frozen=True, slots=True)
class PartTypePage:
    """One part type; ``has_stiffness``: parts of its kind give under load."""

    part_type: PartTypeOnPage
    kept: Given | None
    has_stiffness: bool
    on_it: HoldsOnIt


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new part type, or of one to be changed."""

    form: Form
    changed: PartTypeOnPage | None = None
    made_from: PartTypeOnPage | None = None
    fields: tuple[Field, ...] = PART_TYPE_FIELDS
    any_time: tuple[str, ...] = ANY_TIME


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List the part types."""
    need(me, Act.READ)
    kind = query.choice("kind", Kind, required=False)
    with reading(database) as session:
        listed = part_type_list(session, kind, turn_asked(request, query))
    context = PartTypesPage(shown(request, listed), query)
    return page(request, "store/part_types/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new part type, or of a new revision made from another."""
    need(me, Act.PART_WRITE)
    start = query.whole("from", required=False)
    made_from = None
    form = blank(request, kind=query.raw("kind"), back=Back.NONE.value)
    if start:
        with reading(database) as session:
            made_from = part_type(session, start)
        form = filled(request, PART_TYPE_FIELDS, made_from.facts, revision="")
    return page(request, "store/part_types/new.html", EntryPage(form, made_from=made_from))


@router.post("/new")
def make(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Make a part type."""
    with form.collecting_errors():
        entry = PartTypeEntry(**form.values(PART_TYPE_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/part-types/{make_part_type(work, entry)}"
        return go_on(request, work.answer)
    return page(request, "store/part_types/new.html", EntryPage(form), form.status)


@router.get("/{part_type_id}")
def show(request: Request, me: Me, database: Database, part_type_id: int) -> Response:
    """Show one part type and where its parts are."""
    need(me, Act.READ)
    with reading(database) as session:
        type_shown = part_type(session, part_type_id)
        on_it = holds_on(session, About(part_type_id=part_type_id))
    context = PartTypePage(
        type_shown, given_of(type_shown.facts), type_shown.facts.kind in OF_KIND, on_it
    )
    return page(request, "store/part_types/show.html", context)


@router.get("/{part_type_id}/edit")
def show_edit(request: Request, me: Me, database: Database, part_type_id: int) -> Response:
    """Show the form of a part type to be changed."""
    need(me, Act.PART_WRITE)
    with reading(database) as session:
        changed = part_type(session, part_type_id)
    form = filled(request, PART_TYPE_FIELDS, changed.facts)
    return page(request, "store/part_types/edit.html", EntryPage(form, changed=changed))


@router.post("/{part_type_id}/edit")
def change(
    request: Request, me: Me, database: Database, form: Typed, part_type_id: int
) -> Response:
    """Change a part type."""
    with form.collecting_errors():
        reason, entry = form.text("reason"), PartTypeEntry(**form.values(PART_TYPE_FIELDS))
        with changing(database, me, key=form.key) as work:
            work.answer = f"/part-types/{part_type_id}"
            change_part_type(work, part_type_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _edit_again(request, database, form, part_type_id)


def _edit_again(request: Request, database: Engine, form: Form, part_type_id: int) -> Response:
    with reading(database) as session:
        changed = part_type(session, part_type_id)
    return page(
        request, "store/part_types/edit.html", EntryPage(form, changed=changed), form.status
    )
