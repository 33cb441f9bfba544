"""The sheet of a stack: its pile as it is or was, its rods, hours, builds; two builds compared."""

from dataclasses import dataclass
from datetime import datetime
from itertools import takewhile
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.closing.queries.build_torques import BuildTorques, RodTorque, build_torques
from service.people.pages.signing_in import Database, Me
from service.planning.queries.plans import ListedPlan, plans_of_stack
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import FIXING_KINDS, Kind
from service.platform.database import now_utc, reading
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import local, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.proof.queries.build_verdicts import tally, verdicts_of_build
from service.proof.queries.leak_searches import LeakSuspicion, leak_suspicions
from service.records.queries.content import Verification, verified
from service.records.queries.pile_checks import PileCheck, check_of_build
from service.settings import Settings
from service.stacks.arithmetic.comparison import Change, Comparison, What, compare
from service.stacks.arithmetic.part_hours import PartHours
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.pages.layer_pictures import (
    How,
    Marks,
    faces_in_words,
    layer_table,
    pile_in_words,
    rod_plan,
    section,
)
from service.stacks.queries.build_spans import BuildFacts
from service.stacks.queries.cell_bridges import KnownBridge
from service.stacks.queries.hour_histories import HourHistory, hour_history
from service.stacks.queries.hour_kinds import BuildKinds, stack_kinds
from service.stacks.queries.layer_maps import LayerMap, MapFixing, layer_map
from service.stacks.queries.stack_sheets import StackRecord, StackSheet, stack_sheet
from service.stacks.queries.stacks import find_stack

router = APIRouter(prefix="/stacks")
READINGS_SHOWN = 5


@dataclass(frozen=True, slots=True)
class RodRow:
    """One rod with the parts on it by their kind, and its final torque."""

    number: int
    fixings: dict[Kind, tuple[MapFixing, ...]]
    torque: RodTorque | None


@dataclass(frozen=True, slots=True)
class SheetPage:
    """One stack: the map asked for, drawn and as a table, and what belongs on its sheet."""

    pile_map: LayerMap
    sheet: StackSheet
    form: Form
    caption: str
    drawing: Markup
    table: Markup
    pile: str
    rods: Markup
    rod_rows: tuple[RodRow, ...]
    fixing_kinds: tuple[Kind, ...]
    torques: BuildTorques | None
    hours: HourHistory
    build_hours: dict[int, Hours]
    kinds: PartHours
    """of all its builds together"""
    bridged: tuple[KnownBridge, ...]
    """cells bridged now"""
    record: StackRecord | None
    approved_by: str
    verification: Verification | None
    is_now: bool
    """the map is of the present build as known now"""
    check: PileCheck
    plans: tuple[ListedPlan, ...]
    tally: tuple[tuple[Verdict | None, tuple[str, ...]], ...]
    """verdicts of the build by what they are worth now, each with what it is of"""
    suspicion: LeakSuspicion | None
    """cells that stood out in the newest search for a leak"""


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """One changed part in words, under its revision number."""

    number: int
    what: What
    part_id: int
    label: str
    kind: str
    lot: str
    cell: int | None
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class ComparePage:
    """Two builds of one stack, side by side, and what changed between them."""

    before: LayerMap
    after: LayerMap
    comparison: Comparison
    drawings: tuple[tuple[str, Markup], tuple[str, Markup]]
    rows: tuple[ChangeRow, ...]
    form: Form
    approved_by: str
    record: StackRecord | None


@router.get("/{serial:path}/compare")
def show_comparison(
    request: Request, me: Me, database: Database, query: Asked, serial: str
) -> Response:
    """Show two builds side by side with what changed, as known now or at a time."""
    need(me, Act.READ)
    known_at = query.known_as_of().known_at
    first = query.whole("from", least=1, required=False)
    second = query.whole("to", least=1, required=False)
    with reading(database) as session:
        stack_id = find_stack(session, serial)
        after = layer_map(session, stack_id, known_at=known_at, build_number=second)
        numbers = [build.number for build in after.builds]
        if first is None:
            first = _one_before(numbers, after.build)
        before = layer_map(session, stack_id, known_at=known_at, build_number=first)
        sheet = stack_sheet(session, stack_id)
    comparison = compare(before.layers, after.layers)
    marks = comparison.marks
    how = _how(query, request)
    query.typed.setdefault("from", (str(first or ""),))
    query.typed.setdefault("to", (str(after.build.number if after.build else ""),))
    captions = [_caption(m, request) for m in (before, after)]
    drawings = [
        Markup(section(m, caption, each, marks, map_beside.digest))  # noqa: S704 - our own drawing
        for m, caption, each, map_beside in zip(
            (before, after),
            captions,
            (How(how.equal_layers, how.whole, how.open_link, "was"), how),
            (after, before),
            strict=True,
        )
    ]
    record = _record_of(sheet, after.build)
    context = ComparePage(
        before,
        after,
        comparison,
        ((captions[0], drawings[0]), (captions[1], drawings[1])),
        tuple(
            change_row(mark.number, change, before, after)
            for mark in marks
            for change in mark.changes
        ),
        query,
        _approver(sheet, record),
        record,
    )
    return page(request, "stacks/compare.html", context, query.status)


@router.get("/{serial:path}")
def show(request: Request, me: Me, database: Database, query: Asked, serial: str) -> Response:
    """Show a stack's sheet, as it is or as it was."""
    need(me, Act.READ)
    number = query.whole("build", least=1, required=False)
    as_of = query.as_of()
    on, known_at = as_of.on, as_of.known_at
    if number is not None and on is not None:
        query.refuse("build", "Ask for a build or for a date, not for both.")
    with reading(database) as session:
        stack_id = find_stack(session, serial)
        pile_map = layer_map(
            session, stack_id, on=None if number else on, known_at=known_at, build_number=number
        )
        sheet = stack_sheet(session, stack_id)
        history = hour_history(session, stack_id, as_of, Turn(READINGS_SHOWN))
        kinds = stack_kinds(session, stack_id, as_of)
        build = pile_map.build
        torques = build_torques(session, [build.build_id], known_at) if build else {}
        checked = verified(session, [build.record_id]) if build else {}
        plans = plans_of_stack(session, stack_id)
        check = check_of_build(session, pile_map)
        is_now = bool(build and build.is_present and known_at is None)
        worth = tally(verdicts_of_build(session, build.build_id)) if build and is_now else ()
        searches = leak_suspicions(session, [build.build_id], as_of) if build else {}
    caption = _caption(pile_map, request)
    record = _record_of(sheet, build)
    torque = torques.get(build.build_id) if build else None
    fixed = pile_map.fixings
    context = SheetPage(
        pile_map=pile_map,
        sheet=sheet,
        form=query,
        caption=caption,
        drawing=Markup(section(pile_map, caption, _how(query, request))),  # noqa: S704
        table=Markup(  # noqa: S704 - written and escaped by layer_table
            layer_table(
                pile_map,
                "Layers from the fixed end",
                _marks(request),
                as_today=is_now,
                held=frozenset(hold.part_id for hold in sheet.holds if hold.part_id),
            )
        ),
        pile=pile_in_words(pile_map),
        rods=Markup(rod_plan(pile_map, torque, "Rods and final torque")),  # noqa: S704
        rod_rows=_rod_rows(pile_map, torque),
        fixing_kinds=tuple(
            kind for kind in FIXING_KINDS if any(f.kind is kind and f.rod_number for f in fixed)
        ),
        torques=torque,
        hours=history,
        build_hours={build_kind.span.build_id: build_kind.span.ran for build_kind in kinds},
        kinds=_together(kinds, as_of.until(now_utc())),
        bridged=tuple(bridge for build_kind in kinds for bridge in build_kind.bridged_now),
        record=record,
        approved_by=_approver(sheet, record),
        verification=checked.get(build.record_id) if build else None,
        is_now=is_now,
        check=check,
        plans=plans,
        tally=worth,
        suspicion=searches.get(build.build_id) if build else None,
    )
    return page(request, "stacks/show.html", context, query.status)


def _together(kinds: tuple[BuildKinds, ...], until: datetime) -> PartHours:
    return sum((build_kind.of(None, until) for build_kind in kinds), PartHours())


def _rod_rows(pile_map: LayerMap, torques: BuildTorques | None) -> tuple[RodRow, ...]:
    read = {rod.rod_number: rod for rod in torques.rods} if torques else {}
    at_rod: dict[int, dict[Kind, tuple[MapFixing, ...]]] = {rod.number: {} for rod in pile_map.rods}
    for number in read:
        at_rod.setdefault(number, {})
    for fixing in pile_map.fixings:
        if fixing.rod_number is not None:
            on_it = at_rod.setdefault(fixing.rod_number, {})
            on_it[fixing.kind] = (*on_it.get(fixing.kind, ()), fixing)
    return tuple(
        RodRow(number, on_it, read.get(number)) for number, on_it in sorted(at_rod.items())
    )


def _how(form: Form, request: Request) -> How:
    query = [(k, v) for k, v in request.query_params.multi_items() if k != "whole"]
    return How(
        equal_layers=form.yes("equal"),
        whole=form.yes("whole"),
        open_link=f"?{urlencode([*query, ('whole', 'yes')])}#map",
    )


def _caption(pile_map: LayerMap, request: Request) -> str:
    settings: Settings = request.app.state.settings
    zone = settings.time_zone
    words = f"Layer map of {pile_map.stack.serial}"
    if pile_map.build is None:
        return words
    words += f", build {pile_map.build.number}"
    if pile_map.on is not None:
        words += f", on {local(pile_map.on, zone)}"
    if pile_map.known_at is not None:
        words += f", as it was known on {local(pile_map.known_at, zone)}"
    return words


def _marks(request: Request) -> Marks:
    macros = request.app.state.templates.get_template("macros/state.html").module
    return lambda word: str(macros.state(word))


def _record_of(sheet: StackSheet, build: BuildFacts | None) -> StackRecord | None:
    if build is None:
        return None
    return next((record for record in sheet.records if record.id == build.record_id), None)


def _approver(sheet: StackSheet, record: StackRecord | None) -> str:
    return sheet.approved_by[record.id][0] if record and record.id in sheet.approved_by else ""


def _one_before(numbers: list[int], build: BuildFacts | None) -> int | None:
    """The number of the build closed before; of the first build its own."""
    if build is None:
        return None
    before = list(takewhile(lambda number: number != build.number, numbers))
    return before[-1] if before else build.number


def change_row(number: int, change: Change, before: LayerMap, after: LayerMap) -> ChangeRow:
    """Return one changed part in words: where it lay before and where it lies after."""
    layer = change.layer
    faces = {t.name: t.marked_face for m in (before, after) for t in m.types.values()}

    def place(at: int | None, facing: str | None) -> str:
        if at is None:
            return ""
        if change.what is What.TURNED and facing is not None:
            return faces_in_words(facing, faces.get(layer.part_type))
        return f"position {at}"

    return ChangeRow(
        number,
        change.what,
        layer.part,
        layer.label,
        layer.part_type,
        layer.lot or "",
        layer.cell,
        place(change.position_before, change.before.facing.value if change.before else None),
        place(change.position_after, change.after.facing.value if change.after else None),
    )
