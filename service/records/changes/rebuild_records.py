"""Rebuild records: beginning one and changing what its head says."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, func, select

from service.people.changes.badges import check_word
from service.people.tables import Person
from service.platform import changes as given
from service.platform.arithmetic.dates import in_utc, span_of, written
from service.platform.arithmetic.errors import OutOfRange
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotAllowed, Question, Refused
from service.platform.permissions import Act, need
from service.platform.queries.answers import columns, read_all
from service.records.changes import journal
from service.records.queries.inserted import events_around
from service.records.queries.records import to_witness
from service.records.tables import (
    Involvement,
    RebuildRecord,
    RecordKind,
    RecordMakeSafeList,
    RecordPerson,
    RecordPersonRemoved,
    RecordState,
    Step,
    WitnessConfirmation,
)
from service.stacks.tables import Build, BuildPeriod, Stack
from service.store.queries.make_safe_lists import lists_in_force

People = Sequence[tuple[int, Involvement]]
BEGINS_A_STACK = (RecordKind.FIRST_BUILD, RecordKind.TAKEN_OVER)
NEEDS_A_BUILD = (RecordKind.TEARDOWN, RecordKind.INSPECTION, RecordKind.RE_TORQUE)


@dataclass(frozen=True, slots=True)
class _Base:
    build_id: int
    number: int
    record_id: int
    closed_at: datetime
    opened_at: datetime | None
    opened_by_record_id: int | None


def begin_record(
    work: Work,
    *,
    stack_id: int,
    kind: RecordKind,
    reason: str,
    performed_from: datetime,
    comes_after: int | None = None,
    people: People = (),
    writer_took_part: bool = True,
    notes: str = "",
) -> int:
    """Begin the record of one service event on a stack; give its number.

    It is about the build the stack was in when the work began: an event before the present build
    is inserted in its place. The writer counts as
    having worked on it, unless ``people`` names them otherwise or ``writer_took_part`` is False.
    ``performed_from`` may be a partial date, as old paper gives it; ``comes_after`` is the record
    it came after where dates leave that open, 0: before all of them. Raises Question where it is
    not given; NotFound for an unknown stack; Refused where a record of the stack is being written,
    for a time ahead or at which it lay open or was not built, a kind that does not fit the stack,
    and people who are not known or shut out.
    """
    need(work.by, Act.RECORD_WRITE)
    work.refuse_nobody("written by", "a record is written by a person.")
    stack = work.locked(Stack, stack_id, "stack")
    _refuse_second(work, stack)
    why = given.reason(reason)
    performed_from = _in_order(work, stack, performed_from, comes_after)
    base = _base_at(work, stack, performed_from)
    _refuse_kind(work, stack, kind, base)
    involved = _people(work, people, writer_took_part=writer_took_part)
    record = RebuildRecord(
        stack_id=stack_id,
        kind=kind,
        state=RecordState.OPEN,
        reason=why,
        performed_from=performed_from,
        written_by_id=work.by.id,
        written_at=work.now,
        base_build_id=base.build_id if base else None,
        version=0,
        notes=given.optional_words("notes", notes, most=given.LONG_MOST),
    )
    work.session.add(record)
    work.session.flush()
    _write_people(work, record.id, involved)
    lists = lists_in_force(work.session, stack.place, stack.design_id)
    for act, version in lists.items():
        work.session.add(
            RecordMakeSafeList(record_id=record.id, act=act, proposal_id=version.proposal_id)
        )
    from_build = f", from build {base.number}" if base else ""
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"{kind} of {stack.serial} begun{from_build}",
            (
                ("stack", None, stack.serial),
                ("kind", None, kind),
                ("work began", None, performed_from),
                ("people", None, _in_words(work, involved)),
                *((f"make-safe, {act}", None, lists[act].name) for act in lists),
            ),
            why,
            Event.RECORD_BEGUN,
        ),
    )
    return record.id


def change_record(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    reason: str,
    performed_from: datetime,
    comes_after: int | None = None,
    notes: str,
    people: People,
    writer_took_part: bool = True,
) -> None:
    """Change the head of a record being written: why, when the work began, who, and the notes.

    Raises Refused as `begin_record` does, and for a beginning after the record's first entry.
    """
    record = journal.lock_record(work, record_id, version)
    stack = work.session.get_one(Stack, record.stack_id)
    why = given.reason(reason)
    first = work.session.scalar(
        select(func.min(Step.done_at)).where(Step.record_id == record_id, Step.undone_at.is_(None))
    )
    if written(performed_from) == written(record.performed_from):
        performed_from = record.performed_from
    elif first and (span_of(performed_from).known or span_of(record.performed_from).known):
        raise Refused(
            "performed_from",
            in_utc(performed_from),
            f"its entries are dated {in_utc(first)}.",
            "Undo them first, or correct both once the record is handed in.",
        )
    else:
        performed_from = _in_order(work, stack, performed_from, comes_after, record_id)
    _refuse_other_base(work, stack, record, performed_from)
    if first is not None and performed_from > first:
        raise Refused(
            "performed_from",
            in_utc(performed_from),
            "the first entry of this record was done before that.",
            f"{in_utc(first)} or earlier would be right.",
        )
    text = given.optional_words("notes", notes, most=given.LONG_MOST)
    before = _named(work, record_id)
    involved = _people(
        work,
        people,
        writer_took_part=writer_took_part,
        writer=record.written_by_id,
        known_ids={person for person, _how in before},
    )
    changes = (
        ("reason", record.reason, why),
        ("work began", record.performed_from, performed_from),
        ("notes", record.notes, text),
        ("people", _in_words(work, before), _in_words(work, involved)),
    )
    record.reason, record.performed_from, record.notes = why, performed_from, text
    if set(before) != set(involved):
        work.session.execute(delete(RecordPerson).where(RecordPerson.record_id == record_id))
        _write_people(work, record_id, involved)
        work.session.add_all(
            RecordPersonRemoved(
                record_id=record_id,
                person_id=person,
                involvement=how,
                removed_by_id=work.by.id,
                removed_at=work.now,
            )
            for person, how in before
            if (person, how) not in involved
        )
    journal.finish_entry(
        work, record, journal.TrailNote("head changed", changes, did=Event.RECORD_CHANGED)
    )


def involve(work: Work, record_id: int, person_id: int, involvement: Involvement) -> None:
    """Name somebody in a record inside a larger change, which writes the trail."""
    key = (record_id, person_id, involvement)
    if work.session.get(RecordPerson, key) is None:
        _write_people(work, record_id, [(person_id, involvement)])


def active_person(work: Work, field: str, person_id: int) -> str:
    """Return the name of somebody who may be named in a record. Raises Refused."""
    row = work.session.execute(
        select(Person.name, Person.active).where(Person.id == person_id)
    ).first()
    if row is None:
        raise Refused(field, person_id, "nobody of that number is known.", "Choose from the list.")
    if not row.active:
        raise Refused(field, row.name, "this person is shut out.", "Somebody active is asked for.")
    name: str = row.name
    return name


def _in_order(
    work: Work, stack: Stack, at: datetime, comes_after: int | None, record_id: int = 0
) -> datetime:
    """Return when the work began; of a partial date the moment that keeps its place in order."""
    given.not_ahead("performed_from", at, work.now)
    span = span_of(at)
    events = events_around(work.session, stack.id, span, record_id)
    names = {
        each.id: f"record {each.id} ({each.kind}, {in_utc(each.performed_from)})" for each in events
    }
    if events and comes_after not in {0, *names}:
        raise Question(
            "comes_after",
            in_utc(at),
            f"the dates leave open whether it came before or after {', '.join(names.values())}.",
            "Say after which it came.",
            answers={"0": "It came before all of these"}
            | {str(each): f"It came after {name}" for each, name in names.items()},
        )
    number = 1 + list(names).index(comes_after) if comes_after in names else 0
    earlier, later = events[:number], events[number:]
    after = max((each.ends_at for each in earlier), default=None)
    before = min((each.performed_from for each in later), default=None)
    try:
        return span.moment(after, before, work.now)
    except OutOfRange:
        raise Refused(
            "comes_after",
            comes_after,
            "the records there are leave no room for it in that order.",
            "Enter what old paper tells in the order in which it happened, or correct first when"
            " the work of the other record began.",
        ) from None


def _refuse_second(work: Work, stack: Stack) -> None:
    second = work.session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, RebuildRecord.state).where(
            RebuildRecord.stack_id == stack.id,
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
        )
    ).first()
    if second is not None:
        end = (
            "Go on in it, or hand it in first."
            if second.state is RecordState.OPEN
            else "Take it up again and hand it in first."
        )
        raise Refused(
            "stack_id",
            stack.serial,
            f"record {second.id} ({second.kind}, {second.state}) of this stack is being written.",
            end,
        )


def _base_at(work: Work, stack: Stack, at: datetime, record_id: int = 0) -> _Base | None:
    """The build a stack was in at a time; None: it was never built, or lies open since.

    Not opened yet for the record that opened it. Raises Refused for a time before a build at which
    the stack was in none.
    """
    rows = work.session.execute(
        select(*columns(_Base, Build, BuildPeriod, build_id=Build.id, record_id=Build.record_id))
        .join(Build, Build.id == BuildPeriod.build_id)
        .where(BuildPeriod.stack_id == stack.id, BuildPeriod.known_until.is_(None))
        .order_by(BuildPeriod.closed_at)
    )
    before = None
    for base in read_all(_Base, rows):
        if at < base.closed_at:
            raise _between(stack, before, base, at)
        if base.opened_at is None or at < base.opened_at or base.opened_by_record_id == record_id:
            return base
        before = base
    return None


def _between(stack: Stack, before: _Base | None, later: _Base, at: datetime) -> Refused:
    instead = " no build before it is known: note an earlier event in its record."
    if before is not None and before.opened_at is not None:
        instead = (
            f" {stack.serial} lay open since {in_utc(before.opened_at)}: what was done"
            f" then belongs to record {later.record_id}, which a correction puts right."
        )
    return Refused(
        "performed_from",
        in_utc(at),
        f"build {later.number} of {stack.serial} was closed later, {in_utc(later.closed_at)}.",
        "A time after that would be right. If that closing time is wrong, correct it first;"
        f"{instead}",
    )


def _refuse_other_base(work: Work, stack: Stack, record: RebuildRecord, at: datetime) -> None:
    """Refuse a beginning at which the stack was not in the build the record is about."""
    if record.base_build_id is None:
        return
    base = _base_at(work, stack, at, record.id)
    if base is not None and base.build_id == record.base_build_id:
        return
    number = work.session.get_one(Build, record.base_build_id).number
    raise Refused(
        "performed_from",
        in_utc(at),
        f"{stack.serial} was {f'in build {base.number}' if base else 'open'} then; this record is"
        f" about build {number}.",
        "Another record for that event would be right.",
    )


def _refuse_kind(work: Work, stack: Stack, kind: RecordKind, base: _Base | None) -> None:
    if base is None and kind in NEEDS_A_BUILD:
        raise Refused(
            "kind", kind, f"{stack.serial} has no present build.", "A build has to come first."
        )
    built = base is not None or work.session.scalar(
        select(Build.id).where(Build.stack_id == stack.id).limit(1)
    )
    if built and kind in BEGINS_A_STACK:
        raise Refused(
            "kind", kind, f"{stack.serial} was built before.", "“rebuild” would be right."
        )
    if not built and kind is RecordKind.REBUILD:
        raise Refused(
            "kind", kind, f"{stack.serial} was never built.", "“first build” would be right."
        )


def _people(
    work: Work,
    people: People,
    *,
    writer_took_part: bool,
    writer: int | None = None,
    known_ids: Collection[int] = (),
) -> list[tuple[int, Involvement]]:
    writer = writer or work.by.id
    involved = list(dict.fromkeys((person, Involvement(how)) for person, how in people))
    for person_id, _how in involved:
        if person_id not in known_ids:
            active_person(work, "people", person_id)
    if writer_took_part and writer not in {person for person, _how in involved}:
        involved.insert(0, (writer, Involvement.WORKED))
    if all(how is not Involvement.WORKED for _person, how in involved):
        raise Refused("people", "", "nobody is named who worked on it.", "Name at least one.")
    return involved


def _write_people(work: Work, record_id: int, involved: Iterable[tuple[int, Involvement]]) -> None:
    work.session.add_all(
        RecordPerson(record_id=record_id, person_id=person, involvement=how)
        for person, how in involved
    )
    work.session.flush()


def _named(work: Work, record_id: int) -> list[tuple[int, Involvement]]:
    rows = work.session.execute(
        select(RecordPerson.person_id, RecordPerson.involvement).where(
            RecordPerson.record_id == record_id
        )
    )
    return [(row.person_id, row.involvement) for row in rows]


def _in_words(work: Work, involved: Iterable[tuple[int, Involvement]]) -> str:
    pairs = list(involved)
    rows = work.session.execute(
        select(Person.id, Person.name).where(Person.id.in_({person for person, _how in pairs}))
    )
    names = {row.id: row.name for row in rows}
    return "; ".join(sorted(f"{names[person]} {how}" for person, how in pairs))


def confirm_witness(work: Work, record_id: int, *, password: str, tablet: str = "") -> int:
    """Confirm, as a witness named, all lines written down until now; give the confirmation's id.

    ``password`` may be their PIN on the enrolled tablet whose secret is given.

    Raises NotAllowed for whoever is not named as a witness, Refused for a wrong password, where
    nothing waits for it, and once the record is handed in.
    """
    need(work.by, Act.WITNESS_CONFIRM)
    work.refuse_nobody("signed by", "a witness is a person.")
    record = work.locked(RebuildRecord, record_id, "record")
    witnesses = to_witness(work.session, record_id)
    witness = next((each for each in witnesses if each.person_id == work.by.id), None)
    if witness is None:
        raise NotAllowed(
            Act.WITNESS_CONFIRM.value, "You are not named as a witness of this record."
        )
    if record.state is not RecordState.OPEN:
        raise Refused(
            "record",
            f"record {record_id}",
            f"it is {record.state}.",
            "A witness confirms while the record is being written.",
        )
    if not witness.waits:
        raise Refused("record", f"record {record_id}", "you confirmed all of it already.")
    check_word(work, password, tablet)
    row = WitnessConfirmation(record_id=record_id, person_id=work.by.id, confirmed_at=work.now)
    work.session.add(row)
    work.session.flush()
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "witness confirmed", (("confirmed", None, witness.words),), did=Event.WITNESS_CONFIRMED
        ),
    )
    return row.id
