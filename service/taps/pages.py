"""Tap maps of a stack: the one valid now drawn, all of them listed, a new one, corrections."""

from dataclasses import dataclass
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.numbers import plain_whole
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.stacks.queries.cell_bridges import BuildThen, CellThen, build_then
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack
from service.store.queries.proposals import Proposal, proposals_waiting
from service.store.tables import ChangeKind
from service.taps import arithmetic as trade
from service.taps.arithmetic import (
    MOST_CHANNELS,
    TAP_MAP_FIELDS,
    Tap,
    TapFindings,
    TapMap,
    map_in_words,
)
from service.taps.changes import correct_tap_map, withdraw_tap_map, write_tap_map
from service.taps.drawings import Lead, draw_leads
from service.taps.queries import ReadThrough, WrittenMap, maps_of_stack, read_through, written_map

router = APIRouter()


@dataclass(frozen=True, slots=True)
class TapRow:
    """One channel and what it reads; ``cell`` None where its lead is on no cell."""

    channel: int
    number: int | None
    cell: CellThen | None


@dataclass(frozen=True, slots=True)
class Drawn:
    """One map with the cells of a build: drawn, as rows, and what it leaves open."""

    drawing: Markup
    caption: str
    rows: tuple[TapRow, ...]
    findings: TapFindings | None
    trouble: str
    """why the map does not fit the build, if it does not"""
    build: BuildThen


@dataclass(frozen=True, slots=True)
class ListedMap:
    """One map of the list, in words."""

    written: WrittenMap
    words: str


@dataclass(frozen=True, slots=True)
class TapsPage:
    """All maps of a stack; ``given`` is the one valid now, None where nobody gave any."""

    stack: MapStack
    given: WrittenMap | None
    drawn: Drawn | None
    valid: tuple[ListedMap, ...]
    former: tuple[ListedMap, ...]
    proposed: tuple[Proposal, ...]


@dataclass(frozen=True, slots=True)
class TapMapPage:
    """One map as it was written, with what was read through it."""

    stack: MapStack
    given: WrittenMap
    drawn: Drawn | None
    read: ReadThrough
    take_back: Form


@dataclass(frozen=True, slots=True)
class WritePage:
    """The form of a map: a new one, or the right one in place of ``wrong``."""

    stack: MapStack
    wrong: WrittenMap | None
    build: BuildThen | None
    channels: tuple[int, ...]
    form: Form
    fields: tuple[Field, ...] = TAP_MAP_FIELDS


def address(serial: str) -> str:
    """Return the address of a stack's tap maps."""
    return f"/stacks/{quote(serial, safe='')}/taps"


@router.get("/stacks/{serial:path}/taps")
def show_list(request: Request, me: Me, database: Database, serial: str) -> Response:
    """Show which channel reads which cell now, and every map there was."""
    need(me, Act.READ)
    now = now_utc()
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
        maps = maps_of_stack(session, stack.id)
        build = build_then(session, stack.id, now)
        proposed = proposals_waiting(session, ChangeKind.TAP_MAP, stack.id)
    standing = [written for written in maps if written.known_until is None]
    current = next((written for written in standing if written.valid_from <= now), None)
    straight = trade.straight_map(range(1, len(build.cells) + 1)) if build else None
    map_now = current.tap_map if current else straight
    context = TapsPage(
        stack,
        current,
        _drawn(map_now, build, f"Taps of {stack.serial} now") if map_now and build else None,
        tuple(_listed(written) for written in standing),
        tuple(_listed(written) for written in maps if written.known_until is not None),
        proposed,
    )
    return page(request, "taps/list.html", context)


@router.get("/stacks/{serial:path}/taps/new")
def show_new(request: Request, me: Me, database: Database, query: Asked, serial: str) -> Response:
    """Show the form of a new map, begun from the one valid now."""
    need(me, Act.RUN_WRITE)
    now = now_utc()
    count = query.whole("channels", least=1, most=MOST_CHANNELS, required=False)
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
        maps = [
            written for written in maps_of_stack(session, stack.id) if written.known_until is None
        ]
        build = build_then(session, stack.id, now)
    valid = trade.map_at([written.tap_map for written in reversed(maps)], now)
    cells = range(1, len(build.cells) + 1) if build else range(0)
    begun = valid or trade.straight_map(cells)
    channels = tuple(range(1, count + 1)) if count else tuple(tap.channel for tap in begun.taps)
    taps = {tap.channel: tap.cell for tap in begun.taps}
    for channel in channels:
        taps.setdefault(channel, channel if channel in cells else None)
    form = blank(request, valid_from=now, **_typed(taps, channels))
    form.refused.update(query.refused)
    context = WritePage(stack, None, build, channels, form)
    return page(request, "taps/write.html", context, query.status)


@router.post("/stacks/{serial:path}/taps/new")
def add(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Write a map."""
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
    channels = _channels(form)
    with form.collecting_errors():
        cells, values = _cells(form, channels), form.values(TAP_MAP_FIELDS)
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            write_tap_map(work, stack.id, **values, cell_of=cells)
        return go_on(request, work.answer)
    return _write_page(request, database, stack, None, channels, form=form)


@router.get("/tap-maps/{tap_map_id}")
def show(request: Request, me: Me, database: Database, tap_map_id: Number) -> Response:
    """Show one map, and what was read through it."""
    need(me, Act.READ)
    return _map_page(request, database, tap_map_id, blank(request))


@router.get("/tap-maps/{tap_map_id}/correct")
def show_correction(request: Request, me: Me, database: Database, tap_map_id: Number) -> Response:
    """Show the form of the right map, filled in with the wrong one."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        wrong = written_map(session, tap_map_id)
        stack = stack_facts(session, wrong.stack_id)
    taps = {tap.channel: tap.cell for tap in wrong.tap_map.taps}
    form = blank(request, valid_from=wrong.valid_from, **_typed(taps, tuple(taps)))
    return _write_page(request, database, stack, wrong, tuple(taps), form=form)


@router.post("/tap-maps/{tap_map_id}/correct")
def correct(
    request: Request, me: Me, database: Database, form: Typed, tap_map_id: Number
) -> Response:
    """Write the right map in place of a wrong one."""
    with reading(database) as session:
        wrong = written_map(session, tap_map_id)
        stack = stack_facts(session, wrong.stack_id)
    channels = _channels(form)
    with form.collecting_errors():
        cells, values = _cells(form, channels), form.values(TAP_MAP_FIELDS, wrong)
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            correct_tap_map(work, tap_map_id, **values, cell_of=cells)
        return go_on(request, work.answer)
    return _write_page(request, database, stack, wrong, channels, form=form)


@router.post("/tap-maps/{tap_map_id}/take-back")
def take_back(
    request: Request, me: Me, database: Database, form: Typed, tap_map_id: Number
) -> Response:
    """Take a map back that never was true."""
    with reading(database) as session:
        stack = stack_facts(session, written_map(session, tap_map_id).stack_id)
    with form.collecting_errors():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = address(stack.serial)
            withdraw_tap_map(work, tap_map_id, reason=reason)
        return go_on(request, work.answer)
    return _map_page(request, database, tap_map_id, form)


def _map_page(request: Request, database: Engine, tap_map_id: int, form: Form) -> Response:
    with reading(database) as session:
        written = written_map(session, tap_map_id)
        stack = stack_facts(session, written.stack_id)
        read = read_through(session, written)
        build = build_then(session, written.stack_id, written.valid_from)
    caption = f"Tap map {written.id} of {stack.serial}"
    drawn = _drawn(written.tap_map, build, caption) if build else None
    context = TapMapPage(stack, written, drawn, read, form)
    return page(request, "taps/show.html", context, form.status)


def _write_page(
    request: Request,
    database: Engine,
    stack: MapStack,
    wrong: WrittenMap | None,
    channels: tuple[int, ...],
    *,
    form: Form,
) -> Response:
    with reading(database) as session:
        build = _build_meant(session, stack.id, wrong)
    context = WritePage(stack, wrong, build, channels, form)
    return page(request, "taps/write.html", context, form.status)


def _build_meant(session: Session, stack_id: int, wrong: WrittenMap | None) -> BuildThen | None:
    return build_then(session, stack_id, wrong.valid_from if wrong else now_utc())


def _drawn(tap_map: TapMap, build: BuildThen, caption: str) -> Drawn:
    """The map with the cells of a build."""
    cells = [cell.cell for cell in build.cells]
    leads = [Lead(tap.channel, tap.cell) for tap in tap_map.taps]
    findings, trouble = None, ""
    try:
        findings = trade.map_findings(tap_map, len(cells))
    except Inconsistent as wrong:
        trouble = str(wrong)
    return Drawn(
        Markup(draw_leads(leads, cells, title=caption)),  # noqa: S704 - our own drawing
        caption,
        tuple(_row(tap, build) for tap in tap_map.taps),
        findings,
        trouble,
        build,
    )


def _row(tap: Tap, build: BuildThen) -> TapRow:
    return TapRow(tap.channel, tap.cell, None if tap.cell is None else build.cell(tap.cell))


def _listed(written: WrittenMap) -> ListedMap:
    return ListedMap(written, map_in_words(written.tap_map))


def _typed(taps: dict[int, int | None], channels: tuple[int, ...]) -> dict[str, object]:
    return {f"cell_{channel}": taps.get(channel) for channel in channels}


def _channels(form: Form) -> tuple[int, ...]:
    """The channels a form has fields of, in their order."""
    numbers = (name.removeprefix("cell_") for name in form.typed if name.startswith("cell_"))
    channels = {plain_whole(number) or 0 for number in numbers}
    return tuple(sorted(channel for channel in channels if 1 <= channel <= MOST_CHANNELS))


def _cells(form: Form, channels: tuple[int, ...]) -> dict[int, int | None]:
    return {
        channel: form.whole(f"cell_{channel}", least=1, most=MOST_CHANNELS, required=False)
        for channel in channels
    }
