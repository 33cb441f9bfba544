"""Which parts a hold on a stack is on: those in it, and those lifted off there under the hold."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import ColumnElement, exists, or_, select, true, union_all
from sqlalchemy.orm import Session, aliased

from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.store.tables import Hold, Part

TAKEN_OUT = (StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)
PUT_IN = (StepKind.PUT_ON, StepKind.FIXING_FITTED)


def parts_of_held_stacks(
    session: Session, hold_ids: Collection[int], part_ids: Collection[int] | None
) -> list[tuple[int, int]]:
    """Return hold and part for each of the parts that one of these holds is on. One statement.

    A part lifted off before the stack was put on hold is not concerned, unless the stack still lay
    open; nor is one that was fitted again before. ``part_ids`` None: all there are.
    """
    again = aliased(Step)
    fitted_again = exists().where(
        again.part_id == Step.part_id,
        again.kind.in_(PUT_IN),
        again.undone_at.is_(None),
        again.id > Step.id,
        again.written_at < Hold.placed_at,
    )
    fitted = (
        select(Hold.id, Part.id.label("part_id"))
        .join(Part, Part.stack_id == Hold.stack_id)
        .where(Hold.id.in_(hold_ids), _among(Part.id, part_ids))
    )
    taken_out = (
        select(Hold.id, Step.part_id)
        .join(RebuildRecord, RebuildRecord.stack_id == Hold.stack_id)
        .join(Step, Step.record_id == RebuildRecord.id)
        .where(
            Hold.id.in_(hold_ids),
            _among(Step.part_id, part_ids),
            Step.kind.in_(TAKEN_OUT),
            Step.undone_at.is_(None),
            RebuildRecord.state != RecordState.VOID,
            or_(
                RebuildRecord.closed_at.is_(None),
                RebuildRecord.closed_at > Hold.placed_at,
                Step.written_at >= Hold.placed_at,
            ),
            ~fitted_again,
        )
    )
    pairs = union_all(fitted, taken_out).subquery()
    rows = session.execute(select(pairs.c.id, pairs.c.part_id).distinct().order_by(pairs.c.id))
    return [(row.id, row.part_id) for row in rows]


def _among(column: Any, part_ids: Collection[int] | None) -> ColumnElement[bool]:
    return true() if part_ids is None else column.in_(part_ids)
