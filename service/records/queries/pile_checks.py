"""What is wrong with a pile by its design's pattern, and with the parts in it.

What a finding weighs is told by three rules:

- what blocks the hand-in has to be put right;
- what needs a concession is allowed by one that this record uses, for the part or its lot, or by a
  departure: an entry of the record that accepts the finding as it reads, with the reason, made
  by somebody who may give concessions;
- in a record that neither opened nor built the stack, or only takes it over, everything is a
  remark: nothing of it was done there.

Of a design that keeps no pattern only parts that must not be used are found.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from threading import Lock
from typing import Any, NamedTuple

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from service.designs.arithmetic import grammar_findings
from service.designs.arithmetic import grammar_text as text
from service.designs.arithmetic.fitness import PartFacts, RodFacts, check_fixings, check_parts
from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.grammar_check import Checked, Extent, check, extent_of
from service.designs.arithmetic.grammar_findings import Finding, Severity, Wrong
from service.designs.arithmetic.grammar_match import EditKind, Move, states_of
from service.designs.arithmetic.pile import Layer
from service.designs.queries import (
    KeptPattern,
    other_revisions,
    pattern_of_design,
    pattern_of_stack,
    seen_so,
)
from service.designs.tables import DesignRod
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import End, Kind, Usability
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.records.queries.inserted import event_before
from service.records.queries.working_piles import (
    FixingNow,
    WorkingPile,
    pile_known_now,
    working_pile,
)
from service.records.tables import RebuildRecord, RecordKind, RecordState, Step, StepKind
from service.stacks.queries.layer_maps import LayerMap
from service.stacks.queries.part_hours import part_hours
from service.stacks.queries.part_lives import separations
from service.stacks.tables import Build, Stack
from service.stacks.tables import Layer as BuildLayer
from service.store.arithmetic.acceptance import misplaced, used_up
from service.store.queries.acceptances import AcceptanceKept, acceptances_of
from service.store.queries.forbids import (
    HOLDS,
    WORDS,
    Cause,
    Forbids,
    allowing,
    concessions_used,
    forbids_of_parts,
    what_forbids,
)
from service.store.queries.shelf_lives import PART_ENDS, have_run
from service.store.tables import Lot, Part, PartType

# What is known of the parts of a pile as a record has it: facts for `fitness`.
#
# Of a record that is handed in they stand as they stood then: later holds, openings and hours
# do not count. Whether a part may be used is kept as of today only, so an old record leaves it out.


@dataclass(frozen=True, slots=True)
class KnownPart:
    """One part of the pile; hours in h, openings counted with this event's.

    ``hold_reason`` empty: not on hold; ``failing`` and ``rule_met``: why somebody, or the rule,
    says it is failing. ``was_put_on`` in this event; ``was_fitted_before``: and had been in a
    build. ``usable_until``: where it was put on in this event and has not run yet.
    """

    part: int
    drawing_number: str
    revision: str
    renew_at_opening: bool
    openings_most: int | None
    hours_most: float | None
    usability: Usability
    hold_reason: str
    failing: str
    rule_met: str
    usable_until: date | None
    openings: int
    hours: float
    was_put_on: bool
    was_fitted_before: bool
    has_concession: bool
    accepted: AcceptanceKept | None
    other_design: str


@dataclass(frozen=True, slots=True)
class Departure:
    """A finding accepted in a record, as it read, by whom and why."""

    step_id: int
    departs_from: str
    reason: str
    by: str


def known_parts(
    session: Session,
    record_id: int,
    part_ids: Collection[int],
    *,
    stack_id: int,
    until: datetime | None,
) -> dict[int, KnownPart]:
    """Return what is known of these parts as this record has them. Seventeen statements in all.

    ``until`` is when the record was handed in; None: it is being written, all of today counts.
    """
    ids = list(part_ids)
    rows = session.execute(
        select(
            Part.id,
            Part.usability,
            Part.lot_id,
            Part.part_type_id,
            PART_ENDS.label("ends_at"),
            *columns(KnownPart, PartType),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(ids))
    ).all()
    forbids = forbids_of_parts(session, ids, stack_id=stack_id, held_at=until)
    values = {
        part: [forbid for forbid in some if _counts(forbid, until)]
        for part, some in forbids.items()
    }
    allowed = concessions_used(session, record_id)
    put_on = _put_on(session, record_id)
    on_the_shelf = {x.id for x in rows if x.ends_at and x.id in put_on}
    on_the_shelf -= have_run(session, on_the_shelf)
    accepted = acceptances_of(session, ids) if until is None else {}
    limited = {
        part: (kept.until_openings is not None, kept.until_hours_h is not None)
        for part, kept in accepted.items()
    }
    neither = (False, False)
    openings = separations(
        session,
        [x.id for x in rows if x.openings_most or limited.get(x.id, neither)[0]],
        only=event_before(RebuildRecord.id, record_id, or_itself=True),
    )
    hours = _hours(
        session, record_id, [x.id for x in rows if x.hours_most or limited.get(x.id, neither)[1]]
    )
    return {
        row.id: read_as(
            KnownPart,
            row,
            part=row.id,
            usability=row.usability if until is None else Usability.ACCEPTED,
            hold_reason=_reason(values[row.id], HOLDS - {Cause.DESIGN_HOLD}),
            failing=next((of.word for of in values[row.id] if of.cause in WORDS), ""),
            rule_met=_reason(values[row.id], {Cause.RULE_MET}),
            was_put_on=row.id in put_on,
            usable_until=row.ends_at.date() if row.id in on_the_shelf else None,
            openings=openings.get(row.id, 0),
            hours=hours.get(row.id, 0.0),
            accepted=accepted.get(row.id),
            other_design=_reason(values[row.id], {Cause.OTHER_DESIGN}),
            was_fitted_before=put_on.get(row.id, False),
            has_concession=bool(allowing(allowed, values[row.id], row)),
        )
        for row in rows
    }


def departures_in(session: Session, record_id: int) -> dict[str, Departure]:
    """Return the findings accepted in a record, by how they read. One statement."""
    rows: Sequence[Any] = session.execute(
        select(*columns(Departure, Step, step_id=Step.id, reason=Step.note, by=Person.name))
        .join(Person, Person.id == Step.by_id)
        .where(
            Step.record_id == record_id, Step.kind == StepKind.DEPARTURE, Step.undone_at.is_(None)
        )
        .order_by(Step.sequence)
    ).all()
    return {row.departs_from: read_as(Departure, row) for row in rows}


def _reason(forbids: Iterable[Forbids], causes: Collection[Cause]) -> str:
    return next((forbid.reason for forbid in forbids if forbid.cause in causes), "")


def _is_any_barred(
    session: Session, ids: Collection[int], head: "_Head", until: datetime | None
) -> bool:
    """Say whether one of these parts must not be used, or only so far, or was on hold then."""
    forbids = forbids_of_parts(session, ids, stack_id=head.stack_id, held_at=until)
    if any(_counts(forbid, until) for some in forbids.values() for forbid in some):
        return True
    return until is None and bool(acceptances_of(session, ids))


def _counts(forbid: Forbids, until: datetime | None) -> bool:
    """Of a record handed in holds count only: the rest is kept as of today."""
    return forbid.cause in HOLDS if until else forbid.concession_may


def _put_on(session: Session, record_id: int) -> Mapping[int, bool]:
    """Parts put on in this record, and whether each was in a build of an earlier one."""
    before = (
        exists()
        .where(BuildLayer.part_id == Step.part_id, BuildLayer.build_id == Build.id)
        .where(event_before(Build.record_id, record_id))
        .label("before")
    )
    rows = session.execute(
        select(Step.part_id, before).where(
            Step.record_id == record_id, Step.kind == StepKind.PUT_ON, Step.undone_at.is_(None)
        )
    )
    return {row.part_id: bool(row.before) for row in rows}


def _hours(session: Session, record_id: int, ids: Collection[int]) -> dict[int, float]:
    """Hours each part had when this event began."""
    hours = part_hours(session, ids)
    builds = _earlier(
        session, record_id, {at for of_part in hours.values() for at in of_part.in_builds}
    )
    return {
        part: of_part.before.hours
        + sum(ran.hours for at, ran in of_part.in_builds.items() if at in builds)
        for part, of_part in hours.items()
    }


def _earlier(session: Session, record_id: int, builds: Iterable[int]) -> set[int]:
    rows = session.scalars(
        select(Build.id).where(Build.id.in_(list(builds)), event_before(Build.record_id, record_id))
    )
    return set(rows)


WITHOUT_PATTERN = (
    *(Wrong.ON_HOLD, Wrong.NOT_ACCEPTED, Wrong.FAILING, Wrong.RULE_MET),
    Wrong.BEYOND_ACCEPTANCE,
)
"""What is told of parts where the design keeps no pattern: what must not be used."""
BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)
MOST_KEPT = 64
_ONE_AT_A_TIME = Lock()
_CHECKED: dict[tuple[str, str | None], tuple[tuple[Layer, ...], Checked]] = {}
"""checks of whole builds by the digest of their rows and the text of their pattern"""


@dataclass(frozen=True, slots=True)
class Judged:
    """A finding with what it weighs in a record, and the departure that accepts it, if any."""

    finding: Finding
    severity: Severity
    departure: Departure | None = None


@dataclass(frozen=True, slots=True)
class PileCheck:
    """A pile as its design's pattern sees it; without one, only parts that must not be used."""

    kept: KeptPattern
    layers: tuple[Layer, ...] = ()
    cells: int = 0
    judged: tuple[Judged, ...] = ()

    @property
    def is_made(self) -> bool:
        """Say whether there was a pattern to check by."""
        return self.kept.toml is not None

    def of(self, severity: Severity) -> tuple[Judged, ...]:
        """Return the findings that weigh so much."""
        return tuple(judgement for judgement in self.judged if judgement.severity is severity)


@dataclass(frozen=True, slots=True)
class _Head:
    id: int
    stack_id: int
    design_id: int
    kind: RecordKind
    state: RecordState
    base_build_id: int | None
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    handed_in_at: datetime | None

    @property
    def binds(self) -> bool:
        """Say whether this record answers for the pile: it opened the stack, or built it.

        A rebuild answers from its first minute: what it will be asked for is known then.
        """
        built = self.base_build_id is None and self.kind is not RecordKind.TAKEN_OVER
        will_open = self.kind is RecordKind.REBUILD and self.state in BEING_WRITTEN
        return built or will_open or self.opened_at is not None


def pile_check(session: Session, record_id: int, pile: WorkingPile | None = None) -> PileCheck:
    """Find what is wrong with the pile of this record, as it stands or was corrected since.

    A constant number of statements, however high the pile. ``pile`` spares reading it again.
    Raises NotFound.
    """
    head = _head(session, record_id)
    kept_pattern = pattern_of_design(session, head.design_id)
    is_written = head.state in BEING_WRITTEN
    pile = pile or (working_pile if is_written else pile_known_now)(session, record_id)
    is_closed = head.closed_at is not None
    layers = pile.layers
    if not layers and not is_closed:
        return PileCheck(kept_pattern)
    until = None if is_written else head.handed_in_at
    ids = [layer.part for layer in layers] + [fixing.part for fixing in pile.fixings]
    if kept_pattern.pattern is None and not _is_any_barred(session, ids, head, until):
        return PileCheck(kept_pattern)
    parts = known_parts(session, record_id, ids, stack_id=head.stack_id, until=until)
    on = (head.closed_at or head.performed_from).date()
    if kept_pattern.pattern is None:
        findings = [
            x for x in _of_parts(kept_pattern, pile, parts, on) if x.wrong in WITHOUT_PATTERN
        ]
        if until is None:
            findings += _of_design(session, head, kept_pattern)
        return PileCheck(kept_pattern, judged=_judged(session, findings, head))
    called = {
        at: kept_pattern.called(part.drawing_number, part.revision) for at, part in parts.items()
    }
    looks = seen_so(layers, called)
    extent = Extent.WHOLE if is_closed else extent_of(pile.pile)
    checked = check(kept_pattern.pattern, looks, extent=extent)
    strangers = _of_other_revisions(session, kept_pattern, checked.findings, looks, parts)
    renewed = _renewed(kept_pattern.pattern, checked.explanation.moves, looks)
    findings = [
        *(each for each in checked.findings if not _told_otherwise(each, strangers, looks)),
        *_of_parts(kept_pattern, pile, parts, on, strangers=strangers, renewed=renewed),
    ]
    if is_closed and kept_pattern.on_each_rod:
        findings += _of_fixings(session, kept_pattern, pile.fixings)
    if until is None:
        findings += _of_design(session, head, kept_pattern)
    return PileCheck(kept_pattern, layers, checked.cells, _judged(session, findings, head))


def check_of_build(session: Session, pile_map: LayerMap) -> PileCheck:
    """Find what is wrong with the order and fixings of a build, as its layer map shows it.

    What is known of the single parts stands elsewhere on the stack's sheet. Two statements.
    """
    kept_pattern = pattern_of_stack(session, pile_map.stack.id)
    if kept_pattern.pattern is None or pile_map.build is None:
        return PileCheck(kept_pattern)
    layers, checked = _checked_before(pile_map, kept_pattern, kept_pattern.pattern)
    findings = list(checked.findings)
    if kept_pattern.on_each_rod:
        findings += _of_fixings(session, kept_pattern, pile_map.fixings)
    return PileCheck(
        kept_pattern,
        layers,
        checked.cells,
        tuple(Judged(finding, finding.severity) for finding in findings),
    )


def _checked_before(
    pile_map: LayerMap, kept_pattern: KeptPattern, pattern: Pattern
) -> tuple[tuple[Layer, ...], Checked]:
    """The order of a pile checked by its pattern; kept by what both say, since neither changes."""
    content = (pile_map.digest, kept_pattern.toml)
    with _ONE_AT_A_TIME:
        answer = _CHECKED.pop(content, None)
    if answer is None:
        called = {
            key: kept_pattern.called(part_type.drawing_number, part_type.revision)
            for key, part_type in pile_map.types.items()
        }
        looks = seen_so(pile_map.layers, {row[1]: called[row[6]] for row in pile_map.rows})
        answer = pile_map.layers, check(pattern, looks)
    with _ONE_AT_A_TIME:
        _CHECKED[content] = answer
        if len(_CHECKED) > MOST_KEPT:
            del _CHECKED[next(iter(_CHECKED))]
    return answer


class FixingAt(NamedTuple):
    """A fixing and where it belongs: a rod's number, or the end of a compression plate."""

    kind: Kind
    rod_number: int | None
    end: End | None


def check_of_list(
    session: Session,
    design_id: int,
    layers: Sequence[Layer],
    drawings: Mapping[int, tuple[str, str]],
    fixings: Iterable[FixingAt],
) -> PileCheck:
    """Find what is odd about a pile somebody wrote down. Remarks only: it stands as it is.

    ``drawings``: drawing number and revision of each part, by its key in the layers. Two
    statements. Raises NotFound.
    """
    kept_pattern = pattern_of_design(session, design_id)
    if kept_pattern.pattern is None or not layers:
        return PileCheck(kept_pattern)
    looks = seen_so(layers, {part: kept_pattern.called(*name) for part, name in drawings.items()})
    checked = check(kept_pattern.pattern, looks)
    findings = list(checked.findings)
    if kept_pattern.on_each_rod:
        findings += _of_fixings(session, kept_pattern, fixings)
    judged = tuple(Judged(finding, Severity.REMARK) for finding in findings)
    return PileCheck(kept_pattern, tuple(layers), checked.cells, judged)


def _head(session: Session, record_id: int) -> _Head:
    row: Any = session.execute(
        select(*columns(_Head, RebuildRecord, Stack))
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return read_as(_Head, row)


def _of_other_revisions(
    session: Session,
    kept_pattern: KeptPattern,
    findings: Sequence[Finding],
    looks: Sequence[Layer],
    parts: Mapping[int, KnownPart],
) -> dict[int, frozenset[str]]:
    """By part: the other revisions of this design which name its type, where this one does not."""
    others = other_revisions(session, kept_pattern.design_id)
    part_at = {layer.position: layer.part for layer in looks}
    released = {}
    for finding in findings:
        if finding.wrong is Wrong.TYPE:
            part = parts[part_at[finding.positions[0]]]
            by_part = {
                facts.design
                for facts in others
                if facts.has_named(part.drawing_number, part.revision)
            }
            if by_part:
                released[part.part] = frozenset(by_part)
    return released


def _told_otherwise(
    finding: Finding, strangers: Mapping[int, frozenset[str]], looks: Sequence[Layer]
) -> bool:
    """A part of another revision of the design is told as that, all alike in one finding."""
    if finding.wrong is not Wrong.TYPE:
        return False
    at = finding.positions[0]
    return any(layer.position == at and layer.part in strangers for layer in looks)


def _renewed(pattern: Pattern, moves: Iterable[Move], looks: Sequence[Layer]) -> frozenset[int]:
    """Parts that lie where the pattern asks for new ones at every opening."""
    states = states_of(pattern)
    lying = {EditKind.FITS, EditKind.WRONG, EditKind.SWAPPED}
    return frozenset(
        looks[move.at].part
        for move in moves
        if move.did in lying and states.item(move.state).renew_at_opening
    )


def _of_parts(
    kept_pattern: KeptPattern,
    pile: WorkingPile,
    parts: Mapping[int, KnownPart],
    on: date,
    *,
    strangers: Mapping[int, frozenset[str]] | None = None,
    renewed: frozenset[int] = frozenset(),
) -> tuple[Finding, ...]:
    """What forbids parts of the pile and around it, whatever their order."""
    facts = [_facts(layer, parts[layer.part], strangers or {}, renewed) for layer in pile.layers]
    facts += [_facts_of_fixing(fixing, parts[fixing.part]) for fixing in pile.fixings]
    return check_parts(facts, design=kept_pattern.design, on=on)


def _facts(
    layer: Layer, part: KnownPart, strangers: Mapping[int, frozenset[str]], renewed: frozenset[int]
) -> PartFacts:
    return _known(
        part,
        PartFacts(
            part.part,
            layer.label,
            text.name(layer),
            layer.position,
            layer.cell,
            renew_at_opening=part.renew_at_opening or part.part in renewed,
            for_designs=strangers.get(part.part, frozenset()),
            beyond=_beyond(part, layer),
        ),
    )


def _beyond(part: KnownPart, layer: Layer | None = None) -> tuple[str, ...]:
    """How a part, or its place in the pile, lies beyond what it was accepted used for."""
    accepted = part.accepted
    if accepted is None:
        return ()
    return (
        *((f"accepted used {part.other_design}",) if part.other_design else ()),
        *used_up(accepted, hours_h=part.hours, openings=part.openings),
        *(misplaced(accepted, layer.cell, layer.facing, accepted.facing_before) if layer else ()),
    )


def _facts_of_fixing(fixing: FixingNow, part: KnownPart) -> PartFacts:
    facts = PartFacts(part.part, fixing.label, str(fixing.kind), beyond=_beyond(part))
    return _known(part, facts)


def _known(part: KnownPart, facts: PartFacts) -> PartFacts:
    return replace(
        facts,
        usability=Usability.UNDER_CONCESSION if part.has_concession else part.usability,
        hold_reason=part.hold_reason.rstrip("."),
        failing=part.failing.rstrip("."),
        rule_met=part.rule_met.rstrip("."),
        stays=not part.was_put_on,
        usable_until=part.usable_until,
        openings=part.openings,
        openings_most=part.openings_most,
        hours=part.hours,
        hours_most=part.hours_most,
        fitted_again=part.was_fitted_before,
    )


def _of_design(session: Session, head: _Head, kept_pattern: KeptPattern) -> list[Finding]:
    """A hold on the design itself, unless a concession for it is used in this record."""
    forbids = what_forbids(session, design_id=head.design_id)
    if not forbids or allowing(concessions_used(session, head.id), forbids, None):
        return []
    reason = forbids[0].reason.rstrip(".")
    mend = "Ask for a concession for the design."
    return [
        grammar_findings.found(
            Wrong.ON_HOLD, f"the design {kept_pattern.design} is on hold: {reason}", mend
        )
    ]


def _of_fixings(
    session: Session, kept_pattern: KeptPattern, fixings: Iterable[Any]
) -> tuple[Finding, ...]:
    """What is missing or too many around the pile; kinds the design does not count are let be."""
    on_rods: dict[int, dict[Kind, int]] = defaultdict(lambda: defaultdict(int))
    plates = []
    for fixing in fixings:
        if fixing.kind is Kind.COMPRESSION_PLATE and fixing.end is not None:
            plates.append(End(fixing.end))
        elif fixing.rod_number is not None and fixing.kind in kept_pattern.on_each_rod:
            on_rods[fixing.rod_number][fixing.kind] += 1
    rods = session.scalars(
        select(DesignRod.number)
        .where(DesignRod.design_id == kept_pattern.design_id)
        .order_by(DesignRod.number)
    )
    return check_fixings(
        [RodFacts(number, fitted) for number, fitted in sorted(on_rods.items())],
        rods_of_design=rods.all(),
        on_each_rod=kept_pattern.on_each_rod,
        compression_plates=plates,
    )


def _judged(session: Session, findings: Iterable[Finding], head: _Head) -> tuple[Judged, ...]:
    if not head.binds:
        return tuple(Judged(finding, Severity.REMARK) for finding in findings)
    departures = departures_in(session, head.id)
    return tuple(
        Judged(finding, Severity.REMARK, departure)
        if finding.severity is Severity.CONCESSION
        and (departure := departures.get(finding.sentence)) is not None
        else Judged(finding, finding.severity)
        for finding in findings
    )
