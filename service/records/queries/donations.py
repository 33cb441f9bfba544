"""Parts that go from one stack to another: from which record into which, and what lies ready."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import Session, aliased

from service.platform.arithmetic.vocabulary import Facing, Whereabouts
from service.records.queries.working_piles import (
    PART_COLUMNS,
    TO_BE_RENEWED,
    LiftedOff,
    as_layer,
)
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.stack_holds import PUT_IN, TAKEN_OUT
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class PartsMoved:
    """What a record takes from a record of another stack, or gives to it; none yet: only named."""

    record_id: int
    stack: str
    given: bool
    parts: tuple[str, ...]


def parts_moved(session: Session, record_id: int) -> tuple[PartsMoved, ...]:
    """Return which records of other stacks this one takes parts from, and which take from it.

    Two statements.
    """
    out, into, between = aliased(Step), aliased(Step), aliased(Step)
    out_of, taken_by = aliased(RebuildRecord), aliased(RebuildRecord)
    giver, taker = aliased(Stack), aliased(Stack)
    moved = exists().where(
        between.part_id == into.part_id,
        between.id > out.id,
        between.id < into.id,
        between.undone_at.is_(None),
        between.kind.in_((*TAKEN_OUT, *PUT_IN)),
    )
    rows: Any = session.execute(
        select(
            out.record_id.label("giver_id"),
            giver.serial.label("giver"),
            into.record_id.label("taker_id"),
            taker.serial.label("taker"),
            Part.serial,
            Part.item_number,
            Lot.label.label("lot"),
        )
        .select_from(into)
        .join(out, out.part_id == into.part_id)
        .join(out_of, out_of.id == out.record_id)
        .join(taken_by, taken_by.id == into.record_id)
        .join(giver, giver.id == out_of.stack_id)
        .join(taker, taker.id == taken_by.stack_id)
        .join(Part, Part.id == into.part_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            or_(into.record_id == record_id, out.record_id == record_id),
            into.kind.in_(PUT_IN),
            out.kind.in_(TAKEN_OUT),
            into.undone_at.is_(None),
            out.undone_at.is_(None),
            out.id < into.id,
            giver.id != taker.id,
            ~moved,
        )
        .order_by(into.id)
    ).all()
    labels: dict[tuple[int, str, bool], list[str]] = defaultdict(list)
    for row in _named(session, record_id):
        labels[row.id, row.serial, row.given] = []
    for row in rows:
        given = row.giver_id == record_id
        other = (row.taker_id, row.taker) if given else (row.giver_id, row.giver)
        labels[*other, given].append(part_label(row.serial, row.lot, row.item_number))
    return tuple(
        PartsMoved(other_id, stack, given, tuple(parts))
        for (other_id, stack, given), parts in labels.items()
    )


def _named(session: Session, record_id: int) -> list[Any]:
    """Records named as donors in this one, and those that name it as theirs."""
    other = aliased(RebuildRecord)
    return list(
        session.execute(
            select(other.id, Stack.serial, (Step.donor_id == record_id).label("given"))
            .join(
                other,
                or_(
                    (Step.record_id == record_id) & (other.id == Step.donor_id),
                    (Step.donor_id == record_id) & (other.id == Step.record_id),
                ),
            )
            .join(Stack, Stack.id == other.stack_id)
            .where(
                or_(Step.record_id == record_id, Step.donor_id == record_id),
                Step.kind == StepKind.DONOR,
                Step.undone_at.is_(None),
            )
            .order_by(Step.id)
        )
    )


@dataclass(frozen=True, slots=True)
class Donated:
    """Layers lifted off in the records a record names, not used since, and their drawings."""

    lifted: tuple[LiftedOff, ...] = ()
    drawings: Mapping[int, tuple[str, str]] | None = None


def donated_layers(session: Session, record_id: int) -> Donated:
    """Return what lies lifted off in the donors' records this record names. One statement."""
    named, donor = aliased(Step), aliased(RebuildRecord)
    rows: Any = session.execute(
        select(
            Step.id.label("step_id"),
            Step.end,
            Step.facing,
            Step.done_at,
            Part.place,
            Stack.serial.label("stack"),
            donor.id.label("donor_id"),
            *PART_COLUMNS,
        )
        .join(donor, donor.id == Step.record_id)
        .join(Stack, Stack.id == donor.stack_id)
        .join(named, named.donor_id == donor.id)
        .join(Part, Part.id == Step.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            named.record_id == record_id,
            named.undone_at.is_(None),
            Step.kind == StepKind.LIFTED_OFF,
            Step.undone_at.is_(None),
            Part.whereabouts == Whereabouts.LIFTED_OFF,
        )
        .order_by(Step.id)
    ).all()
    lifted = {
        row.part: LiftedOff(
            as_layer(row, 0, row.facing or Facing.EITHER),
            row.end,
            row.step_id,
            row.done_at,
            row.place == TO_BE_RENEWED,
            f"{row.stack}, record {row.donor_id}",
        )
        for row in rows
    }
    drawings = {row.part: (row.drawing_number, row.revision) for row in rows}
    return Donated(tuple(lifted.values()), drawings)


def donors_to_choose(session: Session, stack_id: int) -> tuple[tuple[int, str], ...]:
    """Return the records being written of other stacks, to choose a donor's from. One statement."""
    rows = session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, Stack.serial)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
            RebuildRecord.stack_id != stack_id,
            RebuildRecord.base_build_id.is_not(None),
        )
        .order_by(Stack.serial_key)
    )
    return tuple((row.id, f"{row.serial}, record {row.id} ({row.kind})") for row in rows)
