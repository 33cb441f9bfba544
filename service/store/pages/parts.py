"""Parts: the list, a new one, and the changes along the three axes of one.

What a part went through is shown by the page of one part and its trace, in modules of their own.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.life.queries.grounds import GroundSeen, findings_to_rest_on
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field, by_name
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank, filled
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need
from service.platform.queries.lists import Turn
from service.stacks.queries.layer_maps import stack_facts
from service.stacks.queries.stacks import find_stack
from service.store.arithmetic.acceptance import CHOSEN, FIELDS, Acceptance, Basis
from service.store.arithmetic.part_fields import (
    CHANGED_FIELDS,
    MEASURED,
    PART_FIELDS,
    hints_of_type,
)
from service.store.changes import part_axes
from service.store.changes import parts as changes
from service.store.changes.parts import JUDGEMENTS, PLACES_BY_HAND, PLACES_TO_BEGIN, PartEntry
from service.store.queries.lots import lots_of_type
from service.store.queries.part_lists import (
    PartFilter,
    PartInForms,
    PartRow,
    designs_to_choose,
    part_in_forms,
    parts,
    stacks_to_choose,
)
from service.store.queries.part_types import PartTypeFacts, part_types

router = APIRouter(prefix="/parts")
Choices = tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class PartsPage:
    """Some parts, and what they can be filtered by."""

    parts: Shown[PartRow]
    part_types: tuple[PartTypeFacts, ...]
    form: Form
    kinds: tuple[Kind, ...] = tuple(Kind)
    places: tuple[Whereabouts, ...] = tuple(Whereabouts)
    usabilities: tuple[Usability, ...] = tuple(Usability)


MOST_SHOWN = 500
"""Parts judged on one page."""


@dataclass(frozen=True, slots=True)
class InspectionPage:
    """Parts of a stack nobody has inspected; ``further``: there are more than are shown."""

    stack: str
    rows: tuple[PartRow, ...]
    further: bool
    form: Form
    usabilities: tuple[Usability, ...] = (Usability.ACCEPTED_USED, Usability.REJECTED)
    bases: tuple[Basis, ...] = CHOSEN


@dataclass(frozen=True, slots=True)
class NewPage:
    """The form of a new part; its type is chosen first, since lots hang on it."""

    form: Form
    part_types: tuple[PartTypeFacts, ...]
    chosen: PartTypeFacts | None
    lots: Choices
    hints: Mapping[str, str]
    places: tuple[Whereabouts, ...] = PLACES_TO_BEGIN
    usabilities: tuple[Usability, ...] = JUDGEMENTS
    fields: Mapping[str, Field] = field(default_factory=lambda: by_name(PART_FIELDS))
    measured: tuple[Field, ...] = MEASURED


@dataclass(frozen=True, slots=True)
class ChangePage:
    """The form of one change to one part."""

    form: Form
    part: PartInForms
    lots: Choices = ()
    stacks: Choices = ()
    designs: Choices = ()
    findings: tuple[GroundSeen, ...] = ()
    places: tuple[Whereabouts, ...] = PLACES_BY_HAND
    usabilities: tuple[Usability, ...] = JUDGEMENTS
    fields: tuple[Field, ...] = CHANGED_FIELDS
    acceptance: tuple[Field, ...] = FIELDS


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List parts."""
    need(me, Act.READ)
    part_filter = PartFilter(
        kind=query.choice("kind", Kind, required=False),
        part_type_id=query.whole("part_type", required=False),
        lot_id=query.whole("lot", required=False),
        begins_with=query.text("begins_with", required=False, most=200),
        whereabouts=query.choice("whereabouts", Whereabouts, required=False),
        usability=query.choice("usability", Usability, required=False),
        reserved_for=query.text("reserved_for", required=False, most=200),
        items=query.yes("items"),
    )
    with reading(database) as session:
        parts_listed = parts(session, part_filter, turn_asked(request, query))
        types = part_types(session)
    context = PartsPage(shown(request, parts_listed), types, query)
    return page(request, "store/parts/list.html", context, query.status)


@router.get("/inspection")
def show_inspection(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the parts of a stack nobody has inspected, to be judged together."""
    need(me, Act.PART_JUDGE)
    return _inspection_page(request, database, _stack_asked(database, query), blank(request))


@router.post("/inspection")
def inspect(request: Request, me: Me, database: Database, form: Typed, query: Asked) -> Response:
    """Judge all that was shown, or what is chosen of it."""
    need(me, Act.PART_JUDGE)
    stack = _stack_asked(database, query)
    with form.collecting_errors():
        usability, reason = form.choice("usability", Usability), form.text("reason")
        basis = form.choice("basis", Basis, required=False)
        chosen = form.raw_all("every") if form.yes("all") else form.raw_all("chosen")
        ids = [int(key) for key in chosen if key.isdecimal() and len(key) < 16]
        with changing(database, me, key=form.key) as work:
            work.answer = f"/stacks/{quote(stack, safe='')}"
            part_axes.judge_parts(
                work,
                ids,
                usability=usability or Usability.NOT_INSPECTED,
                reason=reason,
                acceptance=Acceptance(basis or Basis.NOT_RECORDED),
            )
        return go_on(request, work.answer)
    return _inspection_page(request, database, stack, form)


def _stack_asked(database: Engine, query: Form) -> str:
    """The serial of the stack an address names. Raises NotFound."""
    with reading(database) as session:
        return stack_facts(session, find_stack(session, query.raw("stack"))).serial


def _inspection_page(request: Request, database: Engine, stack: str, form: Form) -> Response:
    part_filter = PartFilter(stack=stack, usability=Usability.NOT_INSPECTED, items=True)
    with reading(database) as session:
        waiting = parts(session, part_filter, Turn(MOST_SHOWN))
    context = InspectionPage(stack, waiting.rows, bool(waiting.further), form)
    return page(request, "store/parts/inspection.html", context, form.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a new part."""
    need(me, Act.PART_WRITE)
    form = blank(
        request,
        part_type=query.raw("part_type"),
        lot=query.raw("lot"),
        serial=query.raw("serial"),
        whereabouts=Whereabouts.IN_STORE.value,
        usability=Usability.NOT_INSPECTED.value,
        hours_before="0",
    )
    return _new_page(request, database, form)


@router.post("/new")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add a part."""
    with form.collecting_errors():
        part_type_id = form.whole("part_type")
        lot_id = form.whole("lot", required=False)
        entry = PartEntry(lot_id=lot_id, **form.values(PART_FIELDS))
        with changing(database, me, key=form.key) as work:
            part_id = changes.add_part(work, part_type_id=part_type_id or 0, entry=entry)
            work.answer = f"/parts/{part_id}"
        if form.yes("another"):
            return go_on(request, f"/parts/new?part_type={part_type_id}&lot={lot_id or ''}")
        return go_on(request, work.answer)
    return _new_page(request, database, form)


@router.get("/{part_id}/edit")
def show_edit(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show the form for what was written down of a part."""
    need(me, Act.PART_WRITE)
    row = _row(database, part_id)
    form = filled(request, CHANGED_FIELDS, row, lot=row.lot_id)
    return _change_page(request, database, "store/parts/edit.html", part_id, form)


@router.post("/{part_id}/edit")
def edit(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Change what was written down of a part."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        lot_id, reason = form.whole("lot", required=False), form.text("reason")
        entry = PartEntry(lot_id=lot_id, **form.values(CHANGED_FIELDS))
        values = {"entry": entry, "reason": reason}
        return _done(request, form, part_id, changes.change_part, values)
    return _change_page(request, database, "store/parts/edit.html", part_id, form)


@router.get("/{part_id}/move")
def show_move(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show the form for where a part is."""
    need(me, Act.PART_WRITE)
    row = _row(database, part_id)
    form = blank(request, whereabouts=row.whereabouts.value, place=row.place)
    return _change_page(request, database, "store/parts/move.html", part_id, form)


@router.post("/{part_id}/move")
def move(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Say where a part is now; out of being scrapped only by a reversal."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        values = {
            "whereabouts": form.choice("whereabouts", Whereabouts),
            "place": form.text("place", required=False, most=200),
            "reason": form.text("reason"),
        }
        back = form.yes("reversal")
        change = part_axes.bring_back if back else part_axes.move_part
        return _done(request, form, part_id, change, values)
    return _change_page(request, database, "store/parts/move.html", part_id, form)


@router.post("/{part_id}/found")
def found(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Say that a part which could not be found is there again."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        values = {"place": form.text("place", most=200)}
        return _done(request, form, part_id, part_axes.find_again, values)
    return _change_page(request, database, "store/parts/move.html", part_id, form)


@router.get("/{part_id}/judge")
def show_judge(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show the form for whether a part may be used."""
    need(me, Act.PART_JUDGE)
    return _change_page(request, database, "store/parts/judge.html", part_id, blank(request))


@router.post("/{part_id}/judge")
def judge(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Say whether a part may be used."""
    need(me, Act.PART_JUDGE)
    with form.collecting_errors():
        usability, reason = form.choice("usability", Usability), form.text("reason")
        acceptance = acceptance_in(form) if usability is Usability.ACCEPTED_USED else None
        values = {"usability": usability, "reason": reason, "acceptance": acceptance}
        return _done(request, form, part_id, part_axes.judge_part, values)
    return _change_page(request, database, "store/parts/judge.html", part_id, form)


@router.get("/{part_id}/reserve")
def show_reserve(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show the form for what a part is reserved for."""
    need(me, Act.PART_WRITE)
    with reading(database) as session:
        reserved = part_in_forms(session, part_id).reserved_for_stack_id
    form = blank(request, stack=reserved)
    return _change_page(request, database, "store/parts/reserve.html", part_id, form)


@router.post("/{part_id}/reserve")
def reserve(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Reserve a part for a change of a stack, or free it."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        values = {"stack_id": form.whole("stack", required=False), "reason": form.text("reason")}
        return _done(request, form, part_id, part_axes.reserve_part, values)
    return _change_page(request, database, "store/parts/reserve.html", part_id, form)


def _done(
    request: Request,
    form: Form,
    part_id: int,
    change: Callable[..., None],
    values: Mapping[str, object],
) -> Response:
    """Make one change to one part, by who is signed in."""
    me: Person = request.state.me
    database: Engine = request.app.state.engine
    with changing(database, me, key=form.key) as work:
        work.answer = f"/parts/{part_id}"
        change(work, part_id, **values)
    return go_on(request, work.answer)


def _row(database: Engine, part_id: int) -> PartRow:
    with reading(database) as session:
        return part_in_forms(session, part_id).row


def _change_page(
    request: Request, database: Engine, template: str, part_id: int, form: Form
) -> Response:
    with reading(database) as session:
        part = part_in_forms(session, part_id)
        lots = lots_of_type(session, part.row.type_id) if template.endswith("edit.html") else ()
        stacks = stacks_to_choose(session) if template.endswith("reserve.html") else ()
        judges = template.endswith("judge.html")
        designs = designs_to_choose(session) if judges else ()
        findings = findings_to_rest_on(session, part_id) if judges else ()
    context = ChangePage(form, part, lots, stacks, designs, findings)
    return page(request, template, context, form.status)


def acceptance_in(form: Form) -> Acceptance:
    """Read what a used part is accepted on, and how far."""
    values = form.values(FIELDS)
    basis = Basis(values.pop("basis") or Basis.NOT_RECORDED)
    return Acceptance(basis, design_id=form.whole("design", required=False), **values)


def _new_page(request: Request, database: Engine, form: Form) -> Response:
    with reading(database) as session:
        types = part_types(session)
        type_id = form.raw("part_type")
        chosen = next((part_type for part_type in types if str(part_type.id) == type_id), None)
        lots = lots_of_type(session, chosen.id) if chosen else ()
    hints = hints_of_type(chosen.free_mm) if chosen else {}
    context = NewPage(
        form, tuple(part_type for part_type in types if not part_type.counted), chosen, lots, hints
    )
    return page(request, "store/parts/new.html", context, form.status)
