"""At the bench: what is recorded before an act that asks for it, and what that is worth by then.

What is said here is what was recorded. Nobody is told that a stack is safe.
"""

from datetime import datetime

from sqlalchemy import select

from service.platform import changes
from service.platform.arithmetic.dates import in_utc
from service.platform.arithmetic.errors import TradeError
from service.platform.database import Work, site_day
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.eligibility import instrument_to_use, refuse_beyond_range
from service.records.changes.rebuild_records import BEGINS_A_STACK, active_person, involve
from service.records.queries.make_safe import (
    ListKept,
    asked_of,
    kept_act,
    safe_entries,
    why_not_safe,
)
from service.records.queries.waivers import waiver_for
from service.records.tables import (
    BumpTest,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    Step,
    StepKind,
)
from service.store.arithmetic.instruments import GasMatrix, reads_in
from service.store.arithmetic.make_safe import (
    LineAsked,
    SafeAct,
    check_reading,
)
from service.store.tables import Instrument


def record_make_safe(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    line_number: int,
    act: SafeAct | None = None,
    reading: float | None = None,
    instrument_id: int | None = None,
    person_id: int | None = None,
    witness_id: int | None = None,
    done_at: datetime | None = None,
    note: str = "",
) -> int:
    """Record one line of the list of an act; give the entry's id. ``reading`` in the line's unit.

    Without ``act`` it is that of the opening, without ``person_id`` the writer did it. A line
    recorded again counts as it was recorded last; the earlier entry stays. Raises Refused for a
    reading outside the limits (an exception is then the way) or beyond the instrument's range, for
    an instrument that does not fit the line or was not tried that day, and where instrument or
    witness are asked for and missing.
    """
    act = act or SafeAct.OPENING
    record = journal.lock_record(work, record_id, version)
    _refuse_needless(record, act, "The list belongs before what it is for.")
    step_line = next(
        (line for line in _lines(work, record, act) if line.number == line_number), None
    )
    if step_line is None:
        raise Refused("line_number", line_number, f"the list for the {act} has no such line.")
    at = journal.done_at_of(work, record, done_at)
    try:
        check_reading(step_line, reading)
    except TradeError as trouble:
        raise Refused(
            "reading",
            "" if reading is None else f"{reading:g}",
            str(trouble),
            "Bring it within its limits, or record an exception by name and reason.",
        ) from trouble
    used = (
        instrument_to_use(work, record, instrument_id, at, step_line.kinds)
        if instrument_id
        else None
    )
    if used is not None:
        _refuse_unfit(work, step_line, used.instrument, at)
        if reading is not None:
            refuse_beyond_range(
                used.instrument, "reading", reading, step_line.unit or "", from_least=False
            )
    elif step_line.names_instrument:
        raise Refused("instrument_id", "", f"line {line_number} asks for the instrument.")
    person = person_id or work.by.id
    name = active_person(work, "person_id", person)
    witness = active_person(work, "witness_id", witness_id) if witness_id else None
    waiver_id = None
    if step_line.needs_witness and witness is None:
        waiver_id = waiver_for(work.session, record_id, person, at)
        if waiver_id is None:
            right = "Somebody else; where there is nobody, quality can do without in this record."
            raise Refused("witness_id", "", f"line {line_number} asks for a witness.", right)
    if witness_id == person:
        raise Refused("witness_id", name, "nobody witnesses their own check.", "Somebody else.")
    text = changes.optional_words("note", note, most=4000)
    step = journal.add_step(work, record, StepKind.MAKE_SAFE, at, note=text, act=kept_act(act))
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
            waiver_id=waiver_id,
        )
    )
    involve(work, record_id, person, Involvement.WORKED)
    if witness_id:
        involve(work, record_id, witness_id, Involvement.WITNESSED)
    value = "done" if reading is None else f"{reading:g} {step_line.unit}"
    subject = f"make-safe line {line_number}{_of(act)}"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"{subject} recorded, {value}",
            (
                (subject, None, value),
                ("by", None, name),
                ("witness", None, f"waiver {waiver_id}" if waiver_id else witness),
                ("instrument", None, used.instrument.label if used else None),
                ("done at", None, at),
            ),
        ),
    )
    return step.id


def reading_beyond(work: Work, step_id: int, reading: float, *, field: str, typed: str) -> str:
    """Return how another reading of a recorded line lies outside its limits; empty: within them.

    Raises Refused for one its instrument cannot have shown.
    """
    row = work.session.scalars(select(MakeSafeLine).where(MakeSafeLine.step_id == step_id)).one()
    if row.instrument_id is not None:
        instrument = work.session.get_one(Instrument, row.instrument_id)
        refuse_beyond_range(
            instrument, field, reading, row.unit or "", typed=typed, from_least=False
        )
    record = work.session.get_one(RebuildRecord, row.record_id)
    act = work.session.get_one(Step, step_id).act or SafeAct.OPENING
    for line in _lines(work, record, act):
        if line.number == row.line_number:
            try:
                check_reading(line, reading)
            except TradeError as trouble:
                return str(trouble)
    return ""


def record_exception(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    reason: str,
    act: SafeAct | None = None,
    done_at: datetime | None = None,
) -> int:
    """Record that an act is done without a complete list, by whom and why; give the entry's id."""
    act = act or SafeAct.OPENING
    record = journal.lock_record(work, record_id, version)
    _refuse_needless(record, act, "An exception belongs before what it is for.")
    why = changes.reason(reason)
    at = journal.done_at_of(work, record, done_at)
    step = journal.add_step(work, record, StepKind.EXCEPTION, at, note=why, act=kept_act(act))
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"exception to make-safe{_of(act)} recorded by {work.by.name}",
            (("exception to make-safe", None, work.by.name), ("done at", None, at)),
            why,
        ),
    )
    return step.id


def record_bump_test(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    instrument_id: int,
    gas: str,
    passed: bool,
    reading: float | None = None,
    person_id: int | None = None,
    done_at: datetime | None = None,
    note: str = "",
) -> int:
    """Record that an instrument was tried with a test gas; give the entry's id.

    ``reading`` in the instrument's unit. It counts for the site's day, in every record; a later one
    of that day counts in its place.
    """
    record = journal.lock_record(work, record_id, version)
    at = journal.done_at_of(work, record, done_at)
    test_gas = changes.words("gas", gas, "The test gas, such as 2 % hydrogen in nitrogen.")
    used = instrument_to_use(work, record, instrument_id, at)
    if reading is not None:
        refuse_beyond_range(
            used.instrument, "reading", reading, used.instrument.unit, from_least=False
        )
    person = person_id or work.by.id
    name = active_person(work, "person_id", person)
    text = changes.optional_words("note", note, most=4000)
    step = journal.add_step(work, record, StepKind.BUMP_TEST, at, note=text)
    work.session.add(
        BumpTest(
            record_id=record_id,
            step_id=step.id,
            instrument_id=instrument_id,
            gas=test_gas,
            reading=reading,
            unit=used.instrument.unit,
            passed=passed,
            person_id=person,
        )
    )
    involve(work, record_id, person, Involvement.WORKED)
    outcome = "passed" if passed else "not passed"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"bump test of {used.instrument.label}: {outcome}",
            (
                ("bump test", None, outcome),
                ("instrument", None, used.instrument.label),
                ("test gas", None, test_gas),
                (
                    "reading",
                    None,
                    None if reading is None else f"{reading:g} {used.instrument.unit}",
                ),
                ("by", None, name),
                ("done at", None, at),
            ),
        ),
    )
    return step.id


def refuse_unless_made_safe(
    work: Work, record: RebuildRecord, act: SafeAct, at: datetime, *, field: str = "done_at"
) -> None:
    """Refuse an act whose list is not recorded complete, or no longer good, at its time.

    An exception recorded before it stands in place of the list for a day; an act without a list
    asks for nothing.
    """
    lines = _lines(work, record, act)
    why = why_not_safe(act, lines, safe_entries(work.session, record.id, act), at)
    if why is None:
        return
    if why.is_later:
        raise Refused(field, in_utc(at), why.reason, f"The {act} comes after its checks.")
    raise Refused(
        "record",
        f"record {record.id}",
        why.reason,
        f"Record {'each line' if why.is_missing else 'these lines again'}, or an exception by name"
        " and reason.",
    )


def _lines(work: Work, record: RebuildRecord, act: SafeAct) -> tuple[LineAsked, ...]:
    return asked_of(work.session, record.id).get(act, ListKept(act, ())).lines


def _of(act: SafeAct) -> str:
    return "" if act is SafeAct.OPENING else f" for the {act}"


def _refuse_needless(record: RebuildRecord, act: SafeAct, right: str) -> None:
    """Refuse what belongs before an act that is past, or that the record cannot have."""
    opens = act is SafeAct.OPENING
    if opens and record.closed_at is not None and record.opened_at is not None:
        at = in_utc(record.closed_at)
        raise Refused("record", f"record {record.id}", f"the stack was closed at {at}.", right)
    if opens and record.kind in BEGINS_A_STACK:
        raise Refused(
            "record", f"record {record.id}", f"a {record.kind} opens nothing.", "Put layers on."
        )
    if act is SafeAct.RE_TORQUE and record.kind is not RecordKind.RE_TORQUE:
        raise Refused("act", act, f"a {record.kind} is no re-torque.", "A record of a re-torque.")


def _refuse_unfit(work: Work, line: LineAsked, instrument: Instrument, at: datetime) -> None:
    """Refuse an instrument whose principle or gas does not fit, or that was not tried that day."""
    called = f"line {line.number}"
    if (
        line.principle
        and instrument.principle is not line.principle
        and not (line.gas_matrix and instrument.gas_matrix is GasMatrix.DILUTED)
    ):
        raise Refused(
            "instrument_id",
            instrument.label,
            f"its principle is {instrument.principle or 'not known'}.",
            f"{called} asks for {line.principle}, or a reading diluted with air.",
        )
    if line.gas_matrix and not reads_in(instrument.gas_matrix, line.gas_matrix):
        raise Refused(
            "instrument_id",
            instrument.label,
            f"it reads in {instrument.gas_matrix or 'a gas that is not known'}.",
            f"{called} is read in {line.gas_matrix}.",
        )
    if line.needs_bump_test:
        _refuse_untried(work, instrument, at)


def _refuse_untried(work: Work, instrument: Instrument, at: datetime) -> None:
    begin, end = site_day(work.session, at)
    passed = work.session.scalar(
        select(BumpTest.passed)
        .join(Step, Step.id == BumpTest.step_id)
        .where(
            BumpTest.instrument_id == instrument.id,
            Step.undone_at.is_(None),
            Step.done_at >= begin,
            Step.done_at < end,
            Step.done_at <= at,
        )
        .order_by(Step.done_at.desc(), Step.id.desc())
        .limit(1)
    )
    if not passed:
        why = (
            "its bump test of the day was not passed."
            if passed is False
            else ("it has no bump test of the day.")
        )
        right = "Record a passed bump test first, or another instrument."
        raise Refused("instrument_id", instrument.label, why, right)
