"""What was picked for a record by its plan and not put on: what became of it is to be said."""

from dataclasses import dataclass
from enum import StrEnum

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.planning.queries.plans import plan_of_record
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part, PartType


class Fate(StrEnum):
    """What becomes of a part that was picked and not put on."""

    RETURNED = "returned"
    BROKEN = "broken"
    NOT_LOCATED = "not located"


WHERE = {
    Fate.RETURNED: Whereabouts.IN_STORE,
    Fate.BROKEN: Whereabouts.SCRAPPED,
    Fate.NOT_LOCATED: Whereabouts.MISSING,
}


@dataclass(frozen=True, slots=True)
class LeftOver:
    """A part picked by the plan of a record, in store still by what is known."""

    part_id: int
    kind: Kind
    label: str
    plan_id: int

    @property
    def sentence(self) -> str:
        """What is to be said of it."""
        return f"Plan {self.plan_id} picked {self.kind} {self.label}, which is not put on."


def left_over(session: Session, record_id: int) -> tuple[LeftOver, ...]:
    """Return what was picked for a record and lies in store still. Two statements at most."""
    plan = plan_of_record(session, record_id)
    if plan is None:
        return ()
    picks = plan.document.picks
    ids = [pick.part for pick in picks if pick.part is not None and not pick.taken_from]
    rows = session.execute(
        select(Part.id, PartType.kind, Part.serial, Lot.label, Part.item_number)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id.in_(ids), Part.whereabouts == Whereabouts.IN_STORE)
        .order_by(PartType.kind, Part.serial_key, Part.id)
    )
    return tuple(
        LeftOver(part_id, kind, part_label(serial, lot, item), plan.id)
        for part_id, kind, serial, lot, item in rows
    )
