"""Rebuild records: read them, write a whole one, add entries of every kind."""

import json
from collections.abc import Callable
from datetime import datetime
from enum import Enum
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, Field

from service.bench.changes.calibration_corrections import before_recording
from service.bench.changes.corrections import propose
from service.bench.changes.entries import (
    ENTRIES,
    IT_STANDS,
    CellsRead,
    LeakTestSent,
    Names,
    Sent,
    StackTestSent,
    TorqueRead,
    WholeRecord,
    entries_of,
    make_entry,
    named_in,
)
from service.bench.changes.identities import propose_identity
from service.bench.changes.looking_again import look_again
from service.bench.queries.calibration_follows import CalibrationFollows
from service.bench.queries.correction_preview import Follows, preview
from service.bench.queries.corrections import (
    CorrectionView,
    correctable,
    correction,
    corrections_listed,
    corrections_of_records,
)
from service.bench.queries.inserted_events import inserted_event
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.queries.rebuild_records import decisions_of, record_as_text, record_list
from service.bench.tables import CorrectionOf, CorrectionState, Rests
from service.closing.api import ClosingSummary, summary_of
from service.closing.queries.closing_results import kept_result
from service.people.queries.people import logins_of
from service.platform.api import answers
from service.platform.api.answers import Out, Page, Turned, like, page_of, read_from
from service.platform.api.callers import AskedAsKnown, Call, Caller, Database, make_once
from service.platform.api.request_models import Why
from service.platform.changes import In, Name, Words
from service.platform.database import Work, now_utc, reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import from_keys
from service.proof.queries.instrument_uses import Judged, assessment
from service.proof.queries.readings_with import Use
from service.records.changes import rebuild_records
from service.records.changes.deviations import Stands, Unloaded
from service.records.changes.splits import split_off
from service.records.changes.waivers import waive_witness
from service.records.queries.content import verify
from service.records.queries.pile_checks import pile_check
from service.records.queries.records import people_on, record_head, removed_from
from service.records.tables import Involvement, RecordKind, RecordState, WaiverWhy
from service.stacks.queries.stacks import find_stack
from service.store.api import CalibrationSent, InstrumentNumber, entry_of
from service.store.queries.names import instruments_by_mark, part_by_text, people_by_login


def write_whole(work: Work, record: WholeRecord) -> int:
    """Write a whole record; give its number. Raises Refused naming the place in the call."""
    entries = list(entries_of(record))
    logins = {person.login for person in record.people}
    names = _names(work, [entry.facts for entry in entries], logins)
    record_id = rebuild_records.begin_record(
        work,
        stack_id=find_stack(work.session, record.stack),
        kind=record.kind,
        reason=record.reason,
        performed_from=record.performed_from,
        comes_after=record.comes_after,
        people=[(names.person[each.login], each.involvement) for each in record.people]
        or [(work.by.id, Involvement.WORKED)],
    )
    for entry in entries:
        make_entry(work, record_id, None, entry, names)
    return record_id


def _names(work: Work, bodies: list[In], logins: set[str]) -> Names:
    marks, logins_named = named_in(bodies)
    return Names(
        instruments_by_mark(work.session, marks),
        people_by_login(work.session, logins_named | logins),
    )


# What is answered as JSON: units stand in the names, times are ISO 8601 with a zone.


class Record(Out):
    """One rebuild record in a list."""

    id: int
    stack: str
    kind: str
    state: str
    reason: str
    performed_from: datetime
    written_at: datetime
    written_by: str
    handed_in_at: datetime | None
    build: int | None
    content_holds: bool | None = Field(
        default=None, description="whether it still has the hash it was handed in with"
    )


class Records(Page):
    """One page of records, newest first; ``before`` is the number ``next`` goes on below, or 0."""

    rows: list[Record]
    before: int


class RemovedPerson(Out):
    """Somebody who was named in a record's head and taken out of it again."""

    login: str
    person: str
    involvement: str
    removed_by_login: str
    removed_at: datetime


class DecisionMade(Out):
    """A signature: who decided what on which content, and what stood beside it."""

    meaning: str
    person: str = Field(description="name as of then, with login")
    roles: str
    at: datetime
    content_sha256: str | None
    reason: str
    remarks: str | None = Field(description="accounts alike, who made the password")
    correction_id: int | None
    before_corrections: list[int] = Field(
        description="corrections approved since: it was given for the version before them"
    )


@like(
    CorrectionView,
    only="id stack state reason deviation deviation_because unloaded_first written_by written_at"
    " decided_by decided_at decided_reason remarks",
)
class CorrectionMade(Out):
    """A correction of one fact: what the record said, and what it says once it is approved."""

    record: int = read_from("record_id")
    of: str
    field: str = read_from("subject_label")
    was: str = read_from("old_value", "as handed in; times are ISO 8601")
    now: str = Field(
        validation_alias="new_value",
        serialization_alias="is",
        description="what is known instead once it is approved",
    )
    content_sha256: str
    holds: bool = Field(description="whether it still says what was signed")


@like(Follows)
class Following(Out):
    """One thing that changes with a correction."""


class CorrectionSent(In):
    """A correction of one fact of a record handed in, to be decided on by somebody else."""

    of: CorrectionOf
    subject: int = Field(ge=1, le=2**53, description="number of the fact, from its list")
    part_of: Annotated[str, Field(max_length=200)] = Field(
        default="", description="which of its facts, where the list names it"
    )
    new_value: Annotated[str, Field(max_length=4000)] = Field(
        description="as typed: a serial, a facing, a number with its unit, a mark, a login, a word"
        " of the list, or a time in ISO 8601 with its zone; empty: not given"
    )
    more: dict[Name, Words] = Field(
        default={}, max_length=10, description="of what is added: severity, where, facing"
    )
    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    part_id: int | None = Field(
        default=None, ge=1, le=2**53, description="which, where several bear the serial"
    )
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(default="", description="why a new value that departs stays")
    unloaded_first: Unloaded | None = Field(
        default=None, description="of a torque above the last target: was the stack unloaded first"
    )


class FactToCorrect(Out):
    """One fact of a record that a correction can change."""

    of: str
    subject: int
    part_of: str = Field(description="which of its facts, where it has several")
    field: str
    choices: list[str] = Field(description="words that can be meant; empty: any")
    says: str = Field(description="as known now; times are ISO 8601")
    waits: bool = Field(description="a correction of it waits for a decision")


class CorrectionInFull(CorrectionMade):
    """A correction with what follows it: before it is decided as it would be, then as done."""

    follows: list[Following]
    notes: list[str]
    conflicts: list[str]


class Corrections(Page):
    """One page of corrections, newest first."""

    rows: list[CorrectionMade]


@like(RestsOn, without="made_by record_id correction_id")
class Resting(Out):
    """Something signed or made before a fact it rests on was corrected; nobody looked again."""

    made_by: str = Field(description="name and login")
    record: int = read_from("record_id", "in which the fact stands, or which was entered since")
    correction: int | None = read_from("correction_id", "null: an earlier event was entered since")


class LookedSent(In):
    """Somebody's word that they looked again at what rests on a corrected fact."""

    of: Rests
    subject_id: int = Field(ge=1, le=2**53)
    note: Words = Field(default="", description="what came of it")


class RecordContent(Out):
    """A record's content: as handed in and frozen, else as it stands now."""

    id: int
    state: str
    version: int
    content_sha256: str | None
    content_holds: bool | None
    closing: ClosingSummary | None = Field(
        default=None, description="what its closing gave, as kept at hand-in"
    )
    decisions: list[DecisionMade]
    removed: list[RemovedPerson] = Field(description="who was named in its head once")
    had_a_part: list[str] = Field(
        description="logins of all who wrote, worked on, witnessed, were named, conceded or"
        " corrected: none of them decides on it"
    )
    corrections: list[CorrectionMade] = Field(
        description="what was or would be corrected since; the content stays as handed in"
    )
    inserted_before: int | None = Field(
        description="the record of a later event that was written before this one"
    )
    follows: list[Following] = Field(
        description="what an event entered after later ones changes: until it is approved as it"
        " would be, then as done"
    )
    conflicts: list[str] = Field(description="what stands against approving it")
    content: dict[str, Any]


class CheckFinding(Out):
    """One finding; its sentence is what an entry “departure” names, where it needs a concession."""

    sentence: str
    mend: str
    severity: str
    positions: list[int] = Field(description="layers, 1 at the fixed end")
    accepted_by: str | None


router = APIRouter(prefix="/records")
of_corrections = APIRouter(prefix="/corrections")
of_resting = APIRouter(prefix="/looking-again")
of_identities = APIRouter(prefix="/parts")
of_instruments = APIRouter(prefix="/instruments", tags=["parts"])
TAGS: list[str | Enum] = ["records"]

RecordNumber = Annotated[int, Path(ge=1, le=2**53)]
Version = Annotated[
    int | None,
    Query(ge=0, le=2**53, description="refused where the record has another version by now"),
]


@router.get("", tags=TAGS)
def records(
    *,
    caller: Caller,
    engine: Database,
    stack: Annotated[str, Query(max_length=200, description="beginning of a serial")] = "",
    state: RecordState | None = None,
    kind: RecordKind | None = None,
    turn: Turned,
    before: Annotated[
        int, Query(ge=0, le=2**53, deprecated=True, description="instead of a page: number")
    ] = 0,
) -> Records:
    """Return all records, newest first, a page at a time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        listed = record_list(
            session, from_keys(turn, before or None), stack=stack, state=state, kind=kind
        )
        checks = verify(session, [row.id for row in listed.rows])
    rows = [
        Record.model_validate(row).model_copy(
            update={"content_holds": checks[row.id].holds if row.id in checks else None}
        )
        for row in listed.rows
    ]
    return Records(rows=rows, before=listed.last_key or 0, **page_of(listed))


@router.get("/{record_id}", tags=TAGS)
def record(
    record_id: RecordNumber, caller: Caller, engine: Database, as_of: AskedAsKnown
) -> RecordContent:
    """Return one record's content: as handed in and frozen, else as it stands now."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = record_as_text(session, record_id)
        check = verify(session, [record_id]).get(record_id)
        result = kept_result(session, record_id, as_of)
        decisions = decisions_of(session, record_id, as_of)
        removed = removed_from(session, record_id)
        corrected = corrections_of_records(session, [record_id], as_of)[record_id]
        had_a_part = logins_of(session, people_on(session, [record_id])[record_id])
        head = record_head(session, record_id)
        inserted = inserted_event(session, head)
    return RecordContent(
        id=record_id,
        state=answer.state,
        version=answer.version,
        content_sha256=answer.content_sha256,
        content_holds=check.holds if check else None,
        closing=summary_of(result) if result else None,
        decisions=[DecisionMade.model_validate(each) for each in decisions],
        removed=[RemovedPerson.model_validate(each) for each in removed],
        had_a_part=had_a_part,
        corrections=[CorrectionMade.from_answer(each) for each in corrected],
        inserted_before=head.inserted_before,
        follows=[Following.model_validate(row) for row in inserted.rows] if inserted else [],
        conflicts=list(inserted.conflicts) if inserted else [],
        content=json.loads(answer.canonical),
    )


@router.get("/{record_id}/facts", tags=TAGS)
def facts_to_correct(
    record_id: RecordNumber, caller: Caller, engine: Database
) -> list[FactToCorrect]:
    """Return the facts of a record handed in that a correction can change."""
    need(caller, Act.CORRECTION_WRITE)
    with reading(engine) as session:
        record = correctable(session, record_id)
    return [
        FactToCorrect(
            of=fact.of,
            subject=fact.subject_id,
            part_of=fact.field,
            field=fact.label,
            choices=list(getattr(fact.details, "choices", ())),
            says=fact.old_value,
            waits=record.is_waiting(*fact.key),
        )
        for fact in record.facts
    ]


@router.post("/{record_id}/corrections", status_code=201, tags=TAGS)
def correct(record_id: RecordNumber, sent: CorrectionSent, call: Call) -> answers.Made:
    """Propose a correction of one fact; it counts once somebody else has approved it."""
    facts = sent.model_dump(exclude={"subject", "part_of"})
    facts |= {"subject_id": sent.subject, "field": sent.part_of}
    return make_once(call, lambda work: propose(work, record_id, **facts))


@of_corrections.get("", tags=TAGS)
def corrections(
    *,
    caller: Caller,
    engine: Database,
    turn: Turned,
    state: CorrectionState | None = None,
    record: Annotated[int | None, Query(ge=1, le=2**53, description="number of a record")] = None,
) -> Corrections:
    """Return all corrections, newest first, a page at a time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        listed = corrections_listed(session, turn, state=state, record_id=record)
    rows = [CorrectionMade.from_answer(row) for row in listed.rows]
    return Corrections(rows=rows, **page_of(listed))


@of_corrections.get("/{correction_id}", tags=TAGS)
def correction_of(
    correction_id: Annotated[int, Path(ge=1, le=2**53)], caller: Caller, engine: Database
) -> CorrectionInFull:
    """Return one correction with everything that follows it, or would."""
    need(caller, Act.READ)
    with reading(engine) as session:
        view = correction(session, correction_id)
        follows = preview(session, view)
    return CorrectionInFull.from_answer(
        view, follows=follows.rows, notes=follows.notes, conflicts=follows.conflicts
    )


@of_resting.get("", tags=TAGS)
def resting(caller: Caller, engine: Database) -> list[Resting]:
    """Return what rests on a fact corrected since and nobody has looked at again."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return [Resting.from_answer(each) for each in rests_on(session)]


@of_resting.post("", status_code=201, tags=TAGS)
def look(sent: LookedSent, call: Call) -> answers.Made:
    """Say that one looked again at what rests on a corrected fact."""
    return make_once(call, lambda work: look_again(work, **sent.model_dump()))


@like(CalibrationFollows)
class Effect(Out):
    """One thing that changes with a calibration."""


@of_instruments.post("/{instrument_id}/calibrations/effect")
def effect(
    instrument_id: InstrumentNumber,
    body: CalibrationSent,
    caller: Caller,
    engine: Database,
    corrects: Annotated[
        int | None, Query(ge=1, le=2**53, description="calibration it would take the place of")
    ] = None,
) -> list[Effect]:
    """Return what would follow from a calibration, or from it as a correction. Writes nothing."""
    need(caller, Act.INSTRUMENT_WRITE)
    with reading(engine) as session:
        rows = before_recording(
            session, now_utc(), instrument_id, entry_of(body), corrects=corrects
        )
    return [Effect.from_answer(row) for row in rows]


@like(Use)
class UseMade(Out):
    """One reading or test with the instrument, as shown and with the error found."""


@like(Judged)
class UseJudged(Out):
    """The newest signed judgement of a build; ``holds``: it still says what was signed."""


class BuildInDoubt(Out):
    """One build with what was read of it; ``judged`` null: it waits for a judgement.

    ``build_id`` null: readings of no build, or, without a stack, of parts tested alone.
    """

    build_id: int | None
    number: int | None
    stack_serial: str
    uses: list[UseMade]
    judged: UseJudged | None
    content_sha256: str = Field(description="of what a judgement signs")


class Uses(Out):
    """All that was read with an instrument found out of tolerance, or without calibration."""

    instrument_id: int
    label: str
    unit: str
    since: datetime | None = Field(description="calibration before; null: from the beginning")
    is_error_known: bool
    builds: list[BuildInDoubt]


@of_instruments.get("/{instrument_id}/uses")
def uses(
    instrument_id: InstrumentNumber,
    caller: Caller,
    engine: Database,
    calibration: Annotated[
        int | None,
        Query(ge=1, le=2**53, description="that found it out; without: while none held"),
    ] = None,
) -> Uses:
    """Return what rests on an instrument, by build. Its judgements are signed on a page."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return Uses.from_answer(assessment(session, instrument_id, calibration))


@router.get("/{record_id}/check", tags=TAGS)
def check(record_id: RecordNumber, caller: Caller, engine: Database) -> list[CheckFinding]:
    """What the check of the record's pile against its design finds."""
    need(caller, Act.READ)
    with reading(engine) as session:
        judged = pile_check(session, record_id).judged
    return [
        CheckFinding(
            sentence=each.finding.sentence,
            mend=each.finding.mend,
            severity=str(each.severity),
            positions=list(each.finding.positions),
            accepted_by=each.departure.by if each.departure else None,
        )
        for each in judged
    ]


@router.post("", status_code=201, tags=TAGS)
def write(whole: WholeRecord, call: Call) -> answers.Made:
    """Write a whole record at once, and hand it in if asked; all of it or nothing."""
    return make_once(call, lambda work: write_whole(work, whole))


class SplitSent(In):
    """A new stack, made of parts of one that lies open."""

    serial: Annotated[str, Field(min_length=1, max_length=80)]
    place: Annotated[str, Field(max_length=200)] = ""
    done_at: AwareDatetime | None = None


@router.post("/{record_id}/splits", status_code=201, tags=TAGS)
def split(
    *, record_id: RecordNumber, sent: SplitSent, call: Call, version: Version = None
) -> answers.Made:
    """Split the stack of a record that lies open; gives the record of the new stack."""
    return make_once(call, lambda work: split_off(work, record_id, version, **sent.model_dump()))


def _route(name: str, model: type[In]) -> Callable[..., answers.Made]:
    entry = ENTRIES[name]

    def enter(
        *, record_id: RecordNumber, body: In, call: Call, version: Version = None
    ) -> answers.Made:
        def change(work: Work) -> int:
            names = _names(work, [body], set())
            step_id = make_entry(
                work, record_id, version, Sent("", name, body), names, **entry.also
            )
            return step_id if isinstance(step_id, int) else record_id

        return make_once(call, change)

    enter.__annotations__["body"] = model  # each kind has its own: read by FastAPI
    enter.__doc__ = (entry.make.__doc__ or "").split(";")[0].split("\n")[0].rstrip(".") + "."
    return enter


for _name, _entry in ENTRIES.items():
    router.post(
        f"/{{record_id}}/entries/{_name}", status_code=201, tags=TAGS, name=_name.replace("-", "_")
    )(_route(_name, _entry.facts))
for _address, _name, _model, _tag in (
    ("torque-readings", "torque", TorqueRead, "records"),
    ("leak-tests", "leak-test", LeakTestSent, "tests"),
    ("insulation-tests", "insulation-test", StackTestSent, "tests"),
    ("short-checks", "short-check", CellsRead, "tests"),
):
    router.post(
        f"/{{record_id}}/{_address}", status_code=201, tags=[_tag], name=_name.replace("-", "_")
    )(_route(_name, _model))


class WaiverSent(Why):
    """Leave to do without a witness; ``until`` null: in this record only."""

    why: WaiverWhy
    until: AwareDatetime | None = None


@router.post("/{record_id}/waivers", status_code=201, tags=TAGS)
def waive(record_id: RecordNumber, body: WaiverSent, call: Call) -> answers.Made:
    """Give leave to do without a witness in a record one had no part in."""
    need(call.caller, Act.WITNESS_WAIVE)

    def change(work: Work) -> int:
        return waive_witness(work, record_id, why=body.why, reason=body.reason, until=body.until)

    return make_once(call, change)


class IdentitySent(Why):
    """Which part a temporary one is; ``serial`` null: not the one it was taken for."""

    serial: Annotated[str, Field(min_length=1, max_length=400)] | None
    drawing: str = Field(default="", max_length=200, description="where several bear the serial")
    maker: str = Field(default="", max_length=200, description="where several bear the serial")


@of_identities.post("/{part_id}/identity", status_code=201, tags=TAGS)
def identify(
    part_id: Annotated[int, Path(ge=1, le=2**53)], body: IdentitySent, call: Call
) -> answers.Made:
    """Propose which part a temporary one is, or take that back; somebody else approves it."""
    need(call.caller, Act.CORRECTION_WRITE)

    def change(work: Work) -> int:
        right_id = None
        if body.serial is not None:
            right_id = part_by_text(work.session, body.serial, body.drawing, body.maker)
        return propose_identity(work, part_id, right_id, reason=body.reason)

    return make_once(call, change)
