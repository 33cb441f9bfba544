"""At the bench: the make-safe checklist, the opening and the closing of a stack.

What is said here is what was recorded. Nobody is told that a stack is safe.
"""

from datetime import datetime

from sqlalchemy import select

from service.designs.arithmetic.make_safe import LineAsked, check_reading, lines_missing
from service.designs.tables import ChecklistLine
from service.platform import changes
from service.platform.arithmetic.errors import TradeError
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.queries.answers import columns, read_as
from service.records.changes import journal
from service.records.changes.eligibility import instrument_to_use, refuse_beyond_range
from service.records.changes.rebuild_records import BEGINS_A_STACK, active_person, involve
from service.records.queries.working_piles import working_pile
from service.records.tables import Involvement, MakeSafeLine, RebuildRecord, Step, StepKind
from service.stacks.changes.hours import enter_reading
from service.stacks.tables import BuildPeriod, Moment, Stack
from service.store.arithmetic.instruments import kinds_that_read

AFTER_OPENING = (
    StepKind.OPENED,
    StepKind.LIFTED_OFF,
    StepKind.PUT_ON,
    StepKind.FIXING_REMOVED,
    StepKind.FIXING_FITTED,
)
"""What is done while a stack is open: a closing comes after all of it."""


def record_make_safe(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    line_number: int,
    reading: float | None = None,
    instrument_id: int | None = None,
    person_id: int | None = None,
    witness_id: int | None = None,
    done_at: datetime | None = None,
    note: str = "",
) -> int:
    """Record one line of the checklist; give the entry's id. ``reading`` in the line's unit.

    A line recorded again counts as it was recorded last; the earlier entry stays. Without
    ``person_id`` the writer did it. Raises Refused for a reading above the limit (an exception is
    then the way) or beyond the instrument's range, for an instrument of a kind that does not read
    the line's unit, and where instrument or witness are asked for and missing.
    """
    record = journal.lock_record(work, record_id, version)
    _refuse_opened(record, "The checklist belongs before the opening.")
    step_line = next(
        (line for line in _checklist(work, record) if line.number == line_number), None
    )
    if step_line is None:
        raise Refused("line_number", line_number, "the design's checklist has no such line.")
    at = journal.done_at_of(work, record, done_at)
    try:
        check_reading(step_line, reading)
    except TradeError as trouble:
        raise Refused(
            "reading",
            "" if reading is None else f"{reading:g}",
            str(trouble),
            "Bring it below, or record an exception by name and reason.",
        ) from trouble
    kinds = kinds_that_read(step_line.unit)
    used = instrument_to_use(work, record, instrument_id, at, kinds) if instrument_id else None
    if used is not None and reading is not None:
        refuse_beyond_range(
            used.instrument, "reading", reading, step_line.unit or "", from_least=False
        )
    if step_line.needs_instrument and used is None:
        raise Refused("instrument_id", "", f"line {line_number} asks for the instrument.")
    person = person_id or work.by.id
    name = active_person(work, "person_id", person)
    witness = active_person(work, "witness_id", witness_id) if witness_id else None
    if step_line.needs_witness and witness is None:
        raise Refused("witness_id", "", f"line {line_number} asks for a witness.")
    if witness_id == person:
        raise Refused("witness_id", name, "nobody witnesses their own check.", "Somebody else.")
    step = journal.add_step(
        work, record, StepKind.MAKE_SAFE, at, note=changes.optional_words("note", note, most=4000)
    )
    work.session.add(
        MakeSafeLine(
            record_id=record_id,
            step_id=step.id,
            line_number=line_number,
            wording=step_line.wording,
            reading=reading,
            unit=step_line.unit,
            instrument_id=used.instrument.id if used else None,
            calibration_id=used.calibration_id if used else None,
            person_id=person,
            witness_id=witness_id,
        )
    )
    involve(work, record_id, person, Involvement.WORKED)
    if witness_id:
        involve(work, record_id, witness_id, Involvement.WITNESSED)
    value = "done" if reading is None else f"{reading:g} {step_line.unit}"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"make-safe line {line_number} recorded, {value}",
            (
                (f"make-safe line {line_number}", None, value),
                ("by", None, name),
                ("witness", None, witness),
                ("instrument", None, used.instrument.label if used else None),
                ("done at", None, at),
            ),
        ),
    )
    return step.id


def record_exception(
    work: Work, record_id: int, version: int | None, *, reason: str, done_at: datetime | None = None
) -> int:
    """Record that the stack is opened without a complete checklist, by whom and why."""
    record = journal.lock_record(work, record_id, version)
    _refuse_opened(record, "An exception belongs before the opening.")
    why = changes.reason(reason)
    at = journal.done_at_of(work, record, done_at)
    step = journal.add_step(work, record, StepKind.EXCEPTION, at, note=why)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"exception to make-safe recorded by {work.by.name}",
            (("exception to make-safe", None, work.by.name), ("done at", None, at)),
            why,
        ),
    )
    return step.id


def open_stack(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    opened_at: datetime | None = None,
    hours: float | None = None,
    hours_unknown_because: str = "",
) -> int:
    """Record that the clamp was released; give the entry's id. ``hours`` in h, as the meter showed.

    Raises Refused unless the checklist is recorded complete or an exception stands, for a time
    before the checklist or the present build's closing, and where neither the hours nor the
    reason for not knowing them are given.
    """
    record = journal.lock_record(work, record_id, version)
    _refuse_opened(record, "It cannot be opened twice in one record.")
    if record.base_build_id is None:
        raise Refused(
            "opened_at", "", "there is no build to open: layers can be put on straight away."
        )
    at = journal.done_at_of(work, record, opened_at, field="opened_at")
    _refuse_before_closing(work, record, at)
    _refuse_unless_made_safe(work, record, at)
    why = changes.optional_words("hours_unknown_because", hours_unknown_because, most=4000)
    if hours is None and not why:
        raise Refused(
            "hours", "", "nothing is given.", "The meter's reading, or why it is not known."
        )
    if hours is not None and why:
        raise Refused(
            "hours_unknown_because", why, "the hours are given as well.", "One of the two."
        )
    step = journal.add_step(work, record, StepKind.OPENED, at, note=why)
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
) -> int:
    """Record that the clamp was closed; give the entry's id. ``hours`` in h, as the meter showed.

    Raises Refused for an empty pile, a stack that was not opened, and a time before what was done
    to the open stack.
    """
    record = journal.lock_record(work, record_id, version)
    if record.closed_at is not None:
        raise Refused("closed_at", "", f"it is closed since {journal.shown(record.closed_at)}.")
    if record.opened_at is None and record.base_build_id is not None:
        raise Refused("closed_at", "", "the stack was not opened in this record.")
    at = journal.done_at_of(work, record, closed_at, field="closed_at")
    layers = working_pile(work.session, record_id).layers
    if not layers:
        raise Refused("closed_at", "", "the pile is empty: there is nothing to close.")
    _refuse_before_last(work, record, at)
    text = changes.optional_words("note", note, most=4000)
    step = journal.add_step(work, record, StepKind.CLOSED, at, note=text)
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
            f"the stack was closed at {journal.shown(record.closed_at)}.",
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
            journal.shown(at),
            f"the stack was opened later, at {journal.shown(record.opened_at)}.",
            "A time after the opening would be right.",
        )
    return at


def _checklist(work: Work, record: RebuildRecord) -> list[LineAsked]:
    rows = work.session.execute(
        select(*columns(LineAsked, ChecklistLine))
        .join(Stack, Stack.design_id == ChecklistLine.design_id)
        .where(Stack.id == record.stack_id)
        .order_by(ChecklistLine.number)
    )
    return [read_as(LineAsked, row) for row in rows]


def _refuse_opened(record: RebuildRecord, right: str) -> None:
    if record.opened_at is not None:
        raise Refused(
            "record",
            f"record {record.id}",
            f"the stack was opened at {journal.shown(record.opened_at)}.",
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
            journal.shown(at),
            f"the present build was closed later, at {journal.shown(closed_at)}.",
            "A time after that would be right.",
        )


def _refuse_unless_made_safe(work: Work, record: RebuildRecord, opened_at: datetime) -> None:
    rows = work.session.execute(
        select(Step.kind, Step.done_at, MakeSafeLine.line_number)
        .outerjoin(MakeSafeLine, MakeSafeLine.step_id == Step.id)
        .where(
            Step.record_id == record.id,
            Step.undone_at.is_(None),
            Step.kind.in_((StepKind.MAKE_SAFE, StepKind.EXCEPTION)),
        )
        .order_by(Step.sequence)
    ).all()
    for row in rows:
        if row.done_at > opened_at:
            subject = f"line {row.line_number}" if row.line_number else "the exception"
            raise Refused(
                "opened_at",
                journal.shown(opened_at),
                f"{subject} of make-safe was recorded as done later, at"
                f" {journal.shown(row.done_at)}.",
                "An opening comes after its checks.",
            )
    if any(row.kind is StepKind.EXCEPTION for row in rows):
        return
    missing = lines_missing(_checklist(work, record), {row.line_number for row in rows})
    if missing:
        lines = "; ".join(f"{line.number} {line.wording}" for line in missing)
        raise Refused(
            "record",
            f"record {record.id}",
            f"the make-safe checklist is not recorded complete. Missing: {lines}",
            "Record each line, or an exception by name and reason.",
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
            journal.shown(at),
            f"entry {last.sequence} ({last.kind}) was done later, at"
            f" {journal.shown(last.done_at)}.",
            "A time after that would be right.",
        )


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
