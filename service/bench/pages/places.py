"""The places of the work at the bench, and what the page shows at one of them."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.bench.pages.guide import Guide
from service.bench.queries.choices import LotAtHand
from service.bench.queries.missing import Missing
from service.bench.queries.rebuild_records import ChecklistRow, RecordView
from service.closing.pages.sheets import ClosingSheet
from service.closing.queries.closing_checks import CheckAsked, ComputedHeight
from service.closing.queries.torque_tables import TorqueTable
from service.designs.arithmetic.pile import Layer
from service.planning.queries.progress import ByPlan
from service.platform.arithmetic.vocabulary import End, Kind, Stage
from service.platform.pages.forms import Form
from service.proof.pages.stack_test_sheets import TestsSheet
from service.records.queries.record_entries import TorqueRead
from service.records.queries.working_piles import FixingNow, LiftedOff, WorkingPile
from service.store.queries.candidates import Candidate


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
    CHECKS = "closing-checks"
    TESTS = "tests"
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
    ("close", ((Place.CLOSING, "closing"), (Place.CHECKS, "height, thread, sleeves, shorts"))),
    ("test", ((Place.TESTS, "leaks, insulation, shorts"),)),
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
    target_nm: float | None = None
    """of this pass, N·m"""
    percent: float = 100.0
    order: tuple[int, ...] = ()
    outside: TorqueRead | None = None
    """the reading of this nut that is outside the tolerance, with nobody's reason"""
    left: int = 0
    """nuts still to be read in this pass"""


@dataclass(frozen=True, slots=True)
class Settling:
    """The pass after the stack has settled: from when it is due, and whether it is."""

    minutes: float
    due_at: datetime
    is_due: bool
    pass_number: int


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
    guide: Guide | None = None
    by_plan: ByPlan | None = None
    down_to: Layer | None = None
    """the layer several are lifted off down to, and how many those are"""
    down_count: int = 0
    tray: tuple[LiftedOff, ...] = ()
    renewed: tuple[LiftedOff, ...] = ()
    held: tuple[LiftedOff, ...] = ()
    checks: tuple[CheckAsked, ...] = ()
    check: CheckAsked | None = None
    height: ComputedHeight | None = None
    lots: tuple[LotAtHand, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    fixings: tuple[FixingNow, ...] = ()
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
