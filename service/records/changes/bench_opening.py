"""At the bench: the opening and the closing of a stack."""

from datetime import datetime

from sqlalchemy import select

from service.platform import changes
from service.platform.arithmetic.dates import in_utc
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.deviations import Answered, Deviation, Stands, ask_whether_it_stands
from service.records.changes.make_safe import refuse_unless_made_safe
from service.records.changes.rebuild_records import BEGINS_A_STACK
from service.records.queries.inserted import opened_since
from service.records.queries.working_piles import working_pile
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.changes.hours import IT_STANDS, READ_AGAIN, enter_reading, hours_deviation
from service.stacks.tables import BuildPeriod, Moment
from service.store.arithmetic.make_safe import SafeAct

FIELD = "outside_because"
AFTER_OPENING = (
    StepKind.OPENED,
    StepKind.LIFTED_OFF,
    StepKind.PUT_ON,
    StepKind.FIXING_REMOVED,
    StepKind.FIXING_FITTED,
)
"""What is done while a stack is open: a closing comes after all of it."""


def open_stack(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    opened_at: datetime | None = None,
    hours: float | None = None,
    hours_unknown_because: str = "",
    stands: Stands | None = None,
    outside_because: str = "",
) -> int:
    """Record that the clamp was released; give the entry's id. ``hours`` in h, as the meter showed.

    Raises Refused unless the make-safe list is recorded complete and good at that time or an
    exception stands, for a time before the list or the present build's closing, and where neither
    the hours nor the reason for not knowing them are given.
    """
    record = journal.lock_record(work, record_id, version)
    _refuse_opened(record, "It cannot be opened twice in one record.")
    if record.base_build_id is None:
        raise Refused(
            "opened_at", "", "there is no build to open: layers can be put on straight away."
        )
    at = journal.done_at_of(work, record, opened_at, field="opened_at")
    _refuse_before_closing(work, record, at)
    _refuse_found_closed_later(work, record, at)
    refuse_unless_made_safe(work, record, SafeAct.OPENING, at, field="opened_at")
    why = changes.optional_words("hours_unknown_because", hours_unknown_because, most=4000)
    if hours is None and not why:
        raise Refused(
            "hours", "", "nothing is given.", "The meter's reading, or why it is not known."
        )
    if hours is not None and why:
        raise Refused(
            "hours_unknown_because", why, "the hours are given as well.", "One of the two."
        )
    deviation = _of_hours(work, record, hours, at, Answered(stands, outside_because, FIELD))
    step = journal.add_step(work, record, StepKind.OPENED, at, note=why, **_kept(deviation))
    record.opened_at = at
    if hours is not None:
        _enter_hours(work, record, step, hours, moment=Moment.OPENING)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "stack opened",
            (
                ("opened at", None, at),
                ("hours at opening", None, "not known" if hours is None else f"{hours:g} h"),
                *(deviation.as_changes if deviation else ()),
            ),
            why,
        ),
    )
    return step.id


def close_stack(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    closed_at: datetime | None = None,
    hours: float | None = None,
    note: str = "",
    stands: Stands | None = None,
    outside_because: str = "",
) -> int:
    """Record that the clamp was closed; give the entry's id. ``hours`` in h, as the meter showed.

    Raises Refused for an empty pile, a stack that was not opened, and a time before what was done
    to the open stack.
    """
    record = journal.lock_record(work, record_id, version)
    if record.closed_at is not None:
        raise Refused("closed_at", "", f"it is closed since {in_utc(record.closed_at)}.")
    if record.opened_at is None and record.base_build_id is not None:
        raise Refused("closed_at", "", "the stack was not opened in this record.")
    at = journal.done_at_of(work, record, closed_at, field="closed_at")
    layers = working_pile(work.session, record_id).layers
    if not layers:
        raise Refused("closed_at", "", "the pile is empty: there is nothing to close.")
    _refuse_before_last(work, record, at)
    text = changes.optional_words("note", note, most=4000)
    deviation = _of_hours(work, record, hours, at, Answered(stands, outside_because, FIELD))
    step = journal.add_step(work, record, StepKind.CLOSED, at, note=text, **_kept(deviation))
    record.closed_at = at
    if hours is not None:
        _enter_hours(work, record, step, hours, moment=Moment.CLOSING)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"stack closed with {len(layers)} layers",
            (
                ("closed at", None, at),
                ("layers", None, len(layers)),
                ("hours at closing", None, None if hours is None else f"{hours:g} h"),
                *(deviation.as_changes if deviation else ()),
            ),
        ),
    )
    return step.id


def refuse_closed(record: RebuildRecord) -> None:
    """Refuse what can only be done to an open stack."""
    if record.closed_at is not None:
        raise Refused(
            "record",
            f"record {record.id}",
            f"the stack was closed at {in_utc(record.closed_at)}.",
            "Undo the closing first if it was not.",
        )
    if record.opened_at is None and record.base_build_id is not None:
        raise Refused(
            "record",
            f"record {record.id}",
            "the stack is not opened yet.",
            "Record the opening first.",
        )


def done_while_open(work: Work, record: RebuildRecord, done_at: datetime | None) -> datetime:
    """Say when something was done to an open stack: not before it was opened."""
    at = journal.done_at_of(work, record, done_at)
    if record.opened_at is not None and at < record.opened_at:
        if done_at is None:
            return record.opened_at
        raise Refused(
            "done_at",
            in_utc(at),
            f"the stack was opened later, at {in_utc(record.opened_at)}.",
            "A time after the opening would be right.",
        )
    return at


def _refuse_opened(record: RebuildRecord, right: str) -> None:
    if record.opened_at is not None:
        raise Refused(
            "record",
            f"record {record.id}",
            f"the stack was opened at {in_utc(record.opened_at)}.",
            right,
        )
    if record.kind in BEGINS_A_STACK:
        raise Refused(
            "record", f"record {record.id}", f"a {record.kind} opens nothing.", "Put layers on."
        )


def _refuse_before_closing(work: Work, record: RebuildRecord, at: datetime) -> None:
    closed_at = work.session.scalar(
        select(BuildPeriod.closed_at).where(
            BuildPeriod.build_id == record.base_build_id, BuildPeriod.known_until.is_(None)
        )
    )
    if closed_at is not None and at < closed_at:
        raise Refused(
            "opened_at",
            in_utc(at),
            f"the present build was closed later, at {in_utc(closed_at)}.",
            "A time after that would be right.",
        )


def _refuse_found_closed_later(work: Work, record: RebuildRecord, at: datetime) -> None:
    """Refuse an opening before an event that found the present build closed."""
    if opened_since(work.session, record) is not None:
        return
    later = work.session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, RebuildRecord.performed_from)
        .where(
            RebuildRecord.base_build_id == record.base_build_id,
            RebuildRecord.id != record.id,
            RebuildRecord.state != RecordState.VOID,
            RebuildRecord.performed_from >= at,
        )
        .order_by(RebuildRecord.performed_from, RebuildRecord.id)
        .limit(1)
    ).first()
    if later is not None:
        raise Refused(
            "opened_at",
            in_utc(at),
            f"record {later.id} ({later.kind}) found the same build closed later,"
            f" {in_utc(later.performed_from)}.",
            "Enter an inspection of then with what was seen; correct the layers of the records"
            " that put them on.",
        )


def _refuse_before_last(work: Work, record: RebuildRecord, at: datetime) -> None:
    last = work.session.execute(
        select(Step.sequence, Step.kind, Step.done_at)
        .where(Step.record_id == record.id, Step.undone_at.is_(None), Step.kind.in_(AFTER_OPENING))
        .order_by(Step.done_at.desc(), Step.sequence.desc())
        .limit(1)
    ).first()
    if last is not None and at < last.done_at:
        raise Refused(
            "closed_at",
            in_utc(at),
            f"entry {last.sequence} ({last.kind}) was done later, at {in_utc(last.done_at)}.",
            "A time after that would be right.",
        )


def _of_hours(
    work: Work, record: RebuildRecord, hours: float | None, at: datetime, answered: Answered
) -> Deviation | None:
    """What the meter's reading departs from and why it stands; None for one as it should be."""
    if hours is None:
        return None
    changes.not_below_zero("hours", hours, "h")
    taken_at = min(at, work.now)
    sentence = hours_deviation(work, record.stack_id, hours, taken_at)
    if not sentence:
        return None
    because = ask_whether_it_stands(
        work.session,
        answered,
        value=f"{hours:g} h",
        reason=sentence,
        facts={"meter": sentence},
        right=READ_AGAIN,
        words=IT_STANDS,
    )
    return Deviation(sentence, because)


def _kept(deviation: Deviation | None) -> dict[str, object]:
    return deviation.as_columns if deviation else {}


def _enter_hours(
    work: Work, record: RebuildRecord, step: Step, hours: float, *, moment: Moment
) -> None:
    enter_reading(
        work,
        record.stack_id,
        hours=hours,
        taken_at=min(step.done_at, work.now),
        moment=moment,
        record_id=record.id,
        step_id=step.id,
    )
