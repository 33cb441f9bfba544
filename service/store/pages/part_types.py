"""Part types: the list, one of them, a new one or a new revision, and changing one."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.part_stiffness import OF_KIND
from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.store.changes.part_types import PartTypeEntry, change_part_type, make_part_type
from service.store.pages.stiffness import Given, given_of
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


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new part type, or of one to be changed."""

    form: Form
    changed: PartTypeOnPage | None = None
    made_from: PartTypeOnPage | None = None
    kinds: tuple[Kind, ...] = tuple(Kind)
    materials: tuple[Material, ...] = tuple(Material)
    sides: tuple[Side, ...] = tuple(Side)
    backs: tuple[Back, ...] = tuple(Back)
    joints: tuple[Joint, ...] = tuple(Joint)


@router.get("")
def show_list(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """List the part types."""
    need(me, Act.READ)
    kind = asked.choice("kind", Kind, required=False)
    with reading(database) as session:
        found = part_type_list(session, kind, turn_asked(request, asked))
    context = PartTypesPage(shown(request, found), asked)
    return page(request, "store/part_types/list.html", context, asked.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show the form of a new part type, or of a new revision made from another."""
    need(me, Act.PART_WRITE)
    start = asked.whole("from", required=False)
    made_from = None
    form = blank(request, kind=asked.kept("kind"), back=Back.NONE.value)
    if start:
        with reading(database) as session:
            made_from = part_type(session, start)
        form = _form_of(request, made_from.facts, revision="")
    return page(request, "store/part_types/new.html", EntryPage(form, made_from=made_from))


@router.post("/new")
def make(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Make a part type."""
    with form.keeping():
        entry = _entry(form)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/part-types/{make_part_type(work, entry)}"
        return go_on(request, work.answer)
    return page(request, "store/part_types/new.html", EntryPage(form), form.status)


@router.get("/{part_type_id}")
def show(request: Request, me: Me, database: Database, part_type_id: int) -> Response:
    """Show one part type and where its parts are."""
    need(me, Act.READ)
    with reading(database) as session:
        shown = part_type(session, part_type_id)
    context = PartTypePage(shown, given_of(shown.facts), shown.facts.kind in OF_KIND)
    return page(request, "store/part_types/show.html", context)


@router.get("/{part_type_id}/edit")
def show_edit(request: Request, me: Me, database: Database, part_type_id: int) -> Response:
    """Show the form of a part type to be changed."""
    need(me, Act.PART_WRITE)
    with reading(database) as session:
        changed = part_type(session, part_type_id)
    form = _form_of(request, changed.facts, revision=changed.facts.revision)
    return page(request, "store/part_types/edit.html", EntryPage(form, changed=changed))


@router.post("/{part_type_id}/edit")
def change(
    request: Request, me: Me, database: Database, form: Typed, part_type_id: int
) -> Response:
    """Change a part type."""
    with form.keeping():
        entry, reason = _entry(form), form.text("reason")
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


def _entry(form: Form) -> PartTypeEntry:
    kind = form.choice("kind", Kind)
    material = form.choice("material", Material)
    entry = {
        "name": form.text("name", most=200),
        "drawing_number": form.text("drawing_number", most=200),
        "revision": form.text("revision", most=200),
        "thickness_mm": form.number("thickness_mm", unit="mm", required=False),
        "side": form.choice("side", Side, required=False),
        "back": form.choice("back", Back, required=False) or Back.NONE,
        "joint": form.choice("joint", Joint, required=False),
        "marked_face": form.text("marked_face", required=False, most=200) or None,
        "counted": form.yes("counted"),
        "renew_at_opening": form.yes("renew_at_opening"),
        "openings_most": form.whole("openings_most", required=False),
        "hours_most": form.number("hours_most", unit="h", required=False),
        "shelf_life_months": form.whole("shelf_life_months", required=False, most=1200),
    }
    form.check()
    return PartTypeEntry(kind=kind, material=material, **entry)  # type: ignore[arg-type]


def _form_of(request: Request, facts: PartTypeFacts, *, revision: str) -> Form:
    names = PartTypeEntry.__slots__
    return blank(request, **{name: getattr(facts, name) for name in names} | {"revision": revision})
