"""Rebuild records: read them, write a whole one, add torque readings."""

import json
from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.bench.api import record_models
from service.bench.api.record_submission import read_torque, write_whole
from service.bench.queries.rebuild_records import record_list
from service.bench.queries.record_texts import record_as_text
from service.closing.api.models import ClosingSummary, summary_of
from service.closing.queries.closing_results import kept_result
from service.platform.api import answers, request_models
from service.platform.api.callers import Caller, Database, made_once
from service.platform.database import Work, reading
from service.platform.permissions import Act, need
from service.records.queries.content import verify
from service.records.tables import RecordKind, RecordState
from service.stacks.api.stacks import OneTimeKey
from service.store.queries.names import instruments_by_mark

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
) -> record_models.Records:
    """All records, newest first, a page at a time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = record_list(
            session, stack=stack, state=state, kind=kind, before=before, limit=limit
        )
        checks = verify(session, [row.id for row in answer.rows])
    rows = [
        record_models.Record.model_validate(row).model_copy(
            update={"content_holds": checks[row.id].holds if row.id in checks else None}
        )
        for row in answer.rows
    ]
    return record_models.Records(rows=rows, before=answer.before)


@router.get("/{record_id}")
def record(
    record_id: RecordNumber, caller: Caller, engine: Database
) -> record_models.RecordContent:
    """One record's content: as handed in and frozen, else as it stands now."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = record_as_text(session, record_id)
        check = verify(session, [record_id]).get(record_id)
        kept = kept_result(session, record_id)
    return record_models.RecordContent(
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
