"""The places of the work at the bench, and what the page shows at one of them."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from service.bench.arithmetic.next_act import Lead, NextAct, Place
from service.bench.queries.choices import (
    Barred,
    ConditionsToSee,
    LotAtHand,
    Tray,
    fits,
    lots_that_fit,
    seen_by,
    what_comes,
)
from service.bench.queries.missing import Missing
from service.bench.queries.rebuild_records import ChecklistRow, RecordView
from service.closing.pages.sheets import ClosingSheet
from service.closing.queries.build_torques import CheckAsked, PassSetting, TorqueTable
from service.closing.queries.closed_heights import ComputedHeight
from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.grammar_match import look
from service.designs.arithmetic.grammar_next import WhatNext
from service.designs.arithmetic.pile import Layer
from service.designs.queries import pattern_of_design
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.closing_modes import Corner
from service.planning.queries.plans import ByPlan
from service.platform.arithmetic.vocabulary import End, Facing, Kind, Stage
from service.platform.database import now_utc
from service.platform.pages.forms import Form
from service.proof.pages.stack_tests import TestsSheet
from service.proof.queries.build_verdicts import ClosedVerdicts
from service.records.queries.working_piles import FixingNow, LiftedOff, WorkingPile
from service.records.tables import ToolCheck
from service.stacks.drawings.pile import draw_pile
from service.store.arithmetic.identifiers import serial_key
from service.store.queries.lots import types_of_lot
from service.store.queries.make_safe_lists import ListVersion
from service.store.queries.part_types import PartTypeFacts, part_types
from service.store.queries.proposals import Proposal
from service.store.queries.scans import Hit, near, resolve_to_fit

# The guide at the bench: what comes next on the pile, in words and as a picture.


SHOWN = 5
"""Layers of the pile drawn beside the one that comes next."""


@dataclass(frozen=True, slots=True)
class Guide:
    """What may come next at an end; ``way`` is how it lies, where there is only one answer.

    ``back`` are the layers lifted off here which fit there, the last lifted first.
    """

    words: tuple[str, ...]
    is_complete: bool
    cells: int
    design: str
    drawing: str
    way: Facing | None
    lots: tuple[LotAtHand, ...]
    back: tuple[LiftedOff, ...]
    coming: tuple[Item, ...] = ()
    """what may come next, as the pattern says it"""


@dataclass(frozen=True, slots=True)
class NotKnown:
    """A scanned code nothing goes by: what may be meant, and what it can be added as.

    ``type_id`` is chosen to begin with: the only type that comes next here, or that of the lot in
    the code. ``types`` are ids with what people call them, what comes next first.
    """

    serial: str
    lot: str
    near: tuple[Hit, ...]
    types: tuple[tuple[int, str], ...]
    type_id: int | None
    has_counted: bool


def not_known(
    session: Session, code: str, kinds: Collection[Kind], coming: Collection[Item]
) -> NotKnown | None:
    """Return what can be done about a code; None where something goes by it. Five statements."""
    resolved = resolve_to_fit(session, code, kinds)
    if resolved.hits or not resolved.text:
        return None
    lot = (resolved.scan and resolved.scan.lot) or ""
    every = [part_type for part_type in part_types(session) if part_type.kind in kinds]
    of_lot = types_of_lot(session, lot) if lot else ()

    def is_next(facts: PartTypeFacts) -> bool:
        return any(
            item.kind is facts.kind
            and (not item.part_type or serial_key(item.part_type) in _names_of(facts))
            for item in coming
        )

    first = [part_type for part_type in every if part_type.id in of_lot] or [
        part_type for part_type in every if is_next(part_type)
    ]
    ordered = [*first, *(part_type for part_type in every if part_type not in first)]
    return NotKnown(
        resolved.serial or resolved.text,
        lot,
        near(session, resolved),
        tuple(
            (
                part_type.id,
                f"{part_type.name}, {part_type.drawing}{' (counted)' if part_type.counted else ''}",
            )
            for part_type in ordered
        ),
        first[0].id if len(first) == 1 else None,
        any(part_type.counted for part_type in ordered),
    )


def _names_of(facts: PartTypeFacts) -> tuple[str, str]:
    return serial_key(facts.drawing), serial_key(facts.drawing_number)


def guide_at(
    session: Session,
    design_id: int,
    pile: WorkingPile,
    end: End,
    *,
    tray: Tray,
    cells: int | None = None,
) -> Guide | None:
    """Return the guide at an end of a pile; None where its design keeps no pattern.

    Two statements.

    ``tray``: what may go back; ``cells``: how many a plan wants, None without a plan.
    """
    kept_pattern = pattern_of_design(session, design_id)
    next_up = what_comes(kept_pattern, pile, end, cells)
    if next_up is None:
        return None
    drawings = {**pile.drawings, **(tray.donated.drawings or {})}
    lifted = [x.layer for x in (*pile.lifted, *tray.donated.lifted)]
    looks = {
        layer.part: layer
        for layer in seen_by(kept_pattern, replace(pile, drawings=drawings), lifted)
    }
    ways = {coming.item.facing for coming in next_up.layers}
    return Guide(
        tuple(dict.fromkeys(laid.sentence.removeprefix("next: ") for laid in next_up.layers)),
        next_up.complete,
        len({layer.cell for layer in pile.layers if layer.cell}),
        kept_pattern.design,
        _drawn(next_up, pile, end),
        ways.pop() if len(ways) == 1 and Facing.EITHER not in ways else None,
        lots_that_fit(session, kept_pattern, next_up, now_utc()),
        tuple(laid for laid in tray.back if fits(next_up, look(looks[laid.layer.part]))),
        tuple(laid.item for laid in next_up.layers),
    )


def _drawn(next_up: WhatNext, pile: WorkingPile, end: End) -> str:
    """The outermost layers and the one that comes next, pointed at; each equally wide."""
    if not next_up.layers:
        return ""
    coming = next_up.layers[0]
    if end is End.FREE:
        beneath = pile.layers[-SHOWN:]
        at = len(pile.layers) + 1
        layers = (*beneath, coming.item.layer(at, -1).at(at, coming.cell))
    else:
        beneath = pile.layers[:SHOWN]
        at = 1
        layers = (
            coming.item.layer(1, -1),
            *(layer.at(layer.position + 1, layer.cell) for layer in beneath),
        )
    return draw_pile(
        layers,
        title=f"The outermost layers at the {end} and what comes next: {coming.item.words}",
        equal_layers=True,
        broken=False,
        open_at=end,
        marked=at,
        has_legend=False,
        prefix="next",
    )


GROUPS: tuple[tuple[str, tuple[tuple[Place, str], ...]], ...] = (
    (
        "make-safe",
        (
            (Place.MAKE_SAFE, "checklist"),
            (Place.BUMP_TEST, "bump test"),
            (Place.EXCEPTION, "exception"),
        ),
    ),
    ("open", ((Place.OPENING, "opening"),)),
    (
        "lift off",
        (
            (Place.LIFTING, "one layer"),
            (Place.SEVERAL, "several at once"),
            (Place.FINDING, "note a finding"),
        ),
    ),
    ("put on", ((Place.PUTTING_ON, "put on"), (Place.DONOR, "from another stack"))),
    (
        "fixings",
        (
            (Place.FIXINGS, "fit one"),
            (Place.FROM_LOT, "fit from a lot"),
            (Place.AS_FOUND, "as found"),
            (Place.OFF, "take off"),
        ),
    ),
    (
        "torque",
        (
            (Place.TORQUE, "torque"),
            (Place.CORNERS, "heights at the corners"),
            (Place.HELD, "to height, by press force"),
        ),
    ),
    ("close", ((Place.CLOSING, "closing"), (Place.CHECKS, "height, thread, sleeves, shorts"))),
    ("test", ((Place.TESTS, "leaks, insulation, shorts"),)),
    ("hand in", ((Place.HANDING_IN, "hand in"), (Place.HANDOVER, "hand over"))),
)
BEFORE_OPENING = (Place.MAKE_SAFE, Place.EXCEPTION, Place.OPENING)


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
    target_nm: float | None = None
    """of this pass, N·m"""
    percent: float = 100.0
    order: tuple[int, ...] = ()
    left: int = 0
    """nuts still to be read in this pass"""
    is_circular: bool = False
    """a pass after the last one: round the plate, until no nut moves"""


@dataclass(frozen=True, slots=True)
class Settling:
    """The pass after the stack has settled: from when it is due, and whether it is."""

    minutes: float
    due_at: datetime
    is_due: bool
    pass_number: int


@dataclass(frozen=True, slots=True)
class Open:
    """What the count of what is open shows."""

    view: RecordView
    missing: tuple[Missing, ...] | None


@dataclass(frozen=True, slots=True)
class BenchPage:
    """Everything the bench page shows at one place."""

    view: RecordView
    place: Place
    groups: tuple[Group, ...]
    form: Form
    undo: Form
    made: str
    missing: tuple[Missing, ...] | None
    """none: not looked for yet"""
    blocks: int
    closed: ClosedVerdicts | None
    """the verdicts of the closed stack, looked up where what is missing is"""
    act: NextAct
    leads: Lead | None
    """where the main button leads; none: it enters what is asked here"""
    wanting: str
    """tests and checks that are not recorded, counted in words"""
    pile: WorkingPile
    pile_in_words: str
    end: End
    acts_at: datetime
    """when the next act is done, by which make-safe readings are fresh or stale"""
    newer: tuple[ListVersion, ...] = ()
    """make-safe lists in force now that the record did not begin with"""
    outermost: Layer | None = None
    setting: PassSetting | None = None
    """the click tool that is set in this pass"""
    checks_tool: ToolCheck | None = None
    """the setting of a click tool asked for here, or its check; none: nuts are tightened"""
    corners: tuple[Corner, ...] = ()
    clamp: ClampFigures | None = None
    """figures of the clamp, where a closing to height or by press force is recorded"""
    corners_pass: int = 1
    """the pass after which the corners are measured"""
    donors: tuple[tuple[int, str], ...] = ()
    """records of other stacks that parts can be taken from"""
    testers: tuple[tuple[int, str], ...] = ()
    drawing: str = ""
    line: ChecklistRow | None = None
    asks_witness: bool = False
    """whether this line needs a witness: it asks for one, and nobody waived it"""
    conditions: ConditionsToSee | None = None
    parts: tuple[PartSeen, ...] = ()
    part: PartSeen | None = None
    guide: Guide | None = None
    pattern_waits: Proposal | None = None
    by_plan: ByPlan | None = None
    down_to: Layer | None = None
    """the layer several are lifted off down to, and how many those are"""
    down_count: int = 0
    tray: tuple[LiftedOff, ...] = ()
    renewed: tuple[LiftedOff, ...] = ()
    barred: tuple[Barred, ...] = ()
    checks: tuple[CheckAsked, ...] = ()
    check: CheckAsked | None = None
    height: ComputedHeight | None = None
    lots: tuple[LotAtHand, ...] = ()
    candidates: tuple[Hit, ...] = ()
    unknown: NotKnown | None = None
    fixings: tuple[FixingNow, ...] = ()
    unknown_kinds: tuple[Kind, ...] = ()
    """kinds of fixings that sat here before and are entered at no rod or end"""
    fixing_types: tuple[tuple[int, str], ...] = ()
    instruments: tuple[tuple[int, str], ...] = ()
    people: tuple[tuple[int, str], ...] = ()
    torque: TorqueTable | None = None
    next: Next | None = None
    settling: Settling | None = None
    passes: tuple[int, ...] = ()
    closing: ClosingSheet | None = None
    """what the readings so far make of the stack"""
    tests: TestsSheet | None = None
    most_mb: int = 0
