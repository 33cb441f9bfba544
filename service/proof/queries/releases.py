"""The gate to hydrogen of one build: what keeps it shut, and the releases that were given."""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import exists, func, or_, select
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures import DesignFigures
from service.limits.tables import LimitSet
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import NotFound
from service.platform.permissions import RecordFacts
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known, param, param_list, statement
from service.proof.arithmetic import release_gate
from service.proof.arithmetic.release_gate import SetPointsAsked, set_points_asked
from service.proof.queries.build_verdicts import (
    ClosedVerdicts,
    VerdictLine,
    verdict_lines,
    verdicts_of_build,
)
from service.proof.tables import BuildRelease, ReleaseEnd
from service.records.queries.content import verify
from service.records.queries.pile_checks import departures_in
from service.records.queries.records import people_on
from service.records.tables import RebuildRecord, RecordState
from service.stacks.queries.release_standing import release_stands, released_at, stopped_since
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.acceptances import WORD_FORBIDS
from service.store.queries.forbids import (
    HOLDS,
    WORDS,
    Forbids,
    allowing,
    bears_on,
    concessions_left,
    design_of_stack,
    for_parts,
    forbids_of_parts,
    what_forbids,
)
from service.store.tables import (
    Calibration,
    Concession,
    Hold,
    Instrument,
    Lot,
    Part,
    PartType,
)

BARS = HOLDS | WORDS
"""What keeps a part that is fitted from hydrogen, though it was right as it was put on."""
TO_MEND = "Lift the hold, or have a concession given."
CONCEDED = "A concession allows it."
NAMED_MOST = 3


@dataclass(frozen=True, slots=True)
class RecordOfBuild:
    """A record the verdicts of a build come from; ``holds`` None: never handed in."""

    id: int
    state: RecordState
    written_by: int
    content_sha256: str | None
    holds: bool | None


@dataclass(frozen=True, slots=True)
class ReleaseMade:
    """One release as it was given; ``holds``: its content is what was hashed."""

    id: int
    by: str
    at: datetime
    limit_version: int
    content_sha256: str
    remarks: str | None
    holds: bool
    stands: bool


@dataclass(frozen=True, slots=True)
class BuildAtGate:
    """The build that asks to be released. ``cells`` are those with an MEA."""

    id: int
    number: int
    stack_id: int
    stack: str
    record_id: int
    cells: int
    closed_at: datetime | None
    opened_at: datetime | None
    stands: bool
    stopped_by: str | None

    @property
    def label(self) -> str:
        """What people call it."""
        return f"{self.stack} build {self.number}"

    @property
    def is_present(self) -> bool:
        """Say whether the stack has not been opened since."""
        return self.closed_at is not None and self.opened_at is None


@dataclass(frozen=True, slots=True)
class Gate:
    """What stands at the gate. ``shut`` are sentences: none of them, and it can be opened.

    ``concessions``: those that allow parts of the build in spite of a hold, ``conceded`` in words.
    """

    build: BuildAtGate
    closed: ClosedVerdicts
    lines: tuple[VerdictLine, ...]
    records: tuple[RecordOfBuild, ...]
    set_points: SetPointsAsked | None
    shut: tuple[str, ...]
    releases: tuple[ReleaseMade, ...]
    facts: RecordFacts
    concessions: tuple[int, ...] = ()
    conceded: tuple[str, ...] = ()
    held: tuple[str, ...] = ()
    """holds on the stack as a whole"""

    @property
    def had_a_part(self) -> frozenset[int]:
        """Who wrote or had a part in the records of the build."""
        return self.facts.involved | {self.facts.written_by}

    @property
    def release(self) -> ReleaseMade | None:
        """The release that stands."""
        return next((release_row for release_row in self.releases if release_row.stands), None)

    @property
    def ended_by(self) -> str:
        """What ended the last release on paper, in words; empty: nothing did.

        A calibration, a correction, or an earlier event entered since which the closing takes in.
        """
        if self.release is not None or not self.releases:
            return ""
        if self.build.stopped_by:
            return f"the calibration of {self.build.stopped_by}: its closing does not hold"
        since, clamp = self.releases[0].at, self.closed.clamp
        words = [deed.words for deed in self.closed.corrections if deed.at > since]
        if not words and clamp and not clamp.correction_id and clamp.computed_at > since:
            words = ["an earlier event entered since"]
        return next(iter(words), "")

    @property
    def set_points_sha256(self) -> str:
        """Hash of the set points to acknowledge; empty where there are none."""
        if self.set_points is None:
            return ""
        return sha256_of(canonical_json(self.set_points.as_data))


def gate(session: Session, build_id: int) -> Gate:
    """Return what keeps the gate of a build shut. Raises NotFound.

    Eleven statements, up to ten more where the stack or a part of it is on hold.
    """
    build = _build(session, build_id)
    closed = verdicts_of_build(session, build_id)
    concerned = {build.record_id, *(test.made.record_id for test in closed.tests)}
    concerned |= {test.record_id for test in closed.done if not test.correction_id}
    if closed.clamp is not None:
        concerned.add(closed.clamp.record_id)
    records = _records(session, concerned)
    people = people_on(session, concerned)
    set_points = _set_points(build.cells, closed.figures)
    bars = _bars(session, build) if build.is_present else Bars()
    return Gate(
        build,
        closed,
        verdict_lines(closed),
        records,
        set_points,
        (*bars.of_stack, *_shut(build, closed, records, set_points), *bars.sentences),
        _releases(session, build),
        RecordFacts(
            written_by=next((test.written_by for test in records if test.id == build.record_id), 0),
            involved=bars.given_by.union(*people.values()),
        ),
        bars.concessions,
        bars.conceded,
        bars.of_stack,
    )


@dataclass(frozen=True, slots=True)
class Bars:
    """Parts of a build that must not be used, in sentences, and what concessions allow of them.

    ``of_stack``: holds on the stack as a whole.
    """

    of_stack: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()
    conceded: tuple[str, ...] = ()
    concessions: tuple[int, ...] = ()
    given_by: frozenset[int] = frozenset()


def _bars(session: Session, build: BuildAtGate) -> Bars:
    """What of a build is on hold or has a word against it, and what is allowed all the same."""
    fitted = _fitted(build)
    if not _may_be_barred(session, build, fitted):
        return Bars()
    of_stack = tuple(held.sentence for held in what_forbids(session, stack_id=build.stack_id))
    forbids = forbids_of_parts(session, Part.id.in_(fitted), stack_id=build.stack_id)
    barred = {
        part_id: some
        for part_id, of_part in forbids.items()
        if (some := [forbid for forbid in of_part if forbid.cause in BARS])
    }
    if not barred:
        return Bars(of_stack)
    rows = session.execute(
        select(
            *(Part.id, Part.lot_id, Part.part_type_id, Part.serial, Part.item_number),
            *(PartType.kind, Lot.label),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(barred))
        .order_by(Part.id)
    ).all()
    leaves = concessions_left(session, for_parts(rows, build.stack_id), record_id=build.record_id)
    accepted = list(departures_in(session, build.record_id))
    used: set[int] = set()
    by_bar: dict[tuple[str, str], list[str]] = defaultdict(list)
    for part in rows:
        standing = [forbid for forbid in barred[part.id] if not _is_accepted(forbid, accepted)]
        allowed = allowing(leaves, standing, part) if standing else ()
        used.update(allowed)
        label = part_label(part.serial, part.label, part.item_number)
        if standing:
            end = CONCEDED if allowed else TO_MEND
            by_bar[standing[0].sentence, end].append(f"{part.kind} {label}")
    givers = select(Concession.given_by_id).where(Concession.id.in_(used))
    words = {key: _barred(*key, labels) for key, labels in by_bar.items()}
    return Bars(
        of_stack,
        tuple(sentence for (_sentence, end), sentence in words.items() if end is TO_MEND),
        tuple(sentence for (_sentence, end), sentence in words.items() if end is CONCEDED),
        tuple(sorted(used)),
        frozenset(session.scalars(givers)) if used else frozenset(),
    )


def _fitted(build: BuildAtGate) -> Any:
    """Select the parts of a build, layers and fixings."""
    layers, fixings = (
        select(table.part_id).where(table.build_id == build.id, known(table))
        for table in (Layer, Fixing)
    )
    return layers.union_all(fixings)


def _may_be_barred(session: Session, build: BuildAtGate, fitted: Any) -> bool:
    """Say whether a hold, or the word that one is failing, stands on any of these parts."""
    parts = select(Part.id, Part.lot_id, Part.part_type_id).where(Part.id.in_(fitted)).cte()
    held = exists().where(
        Hold.lifted_at.is_(None) & Hold.stack_id.is_not(None)
        | bears_on(
            part=select(parts.c.id),
            lot=select(parts.c.lot_id),
            part_type=select(parts.c.part_type_id),
            design=design_of_stack(build.stack_id),
        )
    )
    failing = exists().where(WORD_FORBIDS, Part.id.in_(select(parts.c.id)))
    return bool(session.scalar(select(or_(held, failing))))


def _is_accepted(forbid: Forbids, departures: list[str]) -> bool:
    """Say whether somebody accepted it before hand-in, as the check of the pile read it."""
    reason = forbid.reason.rstrip(".")
    return bool(reason) and any(departs.endswith(f": {reason}") for departs in departures)


def _barred(sentence: str, end: str, labels: list[str]) -> str:
    more = len(labels) - NAMED_MOST
    names = ", ".join(labels[:NAMED_MOST]) + (f" and {more} more" if more > 0 else "")
    return f"{names}: {sentence.rstrip('.')}. {end}"


def _build(session: Session, build_id: int) -> BuildAtGate:
    row: Any = session.execute(_head(), {"build_id": build_id}).first()
    if row is None:
        raise NotFound("build", build_id)
    return read_as(BuildAtGate, row)


@statement
def _head() -> Any:
    cells = (
        select(func.count(Layer.id))
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(Layer.build_id == Build.id, known(Layer), PartType.kind == Kind.MEA)
        .correlate(Build)
        .scalar_subquery()
    )
    stopped = stopped_since(released_at(), Build)
    stopped_by = (
        select(Instrument.label)
        .join(Calibration, Calibration.instrument_id == Instrument.id)
        .where(Calibration.id.in_(stopped.with_only_columns(ReleaseEnd.calibration_id)))
        .limit(1)
        .correlate(Build)
        .scalar_subquery()
    )
    return (
        select(
            *columns(
                BuildAtGate,
                Build,
                BuildPeriod,
                stack_id=Stack.id,
                stack=Stack.serial,
                cells=cells,
                stands=release_stands(),
                stopped_by=stopped_by,
            )
        )
        .join(Stack, Stack.id == Build.stack_id)
        .outerjoin(
            BuildPeriod, (BuildPeriod.build_id == Build.id) & BuildPeriod.known_until.is_(None)
        )
        .where(Build.id == param("build_id"))
    )


RECORDS = (
    select(*columns(RecordOfBuild, RebuildRecord, written_by=RebuildRecord.written_by_id))
    .where(RebuildRecord.id.in_(param_list("ids")))
    .order_by(RebuildRecord.id)
)


def _records(session: Session, ids: set[int]) -> tuple[RecordOfBuild, ...]:
    rows: Any = session.execute(RECORDS, {"ids": sorted(ids)}).all()
    checks = verify(session, ids)
    return tuple(
        read_as(RecordOfBuild, row, holds=checks[row.id].holds if row.id in checks else None)
        for row in rows
    )


RELEASES = (
    select(
        BuildRelease.content,
        *columns(
            ReleaseMade,
            BuildRelease,
            by=with_login(Person),
            at=BuildRelease.released_at,
            limit_version=LimitSet.version,
        ),
    )
    .join(Person, Person.id == BuildRelease.released_by_id)
    .join(LimitSet, LimitSet.id == BuildRelease.limit_set_id)
    .where(BuildRelease.build_id == param("build_id"))
    .order_by(BuildRelease.released_at.desc(), BuildRelease.id.desc())
)


def _releases(session: Session, build: BuildAtGate) -> tuple[ReleaseMade, ...]:
    rows: Any = session.execute(RELEASES, {"build_id": build.id}).all()
    stands = build.stands and build.is_present
    return tuple(
        read_as(
            ReleaseMade,
            row,
            holds=sha256_of(row.content) == row.content_sha256,
            stands=place == 0 and stands,
        )
        for place, row in enumerate(rows)
    )


@lru_cache(maxsize=256)
def _set_points(cells: int, figures: DesignFigures) -> SetPointsAsked | None:
    if figures.operation is None or not cells:
        return None
    try:
        return set_points_asked(cells, figures.operation)
    except TradeError:
        return None


def _shut(
    build: BuildAtGate,
    closed: ClosedVerdicts,
    records: tuple[RecordOfBuild, ...],
    set_points: SetPointsAsked | None,
) -> Iterator[str]:
    if not build.is_present:
        yield "The stack was opened since: this build is not the present one."
    if closed.doubts.hold:
        yield f"On hold by a judgement of its instruments: {closed.doubts.hold}."
    approved = {record.id for record in records if record.state is RecordState.APPROVED}
    yield from release_gate.gate(
        closed.wanted,
        limits_in_force=closed.limits is not None,
        record_approved=build.record_id in approved,
        set_points_acknowledged=True,  # asked for when it is signed
    )
    for record in records:
        if record.id != build.record_id and record.id not in approved:
            yield (
                f"Record {record.id} tells what was done to this build and is not approved: it is"
                f" {record.state}."
            )
        if record.holds is False:
            yield f"The content of record {record.id} is no longer what was handed in."
    if closed.limits is not None and set_points is None:
        yield (
            "No set points can be computed for this build: the figures in force say nothing of the"
            " operation, or the pile holds no cell."
        )
