"""One part: what it is, its whole life, the trace of a failing one, what failing ones share."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.bench.queries.looking_again import OF_PARTS, RestsOn, rests_on
from service.life.queries.containment import Containment, containment
from service.life.queries.failing import MarkOfPerson, marks_of
from service.life.queries.suspects import SuspectsSheet, suspects_sheet
from service.life.queries.traces import MOST_OF_A_LOT, Trace, TracedMea, trace, traced_mea
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.dates import AsOf
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import now_utc, reading
from service.platform.pages.forms import Asked, Form, Number, blank
from service.platform.pages.render import page
from service.platform.pages.trail_words import TrailSentence, said, value_in_words
from service.platform.permissions import Act, need
from service.proof.queries.leak_searches import LeakSuspicion, leak_suspicions
from service.proof.queries.part_leak_tests import MadePartTest, leak_tests_of_part
from service.settings import Settings
from service.stacks.changes.build_features import gather_makeups
from service.stacks.queries.hour_kinds import PartKinds, part_kinds
from service.stacks.queries.installations import Sitting
from service.stacks.queries.part_lives import PartLife, part_life
from service.store.queries.forbids import HOLDS, Forbids, what_forbids
from service.store.queries.lot_trees import InputLot, made_of

router = APIRouter(prefix="/parts")


@dataclass(frozen=True, slots=True)
class Comparison:
    """The comparison of one traced MEA; ``sheet`` None: there is nothing to compare, or not asked.

    ``by_rule``: MEAs the rule says are failing count too.
    """

    mea: TracedMea
    by_rule: bool
    sheet: SuspectsSheet | None

    @property
    def is_mea(self) -> bool:
        """Say whether it is an MEA: only those fail by cell voltages."""
        return self.mea.kind is Kind.MEA


@dataclass(frozen=True, slots=True)
class PartPage:
    """One part and its whole life."""

    life: PartLife
    form: Form
    as_of: AsOf
    kinds: PartKinds
    moves: tuple[TrailSentence, ...]
    value: Callable[[object], str]
    standing_mark: MarkOfPerson | None
    rests: tuple[RestsOn, ...]
    """words on it that rest on a fact corrected since"""
    against: tuple[Forbids, ...]
    """what forbids its use besides the holds on it"""
    leak_tests: tuple[MadePartTest, ...]
    """outside a closed stack"""
    made_of: tuple[InputLot, ...]
    """what its lot is made of"""
    suspicions: tuple[tuple[Sitting, LeakSuspicion], ...]


@dataclass(frozen=True, slots=True)
class TracePage:
    """What was built around a part, what failing ones share, and where its lots are today.

    ``comparison`` None: asked as known at a time, and comparisons are of now; ``contained`` None:
    the part is not failing.
    """

    trace: Trace
    form: Form
    as_of: AsOf
    most_listed: int
    comparison: Comparison | None
    contained: Containment | None
    leak_tests: tuple[MadePartTest, ...]
    suspicions: tuple[tuple[Sitting, LeakSuspicion], ...]
    hold_form: Form


@router.get("/{part_id}")
def show(request: Request, me: Me, database: Database, query: Asked, part_id: Number) -> Response:
    """Show one part with its whole life, as it is or as it was."""
    need(me, Act.READ)
    as_of = query.as_of()
    with reading(database) as session:
        life = part_life(session, part_id, as_of)
        kinds = part_kinds(session, [part_id], as_of.until(now_utc()), as_of)[part_id]
        marks = marks_of(session, part_id)
        rests = rests_on(session, OF_PARTS, part_id=part_id)
        forbids = what_forbids(session, part_id)
        leak_tests = leak_tests_of_part(session, part_id, as_of)
        lot_id = life.part.lot_id
        trees = made_of(session, [lot_id])[lot_id] if lot_id else ()
        suspicions = _suspicions(session, life.sittings, as_of)
    moves = tuple(said(entry) for entry in reversed(life.moves))
    settings: Settings = request.app.state.settings
    zone = settings.time_zone
    standing = next((mark for mark in marks if mark.withdrawn_at is None), None)
    against = tuple(forbid for forbid in forbids if forbid.cause not in HOLDS)
    context = PartPage(
        life,
        query,
        as_of,
        kinds,
        moves,
        lambda value: value_in_words(value, zone),
        standing,
        rests,
        against,
        leak_tests,
        trees,
        suspicions,
    )
    return page(request, "store/parts/show.html", context, query.status)


@router.get("/{part_id}/trace")
def show_trace(
    request: Request, me: Me, database: Database, query: Asked, part_id: Number
) -> Response:
    """Show the trace of one part, as known now or at a time."""
    need(me, Act.READ)
    as_of = query.as_of()
    gather_makeups(database, part_id)
    with reading(database) as session:
        part_trace = trace(session, part_id, as_of)
        compared = None if as_of.is_then else comparison(session, part_id, query)
        is_failing = compared is not None and compared.mea.is_failing
        context = TracePage(
            part_trace,
            query,
            as_of,
            MOST_OF_A_LOT,
            compared,
            containment(session, part_trace) if is_failing else None,
            leak_tests_of_part(session, part_id, as_of),
            _suspicions(session, [build.sitting for build in part_trace.builds], as_of),
            blank(request),
        )
    return page(request, "life/traces/show.html", context, query.status)


def _suspicions(
    session: Session, sittings: Sequence[Sitting], as_of: AsOf
) -> tuple[tuple[Sitting, LeakSuspicion], ...]:
    """Return the builds in which a search found the part's cell to stand out. One statement."""
    by_build = leak_suspicions(session, [sitting.build_id for sitting in sittings], as_of)
    return tuple(
        (sitting, search)
        for sitting in sittings
        if (search := by_build.get(sitting.build_id)) and sitting.cell in search.cells
    )


@dataclass(frozen=True, slots=True)
class SuspectsPage:
    """The comparison on its own."""

    comparison: Comparison


def comparison(session: Session, part_id: int, query: Form) -> Comparison:
    """Return the comparison a page asks for: of a failing MEA, of another one if it says so."""
    mea = traced_mea(session, part_id)
    by_rule = query.raw("failing") == "rule"
    compares = query.yes("compare") or mea.is_failing
    sheet = None
    if mea.kind is Kind.MEA and mea.design_id is not None and compares:
        sheet = suspects_sheet(session, mea.design_id, part_id, by_rule=by_rule)
    return Comparison(mea, by_rule, sheet)


@router.get("/{part_id}/suspects")
def show_suspects(
    request: Request, me: Me, database: Database, query: Asked, part_id: Number
) -> Response:
    """Show what failing MEAs share, beside one of them."""
    need(me, Act.READ)
    gather_makeups(database, part_id)
    with reading(database) as session:
        comparison_found = comparison(session, part_id, query)
    return page(request, "life/traces/suspects.html", SuspectsPage(comparison_found))
