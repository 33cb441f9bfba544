"""Rebuild records: read them, write a whole one, add torque readings."""

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import Field

from service.bench.changes import bench
from service.bench.changes.handing_in import hand_in
from service.bench.queries.rebuild_records import record_as_text, record_list
from service.closing.api import ClosingSummary, summary_of
from service.closing.queries.closing_results import kept_result
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.api import answers, request_models
from service.platform.api.answers import Out
from service.platform.api.callers import Caller, Database, OneTimeKey, made_once
from service.platform.api.request_models import TorqueRead, WholeRecord, instruments_of, logins_of
from service.platform.arithmetic.vocabulary import Stage
from service.platform.database import Work, reading
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes import rebuild_records
from service.records.queries.content import verify
from service.records.tables import Involvement, RecordKind, RecordState
from service.stacks.queries.stacks import find_stack
from service.store.queries.names import instruments_by_mark, people_by_login

# A whole event in one call: the same entries as at the bench, in their order, all or nothing.


@dataclass(frozen=True, slots=True)
class _Names:
    people: dict[str, int]
    instruments: dict[str, int]


def write_whole(work: Work, record: WholeRecord) -> int:
    """Write a whole record; give its number. Raises Refused naming the place in the call."""
    names = _Names(
        people_by_login(work.session, logins_of(record, work.by)),
        instruments_by_mark(work.session, instruments_of(record)),
    )
    record_id = rebuild_records.begin_record(
        work,
        stack_id=find_stack(work.session, record.stack),
        kind=record.kind,
        reason=record.reason,
        performed_from=record.performed_from,
        people=[(names.people[each.login], each.involvement) for each in record.people]
        or [(work.by.id, Involvement.WORKED)],
    )
    _make_safe(work, record_id, record, names)
    _torques(work, record_id, names, record.torque_as_found, Stage.AS_FOUND)
    _open(work, record_id, record)
    _layers_and_fixings(work, record_id, record)
    _torques(work, record_id, names, record.torque_at_closing, Stage.CLOSING)
    if record.closing:
        with _at("closing"):
            bench.close_stack(
                work,
                record_id,
                None,
                closed_at=record.closing.closed_at,
                hours=record.closing.hours,
            )
    if record.hand_in:
        hand_in(work, record_id, None)
    return record_id


def read_torque(work: Work, record_id: int, reading: TorqueRead, instrument_id: int) -> int:
    """Enter one torque reading; give the entry's number."""
    return bench.read_torque(
        work,
        record_id,
        None,
        rod_number=reading.rod_number,
        pass_number=reading.pass_number,
        stage=reading.stage,
        kind=reading.kind,
        torque_nm=reading.torque_nm,
        instrument_id=instrument_id,
        taken_at=reading.taken_at,
    )


def _make_safe(work: Work, record_id: int, record: WholeRecord, names: _Names) -> None:
    for place, line in enumerate(record.make_safe):
        with _at(f"make_safe.{place}"):
            bench.record_make_safe(
                work,
                record_id,
                None,
                line_number=line.line_number,
                reading=line.reading,
                instrument_id=names.instruments[line.instrument] if line.instrument else None,
                person_id=names.people[line.person] if line.person else work.by.id,
                witness_id=names.people[line.witness] if line.witness else None,
                done_at=line.done_at,
                note=line.note,
            )


def _open(work: Work, record_id: int, record: WholeRecord) -> None:
    if record.opening is None:
        return
    with _at("opening"):
        if record.opening.exception:
            bench.record_exception(
                work,
                record_id,
                None,
                reason=record.opening.exception,
                done_at=record.opening.opened_at,
            )
        bench.open_stack(
            work,
            record_id,
            None,
            opened_at=record.opening.opened_at,
            hours=record.opening.hours,
            hours_unknown_because=record.opening.hours_unknown_because,
        )


def _layers_and_fixings(work: Work, record_id: int, record: WholeRecord) -> None:
    for place, removed in enumerate(record.fixings_removed):
        with _at(f"fixings_removed.{place}"):
            bench.remove_fixing(
                work, record_id, None, part_id=removed.part_id, done_at=removed.done_at
            )
    for place, lifted in enumerate(record.lifted_off):
        with _at(f"lifted_off.{place}"):
            bench.lift_off(
                work,
                record_id,
                None,
                end=lifted.end,
                scanned=lifted.serial,
                findings=[
                    FindingEntry(seen.condition, seen.severity, seen.where, seen.note)
                    for seen in lifted.findings
                ],
                note=lifted.note,
                done_at=lifted.done_at,
            )
    for place, put in enumerate(record.put_on):
        with _at(f"put_on.{place}"):
            bench.put_on(
                work,
                record_id,
                None,
                end=put.end,
                scanned=put.scanned,
                part_id=put.part_id,
                lot_id=put.lot_id,
                facing=put.facing,
                note=put.note,
                done_at=put.done_at,
            )
    for place, fitted in enumerate(record.fixings_fitted):
        with _at(f"fixings_fitted.{place}"):
            bench.fit_fixing(
                work,
                record_id,
                None,
                rod_number=fitted.rod_number,
                end=fitted.end,
                scanned=fitted.scanned,
                part_id=fitted.part_id,
                lot_id=fitted.lot_id,
                done_at=fitted.done_at,
            )


def _torques(
    work: Work,
    record_id: int,
    names: _Names,
    readings: list[TorqueRead],
    stage: Stage,
) -> None:
    name = "torque_as_found" if stage is Stage.AS_FOUND else "torque_at_closing"
    for place, torque in enumerate(readings):
        with _at(f"{name}.{place}"):
            staged = torque.model_copy(update={"stage": stage})
            read_torque(work, record_id, staged, names.instruments[torque.instrument])


@contextmanager
def _at(place: str) -> Iterator[None]:
    """Say in a refusal where in the call it arose."""
    try:
        yield
    except Refused as refusal:
        raise Refused(
            f"{place}.{refusal.field}", refusal.value, refusal.reason, refusal.right_would_be
        ) from refusal


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


class Records(Out):
    """One page of records, newest first; ``before`` continues, 0 at the end."""

    rows: list[Record]
    before: int


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
    content: dict[str, Any]


router = APIRouter(prefix="/records", tags=["records"])

RecordNumber = Annotated[int, Path(ge=1, le=2**53)]


@router.get("")
def records(
    *,
    caller: Caller,
    engine: Database,
    stack: Annotated[str, Query(max_length=200, description="beginning of a serial")] = "",
    state: RecordState | None = None,
    kind: RecordKind | None = None,
    before: Annotated[int, Query(ge=0, le=2**53, description="number to go on below")] = 0,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> Records:
    """All records, newest first, a page at a time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = record_list(
            session, stack=stack, state=state, kind=kind, before=before, limit=limit
        )
        checks = verify(session, [row.id for row in answer.rows])
    rows = [
        Record.model_validate(row).model_copy(
            update={"content_holds": checks[row.id].holds if row.id in checks else None}
        )
        for row in answer.rows
    ]
    return Records(rows=rows, before=answer.before)


@router.get("/{record_id}")
def record(record_id: RecordNumber, caller: Caller, engine: Database) -> RecordContent:
    """One record's content: as handed in and frozen, else as it stands now."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = record_as_text(session, record_id)
        check = verify(session, [record_id]).get(record_id)
        kept = kept_result(session, record_id)
    return RecordContent(
        id=record_id,
        state=answer.state,
        version=answer.version,
        content_sha256=answer.content_sha256,
        content_holds=check.holds if check else None,
        closing=ClosingSummary(**summary_of(kept, kept.readable_outcome)) if kept else None,
        content=json.loads(answer.canonical),
    )


@router.post("", status_code=201)
def write(
    whole: request_models.WholeRecord, caller: Caller, engine: Database, key: OneTimeKey = None
) -> answers.Made:
    """Write a whole record at once, and hand it in if asked; all of it or nothing."""
    return made_once(engine, caller, key, lambda work: write_whole(work, whole))


@router.post("/{record_id}/torque-readings", status_code=201)
def torque(
    record_id: RecordNumber,
    taken: request_models.TorqueRead,
    caller: Caller,
    engine: Database,
    key: OneTimeKey = None,
) -> answers.Made:
    """Add one torque reading to a record that is being written."""

    def change(work: Work) -> int:
        instrument_id = instruments_by_mark(work.session, [taken.instrument])[taken.instrument]
        return read_torque(work, record_id, taken, instrument_id)

    return made_once(engine, caller, key, change)
