"""What a lot is made of: lots put into it, and taken back where that was wrong."""

from datetime import datetime

from sqlalchemy import select

from service.platform import changes as given
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.lot_roles import LotRole
from service.store.queries.lot_trees import made_of
from service.store.tables import Lot, LotInput


def add_input(
    work: Work, lot_id: int, *, input_lot_id: int, role: LotRole, since: datetime | None = None
) -> int:
    """Say that a lot is made of another one, as what, and from when on. Gives the input's id.

    Raises Refused for a circle, for the same lot twice in one role, and for a day ahead.
    """
    need(work.by, Act.PART_WRITE)
    row = put_input(work, lot_id, input_lot_id, role, given.not_ahead("since", since, work.now))
    lot, of = work.row(Lot, lot_id, "lot"), work.row(Lot, input_lot_id, "lot")
    changes: list[Change] = [(f"made of: {role}", None, of.label), ("counts from", None, since)]
    work.note(Event.LOT_CHANGED, ("lot", lot_id, lot.label), changes)
    return row.id


def put_input(
    work: Work, lot_id: int, input_lot_id: int, role: LotRole, since: datetime | None
) -> LotInput:
    """Write what a lot is made of, without the trail: a part of other changes."""
    for key in sorted({lot_id, input_lot_id}):
        work.locked(Lot, key, "lot")
    of = work.row(Lot, input_lot_id, "lot")
    trees = made_of(work.session, [input_lot_id])[input_lot_id]
    below = {level.lot_id for tree in trees for level in tree.all_levels}
    if lot_id in {input_lot_id, *below}:
        raise Refused("input", of.label, "it is made of this lot itself.", "Another lot.")
    same = select(LotInput.id).where(
        LotInput.lot_id == lot_id, LotInput.input_lot_id == input_lot_id, LotInput.role == role
    )
    if work.session.scalar(same) is not None:
        raise Refused("input", of.label, f"it is its {role} already.", "Another lot or role.")
    row = LotInput(lot_id=lot_id, input_lot_id=input_lot_id, role=role, since=since)
    work.session.add(row)
    work.session.flush()
    return row


def remove_input(work: Work, lot_id: int, input_id: int, *, reason: str) -> None:
    """Take back that a lot is made of another one, with the reason."""
    need(work.by, Act.PART_WRITE)
    why = given.reason(reason)
    lot, row = work.row(Lot, lot_id, "lot"), work.locked(LotInput, input_id, "input lot")
    if row.lot_id != lot_id:
        raise Refused("input", input_id, f"it is none of lot {lot.label}.", "One of its own.")
    of = work.row(Lot, row.input_lot_id, "lot")
    changes: list[Change] = [(f"made of: {row.role}", of.label, None)]
    work.session.delete(row)
    work.session.flush()
    work.note(Event.LOT_CHANGED, ("lot", lot_id, lot.label), changes, reason=why)
