"""What happened to parts: load cycles, separations, findings."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, union
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.queries.answers import columns, read_as
from service.platform.queries.as_of import known
from service.platform.queries.prepared import param_list, statement
from service.records.tables import Finding, RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables.stacks import Fixing, Layer, Stack


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


@dataclass(frozen=True, slots=True)
class Events:
    """Load cycles: closings with the part clamped in; separations: openings that parted a face."""

    load_cycles: int = 0
    separations: int = 0


def event_counts(session: Session, part_ids: Collection[int]) -> dict[int, Events]:
    """How many load cycles and separations has each of these parts been through? Two statements.

    A load cycle is a build known now that held the part: the clamp was closed on it. A separation
    is an event in which a layer was lifted off it, or it was lifted off, and which counts: handed
    in or still being written, not void.
    """
    told_of = {"part_ids": list(part_ids)}
    cycles: dict[int, int] = dict(session.execute(_cycles(), told_of).all())
    separations: dict[int, int] = dict(session.execute(_separations(), told_of).all())
    return {
        part_id: Events(cycles.get(part_id, 0), separations.get(part_id, 0)) for part_id in part_ids
    }


@statement
def _cycles() -> Any:
    """Builds known now that held each part."""
    sat = union(
        select(Layer.part_id, Layer.build_id).where(
            Layer.part_id.in_(param_list("part_ids")), known(Layer)
        ),
        select(Fixing.part_id, Fixing.build_id).where(
            Fixing.part_id.in_(param_list("part_ids")), known(Fixing)
        ),
    ).subquery()
    return select(sat.c.part_id, func.count(sat.c.build_id)).group_by(sat.c.part_id)


@statement
def _separations() -> Any:
    """Records that count in which each part was lifted off, or left outermost."""
    lifted = (Step.kind == StepKind.LIFTED_OFF, Step.undone_at.is_(None))
    parted = union(
        select(Step.part_id.label("part_id"), Step.record_id).where(
            Step.part_id.in_(param_list("part_ids")), *lifted
        ),
        select(Step.exposed_part_id, Step.record_id).where(
            Step.exposed_part_id.in_(param_list("part_ids")), *lifted
        ),
    ).subquery()
    return (
        select(parted.c.part_id, func.count(parted.c.record_id))
        .join(RebuildRecord, RebuildRecord.id == parted.c.record_id)
        .where(RebuildRecord.state != RecordState.VOID)
        .group_by(parted.c.part_id)
    )


FINDINGS = (
    select(
        Finding.part_id,
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
    .join(Person, Person.id == Step.by_id)
    .join(RebuildRecord, RebuildRecord.id == Finding.record_id)
    .join(Stack, Stack.id == RebuildRecord.stack_id)
    .where(Finding.part_id.in_(param_list("part_ids")), Step.undone_at.is_(None))
    .order_by(Step.done_at, Finding.id)
)


def findings_on(session: Session, part_ids: Collection[int]) -> dict[int, tuple[SeenOnIt, ...]]:
    """What was seen on each of these parts, oldest first?"""
    found: dict[int, list[SeenOnIt]] = {}
    for row in session.execute(FINDINGS, {"part_ids": list(part_ids)}):
        found.setdefault(row.part_id, []).append(read_as(SeenOnIt, row))
    return {part_id: tuple(seen) for part_id, seen in found.items()}
