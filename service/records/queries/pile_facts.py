"""What is known of the parts of a pile as a record has it: facts for `trade.fitness`.

Of a record that is handed in they are told as they stood then: later holds, openings and hours
do not count. Whether a part may be used is kept as of today only, so an old record leaves it out.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from sqlalchemy import and_, exists, func, or_, select, union
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Usability
from service.platform.queries.answers import columns, read_as
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, Layer
from service.store.tables import Concession, Hold, Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class KnownPart:
    """One part of the pile; hours in h, openings counted with this event's.

    ``hold_reason`` empty: not on hold. ``was_fitted_before``: it was put on in this event and had
    been in a build. ``is_new``: it was put on in this event and had not.
    """

    part: int
    drawing_number: str
    revision: str
    renew_at_opening: bool
    openings_most: int | None
    hours_most: float | None
    usability: Usability
    hold_reason: str
    usable_until: date | None
    openings: int
    hours: float
    was_fitted_before: bool
    is_new: bool
    has_concession: bool


Held = tuple[str, int | None]
"""A part or a lot, by its id."""


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
    until: datetime | None,
) -> dict[int, KnownPart]:
    """Return what is known of these parts as this record has them. Eleven statements in all.

    ``until`` is when the record was handed in; None: it is being written, all of today counts.
    """
    ids = list(part_ids)
    rows = session.execute(
        select(Part.id, Part.usability, Part.lot_id, Lot.expires_at, *columns(KnownPart, PartType))
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(ids))
    ).all()
    lots = {row.lot_id for row in rows if row.lot_id is not None}
    held = _held(session, ids, lots, until)
    allowed = _allowed(session, record_id)
    put_on = _put_on(session, record_id)
    openings = _openings(session, record_id, [row.id for row in rows if row.openings_most])
    hours = _hours(session, record_id, [row.id for row in rows if row.hours_most])
    return {
        row.id: read_as(
            KnownPart,
            row,
            part=row.id,
            usability=row.usability if until is None else Usability.ACCEPTED,
            hold_reason=next((held[key][0] for key in _keys(row) if key in held), ""),
            usable_until=row.expires_at.date() if row.expires_at else None,
            openings=openings.get(row.id, 0),
            hours=hours.get(row.id, 0.0),
            was_fitted_before=put_on.get(row.id, False),
            is_new=not put_on.get(row.id, True),
            has_concession=_is_allowed(row, allowed, held),
        )
        for row in rows
    }


def departures_in(session: Session, record_id: int) -> dict[str, Departure]:
    """Return the findings accepted in a record, by how they read. One statement."""
    rows: Sequence[Any] = session.execute(
        select(*columns(Departure, Step, step_id=Step.id, reason=Step.note, by=Person.name))
        .join(Person, Person.id == Step.by_id)
        .where(
            Step.record_id == record_id,
            Step.kind == StepKind.DEPARTURE,
            Step.undone_at.is_(None),
        )
        .order_by(Step.sequence)
    ).all()
    return {row.departs_from: read_as(Departure, row) for row in rows}


def _held(
    session: Session, ids: Collection[int], lots: Collection[int], until: datetime | None
) -> dict[Held, tuple[str, datetime]]:
    """Return why each is on hold, or was then, and when its last hold was placed."""
    standing: Any = Hold.lifted_at.is_(None)
    if until is not None:
        standing = and_(
            Hold.placed_at <= until, or_(Hold.lifted_at.is_(None), Hold.lifted_at > until)
        )
    rows = session.execute(
        select(Hold.part_id, Hold.lot_id, Hold.reason, Hold.placed_at)
        .where(standing, or_(Hold.part_id.in_(ids), Hold.lot_id.in_(lots)))
        .order_by(Hold.placed_at)
    )
    found: dict[Held, tuple[str, datetime]] = {}
    for row in rows:
        key = _key(row)
        first = found[key][0] if key in found else row.reason
        found[key] = (first, row.placed_at)
    return found


def _allowed(session: Session, record_id: int) -> dict[Held, datetime]:
    """Return what concessions used in this record allow, and when the last was given."""
    rows = session.execute(
        select(Concession.part_id, Concession.lot_id, Concession.given_at)
        .where(Concession.used_in_record_id == record_id, Concession.instrument_id.is_(None))
        .order_by(Concession.given_at)
    )
    return {_key(row): row.given_at for row in rows}


def _is_allowed(
    row: Any, allowed: Mapping[Held, datetime], held: Mapping[Held, tuple[str, datetime]]
) -> bool:
    """Be true where a concession allows a part; one given before a hold knew nothing of it."""
    given = max((allowed[key] for key in _keys(row) if key in allowed), default=None)
    return given is not None and all(held[key][1] <= given for key in _keys(row) if key in held)


def _key(row: Any) -> Held:
    return ("lot", row.lot_id) if row.part_id is None else ("part", row.part_id)


def _keys(row: Any) -> tuple[Held, Held]:
    return ("part", row.id), ("lot", row.lot_id)


def _put_on(session: Session, record_id: int) -> Mapping[int, bool]:
    """Parts put on in this record, and whether each was in a build of an earlier one."""
    before = (
        exists()
        .where(Layer.part_id == Step.part_id, Layer.build_id == Build.id)
        .where(Build.record_id < record_id)
        .label("before")
    )
    rows = session.execute(
        select(Step.part_id, before).where(
            Step.record_id == record_id,
            Step.kind == StepKind.PUT_ON,
            Step.undone_at.is_(None),
        )
    )
    return {row.part_id: bool(row.before) for row in rows}


def _openings(session: Session, record_id: int, ids: Collection[int]) -> dict[int, int]:
    """In how many events up to this one was a face of each part parted?"""
    lifted = (Step.kind == StepKind.LIFTED_OFF, Step.undone_at.is_(None))
    parted = union(
        select(Step.part_id.label("part_id"), Step.record_id).where(Step.part_id.in_(ids), *lifted),
        select(Step.exposed_part_id, Step.record_id).where(Step.exposed_part_id.in_(ids), *lifted),
    ).subquery()
    rows: Sequence[Any] = session.execute(
        select(parted.c.part_id, func.count(parted.c.record_id))
        .join(RebuildRecord, RebuildRecord.id == parted.c.record_id)
        .where(RebuildRecord.state != RecordState.VOID, RebuildRecord.id <= record_id)
        .group_by(parted.c.part_id)
    ).all()
    return dict(rows)


def _hours(session: Session, record_id: int, ids: Collection[int]) -> dict[int, float]:
    """Hours each part had when this event began."""
    found = part_hours(session, ids)
    builds = _earlier(session, record_id, {at for one in found.values() for at in one.in_builds})
    return {
        part: one.before + sum(ran.hours for at, ran in one.in_builds.items() if at in builds)
        for part, one in found.items()
    }


def _earlier(session: Session, record_id: int, builds: Iterable[int]) -> set[int]:
    rows = session.scalars(
        select(Build.id).where(Build.id.in_(list(builds)), Build.record_id < record_id)
    )
    return set(rows)
