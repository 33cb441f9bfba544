"""What comes next in a record, from everything that stands in it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.bench.arithmetic.next_act import Nut, Place, Standing
from service.bench.queries.choices import what_comes
from service.bench.queries.missing import BLOCKS, CHECKS, FIXINGS, TESTS, Missing, to_be_reasoned
from service.bench.queries.rebuild_records import RecordView
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.arithmetic.torque_bands import target_of_pass
from service.closing.queries.build_torques import TorqueTable, checks_asked
from service.designs.arithmetic.grammar_check import Extent, extent_of
from service.designs.arithmetic.pile import CELL_KINDS
from service.designs.queries import KeptPattern, pattern_of_design
from service.limits.arithmetic.closing_modes import ClosingMode, CornersAsked
from service.limits.queries import limits_in_force
from service.physics.arithmetic.tightening import SETTLING_MINUTES
from service.planning.queries.plans import ByPlan
from service.platform.arithmetic.vocabulary import End, Stage
from service.records.queries.entries import MOVED
from service.records.queries.working_piles import WorkingPile
from service.records.tables import RecordKind, StepKind
from service.store.arithmetic.make_safe import SafeAct

MADE_AT = {
    StepKind.MAKE_SAFE: Place.MAKE_SAFE,
    StepKind.BUMP_TEST: Place.MAKE_SAFE,
    StepKind.EXCEPTION: Place.OPENING,
    StepKind.OPENED: Place.OPENING,
    StepKind.LIFTED_OFF: Place.LIFTING,
    StepKind.FINDING: Place.FINDING,
    StepKind.PUT_ON: Place.PUTTING_ON,
    StepKind.FIXING_FITTED: Place.FIXINGS,
    StepKind.FIXING_REMOVED: Place.OFF,
    StepKind.TORQUE: Place.TORQUE,
    StepKind.TOOL_SET: Place.TORQUE,
    StepKind.NUT_PRESSED: Place.TORQUE,
    StepKind.CORNERS: Place.TORQUE,
    StepKind.HELD: Place.TORQUE,
    StepKind.CLOSED: Place.CLOSING,
    StepKind.CLOSING_CHECK: Place.CHECKS,
    StepKind.LEAK_TEST: Place.TESTS,
    StepKind.INSULATION_TEST: Place.TESTS,
    StepKind.SHORT_CHECK: Place.TESTS,
    StepKind.LEAK_SEARCH: Place.TESTS,
}


def standing_of(
    session: Session,
    view: RecordView,
    pile: WorkingPile,
    plan: ByPlan | None,
    *,
    now: datetime,
    zone: ZoneInfo,
) -> Standing:
    """Return what stands of a record, but for what `counting` counts of what is missing.

    Two statements at most: the pattern, the time of settling.
    """
    head = view.head
    kept_pattern = pattern_of_design(session, head.design_id)
    table = view.torque(Stage.CLOSING)
    nut = _nut(view, table)
    minutes: float = SETTLING_MINUTES
    due = [number for number in view.corners_due if nut is None or number < nut.pass_number]
    is_moving = view.last is not None and view.last.kind in MOVED
    is_asked = bool(due) or not (table.passes or is_moving) or (nut is None and bool(table.passes))
    limits = limits_in_force(session, head.design_id) if is_asked else None
    clamp = limits.figures.clamp if limits else None
    if nut is None and head.kind is not RecordKind.RE_TORQUE:
        minutes = clamp.settling_minutes if clamp else minutes
    mode = clamp.mode if clamp else ClosingMode.TORQUE
    is_held = bool(view.of(StepKind.HELD))
    if mode is not ClosingMode.TORQUE and head.kind is not RecordKind.RE_TORQUE:
        nut = None  # nuts are run down to hold: none of them has to be read
        table = replace(table, passes=(), rows=())
    asks_corners = clamp is not None and clamp.corners_asked is CornersAsked.ALWAYS
    due_at = settled_at(view, table, minutes) if nut is None else None
    end = end_of_work(view)
    is_complete, comes = _pattern_says(kept_pattern, pile, plan, end)
    return Standing(
        opens=head.opens,
        only_torque=head.kind is RecordKind.RE_TORQUE,
        only_looks=head.kind is RecordKind.INSPECTION,
        takes_apart=head.kind is RecordKind.TEARDOWN,
        is_safe=view.is_made_safe or view.is_excepted(SafeAct.OPENING, view.acts_at(now)),
        is_safe_begun=any(row.entry for row in view.checklist_of(SafeAct.OPENING)),
        is_opened=head.opened_at is not None,
        is_closed=head.closed_at is not None,
        last=MADE_AT.get(view.last.kind) if view.last is not None else None,
        is_empty=not pile.layers,
        was_lifted=bool(pile.lifted),
        was_put_on=len(pile.layers) > len(pile.pile.kept),
        has_plan=plan is not None,
        lift_off=plan.lift_off if plan else "",
        put_on=plan.put_on if plan else "",
        is_complete=is_complete,
        comes=comes,
        end=str(end),
        torque_is_begun=bool(table.passes or view.settings or is_held) or not view.rods,
        nut=nut if due_at else nut or _circular(view, table),
        to_hold="" if mode is ClosingMode.TORQUE or is_held else str(mode),
        tool_to_check=view.tool_to_check or 0,
        corners_due=due[0] if due and asks_corners else 0,
        settles_until=f"{due_at.astimezone(zone):%H:%M}" if due_at and now < due_at else "",
        read_again=head.passes + 1 if due_at else 0,
        checks=_checks_left(view, kept_pattern),
        before=_make_safe_before(view, view.acts_at(now)),
    )


def _make_safe_before(view: RecordView, at: datetime) -> dict[Place, str]:
    """What of make-safe goes before the acts of a record, by the place each is made at."""
    places = {
        SafeAct.RE_TORQUE: (Place.TORQUE,),
        SafeAct.LEAK_TEST: (Place.TESTS,),
        SafeAct.OPENING: (Place.OPENING, Place.LIFTING, Place.SEVERAL),
    }
    return {
        place: words
        for act, at_places in places.items()
        if (words := view.wanted_before(act, at))
        for place in at_places
    }


def counting(standing: Standing, missing: Sequence[Missing]) -> Standing:
    """Return the same with what is missing counted."""
    at = Counter(line.anchor for line in to_be_reasoned(missing))
    blocks = sum(line.severity == BLOCKS for line in missing)
    return replace(
        standing,
        fixings=at[FIXINGS],
        checks=standing.checks if blocks and not standing.is_closed else at[CHECKS],
        tests=at[TESTS],
        others=at.total() - at[CHECKS] - at[TESTS],
        blocks=blocks,
    )


def _nut(view: RecordView, table: TorqueTable) -> Nut | None:
    """The first nut, in tightening order, of the first pass that is not complete."""
    head = view.head
    passes = 1 if head.kind is RecordKind.RE_TORQUE else head.passes
    read = table.counting
    for number in range(1, passes + 1):
        for rod in view.rods:
            if (number, rod) not in read:
                return Nut(number, passes, rod, target_of_pass(head.target_nm, number, passes))
    return None


def _circular(view: RecordView, table: TorqueTable) -> Nut | None:
    """The first nut of a further pass, while nuts still move under a click tool."""
    head = view.head
    passes = 1 if head.kind is RecordKind.RE_TORQUE else head.passes
    number = table.circular_pass(passes)
    read = table.counting
    rod = next((rod for rod in view.rods if (number, rod) not in read), None)
    return Nut(number, passes, rod, head.target_nm) if number and rod else None


def settled_at(view: RecordView, table: TorqueTable, minutes: float) -> datetime | None:
    """When the pass after settling is due; None where it was read, or a nut of the last one not.

    None too where the design lets nothing settle: 0 min.
    """
    last, read = view.head.passes, table.counting

    def is_complete(number: int) -> bool:
        return all((number, rod) in read for rod in view.rods)

    if not (minutes and view.rods) or not is_complete(last) or is_complete(last + 1):
        return None
    times = [reading.taken_at for (number, _rod), reading in read.items() if number == last]
    return max(times) + timedelta(minutes=minutes)


def _checks_left(view: RecordView, kept_pattern: KeptPattern) -> int:
    """Checks not recorded before the closing; shorts are for the tests after it."""
    if kept_pattern.toml is None or view.head.kind is RecordKind.TAKEN_OVER:
        return 0
    remaining = {
        check.check for check in checks_asked(view.entries, view.rods) if not check.is_done
    }
    return len(remaining - {ClosingCheck.SHORTS})


def _pattern_says(
    kept_pattern: KeptPattern, pile: WorkingPile, plan: ByPlan | None, end: End
) -> tuple[bool, str]:
    """Whether the pile is complete, and what comes next where it is not.

    Without a pattern a pile is complete that is as high as it was, or as its plan wants it.
    """
    before = sum(layer.kind in CELL_KINDS for layer in pile.base)
    cells = sum(layer.kind in CELL_KINDS for layer in pile.layers)
    if kept_pattern.pattern is None:
        is_high = bool(pile.base) and len(pile.layers) >= len(pile.base)
        return plan is not None or is_high, ""
    cells_planned = plan.cells if plan else None
    ends = [end, *(_other_open_ends(pile, end))]
    answers = [what_comes(kept_pattern, pile, answer, cells_planned) for answer in ends]
    answers_known = [answer for answer in answers if answer is not None]
    is_complete = bool(answers_known) and all(
        answer.complete and (not answer.layers or (before > 0 and cells >= before))
        for answer in answers_known
    )
    coming = answers_known[0].layers[0] if answers_known and answers_known[0].layers else None
    return is_complete, coming.item.words if coming else ""


def _other_open_ends(pile: WorkingPile, end: End) -> tuple[End, ...]:
    """The other end, where layers were taken off or put on there too."""
    return (
        tuple(End(open_end) for open_end in End if open_end is not end)
        if (extent_of(pile.pile) is Extent.REMAINDER)
        else ()
    )


def end_of_work(view: RecordView) -> End:
    """The end something was last done at; the free end to begin with."""
    at_ends = [entry.end for entry in view.standing if entry.end and not entry.rod_number]
    return at_ends[-1] if at_ends else End.FREE
