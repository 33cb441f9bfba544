"""What a record asks for before its acts: the make-safe lists it began with."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import ChecklistLine
from service.platform.queries.answers import columns, read_all
from service.records.tables import RebuildRecord, RecordMakeSafeList
from service.stacks.tables import Stack
from service.store.arithmetic.make_safe import LineAsked, SafeAct
from service.store.queries.make_safe_lists import ListVersion, lists_in_force, versions
from service.store.tables import ProposedChange

OF_DESIGN = "checklist of the design"


@dataclass(frozen=True, slots=True)
class ListKept:
    """A list as a record began with it; without a ``version`` it is the design's checklist."""

    act: SafeAct
    lines: tuple[LineAsked, ...]
    version: ListVersion | None = None

    @property
    def name(self) -> str:
        """What people call it."""
        return self.version.name if self.version else OF_DESIGN


def asked_of(session: Session, record_id: int) -> Mapping[SafeAct, ListKept]:
    """Return the lists a record began with, by act. Two statements at most.

    Where the site had none for the opening, the checklist of the stack's design stands for it.
    """
    pinned = session.execute(
        versions()
        .join(RecordMakeSafeList, RecordMakeSafeList.proposal_id == ProposedChange.id)
        .where(RecordMakeSafeList.record_id == record_id)
    )
    kept = {
        version.act: ListKept(version.act, version.lines, version)
        for version in read_all(ListVersion, pinned)
    }
    if SafeAct.OPENING not in kept:
        rows = session.execute(
            select(*columns(LineAsked, ChecklistLine))
            .join(Stack, Stack.design_id == ChecklistLine.design_id)
            .join(RebuildRecord, RebuildRecord.stack_id == Stack.id)
            .where(RebuildRecord.id == record_id)
            .order_by(ChecklistLine.number)
        )
        lines = tuple(LineAsked(**row._mapping) for row in rows)
        kept[SafeAct.OPENING] = ListKept(SafeAct.OPENING, lines)
    return kept


def newer_lists(
    session: Session, stack_id: int, kept: Mapping[SafeAct, ListKept]
) -> tuple[ListVersion, ...]:
    """Return the lists in force now that a record did not begin with. Two statements."""
    stack = session.get_one(Stack, stack_id)
    in_force = lists_in_force(session, stack.place, stack.design_id)
    began_with = {each.version.proposal_id for each in kept.values() if each.version}
    return tuple(each for each in in_force.values() if each.proposal_id not in began_with)
