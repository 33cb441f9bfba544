"""Corrections of values: of an entry, a finding, who is named, the head. Read, then carried out.

An entry put right is undone by its correction and written anew with what hangs on it, so that
whatever follows from entries that stand follows from the right one; the one handed in stays.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, func, select, update
from sqlalchemy.orm import Session

from service.bench.changes.layers import checked_findings, write_findings
from service.bench.queries.correctable_values import (
    ADDED,
    DETAILS,
    NOT_NAMED,
    NOT_SAID,
    OVERLAID,
    SEVERITY,
    STANDS,
    Asks,
    ValueFacts,
    seen_as,
    with_unit,
    written_time,
)
from service.bench.queries.corrections import Correctable, Fact
from service.bench.tables import Correction, CorrectionOf
from service.people.queries.people import with_login
from service.people.tables import Person
from service.physics.arithmetic.conditions import NOT_AGAIN, TO_BE_DECIDED, FindingEntry
from service.platform import changes
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.dates import parse_when
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.plain_data import as_data, from_data
from service.platform.arithmetic.units import from_si, read_quantity
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.queries.statements import known
from service.platform.tables import Base
from service.proof.arithmetic.stack_tests import result_as_data, test_as_data
from service.proof.arithmetic.test_values import YES_NO
from service.proof.queries.retests import CALIBRATION_OF, Retest, retested
from service.proof.tables import StackTest
from service.records.tables import (
    Finding,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordPerson,
    Step,
    StepKind,
    ToolSetting,
    TorqueReading,
)
from service.stacks.changes import supersede
from service.stacks.queries.release_standing import TESTED
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import measure_of
from service.store.changes.holds import PlacedBy, lift_holds_by_word
from service.store.changes.inspections import ask_no_more
from service.store.queries.calibrations import calibration_on
from service.store.queries.names import people_by_login
from service.store.queries.scans import resolve_to_fit
from service.store.tables import Instrument

FIELD = "new_value"
TOOLS_BESIDE = ("tester_id", "gauge_id", "load_cell_id")
CALIBRATIONS = {
    **CALIBRATION_OF,
    **{tool: tool.replace("_id", "_calibration_id") for tool in TOOLS_BESIDE},
}
UNLOADED = "unloaded_first"
OF_THE_TOOL = ("entered", "pass_number", "instrument_id", "calibration_id")
"""What a nut says of the click tool besides its torque."""
AS_TYPED = {"set_nm": "entered", "checked_nm": "checked_entered"}
SAME = "this is what the record says already."
More = Mapping[str, str]
"""What else is right, by field: of a finding its severity and place."""


@dataclass(frozen=True, slots=True)
class NewValue:
    """The right value: ``text`` as a person reads it, and what it stands for.

    ``number`` is in N·m, h or the fact's unit, or the id of an instrument, a person or a lot;
    ``facts`` is JSON of what else is right.
    """

    text: str
    part_id: int | None = None
    number: float | None = None
    time: datetime | None = None
    facts: str | None = None


def read_value(
    work: Work, record: Correctable, details: ValueFacts, typed: str, more: More
) -> NewValue:
    """Return what was typed for a value. Raises Refused where it cannot be true."""
    text = typed.strip()
    if not text:
        if not details.is_optional:
            raise Refused(FIELD, "", "nothing is given.", "What it should have said.")
        value = NewValue(NOT_NAMED if details.of is CorrectionOf.PERSON else NOT_SAID)
    else:
        value = READ[details.asks](work, details, text, more)
    if value.text == details.shown:
        raise Refused(FIELD, text, SAME, "The right one.")
    if value.time is not None:
        _refuse_order(work, record, details, value.time)
    if details.path or (details.field in CALIBRATION_OF and _is_test(details)):
        retest(work.session, details, value)
    return value


def _is_test(details: ValueFacts) -> bool:
    return details.kind in WHEN_CLOSED


def retest(session: Session, details: ValueFacts, value: NewValue) -> Retest:
    """Compute the test of an entry anew. Raises Refused for what cannot have been read."""
    right: float | str | None = value.text if value.number is None else value.number
    if value.text == NOT_SAID:
        right = None
    try:
        return retested(session, details.step_id or 0, details.path or details.field, right)
    except OutOfRange as trouble:
        unit = f" {trouble.unit}" if trouble.unit else ""
        sentence = f"{trouble.name} is {trouble.value}{unit}."
        raise Refused(
            FIELD, value.text, sentence, f"Right would be {trouble.allowed}."
        ) from trouble
    except TradeError as trouble:
        raise Refused(FIELD, value.text, str(trouble)) from trouble


def _number(_work: Work, details: ValueFacts, text: str, _more: More) -> NewValue:
    unit = details.unit
    measure = measure_of(unit)
    try:
        if measure is None:
            number = read_number(text.removesuffix(unit).strip())
        else:
            entry = read_quantity(text, measure, unit)
            number = entry.value if entry.unit == unit else from_si(entry.si, unit, measure)
    except TradeError as trouble:
        right = f"A number in {unit}." if unit else "A number."
        raise Refused(FIELD, text, str(trouble), right) from trouble
    if number < 0 and details.of is CorrectionOf.TORQUE:
        raise Refused(FIELD, text, "it counts from one.", "1 or more.")
    return NewValue(with_unit(number, unit), number=number)


def _words(_work: Work, _details: ValueFacts, text: str, _more: More) -> NewValue:
    return NewValue(changes.words(FIELD, text, "What it should have said.", most=changes.LONG_MOST))


def _choice(_work: Work, details: ValueFacts, text: str, _more: More) -> NewValue:
    choices = {choice.casefold(): choice for choice in details.choices}
    if text.casefold() not in choices:
        right = f"One of: {', '.join(details.choices)}."
        raise Refused(FIELD, text, "it is none of the words for it.", right)
    return NewValue(choices[text.casefold()])


def _time(_work: Work, _details: ValueFacts, text: str, _more: More) -> NewValue:
    try:
        at = parse_when(text, None, needs_time=True)
    except OutOfRange as trouble:
        right = f"Right would be {trouble.allowed}."
        raise Refused(FIELD, text, "this is no time of a zone.", right) from trouble
    return NewValue(written_time(at), time=at)


def _instrument(work: Work, details: ValueFacts, text: str, _more: More) -> NewValue:
    row = work.session.execute(
        select(Instrument.id, Instrument.label, Instrument.kind).where(
            Instrument.label_key == serial_key(text)
        )
    ).first()
    if row is None:
        raise Refused(FIELD, text, "no instrument bears this mark.", "Read it again.")
    if details.kinds and row.kind not in details.kinds:
        raise Refused(FIELD, row.label, f"it is a {row.kind}.", f"A {' or '.join(details.kinds)}.")
    return NewValue(row.label, number=float(row.id))


def _person(work: Work, details: ValueFacts, text: str, _more: More) -> NewValue:
    try:
        (person_id,) = people_by_login(work.session, [text]).values()
    except Refused as refused:
        raise Refused(FIELD, text, refused.reason, "A login from the list.") from refused
    name = work.session.scalar(select(with_login(Person)).where(Person.id == person_id))
    if details.field.startswith(ADDED) and _is_named(work, details, person_id):
        raise Refused(FIELD, text, "the record names them so already.", "Somebody else.")
    if details.kind is StepKind.MAKE_SAFE:
        _refuse_same_person(work, details, person_id, text)
    return NewValue(name or text, number=float(person_id))


def _involvement(details: ValueFacts) -> Involvement:
    return Involvement(details.field.removeprefix(f"{ADDED} "))


def _is_named(work: Work, details: ValueFacts, person_id: int) -> bool:
    key = (details.subject_id, person_id, _involvement(details))
    return work.session.get(RecordPerson, key) is not None


def _refuse_same_person(work: Work, details: ValueFacts, person_id: int, text: str) -> None:
    line = work.session.scalars(
        select(MakeSafeLine).where(MakeSafeLine.step_id == details.step_id)
    ).one()
    other = line.person_id if details.field == "witness_id" else line.witness_id
    if other == person_id:
        raise Refused(FIELD, text, "nobody witnesses their own check.", "Somebody else.")


def _part(work: Work, details: ValueFacts, text: str, _more: More) -> NewValue:
    kind = details.part_kind
    resolved = resolve_to_fit(work.session, text, (kind,) if kind else ())
    hits = [hit for hit in resolved.hits if hit.part_id and hit.part_kind is kind]
    if len(hits) != 1:
        why = "several parts bear it." if hits else resolved.reason_unknown or "it is none."
        raise Refused(FIELD, text, why, f"The serial of a {kind}.")
    return NewValue(hits[0].label, part_id=hits[0].part_id)


def _finding(work: Work, details: ValueFacts, text: str, more: More) -> NewValue:
    severity = more.get("severity", "").strip()
    if severity and severity not in SEVERITY:
        raise Refused("severity", severity, "it is no severity.", f"{', '.join(SEVERITY)}.")
    entry = FindingEntry(
        _choice(work, details, text, more).text,
        int(severity) if severity else None,
        more.get("where", "").strip(),
        face=more.get("face", ""),
        places=tuple(more.get("places", "").upper().replace(",", " ").split()),
    )
    entry = _checked(work, details, entry)
    grave = f" (severity {severity})" if severity else ""
    return NewValue(f"{entry.in_words}{grave}", facts=canonical_json(as_data(entry)))


READ = {
    Asks.NUMBER: _number,
    Asks.WORDS: _words,
    Asks.CHOICE: _choice,
    Asks.TIME: _time,
    Asks.INSTRUMENT: _instrument,
    Asks.PERSON: _person,
    Asks.PART: _part,
    Asks.FINDING: _finding,
}

# The order of times: begun, made safe, opened, closed, tested, handed in.

WHILE_OPEN = (StepKind.LIFTED_OFF, StepKind.PUT_ON)
WHEN_CLOSED = (*TESTED, StepKind.LEAK_SEARCH)


def _refuse_order(work: Work, record: Correctable, details: ValueFacts, at: datetime) -> None:
    """Refuse a time outside the order of what a record tells."""
    changes.not_ahead(FIELD, at, record.handed_in_at or work.now)
    head = work.session.get_one(RebuildRecord, record.record_id)
    least = [("the work began", _began(record))]
    most = [("the record was handed in", head.handed_in_at)]
    if details.of is CorrectionOf.HEAD:
        first = work.session.scalar(
            select(func.min(Step.done_at)).where(
                Step.record_id == head.id, Step.undone_at.is_(None)
            )
        )
        least, most = [], [("the first entry was made", first), ("it was opened", head.opened_at)]
    if details.kind in WHILE_OPEN:
        least.append(("the stack was opened", head.opened_at))
        most.append(("the stack was closed", head.closed_at))
    if details.kind in WHEN_CLOSED:
        least.append(("the stack was closed", head.closed_at))
    for what, limit in least:
        if limit is not None and at < limit:
            _refuse(at, f"{what} later", limit)
    for what, limit in most:
        if limit is not None and at > limit:
            _refuse(at, f"{what} earlier", limit)


def _began(record: Correctable) -> datetime | None:
    fact = record.fact(CorrectionOf.HEAD, record.record_id, "performed_from")
    return fact.at if fact else None


def _refuse(at: datetime, what: str, limit: datetime) -> None:
    raise Refused(
        FIELD,
        f"{at:%Y-%m-%d %H:%M} UTC",
        f"{what}, at {limit:%Y-%m-%d %H:%M} UTC.",
        "A time that keeps the order; if that one is wrong, correct it first.",
    )


# Carrying out.


def carry_out_value(
    work: Work, record: Correctable, fact: Fact, details: ValueFacts, correction: Correction
) -> list[Change]:
    """Make the right value the one known from now on; give what changed."""
    value = NewValue(
        correction.new_value,
        correction.new_part_id,
        correction.new_number,
        correction.new_time,
        correction.new_facts,
    )
    said: list[Change] = [(fact.label, fact.old_value, value.text)]
    if value.time is not None:
        _refuse_order(work, record, details, value.time)
    if (details.of, details.field) in OVERLAID:
        return said
    if details.of is CorrectionOf.PERSON:
        _name(work, record.record_id, details, value)
        return said
    if details.of is CorrectionOf.FINDING:
        _put_finding_right(work, record.record_id, details, value, correction)
        return said
    return [*said, *_write_anew(work, details, value, correction)]


def _name(work: Work, record_id: int, details: ValueFacts, value: NewValue) -> None:
    """Whoever was named before still counts among those who had a part."""
    how = _involvement(details)
    if not details.field.startswith(ADDED):
        work.session.execute(
            update(RecordPerson)
            .where(
                RecordPerson.record_id == record_id,
                RecordPerson.person_id == details.subject_id,
                RecordPerson.involvement == how,
            )
            .values(known_until=work.now)
        )
    if value.number is not None and not _named_too(work, record_id, int(value.number), how):
        raise Refused(FIELD, value.text, "the record names or named them so before.")


def _named_too(work: Work, record_id: int, person_id: int, how: Involvement) -> bool:
    """Name somebody from now on; False where the record names or named them so before."""
    if work.session.get(RecordPerson, (record_id, person_id, how)) is not None:
        return False
    work.session.add(
        RecordPerson(record_id=record_id, person_id=person_id, involvement=how, known_from=work.now)
    )
    work.session.flush()
    return True


def _put_finding_right(
    work: Work, record_id: int, details: ValueFacts, value: NewValue, correction: Correction
) -> None:
    """Withdraw what was seen, put another in its place, or add what was seen besides."""
    if details.field == ADDED:
        head = work.session.get_one(RebuildRecord, record_id)
        part_id, at = details.subject_id, head.closed_at or head.handed_in_at or work.now
        step = _seen_since(work, correction, part_id, at, correction.written_by_id)
        entry = from_data(FindingEntry, json.loads(value.facts or "{}"))
        write_findings(work, step, part_id, [_checked(work, details, entry)])
        return
    old = work.session.get_one(Finding, details.subject_id)
    old.known_until = work.now
    work.session.flush()
    seen = work.session.get_one(Step, old.step_id)
    _take_back(work, seen, f"Correction {correction.id}: {correction.reason}")
    if details.field == STANDS:
        return
    part_id = value.part_id or old.part_id
    step = _seen_since(work, correction, part_id, seen.done_at, seen.by_id)
    write_findings(work, step, part_id, [_seen_rightly(work, old, details, value)])


def _take_back(work: Work, seen: Step, reason: str) -> None:
    """Lift the hold and the question what was seen asked for, unless what stands asks for it."""
    severities = set(
        work.session.scalars(
            select(Finding.severity).where(Finding.step_id == seen.id, known(Finding))
        )
    )
    if NOT_AGAIN not in severities:
        lift_holds_by_word(work, PlacedBy(step_id=seen.id, record_id=seen.record_id), reason=reason)
    if TO_BE_DECIDED not in severities:
        ask_no_more(work, seen.record_id, step_id=seen.id, reason=reason)


def _seen_rightly(work: Work, old: Finding, details: ValueFacts, value: NewValue) -> FindingEntry:
    """A finding with one of its facts put right. Raises Refused where it is none."""
    text = "" if value.text == NOT_SAID else value.text
    right: dict[str, Any] = {details.field: text}
    if details.field == "severity":
        right = {"severity": int(text) if text else None}
    elif details.field == "places":
        right = {"places": tuple(text.upper().replace(",", " ").split())}
    elif details.field == "area_percent":
        right = {"area_percent": value.number}
    elif details.field == "part_id":
        right = {}
    return _checked(work, details, replace(seen_as(old), **right))


def _checked(work: Work, details: ValueFacts, entry: FindingEntry) -> FindingEntry:
    if details.part_kind is None:
        return entry
    try:
        return checked_findings(work, details.part_kind, [entry])[0]
    except Refused as refused:
        raise Refused(FIELD, refused.value, refused.reason, refused.right_would_be) from refused


def _seen_since(work: Work, correction: Correction, part_id: int, at: datetime, by_id: int) -> Step:
    """An entry of what a correction says was seen on a part."""
    step = Step(
        record_id=correction.record_id,
        sequence=_next_sequence(work, correction.record_id),
        kind=StepKind.FINDING,
        part_id=part_id,
        standing=False,
        done_at=at,
        written_at=work.now,
        by_id=by_id,
        correction_id=correction.id,
    )
    work.session.add(step)
    work.session.flush()
    return step


def _write_anew(
    work: Work, details: ValueFacts, value: NewValue, correction: Correction
) -> Iterator[Change]:
    """Undo the entry and write it anew, with its rows, one value put right."""
    old = work.session.get_one(Step, details.step_id)
    old.undone_at, old.undone_by_id = work.now, correction.written_by_id
    work.session.flush()
    right: dict[str, object] = {}
    if details.field == "done_at":
        right["done_at"] = value.time
    if details.field == UNLOADED:
        right[UNLOADED] = value.text == YES_NO[0]
    if correction.deviation is not None:
        right |= {
            "deviation": correction.deviation,
            "deviation_because": correction.deviation_because,
        }
    new = copy_row(
        work,
        old,
        sequence=_next_sequence(work, old.record_id),
        written_at=work.now,
        undone_at=None,
        undone_by_id=None,
        correction_id=correction.id,
        replaces_id=old.id,
        **right,
    )
    for table in (*(each for each in DETAILS if each is not TorqueReading), Finding):
        rows = select(table).where(table.step_id == old.id)
        if table is Finding:
            rows = rows.where(known(Finding))
        for row in work.session.scalars(rows).all():
            if isinstance(row, StackTest) and details.field != "done_at":
                yield from retest(work.session, details, value).rows
            changed = dict(_changed(work, details, value, row, new.done_at))
            copied = copy_row(work, row, step_id=new.id, **changed)
            if isinstance(row, ToolSetting):
                said = {name: getattr(copied, name) for name in OF_THE_TOOL}
                nuts = TorqueReading.setting_id == row.id
                said |= {"setting_id": copied.id, "torque_nm": copied.set_nm}
                _nuts_follow(work, nuts, correction, said)
    _nuts_follow(work, TorqueReading.step_id == old.id, correction, {"step_id": new.id})


def _changed(
    work: Work, details: ValueFacts, value: NewValue, row: Any, done_at: datetime
) -> Iterator[tuple[str, object]]:
    """What a row beside the entry says otherwise."""
    if details.field == "done_at":
        yield from _calibrations_then(work, row, done_at)
    elif isinstance(row, StackTest):
        again = retest(work.session, details, value)
        yield "content", canonical_json(test_as_data(again.test))
        yield "result", canonical_json(result_as_data(again.result))
        yield "formula", ", ".join(again.result.formulas)
        yield "verdict", again.result.verdict
        yield from again.tools.items()
    elif details.field != UNLOADED and details.corner in ("", getattr(row, "corner", "")):
        right = _in_column(row, details.column, value)
        if details.asks is Asks.PERSON and right is not None:
            is_witness = details.field == "witness_id"
            how = Involvement.WITNESSED if is_witness else Involvement.WORKED
            _named_too(work, row.record_id, right, how)
        yield details.column, right
        if details.field in CALIBRATIONS and hasattr(row, CALIBRATIONS[details.field]):
            then = calibration_on(work.session, right, done_at) if right else None
            yield CALIBRATIONS[details.field], then.id if then and then.is_valid else None
        if details.field in AS_TYPED:
            yield AS_TYPED[details.field], value.text


def _in_column(row: Any, field: str, value: NewValue) -> Any:
    """The right value as its column keeps it."""
    kind = type(row).__table__.c[field].type.python_type
    if value.number is not None:
        return kind(value.number)
    if value.text in (NOT_SAID, NOT_NAMED):
        return None
    return value.text == YES_NO[0] if kind is bool else kind(value.text)


def _nuts_follow(
    work: Work, which: ColumnElement[bool], correction: Correction, said: Mapping[str, object]
) -> None:
    """Write anew the nuts of an entry, or those that answered the tool it set."""
    readings = select(TorqueReading).where(which, known(TorqueReading))
    for row in work.session.scalars(readings).all():
        supersede.close_out(work, row)
        copy_row(
            work,
            row,
            **said,
            known_from=work.now,
            known_until=None,
            correction_id=correction.id,
            replaces_id=row.id,
        )


def _calibrations_then(work: Work, row: Any, done_at: datetime) -> Iterator[tuple[str, object]]:
    for tool, calibration in CALIBRATIONS.items():
        if (number := getattr(row, tool, None)) is not None:
            then = calibration_on(work.session, number, done_at)
            yield calibration, then.id if then.is_valid else None


def copy_row(work: Work, row: Any, **right: object) -> Any:
    """Write a row like another, but for what is put right."""
    table: type[Base] = type(row)
    names = [each.key for each in table.__mapper__.column_attrs if each.key != "id"]
    new = table(**({name: getattr(row, name) for name in names} | right))
    work.session.add(new)
    work.session.flush()
    return new


def _next_sequence(work: Work, record_id: int) -> int:
    last = work.session.scalar(select(func.max(Step.sequence)).where(Step.record_id == record_id))
    return (last or 0) + 1
