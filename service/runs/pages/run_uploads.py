"""A log on its way in: looked at, its columns confirmed, read in the background; saved mappings."""

from dataclasses import dataclass, replace

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, now_utc, reading, tending
from service.platform.errors import NotFound, Refused
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, Person, need
from service.runs.arithmetic.log_columns import Mapping, TimeKind
from service.runs.arithmetic.log_guess_columns import Doubt
from service.runs.changes.column_mappings import keep_mapping
from service.runs.changes.run_uploads import ABANDONED_AFTER, drop_upload
from service.runs.files import run_files
from service.runs.files.logs import doubts_of, guess_log, look_at
from service.runs.files.logs_format import LogFormat
from service.runs.files.run_reading import LogTaking, asked_of, place_of
from service.runs.pages import run_forms
from service.runs.pages.run_forms import ColumnLine
from service.runs.queries.column_mappings import KeptMapping, kept_mappings, versions_of
from service.runs.queries.run_checks import KnownRun, run_with_content
from service.runs.queries.run_uploads import UploadRow, upload
from service.runs.queries.runs import RunRow, run_sheet
from service.runs.tables import UploadState
from service.settings import Settings
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()
FIRST_ROWS = 6
OVERRIDES = ("separator", "decimal", "header_line", "sheet")


@dataclass(frozen=True, slots=True)
class LookPage:
    """A log as it was understood: how it is written, its columns, its doubts, the form."""

    sent: UploadRow
    stack: MapStack
    described: str
    headings: tuple[str, ...]
    first_rows: tuple[tuple[str, ...], ...]
    lines: tuple[ColumnLine, ...]
    doubts: tuple[Doubt, ...]
    kept: tuple[KeptMapping, ...]
    used: str
    """the saved mapping the form began with, or nothing"""
    again: RunRow | None
    known: KnownRun | None
    refused: str
    is_sheet: bool
    form: Form
    is_long: bool
    roles: tuple[tuple[str, str], ...] = run_forms.ROLES
    kinds: tuple[tuple[str, str], ...] = run_forms.KINDS
    units: tuple[str, ...] = run_forms.UNITS
    patterns: tuple[tuple[str, str], ...] = run_forms.WRITTEN
    separators: tuple[tuple[str, str], ...] = run_forms.SEPARATORS
    decimals: tuple[tuple[str, str], ...] = run_forms.DECIMALS
    counted: tuple[tuple[str, str, str, str], ...] = run_forms.COUNTED
    may_be_empty: frozenset[str] = run_forms.MAY_BE_EMPTY


@dataclass(frozen=True, slots=True)
class ProgressPage:
    """A log that is being read."""

    sent: UploadRow
    stack: MapStack


@dataclass(frozen=True, slots=True)
class UnreadablePage:
    """A file in which no log was found."""

    sent: UploadRow
    stack: MapStack
    refused: str
    form: Form


@dataclass(frozen=True, slots=True)
class MappingsPage:
    """Saved mappings, and the versions of one."""

    kept: tuple[KeptMapping, ...]
    chosen: tuple[KeptMapping, ...]


@router.get("/runs/mappings")
def show_mappings(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show which mappings are kept, and every version of one."""
    need(me, Act.READ)
    name = asked.kept("name")
    with reading(database) as session:
        context = MappingsPage(kept_mappings(session), versions_of(session, name) if name else ())
    return page(request, "runs/mappings.html", context)


@router.get("/runs/uploads/{token}")
def show_upload(request: Request, me: Me, database: Database, asked: Asked, token: str) -> Response:
    """Show a log that was sent: its columns, how far its reading is, or why it was refused."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        sent = upload(session, token)
    if sent.state is UploadState.DONE:
        return go_on(request, f"/runs/{sent.run_id}")
    if sent.state is UploadState.READING and now_utc() - sent.changed_at <= ABANDONED_AFTER:
        return _progress(request, database, sent)
    if wants_part(request):
        return go_on(request, f"/runs/uploads/{token}")
    return _look(request, database, asked, sent)


@router.post("/runs/uploads/{token}")
def read(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Begin to read a log as the form says."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        sent = upload(session, token)
    asked = asked_of(sent.asked)
    with form.keeping():
        written, lines = _written(request, form, sent)
        began_at = form.moment("began_at", required=form.kept("time_kind") == "elapsed")
        note = form.text("note", required=False)
        reason = form.text("reason") if asked.again is not None else ""
        stack_id = _other_stack(database, form, sent) if asked.again is not None else None
        called = form.text("mapping_name", required=False, most=80)
        mapping = run_forms.read_mapping(form, written, lines)
        form.check()
        if mapping is None:
            raise Refused("columns", "", "they do not say how to read the log.", "See below.")
        if called:
            _keep_mapping(database, me, called, mapping)
        if mapping.time.kind is TimeKind.CLOCK:
            began_at = None
        asked = replace(asked, mapping=mapping, began_at=began_at, note=note, reason=reason)
        taking(request, database, me).begin(token, asked, stack_id)
        return go_on(request, f"/runs/uploads/{token}")
    return _look(request, database, form, sent)


@router.post("/runs/uploads/{token}/drop")
def drop(request: Request, me: Me, database: Database, token: str) -> Response:
    """Forget a log that was sent and not read."""
    need(me, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    with tending(database) as session:
        serial = drop_upload(session, token, now_utc())
    run_files.forget_upload(settings.data_folder, token)
    return go_on(request, f"{address(serial)}/runs")


def taking(request: Request, database: Engine, me: Person) -> LogTaking:
    """What takes logs in for somebody on this server."""
    settings: Settings = request.app.state.settings
    return LogTaking(database, settings.data_folder, settings.zone, me)


def _keep_mapping(database: Engine, me: Person, name: str, mapping: Mapping) -> None:
    """Keep the columns under a name, unless they are kept so already."""
    with reading(database) as session:
        newest = next((one for one in kept_mappings(session) if one.name == name), None)
    if newest is None or newest.content != mapping.to_json():
        with changing(database, me) as work:
            keep_mapping(work, name, mapping)


def _other_stack(database: Engine, form: Form, sent: UploadRow) -> int:
    """The stack a run belongs to, as somebody says now."""
    serial = form.text("stack", required=False, most=80) or sent.stack
    try:
        with reading(database) as session:
            return find_stack(session, serial)
    except NotFound as trouble:
        raise Refused("stack", serial, "there is no such stack.", "A serial number.") from trouble


def _progress(request: Request, database: Engine, sent: UploadRow) -> Response:
    with reading(database) as session:
        context = ProgressPage(sent, stack_facts(session, sent.stack_id))
    if wants_part(request):
        return part(request, "runs/_progress.html", context)
    return page(request, "runs/progress.html", context)


def _written(
    request: Request, form: Form, sent: UploadRow
) -> tuple[LogFormat, tuple[ColumnLine, ...]]:
    """How the log is written and its columns, as the form says or as it is found."""
    settings: Settings = request.app.state.settings
    written = look_at(place_of(settings.data_folder, sent), run_forms.overrides(form))
    return written, run_forms.lines_of(written, run_forms.long_of(form, written))


def _look(request: Request, database: Engine, form: Form, sent: UploadRow) -> Response:
    asked = asked_of(sent.asked)
    with reading(database) as session:
        stack = stack_facts(session, sent.stack_id)
        kept = kept_mappings(session)
        again = run_sheet(session, asked.again).run if asked.again is not None else None
        known = run_with_content(session, sent.content_sha256) if again is None else None
    refused = _refused(sent)
    try:
        seen = _seen(request, form, sent, kept)
    except Refused as trouble:
        form.refused.setdefault("log", f"{trouble.reason} {trouble.right_would_be}")
        context = UnreadablePage(sent, stack, refused, form)
        return page(request, "runs/unreadable.html", context, 422)
    written, lines, doubts, used = seen
    width = len(written.headings)
    return page(
        request,
        "runs/look.html",
        LookPage(
            sent,
            stack,
            written.described,
            written.headings,
            tuple(
                (*row, *[""] * (width - len(row)))[:width] for row in written.sample[:FIRST_ROWS]
            ),
            lines,
            doubts,
            kept,
            used,
            again,
            known,
            refused,
            written.sheet is not None,
            form,
            bool(form.kept("long_channel")),
        ),
        form.status,
    )


def _as_wide(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (*row, *[""] * (width - len(row)))[:width]


def _seen(
    request: Request, form: Form, sent: UploadRow, kept: tuple[KeptMapping, ...]
) -> tuple[LogFormat, tuple[ColumnLine, ...], tuple[Doubt, ...], str]:
    """The log's columns with the form filled in: as asked before, as kept, or as guessed."""
    asked = asked_of(sent.asked)
    is_first = "time_kind" not in form.typed
    if is_first and asked.mapping is not None:
        for name in OVERRIDES:
            value = getattr(asked.mapping, name)
            form.typed.setdefault(name, ("" if value is None else str(value),))
    written, lines = _written(request, form, sent)
    if not is_first:
        return written, lines, (), form.kept("used")
    doubts: tuple[Doubt, ...] = ()
    mapping, used = asked.mapping, ""
    wish = form.kept("mapping")
    if mapping is None or wish:
        chosen = next((one for one in kept if one.name == wish), None)
        if not wish:
            fitting = [one for one in kept if run_forms.fits(one.mapping, written)]
            chosen = max(fitting, key=lambda one: len(one.mapping.wanted), default=None)
        if chosen is not None and run_forms.fits(chosen.mapping, written):
            mapping, used = chosen.mapping, f"{chosen.name}, version {chosen.version}"
            doubts = doubts_of(written, mapping)
        else:
            guess = guess_log(written)
            mapping, doubts = guess.mapping, guess.doubts
            if chosen is not None:
                missing = set(chosen.mapping.columns) - set(written.headings)
                names = ", ".join(sorted(missing)[:10])
                doubts = (Doubt(f"mapping “{chosen.name}”", f"The log has no {names}."), *doubts)
    if mapping.long is not None:
        lines = run_forms.lines_of(written, mapping.long)
    run_forms.fill_in(form, mapping, lines)
    began_at = asked.began_at
    beginning = blank(
        request, began_at=began_at, note=asked.note, reason=asked.reason, stack=sent.stack
    )
    for name in ("began_at", "note", "reason", "stack"):
        form.typed.setdefault(name, beginning.typed[name])
    return written, lines, doubts, used


def _refused(sent: UploadRow) -> str:
    if sent.state is UploadState.REFUSED:
        return sent.message
    if sent.state is UploadState.READING:
        return (
            "Its reading was abandoned: nothing was heard of it for a while, as when the server was"
            " started anew. Nothing was changed; it can be begun again."
        )
    return ""
