"""What the bench page shows: where the work stands, what is next, and what can be chosen there."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum

from fastapi import Request
from sqlalchemy.orm import Session

from service.faces.drawings.clamp import Rods
from service.faces.drawings.pile import draw_pile
from service.faces.drawings.rods import draw_rods
from service.faces.pages.forms import Form, blank
from service.records.database import now_utc
from service.records.permissions import Person
from service.records.queries import bench_choices as choices
from service.records.queries.bench_choices import LotAtHand
from service.records.queries.candidates import Candidate, read_and_find
from service.records.queries.missing import BLOCKS, Missing, what_is_missing
from service.records.queries.rebuild_records import (
    ChecklistRow,
    RecordView,
    TorqueTable,
    record_view,
)
from service.records.queries.working_piles import FixingNow, LiftedOff, WorkingPile, working_pile
from service.records.tables.instruments import InstrumentKind
from service.records.tables.rebuild_records import RecordKind, StepKind
from service.settings import Settings
from service.trade.conditions import SEVERITIES, conditions_of
from service.trade.errors import TradeError
from service.trade.pile import Layer, counts
from service.trade.words import FIXING_KINDS, LAYER_KINDS, End, Kind, ReadingKind, Stage


class Place(StrEnum):
    """The places of the work, in their order; each has a form of its own."""

    MAKE_SAFE = "make-safe"
    EXCEPTION = "exception"
    OPENING = "opening"
    LIFTING = "lifting"
    SEVERAL = "lifting-several"
    FINDING = "finding"
    PUTTING_ON = "putting-on"
    FIXINGS = "fixings"
    FROM_LOT = "fixings-from-lot"
    OFF = "fixings-off"
    TORQUE = "torque"
    CLOSING = "closing"
    HANDING_IN = "handing-in"


GROUPS: tuple[tuple[str, tuple[tuple[Place, str], ...]], ...] = (
    ("make-safe", ((Place.MAKE_SAFE, "checklist"), (Place.EXCEPTION, "exception"))),
    ("open", ((Place.OPENING, "opening"),)),
    (
        "lift off",
        (
            (Place.LIFTING, "one layer"),
            (Place.SEVERAL, "several at once"),
            (Place.FINDING, "note a finding"),
        ),
    ),
    ("put on", ((Place.PUTTING_ON, "put on"),)),
    (
        "fixings",
        (
            (Place.FIXINGS, "fit one"),
            (Place.FROM_LOT, "fit from a lot"),
            (Place.OFF, "take off"),
        ),
    ),
    ("torque", ((Place.TORQUE, "torque"),)),
    ("close", ((Place.CLOSING, "closing"),)),
    ("hand in", ((Place.HANDING_IN, "hand in"),)),
)
BEFORE_OPENING = (Place.MAKE_SAFE, Place.EXCEPTION, Place.OPENING)
AT_AN_END = (Place.LIFTING, Place.SEVERAL, Place.PUTTING_ON)


@dataclass(frozen=True, slots=True)
class Group:
    """One word of the line of places, with the places under it."""

    words: str
    places: tuple[tuple[Place, str], ...]
    is_here: bool
    is_done: bool


@dataclass(frozen=True, slots=True)
class PartSeen:
    """A part findings can be noted of."""

    id: int
    kind: Kind
    label: str
    where: str


@dataclass(frozen=True, slots=True)
class Next:
    """Which reading is asked for next."""

    stage: Stage
    rod: int
    pass_number: int
    kinds: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class BenchPage:
    """Everything the bench page shows at one place."""

    view: RecordView
    place: Place
    groups: tuple[Group, ...]
    form: Form
    undo: Form
    made: str
    missing: tuple[Missing, ...]
    blocks: int
    pile: WorkingPile
    pile_in_words: str
    end: End
    outermost: Layer | None = None
    drawing: str = ""
    line: ChecklistRow | None = None
    conditions: tuple[str, ...] = ()
    severities: tuple[tuple[int, str], ...] = ()
    parts: tuple[PartSeen, ...] = ()
    part: PartSeen | None = None
    tray: tuple[LiftedOff, ...] = ()
    lots: tuple[LotAtHand, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    fixings: tuple[FixingNow, ...] = ()
    instruments: tuple[tuple[int, str], ...] = ()
    people: tuple[tuple[int, str], ...] = ()
    torque: TorqueTable | None = None
    next: Next | None = None
    passes: tuple[int, ...] = ()
    most_mb: int = 0


def bench_page(
    request: Request,
    session: Session,
    me: Person,
    record_id: int,
    *,
    asked: Mapping[str, str],
    form: Form | None = None,
) -> BenchPage:
    """What the bench page shows.

    ``asked`` names the place (``at``) and what is chosen there; ``form`` is a refused one, with
    what was typed.
    """
    view, pile = record_view(session, record_id), working_pile(session, record_id)
    named = asked.get("at", "")
    place = Place(named) if named in tuple(Place) else where_the_work_stands(view)
    settings: Settings = request.app.state.settings
    typed_end = form.kept("end") if form else asked.get("end", "")
    end = End(typed_end) if typed_end in tuple(End) else _end_of_work(view)
    missing = what_is_missing(session, record_id) if place is Place.HANDING_IN else ()
    begun = BenchPage(
        view=view,
        place=place,
        groups=_groups(view, place),
        form=form or _begun_form(request, view, me, asked),
        undo=blank(request),
        made=asked.get("made", ""),
        missing=missing,
        blocks=sum(one.severity == BLOCKS for one in missing),
        pile=pile,
        pile_in_words=_pile_in_words(pile.layers),
        end=end,
        outermost=pile.pile.outermost(end),
        most_mb=settings.attachment_max_mb,
    )
    fill = FILL.get(place)
    return fill(begun, session, asked, me) if fill else begun


def where_the_work_stands(view: RecordView) -> Place:
    """The place a builder most likely goes on at."""
    head, last = view.head, view.last
    if head.closed_at is not None:
        return Place.HANDING_IN
    if head.opens and head.opened_at is None:
        if head.kind is RecordKind.RE_TORQUE:
            return Place.TORQUE
        if head.kind is RecordKind.INSPECTION and not any(row.entry for row in view.checklist):
            return Place.FINDING
        return Place.OPENING if view.is_made_safe or view.exceptions else Place.MAKE_SAFE
    if last is None:
        return Place.PUTTING_ON
    by_kind = {
        StepKind.PUT_ON: Place.PUTTING_ON,
        StepKind.FIXING_FITTED: Place.FIXINGS,
        StepKind.FIXING_REMOVED: Place.OFF,
        StepKind.TORQUE: Place.TORQUE,
    }
    return by_kind.get(last.kind, Place.LIFTING if head.opens else Place.PUTTING_ON)


def _groups(view: RecordView, place: Place) -> tuple[Group, ...]:
    done = {
        Place.MAKE_SAFE: view.is_made_safe or bool(view.exceptions),
        Place.OPENING: view.head.opened_at is not None,
        Place.CLOSING: view.head.closed_at is not None,
    }
    return tuple(
        Group(
            words,
            places,
            any(one is place for one, _words in places),
            done.get(places[0][0], False),
        )
        for words, places in GROUPS
        if view.head.opens or places[0][0] not in BEFORE_OPENING
    )


def _begun_form(request: Request, view: RecordView, me: Person, asked: Mapping[str, str]) -> Form:
    """A form nobody typed in; a record entered late goes on at the time of its last entry."""
    last = view.last
    at: datetime | None = last.done_at if last is not None and last.is_late else None
    return blank(
        request,
        done_at=at,
        taken_at=at,
        opened_at=at,
        closed_at=at,
        person_id=me.id,
        each=1,
        part_id=asked.get("part", ""),
        rod_number=asked.get("rod", ""),
    )


def _end_of_work(view: RecordView) -> End:
    """The end something was last done at; the free end to begin with."""
    at_ends = [entry.end for entry in view.standing if entry.end and not entry.rod_number]
    return at_ends[-1] if at_ends else End.FREE


def _pile_in_words(layers: tuple[Layer, ...]) -> str:
    if not layers:
        return "The pile is empty."
    held = counts(layers)
    return f"{held.layers} layers, {held.cells} cells" + (
        f" and {held.blank_cells} blank" if held.blank_cells else ""
    )


def _drawn(page: BenchPage, session: Session, open_at: End | None) -> str:
    layers = page.pile.layers
    if not layers:
        return ""
    rods = choices.rods_of(session, page.view.head.design_id)
    outermost = None if open_at is None else 1 if open_at is End.FIXED else len(layers)
    return draw_pile(
        layers,
        title=f"The pile of {page.view.head.stack} as it stands, {page.pile_in_words}",
        rods=Rods(len(rods)) if rods else None,
        link=lambda layer: f"/parts/{layer.part}",
        open_at=open_at,
        marked=outermost,
        has_legend=False,
    )


Fill = Callable[[BenchPage, Session, Mapping[str, str], Person], BenchPage]


def _make_safe(
    page: BenchPage, session: Session, asked: Mapping[str, str], _me: Person
) -> BenchPage:
    rows = page.view.checklist
    wanted = page.form.kept("line_number") or asked.get("line", "")
    open_rows = [row for row in rows if row.entry is None]
    chosen = next((row for row in rows if str(row.asked.number) == wanted), None)
    return replace(
        page,
        line=chosen or (open_rows[0] if open_rows else None),
        instruments=choices.instruments_to_choose(session),
        people=choices.people_to_choose(session),
    )


def _lifting(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    layer = page.outermost
    return replace(
        page,
        drawing=_drawn(page, session, page.end),
        conditions=conditions_of(layer.kind) if layer else (),
        severities=tuple(SEVERITIES.items()),
    )


def _finding(
    page: BenchPage, _session: Session, asked: Mapping[str, str], _me: Person
) -> BenchPage:
    pile = page.pile
    parts = [
        PartSeen(one.layer.part, one.layer.kind, one.layer.label, "lifted off")
        for one in pile.lifted
    ]
    parts += [
        PartSeen(
            x.part, x.kind, x.label, f"layer {x.position}" + (f", cell {x.cell}" if x.cell else "")
        )
        for x in pile.layers
    ]
    parts += [
        PartSeen(f.part, f.kind, f.label, f"rod {f.rod_number}" if f.rod_number else str(f.end))
        for f in (*pile.fixings, *pile.fixings_removed)
    ]
    wanted = page.form.kept("part_id") or asked.get("part", "")
    part = next((one for one in parts if str(one.id) == wanted), None)
    return replace(
        page,
        parts=tuple(parts),
        part=part,
        conditions=conditions_of(part.kind) if part else (),
        severities=tuple(SEVERITIES.items()),
    )


def _putting_on(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(
        page,
        drawing=_drawn(page, session, page.end),
        tray=tuple(reversed(page.pile.lifted)),
        lots=choices.lots_at_hand(session, page.view.head.id, LAYER_KINDS, now_utc()),
        candidates=_candidates(session, page.form, LAYER_KINDS),
    )


def _fixings(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(
        page,
        fixings=page.pile.fixings,
        lots=choices.lots_at_hand(session, page.view.head.id, FIXING_KINDS, now_utc()),
        candidates=_candidates(session, page.form, FIXING_KINDS),
        drawing=_plan(page, session, None),
    )


def _candidates(session: Session, form: Form, kinds: tuple[Kind, ...]) -> tuple[Candidate, ...]:
    """After a refusal: what the scanned code can mean, to choose from where it is several."""
    if not form.wrong("scanned"):
        return ()
    try:
        _scan, found = read_and_find(session, form.kept("scanned"), kinds)
    except TradeError:
        return ()
    return found if len(found) > 1 else ()


def _torque(page: BenchPage, session: Session, asked: Mapping[str, str], me: Person) -> BenchPage:
    form, head = page.form, page.view.head
    named = form.kept("stage") or asked.get("stage", "")
    as_found = head.opens and head.opened_at is None and head.kind is not RecordKind.RE_TORQUE
    stage = Stage(named) if named in tuple(Stage) else Stage.AS_FOUND if as_found else Stage.CLOSING
    table = page.view.torque(stage)
    coming = _next(page, table, stage, form.kept("rod_number"), form.kept("pass_number"))
    wanted_pass = asked.get("pass", "")
    if wanted_pass.isdecimal() and not form.kept("pass_number"):
        coming = replace(coming, pass_number=max(1, min(int(wanted_pass[:3]), 50)))
    drivers = choices.instruments_to_choose(session, InstrumentKind.TORQUE_DRIVER)
    if not form.kept("instrument_id"):
        only = drivers[0][0] if len(drivers) == 1 else None
        driver = choices.driver_used_last(session, head.id, me.id) or only
        form.typed["instrument_id"] = (str(driver or ""),)
    if not form.kept("kind"):
        form.typed["kind"] = (coming.kinds[0],)
    return replace(
        page,
        torque=table,
        next=coming,
        passes=tuple(range(1, max(head.passes, *table.passes, coming.pass_number) + 1)),
        instruments=drivers,
        drawing=_plan(page, session, coming.rod, table),
    )


def _next(page: BenchPage, table: TorqueTable, stage: Stage, rod: str, pass_number: str) -> Next:
    """The first rod, in tightening order, without a reading in the first pass that lacks one."""
    kinds = tuple(
        kind.value for kind in ReadingKind if stage is Stage.CLOSING or kind is not ReadingKind.SET
    )
    numbers = table.passes or (1,)
    most = 1 if stage is Stage.AS_FOUND else max(page.view.head.passes, numbers[-1])
    read = {
        (number, table_rod)
        for table_rod, cells in table.rows
        for number, cell in zip(table.passes, cells, strict=True)
        if cell.counts is not None
    }
    rods = page.view.rods or (1,)
    coming = next(
        (
            (number, one)
            for number in range(1, most + 1)
            for one in rods
            if (number, one) not in read
        ),
        (most, rods[0]),
    )
    if rod.isdecimal() and int(rod[:6]) in rods:
        at = int(rod[:6])
        coming = (next((n for n in range(1, most + 1) if (n, at) not in read), most), at)
    if pass_number.isdecimal():
        coming = (int(pass_number[:3]), coming[1])
    return Next(stage, coming[1], coming[0], kinds)


def _plan(
    page: BenchPage, session: Session, coming: int | None, table: TorqueTable | None = None
) -> str:
    rods = choices.rods_of(session, page.view.head.design_id)
    if not rods:
        return ""
    width, height = choices.plate_size_mm(session, page.view.head.design_id)
    last = table.last if table else ()
    closing = table is not None and table.stage is Stage.CLOSING
    final = page.view.head.passes
    return draw_rods(
        rods,
        width,
        height,
        title=f"Rods of {page.view.head.stack}" + (f", rod {coming} is next" if coming else ""),
        readings={read.rod_number: read.torque_nm for read in last},
        out_of_tolerance=[
            read.rod_number
            for read in last
            if closing and read.pass_number >= final and page.view.is_outside(read)
        ],
        order=[number for number, _x, _y in rods],
        next_rod=coming,
    )


def _closing(
    page: BenchPage, session: Session, _asked: Mapping[str, str], _me: Person
) -> BenchPage:
    return replace(page, drawing=_drawn(page, session, None))


FILL: dict[Place, Fill] = {
    Place.MAKE_SAFE: _make_safe,
    Place.LIFTING: _lifting,
    Place.SEVERAL: _lifting,
    Place.FINDING: _finding,
    Place.PUTTING_ON: _putting_on,
    Place.FIXINGS: _fixings,
    Place.FROM_LOT: _fixings,
    Place.OFF: _fixings,
    Place.TORQUE: _torque,
    Place.CLOSING: _closing,
    Place.HANDING_IN: _closing,
}
