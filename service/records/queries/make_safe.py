"""What a record asks for before its acts: the make-safe lists it began with."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import ChecklistLine
from service.platform.arithmetic.dates import in_utc
from service.platform.queries.answers import columns, read_all
from service.platform.queries.statements import param, statement
from service.records.queries.records import RecordHead
from service.records.tables import MakeSafeLine, RebuildRecord, RecordMakeSafeList, Step, StepKind
from service.stacks.tables import Stack
from service.store.arithmetic.make_safe import (
    LineAsked,
    SafeAct,
    gone_stale,
    lines_missing,
    read_again,
    stands,
)
from service.store.queries.make_safe_lists import ListVersion, lists_in_force, versions
from service.store.tables import ProposedChange

OF_DESIGN = "checklist of the design"
NO_LIST = "no make-safe list for the opening was in force when the record began."


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
    pinned = session.execute(_pinned(), {"record_id": record_id})
    kept = {
        version.act: ListKept(version.act, version.lines, version)
        for version in read_all(ListVersion, pinned)
    }
    if SafeAct.OPENING not in kept:
        rows = session.execute(_CHECKLIST, {"record_id": record_id})
        lines = tuple(LineAsked(**row._mapping) for row in rows)
        kept[SafeAct.OPENING] = ListKept(SafeAct.OPENING, lines)
    return kept


@statement
def _pinned() -> Any:
    return (
        versions()
        .join(RecordMakeSafeList, RecordMakeSafeList.proposal_id == ProposedChange.id)
        .where(RecordMakeSafeList.record_id == param("record_id"))
    )


_CHECKLIST: Any = (
    select(*columns(LineAsked, ChecklistLine))
    .join(Stack, Stack.design_id == ChecklistLine.design_id)
    .join(RebuildRecord, RebuildRecord.stack_id == Stack.id)
    .where(RebuildRecord.id == param("record_id"))
    .order_by(ChecklistLine.number)
)


def kept_act(act: SafeAct) -> SafeAct | None:
    """Return an act as an entry keeps it: the opening is not named."""
    return None if act is SafeAct.OPENING else act


@dataclass(frozen=True, slots=True)
class SafeEntry:
    """A recorded line of make-safe; an exception has no ``line_number``."""

    step_id: int
    kind: StepKind
    done_at: datetime
    line_number: int | None


def safe_entries(session: Session, record_id: int, act: SafeAct) -> tuple[SafeEntry, ...]:
    """Return what stands recorded for an act, in its order. One statement."""
    kept = kept_act(act)
    rows: Any = session.execute(
        select(*columns(SafeEntry, Step, MakeSafeLine, step_id=Step.id))
        .outerjoin(MakeSafeLine, MakeSafeLine.step_id == Step.id)
        .where(
            Step.record_id == record_id,
            Step.undone_at.is_(None),
            Step.kind.in_((StepKind.MAKE_SAFE, StepKind.EXCEPTION)),
            Step.act.is_(None) if kept is None else Step.act == kept,
        )
        .order_by(Step.sequence)
    )
    return read_all(SafeEntry, rows)


@dataclass(frozen=True, slots=True)
class NotSafe:
    """Why an act had not what its list asks for: recorded later, missing, or too old."""

    reason: str
    is_later: bool = False
    is_missing: bool = False


def why_not_safe(
    act: SafeAct, lines: Sequence[LineAsked], entries: Sequence[SafeEntry], at: datetime
) -> NotSafe | None:
    """Say what of the list of an act was not recorded, or no longer good, at a time; None: all was.

    An exception recorded before it stands in place of the list for a day.
    """
    by_then = [entry for entry in entries if entry.done_at <= at]
    if any(entry.kind is StepKind.EXCEPTION and stands(entry.done_at, at) for entry in by_then):
        return None
    recorded = {entry.line_number or 0: entry.done_at for entry in by_then}
    later = {entry.line_number for entry in entries} - {entry.line_number for entry in by_then}
    for entry in entries:
        if entry.line_number in later:
            subject = f"line {entry.line_number}" if entry.line_number else "the exception"
            reason = f"{subject} of make-safe was recorded as done later, {in_utc(entry.done_at)}."
            return NotSafe(reason, is_later=True)
    if act is SafeAct.OPENING and not lines:
        return NotSafe(NO_LIST, is_missing=True)
    if missing := lines_missing(lines, recorded):
        words = "; ".join(f"{line.number} {line.wording}" for line in missing)
        reason = f"the make-safe list for the {act} is not recorded complete. Missing: {words}"
        return NotSafe(reason, is_missing=True)
    if stale := gone_stale(lines, recorded, at):
        return NotSafe(f"readings for the {act} are too old. {read_again(stale)}")
    return None


DONE_FOR: Mapping[SafeAct, tuple[StepKind, ...]] = {
    SafeAct.OPENING: (StepKind.OPENED, StepKind.LIFTED_OFF),
    SafeAct.RE_TORQUE: (StepKind.TORQUE, StepKind.NUT_PRESSED),
    SafeAct.LEAK_TEST: (StepKind.LEAK_TEST,),
}
"""The entries of an act that ask for its list."""


def left_unsafe(session: Session, step_id: int, at: datetime) -> tuple[str, ...]:
    """Say which acts had not what their list asks for, was an entry of it done at another time.

    Those that had it with the time recorded. Six statements at most.
    """
    step = session.get_one(Step, step_id)
    act = step.act or SafeAct.OPENING
    kept = asked_of(session, step.record_id).get(act)
    entries = safe_entries(session, step.record_id, act)
    moved = [replace(each, done_at=at) if each.step_id == step_id else each for each in entries]
    rows = session.execute(
        select(Step.kind, Step.done_at)
        .where(
            Step.record_id == step.record_id,
            Step.undone_at.is_(None),
            Step.kind.in_(DONE_FOR[act]),
        )
        .order_by(Step.done_at, Step.id)
    )
    sentences: dict[str, None] = {}
    for kind, done_at in rows:
        why = why_not_safe(act, kept.lines if kept else (), moved, done_at)
        if why and why_not_safe(act, kept.lines if kept else (), entries, done_at) is None:
            sentences[f"{kind}, {in_utc(done_at)}: {why.reason}"] = None
    return tuple(sentences)


def newer_lists(
    session: Session, head: RecordHead, kept: Mapping[SafeAct, ListKept]
) -> tuple[ListVersion, ...]:
    """Return the lists in force now that an open record did not begin with. Two statements."""
    if not head.is_being_written:
        return ()
    stack = session.get_one(Stack, head.stack_id)
    in_force = lists_in_force(session, stack.place, stack.design_id)
    began_with = {each.version.proposal_id for each in kept.values() if each.version}
    return tuple(each for each in in_force.values() if each.proposal_id not in began_with)
