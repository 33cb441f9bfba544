"""The trace of a part: what was built around it, by whom, with what, and where its lots are now."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, case, exists, func, select, union_all
from sqlalchemy.orm import Session

from service.closing.queries.build_torques import BuildTorques, build_torques
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import BuildMakeup, FailingMark, RuleAnswer, RuleVerdict
from service.people.tables import Person
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped, read_as
from service.platform.queries.statements import known, param, param_list, statement
from service.records.queries.records import NOT_CONFIRMED
from service.records.tables import Involvement, RebuildRecord, RecordPerson, WitnessConfirmation
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.queries.installations import Sitting, sittings
from service.stacks.queries.part_lives import Events, SeenOnIt, event_counts, findings_on
from service.stacks.queries.stack_sheets import approvals_of
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.lot_trees import InputLot, made_of, reaches
from service.store.queries.part_lists import PartFacts, part_facts
from service.store.tables import Hold, Lot, Part, PartType

MOST_OF_A_LOT = 200
"""Parts of one lot listed by name; all of them are counted."""


@dataclass(frozen=True, slots=True)
class AtWork:
    """Who wrote, worked on and witnessed one event."""

    written_by: str
    worked: tuple[str, ...]
    witnessed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TracedBuild:
    """One build the part sat in, with everything that was done to close it and seen at its end."""

    sitting: Sitting
    at_work: AtWork
    approved_by: str | None
    approved_at: datetime | None
    torques: BuildTorques | None
    findings: tuple[tuple[str, SeenOnIt], ...]
    """at its opening: (label of the part, finding), the traced part's own first"""


@dataclass(frozen=True, slots=True)
class LotMember:
    """One part of a lot, and where it is today."""

    part_id: int
    label: str
    name_in_lot: str
    """its serial, or the item's number alone"""
    whereabouts: Whereabouts
    usability: Usability
    place: str
    stack_id: int | None
    stack_serial: str | None
    build_number: int | None
    position: int | None
    cell: int | None


@dataclass(frozen=True, slots=True)
class CountedAt:
    """How many parts of a lot are in one stack or one other place, and may be used or not."""

    stack_serial: str | None
    whereabouts: Whereabouts
    usability: Usability
    count: int


@dataclass(frozen=True, slots=True)
class TracedLot:
    """One lot around the part: how many parts, where they are, the first of them by name."""

    id: int
    label: str
    part_type: str
    kind: Kind
    supplier: str
    received_at: datetime | None
    expires_at: datetime | None
    is_own: bool
    held_because: str | None
    counts: tuple[CountedAt, ...]
    members: tuple[LotMember, ...]
    made_of: tuple[InputLot, ...]

    @property
    def total(self) -> int:
        """All parts of the lot except the traced one."""
        return sum(count.count for count in self.counts)

    @property
    def fitted(self) -> int:
        """Those fitted in a stack now."""
        return sum(c.count for c in self.counts if c.whereabouts is Whereabouts.FITTED)

    @property
    def stacks(self) -> tuple[str, ...]:
        """Serials of the stacks that hold some of them now."""
        return tuple(sorted({c.stack_serial for c in self.counts if c.stack_serial}))

    @property
    def groups(self) -> tuple[tuple[str | None, tuple["LotMember", ...]], ...]:
        """The listed parts by stack, those in none last."""
        groups = grouped(self.members, "stack_serial")
        return tuple((serial, tuple(members)) for serial, members in groups.items())


@dataclass(frozen=True, slots=True)
class Trace:
    """One page on a failing part."""

    part: PartFacts
    events: Events
    builds: tuple[TracedBuild, ...]
    findings: tuple[SeenOnIt, ...]
    lots: tuple[TracedLot, ...]

    @property
    def hours(self) -> Hours:
        """All hours of the part, with those it came with."""
        return sum((b.sitting.hours for b in self.builds), self.part.came_with)


def trace(session: Session, part_id: int, as_of: AsOf = PRESENT) -> Trace:
    """Return what was built around a part, and where others of the same lots are.

    Raises NotFound.

    Builds, hours, torques and findings are as of the state asked for; lots as they are today.
    The number of statements does not depend on how many builds it sat in.
    """
    part = part_facts(session, part_id)
    sat = sittings(session, part_id, as_of)
    made_by = [s.record_id for s in sat]
    labels = {layer.part: layer.label for s in sat for layer in s.around}
    findings = findings_on(session, {part_id, *labels}, as_of)
    at_work = people_at(session, made_by)
    approvals = approvals_of(session, made_by)
    torques = build_torques(session, [s.build_id for s in sat], as_of.known_at)
    nobody = AtWork("", (), ())
    builds = tuple(
        TracedBuild(
            sitting=s,
            at_work=at_work.get(s.record_id, nobody),
            approved_by=approvals[s.record_id][0] if s.record_id in approvals else None,
            approved_at=approvals[s.record_id][1] if s.record_id in approvals else None,
            torques=torques.get(s.build_id),
            findings=_at_opening(s, part, findings),
        )
        for s in sat
    )
    lot_ids = {s.lot_ids[layer.part] for s in sat for layer in s.around if layer.part in s.lot_ids}
    if part.lot_id is not None:
        lot_ids.add(part.lot_id)
    return Trace(
        part=part,
        events=event_counts(session, [part_id], as_of)[part_id],
        builds=builds,
        findings=findings.get(part_id, ()),
        lots=_lots(session, lot_ids, part),
    )


def _at_opening(
    sitting: Sitting, part: PartFacts, findings: dict[int, tuple[SeenOnIt, ...]]
) -> tuple[tuple[str, SeenOnIt], ...]:
    """What was seen on the part and on what lay around it when this build was opened."""
    parts = [(part.id, part.label), *((layer.part, layer.label) for layer in sitting.around)]
    return tuple(
        (label, finding)
        for its_id, label in parts
        for finding in findings.get(its_id, ())
        if finding.record_id == sitting.opened_by_record_id
    )


WORKED = (
    select(
        RecordPerson.record_id,
        RecordPerson.involvement,
        case(
            (
                (RecordPerson.involvement == Involvement.WITNESSED)
                & ~exists().where(
                    WitnessConfirmation.record_id == RecordPerson.record_id,
                    WitnessConfirmation.person_id == RecordPerson.person_id,
                ),
                Person.name + f" ({NOT_CONFIRMED})",
            ),
            else_=Person.name,
        ).label("name"),
    )
    .join(Person, Person.id == RecordPerson.person_id)
    .where(RecordPerson.record_id.in_(param_list("record_ids")), known(RecordPerson))
    .order_by(Person.name)
)

PEOPLE = (
    select(RebuildRecord.id, Person.name)
    .join(Person, Person.id == RebuildRecord.written_by_id)
    .where(RebuildRecord.id.in_(param_list("record_ids")))
)


def people_at(session: Session, record_ids: Collection[int]) -> dict[int, AtWork]:
    """Return who wrote, worked on and witnessed each of these events. Two statements."""
    written = dict(session.execute(PEOPLE, {"record_ids": list(record_ids)}).all())
    names: dict[tuple[int, Involvement], list[str]] = defaultdict(list)
    for row in session.execute(WORKED, {"record_ids": list(record_ids)}):
        names[row.record_id, row.involvement].append(row.name)
    return {
        record_id: AtWork(
            name,
            tuple(names.get((record_id, Involvement.WORKED), ())),
            tuple(names.get((record_id, Involvement.WITNESSED), ())),
        )
        for record_id, name in written.items()
    }


LOTS = (
    select(
        PartType.name,
        *columns(
            TracedLot,
            Lot,
            held_because=select(func.min(Hold.reason))
            .where(reaches(Lot.id), Hold.lifted_at.is_(None))
            .correlate(Lot)
            .scalar_subquery(),
            kind=PartType.kind,
        ),
    )
    .join(PartType, PartType.id == Lot.part_type_id)
    .where(Lot.id.in_(param_list("lot_ids")))
    .order_by(case((Lot.id == param("lot_id"), 0), else_=1), PartType.kind, Lot.label)
)


def _lots(session: Session, lot_ids: Collection[int], part: PartFacts) -> tuple[TracedLot, ...]:
    facts: Sequence[Any] = session.execute(
        LOTS, {"lot_ids": list(lot_ids), "lot_id": part.lot_id or 0}
    ).all()
    counts = _counts(session, lot_ids, part)
    members = _members(session, lot_ids, part.id)
    trees = made_of(session, lot_ids)
    return tuple(
        read_as(
            TracedLot,
            row,
            part_type=row.name,
            is_own=row.id == part.lot_id,
            counts=tuple(counts.get(row.id, ())),
            members=tuple(members.get(row.id, ())),
            made_of=trees[row.id],
        )
        for row in facts
    )


def _counts(
    session: Session, lot_ids: Collection[int], part: PartFacts
) -> dict[int, list[CountedAt]]:
    """How many parts of each lot are where, without the traced one."""
    rows: Sequence[Any] = session.execute(_counted(), {"lot_ids": list(lot_ids)}).all()
    counts_of: dict[int, list[CountedAt]] = defaultdict(list)
    part_fields = (part.lot_id, part.stack_serial, part.whereabouts, part.usability)
    for lot_id, serial, whereabouts, usability, count in rows:
        others = count - (part_fields == (lot_id, serial, whereabouts, usability))
        if others:
            counts_of[lot_id].append(CountedAt(serial, whereabouts, usability, others))
    return counts_of


@statement
def _counted() -> Any:
    """Counted on one index before anything is joined: a lot may have very many parts."""
    place_columns = (Part.lot_id, Part.stack_id, Part.whereabouts, Part.usability)
    counted = (
        select(*place_columns, func.count().label("parts"))
        .where(Part.lot_id.in_(param_list("lot_ids")))
        .group_by(*place_columns)
        .subquery()
    )
    return (
        select(
            counted.c.lot_id,
            Stack.serial,
            counted.c.whereabouts,
            counted.c.usability,
            counted.c.parts,
        )
        .outerjoin(Stack, Stack.id == counted.c.stack_id)
        .order_by(
            counted.c.lot_id,
            Stack.serial.is_(None),
            Stack.serial,
            counted.c.whereabouts,
            counted.c.usability,
        )
    )


def _first_of(lot_id: int, part_id: int) -> tuple[Any, Any]:
    """The first parts of a lot by stack, and those in none: each found on an index."""
    of_lot = select(Part.id).where(Part.lot_id == lot_id, Part.id != part_id)
    fitted = of_lot.where(Part.stack_id.is_not(None)).order_by(Part.stack_id).limit(MOST_OF_A_LOT)
    elsewhere = of_lot.where(Part.stack_id.is_(None)).limit(MOST_OF_A_LOT)
    return select(fitted.subquery().c.id), select(elsewhere.subquery().c.id)


def _members(
    session: Session, lot_ids: Collection[int], part_id: int
) -> dict[int, list[LotMember]]:
    """The first parts of each lot, those fitted before all others, by stack."""
    if not lot_ids:
        return {}
    first = union_all(*(member for lot_id in lot_ids for member in _first_of(lot_id, part_id)))
    rows: Sequence[Any] = session.execute(
        select(
            Part.lot_id,
            Part.id,
            Part.serial,
            Lot.label.label("lot"),
            Part.item_number,
            Part.whereabouts,
            Part.usability,
            Part.place,
            Part.stack_id,
            Stack.serial.label("stack_serial"),
            Build.number,
            Layer.position,
            Layer.cell,
        )
        .join(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .outerjoin(Layer, and_(Layer.part_id == Part.id, Layer.present))
        .outerjoin(Build, Build.id == Layer.build_id)
        .where(Part.id.in_(first))
        .order_by(
            Part.lot_id,
            Stack.serial.is_(None),
            Stack.serial,
            Layer.position.is_(None),
            Layer.position,
            Part.whereabouts,
            Part.item_number,
            Part.serial_key,
        )
    ).all()
    members_of: dict[int, list[LotMember]] = defaultdict(list)
    for row in rows:
        if len(members_of[row.lot_id]) == MOST_OF_A_LOT:
            continue
        members_of[row.lot_id].append(
            read_as(
                LotMember,
                row,
                part_id=row.id,
                label=part_label(row.serial, row.lot, row.item_number),
                name_in_lot=row.serial or f"item {row.item_number}",
                build_number=row.number,
            )
        )
    return members_of


# One MEA as a comparison begins with it: whose design it is, and whether it is failing.


@dataclass(frozen=True, slots=True)
class TracedMea:
    """A part that is traced.

    ``design_id``: of the stack it sat in last, None: in none yet. ``says``, ``failed_at``,
    ``confirmed_by`` and ``reason`` where somebody's word stands; ``rule_says`` None: not judged.
    ``gathered``: whether what a comparison needs is kept of all builds it sat in.
    """

    id: int
    label: str
    kind: Kind
    revision: str
    design_id: int | None
    says: MeaWord | None
    failed_at: datetime | None
    confirmed_by: str | None
    reason: str
    rule_says: RuleAnswer | None
    gathered: bool

    @property
    def is_failing(self) -> bool:
        """Say whether somebody says so, or the rule where nobody says anything."""
        if self.says is not None:
            return self.says is MeaWord.FAILED
        return self.rule_says is RuleAnswer.MET


FAILED = (
    select(Stack.design_id, BuildMakeup.build_id)
    .select_from(Layer)
    .join(BuildPeriod, and_(BuildPeriod.build_id == Layer.build_id, known(BuildPeriod)))
    .join(Stack, Stack.id == BuildPeriod.stack_id)
    .outerjoin(BuildMakeup, BuildMakeup.build_id == Layer.build_id)
    .where(Layer.part_id == param("part_id"), known(Layer))
    .order_by(BuildPeriod.closed_at, Layer.build_id)
)


MEA = (
    select(
        Part.serial,
        Part.item_number,
        Lot.label.label("lot"),
        *columns(
            TracedMea,
            PartType,
            FailingMark,
            id=Part.id,
            confirmed_by=Person.name,
            rule_says=RuleVerdict.answer,
        ),
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(
        FailingMark, and_(FailingMark.part_id == Part.id, FailingMark.withdrawn_at.is_(None))
    )
    .outerjoin(Person, Person.id == FailingMark.confirmed_by_id)
    .outerjoin(RuleVerdict, RuleVerdict.part_id == Part.id)
    .where(Part.id == param("part_id"))
)


def traced_mea(session: Session, part_id: int) -> TracedMea:
    """Return what a comparison begins with. Two statements. Raises NotFound."""
    row: Any = session.execute(MEA, {"part_id": part_id}).first()
    if row is None:
        raise NotFound("part", part_id)
    builds: Any = session.execute(FAILED, {"part_id": part_id}).all()
    return read_as(
        TracedMea,
        row,
        label=part_label(row.serial, row.lot, row.item_number),
        design_id=builds[-1].design_id if builds else None,
        reason=row.reason or "",
        gathered=all(build.build_id is not None for build in builds),
    )
