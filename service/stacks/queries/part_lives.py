"""The whole life of one part: where it is, where it was, what was seen on it, what held it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, or_, select, union
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.physics.arithmetic.conditions import place_in_words
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.queries.answers import columns, grouped_as, read_all, read_as
from service.platform.queries.audit_trail import TrailEntry, entries_about
from service.platform.queries.statements import (
    KNOWN_AT,
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.platform.tables import Attachment
from service.records.tables import Finding, RebuildRecord, RecordState, Step, StepKind
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.installations import Sitting, sittings
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.acceptances import AcceptanceKept, acceptances_of
from service.store.queries.lot_trees import reaches
from service.store.queries.part_lists import PartFacts, part_facts
from service.store.tables import Concession, Hold, Lot, Part

# What happened to parts: load cycles, separations, findings.


@dataclass(frozen=True, slots=True)
class SeenOnIt:
    """One finding on a part."""

    id: int
    record_id: int
    record_state: RecordState
    stack_serial: str
    done_at: datetime
    written_at: datetime
    by: str
    condition: str
    severity: int | None
    where: str
    note: str
    code: str | None
    face: str | None
    places: str | None
    area_percent: float | None

    @property
    def at(self) -> str:
        """Where on the part it is, by its face and squares."""
        return place_in_words(self.face or "", (self.places or "").split(), self.area_percent)


@dataclass(frozen=True, slots=True)
class Events:
    """Load cycles: closings with the part clamped in; separations: openings that parted a face."""

    load_cycles: int = 0
    separations: int = 0


def event_counts(
    session: Session, part_ids: Collection[int], as_of: AsOf = PRESENT
) -> dict[int, Events]:
    """Return load cycles and separations of each of these parts. Two statements.

    A load cycle is a known build that held the part: the clamp was closed on it. A separation
    is an event in which a layer was lifted off it, or it was lifted off, and which counts: handed
    in or still being written, not void.
    """
    asked = (as_of.known_at is not None, as_of.on is not None)
    values = params(as_of.known_at, part_ids=part_ids)
    if as_of.on is not None:
        values["on"] = as_of.on
    cycles: dict[int, int] = dict(session.execute(_cycles(*asked), values).all())
    parted = separations(session, part_ids, as_of)
    return {part_id: Events(cycles.get(part_id, 0), parted.get(part_id, 0)) for part_id in part_ids}


@statement
def _cycles(is_then: bool, is_on: bool) -> Any:
    """Known builds that held each part."""
    at = as_of_param(is_then)
    sat = union(
        select(Layer.part_id, Layer.build_id).where(
            Layer.part_id.in_(param_list("part_ids")), known(Layer, at)
        ),
        select(Fixing.part_id, Fixing.build_id).where(
            Fixing.part_id.in_(param_list("part_ids")), known(Fixing, at)
        ),
    ).subquery()
    counted = select(sat.c.part_id, func.count(sat.c.build_id)).group_by(sat.c.part_id)
    if is_on:
        counted = counted.join(
            BuildPeriod,
            and_(
                BuildPeriod.build_id == sat.c.build_id,
                known(BuildPeriod, at),
                BuildPeriod.closed_at <= param("on"),
            ),
        )
    return counted


KNOWN_AS = func.coalesce(Part.is_part_id, Part.id)
"""The part entries mean that name a temporary one."""


def all_names_of(name: str) -> Any:
    """Return the numbers of parts by which entries name them: their own, and temporary ones."""
    ids = param_list(name)
    return union(
        select(Part.id).where(Part.id.in_(ids)), select(Part.id).where(Part.is_part_id.in_(ids))
    )


def separations(
    session: Session,
    part_ids: Collection[int],
    as_of: AsOf = PRESENT,
    *,
    only: ColumnElement[bool] | None = None,
) -> dict[int, int]:
    """Return in how many records a face of each part was parted. One statement.

    ``only`` narrows it to some records.
    """
    counted = _separations(as_of.known_at is not None, as_of.on is not None)
    values = params(as_of.known_at, part_ids=part_ids, on=as_of.on)
    statement_asked = counted if only is None else counted.where(only)
    return dict(session.execute(statement_asked, values).all())


@statement
def _separations(is_then: bool, is_on: bool) -> Any:
    """Records that count in which each part was lifted off, or left outermost."""
    lifted = [Step.kind == StepKind.LIFTED_OFF, Step.undone_at.is_(None)]
    if is_then:
        lifted.append(Step.written_at <= KNOWN_AT)
    if is_on:
        lifted.append(Step.done_at <= param("on"))
    parted = union(
        *(
            select(column.label("part_id"), Step.record_id).where(
                column.in_(all_names_of("part_ids")), *lifted
            )
            for column in (Step.part_id, Step.exposed_part_id)
        )
    ).subquery()
    return (
        select(KNOWN_AS, func.count(parted.c.record_id.distinct()))
        .join_from(parted, Part, Part.id == parted.c.part_id)
        .join(RebuildRecord, RebuildRecord.id == parted.c.record_id)
        .where(RebuildRecord.state != RecordState.VOID)
        .group_by(KNOWN_AS)
    )


FINDINGS = (
    select(
        KNOWN_AS.label("known_as"),
        *columns(
            SeenOnIt,
            Finding,
            Step,
            record_state=RebuildRecord.state,
            stack_serial=Stack.serial,
            by=Person.name,
        ),
    )
    .join(Step, Step.id == Finding.step_id)
    .join(Part, Part.id == Finding.part_id)
    .join(Person, Person.id == Step.by_id)
    .join(RebuildRecord, RebuildRecord.id == Finding.record_id)
    .join(Stack, Stack.id == RebuildRecord.stack_id)
    .where(Finding.part_id.in_(all_names_of("part_ids")), Step.undone_at.is_(None), known(Finding))
    .order_by(Step.done_at, Finding.id)
)


def findings_on(
    session: Session, part_ids: Collection[int], as_of: AsOf = PRESENT
) -> dict[int, tuple[SeenOnIt, ...]]:
    """Return what was seen on each of these parts, oldest first."""
    rows = session.execute(FINDINGS, {"part_ids": list(part_ids)})
    findings_by_part = grouped_as(rows, "known_as", lambda row: read_as(SeenOnIt, row))
    return {
        part_id: tuple(
            seen
            for seen in findings
            if as_of.has(happened_at=seen.done_at, written_at=seen.written_at)
        )
        for part_id, findings in findings_by_part.items()
    }


PLACED, LIFTED = aliased(Person), aliased(Person)


@dataclass(frozen=True, slots=True)
class HoldOnIt:
    """One hold on a part, its lot or its part type, standing or lifted."""

    id: int
    of_lot: bool
    of_type: bool
    reason: str
    placed_by: str
    placed_at: datetime
    lifted_by: str | None
    lifted_at: datetime | None
    lift_reason: str


@dataclass(frozen=True, slots=True)
class ConcessionOnIt:
    """Leave to use a part, or its lot, once in spite of a hold."""

    id: int
    of_lot: bool
    reason: str
    given_by: str
    given_at: datetime
    used_in_record_id: int | None


@dataclass(frozen=True, slots=True)
class FormerBelief:
    """A place the part was thought to have been in, until that was corrected or entered anew."""

    stack_serial: str
    build_number: int
    position: int
    cell: int | None
    known_from: datetime
    known_until: datetime
    correction_id: int | None
    instead: str | None
    """what is known to be there now"""
    instead_part_id: int | None


@dataclass(frozen=True, slots=True)
class InOpenRecord:
    """The part was put on or lifted off in a record which is not handed in."""

    record_id: int
    stack_serial: str
    kind: StepKind
    done_at: datetime


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo or paper kept with the part."""

    id: int
    name: str
    media_type: str
    added_at: datetime
    record_id: int | None


@dataclass(frozen=True, slots=True)
class PartLife:
    """Everything known of one part.

    ``as_of`` tells builds, hours, load cycles, separations, findings, holds and concessions as they
    were then; ``part``, photos and what was written about it are as they are now.
    """

    part: PartFacts
    as_of: AsOf
    scans: tuple[str, ...]
    sittings: tuple[Sitting, ...]
    events: Events
    findings: tuple[SeenOnIt, ...]
    accepted: AcceptanceKept | None
    holds: tuple[HoldOnIt, ...]
    concessions: tuple[ConcessionOnIt, ...]
    former_beliefs: tuple[FormerBelief, ...]
    in_open_record: InOpenRecord | None
    photos: tuple[Photo, ...]
    moves: tuple[TrailEntry, ...]

    @property
    def now(self) -> Sitting | None:
        """The build it sits in, as handed in: now, or then."""
        if self.as_of.is_then:
            fitted = [sat for sat in self.sittings if sat.opened_at is None]
            return fitted[-1] if fitted else None
        if self.part.stack_id is None:
            return None
        last = self.sittings[-1] if self.sittings else None
        return last if last and last.stack_id == self.part.stack_id else None

    @property
    def hours(self) -> Hours:
        """All hours of the part, with those it came with."""
        return sum((sat.hours for sat in self.sittings), self.part.came_with)


def part_life(session: Session, part_id: int, as_of: AsOf = PRESENT) -> PartLife:
    """Return what is known of a part, from its first day. Raises NotFound.

    The number of statements does not depend on how many builds it sat in.
    """
    part = part_facts(session, part_id)
    return PartLife(
        part=part,
        as_of=as_of,
        scans=_scans(session, part_id),
        sittings=sittings(session, part_id, as_of),
        events=event_counts(session, [part_id], as_of).get(part_id, Events()),
        accepted=acceptances_of(session, [part_id]).get(part_id),
        findings=findings_on(session, [part_id], as_of).get(part_id, ()),
        holds=_holds(session, part, as_of),
        concessions=_concessions(session, part, as_of),
        former_beliefs=_former_beliefs(session, part_id, as_of),
        in_open_record=None if as_of.is_then else _in_open_record(session, part_id),
        photos=_photos(session, part_id),
        moves=entries_about(session, "part", part_id),
    )


SCANS = (
    select(Step.scanned)
    .where(Step.part_id.in_(all_names_of("part_ids")), Step.scanned.is_not(None))
    .group_by(Step.scanned)
    .order_by(func.min(Step.id))
    .limit(20)
)


def _scans(session: Session, part_id: int) -> tuple[str, ...]:
    """The codes it was scanned or typed by, as they came."""
    return tuple(scanned for scanned in session.scalars(SCANS, {"part_ids": [part_id]}) if scanned)


HOLDS = (
    select(
        Hold.lot_id, Hold.part_type_id, PLACED.name, *columns(HoldOnIt, Hold, lifted_by=LIFTED.name)
    )
    .join(PLACED, PLACED.id == Hold.placed_by_id)
    .outerjoin(LIFTED, LIFTED.id == Hold.lifted_by_id)
    .where(
        or_(
            Hold.part_id.in_(all_names_of("part_ids")),
            reaches(param("lot_id")),
            Hold.part_type_id == param("type_id"),
        )
    )
    .order_by(Hold.placed_at, Hold.id)
)


def _holds(session: Session, part: PartFacts, as_of: AsOf) -> tuple[HoldOnIt, ...]:
    keys = {"part_ids": [part.id], "lot_id": part.lot_id, "type_id": part.type_id}
    rows: Sequence[Any] = session.execute(HOLDS, keys).all()
    holds = (
        read_as(
            HoldOnIt,
            row,
            of_lot=row.lot_id is not None,
            of_type=row.part_type_id is not None,
            placed_by=row.name,
        )
        for row in rows
    )
    return tuple(
        hold
        if hold.lifted_at is None or as_of.has(happened_at=hold.lifted_at)
        else replace(hold, lifted_at=None, lifted_by=None, lift_reason="")
        for hold in holds
        if as_of.has(happened_at=hold.placed_at)
    )


CONCESSIONS = (
    select(Concession.lot_id, Person.name, *columns(ConcessionOnIt, Concession))
    .join(Person, Person.id == Concession.given_by_id)
    .where(
        or_(Concession.part_id.in_(all_names_of("part_ids")), Concession.lot_id == param("lot_id"))
    )
    .order_by(Concession.given_at, Concession.id)
)


def _concessions(session: Session, part: PartFacts, as_of: AsOf) -> tuple[ConcessionOnIt, ...]:
    rows: Sequence[Any] = session.execute(
        CONCESSIONS, {"part_ids": [part.id], "lot_id": part.lot_id}
    ).all()
    return tuple(
        read_as(ConcessionOnIt, row, of_lot=row.lot_id is not None, given_by=row.name)
        for row in rows
        if as_of.has(happened_at=row.given_at)
    )


@statement
def _beliefs() -> Any:
    """Closed-out layers of a part, and what came in their stead."""
    after, still, part_after, lot = aliased(Layer), aliased(Layer), aliased(Part), aliased(Lot)
    return (
        select(
            Build.number,
            after.correction_id,
            after.part_id.label("instead_id"),
            part_after.serial,
            part_after.item_number,
            lot.label.label("lot"),
            *columns(FormerBelief, Layer, stack_serial=Stack.serial),
        )
        .join(Build, Build.id == Layer.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .outerjoin(
            still,
            and_(
                still.part_id == Layer.part_id,
                still.build_id == Layer.build_id,
                still.position == Layer.position,
                still.known_until.is_(None),
            ),
        )
        .outerjoin(
            after,
            and_(
                after.build_id == Layer.build_id,
                after.position == Layer.position,
                after.known_from == Layer.known_until,
            ),
        )
        .outerjoin(part_after, part_after.id == after.part_id)
        .outerjoin(lot, lot.id == part_after.lot_id)
        .where(
            Layer.part_id == param("part_id"), Layer.known_until.is_not(None), still.id.is_(None)
        )
        .order_by(Layer.known_until, Layer.id)
    )


def _former_beliefs(session: Session, part_id: int, as_of: AsOf) -> tuple[FormerBelief, ...]:
    """Layers it was thought to be, where it is not known to be there any more."""
    rows: Sequence[Any] = session.execute(_beliefs(), {"part_id": part_id}).all()
    return tuple(
        read_as(
            FormerBelief,
            row,
            build_number=row.number,
            instead=None
            if row.instead_id is None
            else part_label(row.serial, row.lot, row.item_number),
            instead_part_id=row.instead_id,
        )
        for row in rows
        if as_of.known_at is None or row.known_until <= as_of.known_at
    )


OPEN_RECORD = (
    select(*columns(InOpenRecord, Step, record_id=RebuildRecord.id, stack_serial=Stack.serial))
    .join(RebuildRecord, RebuildRecord.id == Step.record_id)
    .join(Stack, Stack.id == RebuildRecord.stack_id)
    .where(
        Step.part_id.in_(all_names_of("part_ids")),
        Step.undone_at.is_(None),
        Step.kind.in_(
            (StepKind.LIFTED_OFF, StepKind.PUT_ON, StepKind.FIXING_FITTED, StepKind.FIXING_REMOVED)
        ),
        RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
    )
    .order_by(Step.done_at.desc(), Step.id.desc())
    .limit(1)
)


def _in_open_record(session: Session, part_id: int) -> InOpenRecord | None:
    row: Any = session.execute(OPEN_RECORD, {"part_ids": [part_id]}).first()
    return None if row is None else read_as(InOpenRecord, row)


PHOTOS = (
    select(*columns(Photo, Attachment))
    .where(Attachment.part_id.in_(all_names_of("part_ids")), Attachment.removed_at.is_(None))
    .order_by(Attachment.added_at, Attachment.id)
)


def _photos(session: Session, part_id: int) -> tuple[Photo, ...]:
    rows: Any = session.execute(PHOTOS, {"part_ids": [part_id]})
    return read_all(Photo, rows)
