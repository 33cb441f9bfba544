"""The changeover of a stack: the form, the plan looked at, kept, and begun as a record."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.tables import Rests
from service.designs.arithmetic.grammar_text import name
from service.designs.arithmetic.pile import Layer
from service.people.pages.signing_in import Database, Me
from service.planning.arithmetic import options
from service.planning.changes import begin_record_from_plan, make_plan
from service.planning.pages.sheets import (
    ChangeoverClosingSheet,
    PlanSheet,
    changeover_closing_sheet,
    sheet_of,
)
from service.planning.queries.closing import RodEntry, changeover_closing
from service.planning.queries.plans import (
    KeptPlan,
    Progress,
    barred_since,
    plan_by_number,
    progress,
)
from service.planning.queries.store import parts_with_serials
from service.planning.queries.working_out import (
    Ask,
    Ground,
    WorkedOut,
    WornLayer,
    ground_of,
    work_out,
    worn_layers,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, now_utc, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.settings import Settings
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.stacks import find_stack
from service.store.arithmetic.identifiers import serial_key, serials_in

# Reading the form of a changeover: wishes, the day, which ends may be opened, the rods.


BEFORE_CELL = "before cell"
WHERE = (
    (End.FREE.value, "at the free end"),
    (End.FIXED.value, "at the fixed end"),
    (BEFORE_CELL, "before a cell"),
)


MAY_OPEN = ((End.FREE.value, "the free end only"), (End.FIXED.value, "the fixed end only"))


ROD_FIELDS = (
    ("length_mm", "Tie rod, end to end"),
    ("thread_mm", "Thread at the free end"),
    ("fixed_end_mm", "Rod beyond the fixed end’s compression plate"),
    ("clamped_mm", "Clamped besides the pile: compression plates, springs, washers"),
    ("nut_mm", "Height of a nut"),
    ("least_protrusion_mm", "Thread that must stand out of the nut"),
)


WISH_FIELDS = (
    "add_cells", "add_before", "take_over", "replace_cells", "replace_parts", "blank_cells",
    "remove_cells", "move_cells", "split_after",
)  # fmt: skip


FIELDS = (
    *WISH_FIELDS, "add_where", "with_plates", "plates", "move_to", "split_keeps", "split_to",
    "planned_for", "may_open", *(name for name, _ in ROD_FIELDS),
)  # fmt: skip
"""Everything a plan is asked for by; carried along while a plan is looked at."""


_CELLS = re.compile(r"(\d{1,5})(?:\s*(?:-|–|to)\s*(\d{1,5}))?")


Serials = dict[str, tuple[int, ...]]


def serials_typed(form: Form) -> frozenset[str]:
    """Return keys of the serials typed for parts that are not in the pile."""
    replacements = [new for _, new in _replacements(form) if new]
    texts = (*replacements, *_lines(form.raw("take_over")))
    return frozenset(serial_key(name) for text in texts for name in serials_in(text))


def read_ask(form: Form, ground: Ground, serials: Serials, today: date) -> Ask:
    """Return what is asked for; what cannot be read is refused beside its field."""
    wishes = [*_adding(form, ground, serials), *_replacing(form, ground, serials)]
    wishes += _taking_out(form, ground)
    if not wishes and not form.refused:
        form.refuse("wishes", "Nothing is wished for.", "Fill in one change at least.")
    chosen = form.choice("may_open", End, required=False)
    rods = {
        name: form.number(name, least=0.1 if name in {"length_mm", "thread_mm", "nut_mm"} else 0,
                          most=20_000, unit="mm", required=False)
        for name, _ in ROD_FIELDS
    }  # fmt: skip
    return Ask(
        tuple(wishes),
        form.day("planned_for", required=False) or today,
        (chosen,) if chosen else tuple(End),
        RodEntry(**rods),
    )


def _adding(form: Form, ground: Ground, serials: Serials) -> list[options.Wish]:
    cells = form.whole("add_cells", least=1, most=2000, required=False)
    place = form.raw("add_where") or End.FREE.value
    before = None
    if cells is not None and place == BEFORE_CELL:
        before = form.whole("add_before", least=1, most=ground.shown.cells + 1)
    parts = tuple(
        part for line in _lines(form.raw("take_over"))
        if (part := _one(form, "take_over", line, serials)) is not None
    )  # fmt: skip
    if cells is None:
        if parts:
            form.refuse(
                "add_cells", "Parts are taken over for cells that are added.", "Say how many."
            )
        return []
    first = 1 if place == End.FIXED.value else before or ground.shown.cells + 1
    return [options.AddCells(cells, first, parts)]


def _replacing(form: Form, ground: Ground, serials: Serials) -> list[options.Wish]:
    wishes: list[options.Wish] = []
    if cells := _cells(form, "replace_cells", ground):
        wishes.append(options.ReplaceCells(cells, with_plates=form.yes("with_plates")))
    part_at = {serial_key(layer.label): layer.part for layer in ground.layers}
    part_at |= {
        str(layer.position): layer.part
        for layer in ground.layers
        if str(layer.position) not in part_at
    }
    parts: list[int] = []
    by: list[tuple[int, int]] = []
    for old, new in _replacements(form):
        part = next(
            (part_at[key] for name in serials_in(old) if (key := serial_key(name)) in part_at), None
        )
        if part is None:
            form.refuse(
                "replace_parts",
                f"{old} is no part of this pile.",
                "A serial of the pile, or the number of its layer, would be right.",
            )
            continue
        parts.append(part)
        if new and (spare := _one(form, "replace_parts", new, serials)) is not None:
            by.append((part, spare))
    if parts:
        wishes.append(options.ReplaceParts(tuple(parts), tuple(by)))
    return wishes + [options.BlankCell(cell) for cell in _cells(form, "blank_cells", ground)]


def _taking_out(form: Form, ground: Ground) -> list[options.Wish]:
    wishes: list[options.Wish] = []
    if cells := _cells(form, "remove_cells", ground):
        plates = form.choice("plates", options.Plates, required=False) or options.Plates.ANY
        wishes.append(options.RemoveCells(cells, plates))
    if cells := _cells(form, "move_cells", ground):
        wishes.append(options.MoveCells(cells, form.text("move_to", most=80)))
    most = max(ground.shown.cells - 1, 1)
    after = form.whole("split_after", least=1, most=most, required=False)
    if after is not None:
        keeps = form.choice("split_keeps", End, required=False) or End.FIXED
        to = form.text("split_to", required=False, most=80) or "the new stack"
        wishes.append(options.SplitStack(after, keeps, to))
    return wishes


def _cells(form: Form, name: str, ground: Ground) -> tuple[int, ...]:
    """Cells typed as numbers and ranges: 2, 5 to 7."""
    text, most = form.raw(name).strip(), ground.shown.cells
    if not text:
        return ()
    cells: list[int] = []
    for some in filter(None, re.split(r"\s*[,;]\s*", text)):
        match = _CELLS.fullmatch(some.strip())
        if not match:
            form.refuse(name, "is no list of cells", "Right would be 3, or 2, 5 to 7.")
            return ()
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= most:
            right = f"The cells of this stack are 1 to {most}, counted from the fixed end."
            form.refuse(name, "names a cell the stack does not have", right)
            return ()
        cells += range(first, last + 1)
    return tuple(dict.fromkeys(cells))


def _replacements(form: Form) -> list[tuple[str, str]]:
    """Lines “old” or “old = new”."""
    replacements = [line.partition("=") for line in _lines(form.raw("replace_parts"))]
    return [(old.strip(), new.strip()) for old, _, new in replacements if old.strip()]


def _lines(text: str) -> Sequence[str]:
    return [line.strip() for line in re.split(r"[\r\n;,]+", text) if line.strip()]


def _one(form: Form, name: str, serial: str, serials: Serials) -> int | None:
    """The part that bears a serial; a serial several parts bear is refused."""
    parts = [part for name in serials_in(serial) for part in serials.get(serial_key(name), ())]
    if len(parts) == 1:
        return parts[0]
    form.refuse(
        name,
        f"{len(parts)} parts bear the serial {serial}." if parts else f"No part bears {serial}.",
        "Open the part and give it a serial of its own." if parts else "A serial as on the part.",
    )
    return None


router = APIRouter()


@dataclass(frozen=True, slots=True)
class WornGroup:
    """Layers alike in kind and in why they would be renewed if they were reached."""

    words: str
    why: str
    layers: tuple[Layer, ...]


def in_groups(worn: Sequence[WornLayer]) -> tuple[WornGroup, ...]:
    """Return worn layers by what they are and why, in the order of the pile."""
    groups: dict[tuple[str, str], list[Layer]] = {}
    for x in worn:
        groups.setdefault((name(x.layer), x.why), []).append(x.layer)
    return tuple(WornGroup(*key, tuple(layers)) for key, layers in groups.items())


@dataclass(frozen=True, slots=True)
class FormPage:
    """The form of a changeover, with the plan it gives where wishes are filled in."""

    form: Form
    keep: Form
    ground: Ground
    sheet: PlanSheet | None
    clamp: ChangeoverClosingSheet | None
    carried: Mapping[str, str]
    worn: tuple[WornGroup, ...] = ()
    """what must not be used again, or is used up, and stays"""
    renew_too: str = ""
    """the address of the plan that renews all of that as well"""
    where: tuple[tuple[str, str], ...] = WHERE
    may_open: tuple[tuple[str, str], ...] = MAY_OPEN
    rod_fields: tuple[tuple[str, str], ...] = ROD_FIELDS
    plates: tuple[str, ...] = tuple(options.Plates)


@dataclass(frozen=True, slots=True)
class PlanPage:
    """A plan as it was kept, and how its record stands against it.

    ``bars``: what it puts on and must not be put on by now.
    """

    plan: KeptPlan
    sheet: PlanSheet
    clamp: ChangeoverClosingSheet
    form: Form
    standing: Progress | None
    bars: tuple[str, ...]
    rests: tuple[RestsOn, ...]
    """this plan, where it rests on a fact corrected since"""


@router.get("/stacks/{serial:path}/changeover")
def show_form(request: Request, me: Me, database: Database, query: Asked, serial: str) -> Response:
    """Show the form, and the plan where wishes are filled in."""
    need(me, Act.READ)
    keep = blank(request, reserve=True, note=query.raw("note"))
    return _form_page(request, database, query, keep, serial)


@router.post("/stacks/{serial:path}/changeover")
def keep_plan(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Keep the plan that was looked at."""
    with form.collecting_errors():
        with reading(database) as session:
            ground = ground_of(session, find_stack(session, serial))
            ask = _asked(request, form, ground, parts_with_serials(session, serials_typed(form)))
        note = form.text("note")
        with changing(database, me, key=form.key) as work:
            try:
                plan_id = make_plan(
                    work,
                    stack_id=ground.shown.stack.id,
                    ask=ask,
                    note=note,
                    reserve=form.yes("reserve"),
                    seen_sha256=form.raw("seen"),
                )
            except TradeError as trouble:
                raise Refused("wishes", "", str(trouble)) from trouble
            work.answer = f"/changeover-plans/{plan_id}"
        return go_on(request, work.answer)
    return _form_page(request, database, form, form, serial)


@router.get("/changeover-plans/{plan_id}")
def show_plan(request: Request, me: Me, database: Database, plan_id: int) -> Response:
    """Show a plan as it was made, and what its record did."""
    need(me, Act.READ)
    return _plan_page(request, database, plan_id, blank(request, performed_from=now_utc()))


@router.post("/changeover-plans/{plan_id}/begin")
def begin(request: Request, me: Me, database: Database, form: Typed, plan_id: int) -> Response:
    """Begin the record of a plan."""
    with form.collecting_errors():
        performed_from = form.moment("performed_from")
        with changing(database, me, key=form.key) as work:
            record_id = begin_record_from_plan(
                work, plan_id, performed_from=performed_from or work.now
            )
            work.answer = f"/records/{record_id}/bench"
        return go_on(request, work.answer)
    return _plan_page(request, database, plan_id, form)


def address(serial: str) -> str:
    """Return the address of the form for a stack."""
    return f"/stacks/{quote(serial, safe='')}/changeover"


def _asked(
    request: Request, form: Form, ground: Ground, serials: dict[str, tuple[int, ...]]
) -> Ask:
    settings: Settings = request.app.state.settings
    return read_ask(form, ground, serials, now_utc().astimezone(settings.time_zone).date())


def _form_page(request: Request, database: Engine, form: Form, keep: Form, serial: str) -> Response:
    worked: WorkedOut | None = None
    worn: tuple[WornLayer, ...] = ()
    clamp: ChangeoverClosingSheet | None = None
    again = Form(form.typed, zone=form.zone)
    with reading(database) as session:
        ground = ground_of(session, find_stack(session, serial))
        if not ground.why_not and any(form.raw(name) for name in (*WISH_FIELDS, "look")):
            ask = _asked(request, again, ground, parts_with_serials(session, serials_typed(again)))
            if not again.is_refused:
                with again.collecting_errors():
                    try:
                        worked = work_out(session, ground, ask)
                    except TradeError as trouble:
                        raise Refused("wishes", "", str(trouble)) from trouble
        if worked is not None:
            worn = worked.staying
            closing = changeover_closing(session, ground.shown, worked.document)
            clamp = changeover_closing_sheet(closing)
        elif not ground.why_not:
            worn = worn_layers(session, ground)
    form.refused = {**again.refused, **form.refused}
    sheet = sheet_of(worked.document, worked.content_sha256, ground.shown) if worked else None
    carried = {name: form.raw(name) for name in FIELDS if form.raw(name)}
    return page(
        request,
        "planning/form.html",
        FormPage(
            form,
            keep,
            ground,
            sheet,
            clamp,
            carried,
            in_groups(worn),
            _renewing_too(serial, carried, worn),
        ),
        form.status,
    )


def _renewing_too(serial: str, carried: Mapping[str, str], worn: Sequence[WornLayer]) -> str:
    """The address of the same plan with these layers among the parts to replace."""
    lines = [*_lines(carried.get("replace_parts", "")), *(str(x.layer.position) for x in worn)]
    wished = {**carried, "replace_parts": "\n".join(lines)}
    return f"{address(serial)}?{urlencode(wished)}#plan"


def _plan_page(request: Request, database: Engine, plan_id: int, form: Form) -> Response:
    with reading(database) as session:
        plan = plan_by_number(session, plan_id)
        pile_map = layer_map(session, plan.stack_id, build_number=plan.document.build)
        standing = progress(session, plan.record_id) if plan.record_id else None
        lays = () if standing is None else standing.to_put_on
        bars = barred_since(session, plan, lays if plan.record_id else plan.document.put_on)
        clamp = changeover_closing_sheet(changeover_closing(session, pile_map, plan.document))
        rests = rests_on(session, (Rests.PLAN,), (plan_id,))
    sheet = sheet_of(plan.document, plan.content_sha256, pile_map)
    context = PlanPage(plan, sheet, clamp, form, standing, bars, rests)
    return page(request, "planning/show.html", context, form.status)
