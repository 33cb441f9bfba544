"""Runs: a bench sends its log, asks how far it is read, and what came of it."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from pydantic import AwareDatetime, Field
from sqlalchemy import Engine
from starlette.datastructures import FormData, UploadFile

from service.platform.api import answers, request_models
from service.platform.api.answers import like, read_from
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.arithmetic.dates import parse_when
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.platform.queries.lists import from_keys
from service.runs.arithmetic.log_columns import Mapping, mapping_from_data, mapping_from_json
from service.runs.changes.runs import correct_clock, keep_mapping, void_run
from service.runs.files import run_files
from service.runs.files.run_files import PIECE, Received, receive, receiving
from service.runs.files.run_reading import Asked, LogTaking
from service.runs.queries import runs as rows
from service.runs.queries.run_checks import UploadRow, upload
from service.runs.queries.runs import (
    kept_mapping,
    kept_mappings,
    newest_mapping,
    run_sheet,
    runs_of_stack,
)
from service.runs.tables import RunKind, UploadState
from service.settings import Settings
from service.stacks.queries.stacks import find_stack

# What is sent and answered of runs as JSON: hours in h, other units in the names.


@like(UploadRow, only="token state")
class Upload(answers.Out):
    """A log on its way in. ``run`` is the number of the run it became; ``status`` asks again."""

    done: float = Field(description="share read, 0 to 1")
    message: str = Field(description="what is being done, or why it was refused")
    run: int | None = read_from("run_id")
    status: str
    page: str


@like(rows.ReadingRow, without="id build_id meter_number formula")
class RunReading(answers.Out):
    """What a reading of a run's file found; hours in h."""


@like(rows.RunRow, without="stack_id")
class Run(answers.Out):
    """One run; ``reading`` null where it was made void."""

    reading: RunReading | None


@like(rows.LimitPassed)
class Limit(answers.Out):
    """Hours beyond a limit, and how often it was passed."""


@like(rows.SnapshotRow, without="id")
class RunSnapshot(answers.Out):
    """Voltages of one steady time, summed up: V, A, A/cm², °C."""


@like(rows.RunSheet, only="doubts")
class WholeRun(answers.Out):
    """One run with its limits, doubts, snapshots and everything it was read as before."""

    run: Run
    mapping: answers.Data
    limits: list[Limit]
    snapshots: list[RunSnapshot]
    readings: list[RunReading]


@like(rows.KeptMapping, only="name version by made_at")
class KeptColumns(answers.Out):
    """A saved mapping in its newest version."""

    mapping: answers.Data = read_from("content")


class MappingSent(request_models.In):
    """Which column is what, to be kept under a name."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    mapping: dict[str, Any] = Field(description="of the form “log columns 1”")


class Again(request_models.In):
    """How a run's file is to be read anew; without a mapping, as it was."""

    reason: request_models.Words
    mapping: dict[str, Any] | None = None
    began_at: AwareDatetime | None = None
    stack: request_models.Name | None = Field(
        default=None, description="serial, where it is another's log"
    )


class ClockError(request_models.In):
    """By how much the clock of a log was wrong, in min, and how that was found out."""

    minutes: float = Field(description="added to all times; minus where the clock was ahead")
    reason: request_models.Words


class Void(request_models.In):
    """Why a run counts no more."""

    reason: request_models.Words


router = APIRouter(tags=["runs"])
MOST_WAITED_S = 600
RunNumber = Annotated[int, Path(ge=1, le=2**31)]
Token = Annotated[str, Path(max_length=64, pattern=r"^[A-Za-z0-9_-]+$")]
ABOUT_FIELDS = (
    "A log as the raw body, or as the field “log” of a form. `mapping` names a saved mapping, or"
    " is one as JSON. Without one the log waits on the answered page until somebody has said which"
    " column is what."
)
FIELDS = {
    "log": {"type": "string", "format": "binary"},
    "name": {"type": "string", "description": "of the file"},
    "mapping": {"type": "string", "description": "name of a saved mapping, or a mapping as JSON"},
    "began_at": {"type": "string", "format": "date-time"},
    "note": {"type": "string"},
}
BODY: dict[str, Any] = {
    "requestBody": {
        "required": True,
        "content": {
            "application/octet-stream": {"schema": {"type": "string", "format": "binary"}},
            "multipart/form-data": {
                "schema": {"type": "object", "required": ["log"], "properties": FIELDS}
            },
        },
    }
}


@router.post(
    "/stacks/{serial}/runs",
    status_code=202,
    description=ABOUT_FIELDS,
    openapi_extra=BODY,
    responses={201: {"model": Upload, "description": "read within the time waited"}},
)
async def send(
    *,
    serial: str,
    request: Request,
    response: Response,
    caller: Caller,
    engine: Database,
    name: Annotated[str, Query(max_length=200, description="of the file")] = "log",
    mapping: Annotated[str, Query(max_length=80, description="name of a saved mapping")] = "",
    began_at: Annotated[
        AwareDatetime | None,
        Query(description="time of the first row, where the log counts from its beginning"),
    ] = None,
    note: Annotated[str, Query(max_length=4000)] = "",
    wait: Annotated[
        int, Query(ge=0, le=MOST_WAITED_S, description="seconds to wait until it is read")
    ] = 0,
) -> Upload:
    """Take a test bench's log for a stack."""
    need(caller, Act.RUN_WRITE)
    stack_id = await run_in_threadpool(_stack, engine, serial)
    form_fields = {"name": name, "mapping": mapping, "note": note}
    settings: Settings = request.app.state.settings
    if request.headers.get("content-type", "").startswith("multipart/form-data"):
        async with request.form(max_files=1, max_fields=20, max_part_size=4 * PIECE) as form:
            form_fields |= {key: value for key, value in form.items() if isinstance(value, str)}
            began_at = _moment(form_fields.get("began_at", "")) or began_at
            received = await run_in_threadpool(_of_form, settings, form, form_fields)
    else:
        received = await _of_body(settings, request, name)
    instructions = Asked(began_at=began_at, note=form_fields["note"][:4000], via="api")
    taking = LogTaking(engine, settings.data_folder, settings.zone, caller)
    upload_row = await run_in_threadpool(
        _begun, taking, stack_id, received, instructions, wish=form_fields["mapping"], wait=wait
    )
    if upload_row.state is UploadState.DONE:
        response.status_code = 201
    return _upload(upload_row)


@router.get("/run-uploads/{token}")
def status(token: Token, caller: Caller, engine: Database) -> Upload:
    """Say how far a log is read, what it became, or why it was refused."""
    need(caller, Act.RUN_WRITE)
    with reading(engine) as session:
        return _upload(upload(session, token))


@router.get("/stacks/{serial}/runs")
def runs(
    *,
    serial: str,
    request: Request,
    caller: Caller,
    engine: Database,
    turn: answers.Turned,
    response: Response,
    before: Annotated[
        AwareDatetime | None,
        Query(deprecated=True, description="instead of a page: runs that began before"),
    ] = None,
) -> list[Run]:
    """Return the runs of a stack, newest first; the pages beside it stand in the header Link.

    Source: RFC 8288 (the header Link).
    """
    need(caller, Act.READ)
    with reading(engine) as session:
        going_on = from_keys(turn, before, 0) if before else turn
        run_rows = runs_of_stack(session, find_stack(session, serial), going_on)
    if links := answers.links_of(request, run_rows):
        response.headers["Link"] = links
    return [Run.from_answer(row) for row in run_rows.rows]


@router.get("/runs/{run_id}")
def run(run_id: RunNumber, caller: Caller, engine: Database) -> WholeRun:
    """Return one run whole."""
    need(caller, Act.READ)
    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
    return WholeRun.from_answer(sheet)


@router.post("/runs/{run_id}/again", status_code=202)
def again(
    run_id: RunNumber, entry: Again, request: Request, caller: Caller, engine: Database
) -> Upload:
    """Read a run's file anew: what was read before is closed out."""
    need(caller, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    with reading(engine) as session:
        row = run_sheet(session, run_id).run
        before, began_at = newest_mapping(session, run_id)
    if row.kind is not RunKind.LOG:
        raise Refused("run", row.name, "it is a sweep, not a log.", "Take the sweep in anew.")
    mapping = _mapping(entry.mapping) if entry.mapping else mapping_from_json(before)
    received = Received(run_files.new_token(), row.name, row.size_bytes, row.content_sha256)
    instructions = Asked(mapping, entry.began_at or began_at, row.note, run_id, entry.reason, "api")
    taking = LogTaking(engine, settings.data_folder, settings.zone, caller)
    stack_id = _stack(engine, entry.stack) if entry.stack else row.stack_id
    taking.note(stack_id, received, instructions)
    taking.begin(received.token, instructions)
    with reading(engine) as session:
        return _upload(upload(session, received.token))


@router.post("/runs/{run_id}/clock")
def clock(run_id: RunNumber, entry: ClockError, caller: Caller, engine: Database) -> WholeRun:
    """Move all times of a log whose clock, or time zone, was wrong; hours and snapshots follow."""
    with changing(engine, caller, via="api") as work:
        correct_clock(work, run_id, minutes=entry.minutes, reason=entry.reason)
    with reading(engine) as session:
        return WholeRun.from_answer(run_sheet(session, run_id))


@router.post("/runs/{run_id}/void")
def void(run_id: RunNumber, entry: Void, caller: Caller, engine: Database) -> Run:
    """Make a run void: its hours, voltages and curves count no more."""
    with changing(engine, caller, via="api") as work:
        void_run(work, run_id, reason=entry.reason)
    with reading(engine) as session:
        return Run.from_answer(run_sheet(session, run_id).run)


@router.get("/run-mappings")
def mappings(caller: Caller, engine: Database) -> list[KeptColumns]:
    """Return the saved mappings of benches' logs, each in its newest version."""
    need(caller, Act.READ)
    with reading(engine) as session:
        mapping_rows = kept_mappings(session)
    return [KeptColumns.from_answer(mapping_row) for mapping_row in mapping_rows]


@router.post("/run-mappings", status_code=201)
def keep(entry: MappingSent, call: Call) -> answers.Made:
    """Keep a mapping under a name; a changed one is a new version."""
    mapping = _mapping(entry.mapping)
    return make_once(call, lambda work: keep_mapping(work, entry.name, mapping))


def _stack(engine: Engine, serial: str) -> int:
    with reading(engine) as session:
        return find_stack(session, serial)


def _of_form(settings: Settings, form: FormData, form_fields: dict[str, str]) -> Received:
    sent_log = form.get("log")
    if not isinstance(sent_log, UploadFile):
        raise Refused("log", "", "no file was sent.", "The field “log” with the file.")
    name = form.get("name")
    name = name if isinstance(name, str) and name else sent_log.filename or form_fields["name"]
    return receive(settings.data_folder, sent_log.file, name, settings.log_max_mb)


async def _of_body(settings: Settings, request: Request, name: str) -> Received:
    with receiving(settings.data_folder, name, settings.log_max_mb) as receiver:
        gathered = bytearray()
        async for piece in request.stream():
            gathered += piece
            if len(gathered) >= PIECE:
                await run_in_threadpool(receiver.write, bytes(gathered))
                gathered.clear()
        if gathered:
            await run_in_threadpool(receiver.write, bytes(gathered))
        return await run_in_threadpool(receiver.finish)


def _begun(
    taking: LogTaking,
    stack_id: int,
    received: Received,
    instructions: Asked,
    *,
    wish: str,
    wait: int,
) -> UploadRow:
    """Note the log, begin to read it where somebody said how, and wait as long as is asked."""
    try:
        mapping = _wished(taking.engine, wish)
    except Exception:
        run_files.forget_upload(taking.folder, received.token)
        raise
    instructions = Asked(mapping, instructions.began_at, instructions.note, via=instructions.via)
    taking.note(stack_id, received, instructions)
    if mapping is not None:
        thread = taking.begin(received.token, instructions)
        if wait:
            thread.join(wait)
    with reading(taking.engine) as session:
        upload_row = upload(session, received.token)
    if upload_row.state is UploadState.REFUSED:
        raise Refused("log", upload_row.name, upload_row.message)
    return upload_row


def _wished(engine: Engine, wish: str) -> Mapping | None:
    if not wish:
        return None
    if wish.lstrip().startswith("{"):
        try:
            return mapping_from_json(wish)
        except TradeError as trouble:
            raise Refused("mapping", "", str(trouble)) from None
    with reading(engine) as session:
        return kept_mapping(session, wish).mapping


def _mapping(data: dict[str, Any]) -> Mapping:
    try:
        return mapping_from_data(data)
    except TradeError as trouble:
        raise Refused("mapping", "", str(trouble)) from None


def _moment(text: str) -> datetime | None:
    if not text:
        return None
    try:
        return parse_when(text, None, needs_time=True)
    except OutOfRange as trouble:
        right = f"Right would be {trouble.allowed}."
        raise Refused("began_at", text, "it is no time of a zone.", right) from None


def _upload(upload_row: UploadRow) -> Upload:
    page = (
        f"/runs/{upload_row.run_id}" if upload_row.run_id else f"/runs/uploads/{upload_row.token}"
    )
    return Upload.from_answer(
        upload_row, status=f"/api/v1/run-uploads/{upload_row.token}", page=page
    )
