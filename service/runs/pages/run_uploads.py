"""A log on its way in: looked at, its columns confirmed, read in the background; saved mappings."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.typed_fields import as_typed
from service.platform.database import changing, housekeeping, now_utc, reading
from service.platform.errors import NotFound, Refused
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, Person, need
from service.runs.arithmetic.log_columns import (
    ELAPSED_S,
    MEASURE_OF,
    PATTERNS,
    CellColumn,
    Counting,
    LongForm,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.log_guess_columns import Doubt
from service.runs.arithmetic.log_units import kept_in, parted
from service.runs.changes.run_uploads import ABANDONED_AFTER, drop_upload
from service.runs.changes.runs import keep_mapping
from service.runs.files import run_files
from service.runs.files.logs import doubts_of, guess_log, look_at
from service.runs.files.logs_format import LogFormat
from service.runs.files.run_reading import LogTaking, asked_of, place_of
from service.runs.queries.run_checks import KnownRun, UploadRow, run_with_content, upload
from service.runs.queries.runs import KeptMapping, RunRow, kept_mappings, run_sheet, versions_of
from service.runs.tables import UploadState
from service.settings import Settings
from service.stacks.pages.stacks import address
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack
from service.taps.arithmetic import channel_number

# The form that says which column of a log is what: filled from a guess or a saved mapping, read.
#
# One line a column: what it is, its channel if it is a cell voltage, its unit.


CELL = "cell voltage"


ROLES = (("", "not used"), (CELL, CELL), *((signal.value, signal.value) for signal in Signal))


KINDS = (
    (TimeKind.CLOCK.value, "date and time of day"),
    (TimeKind.ELAPSED.value, "time since the log's beginning"),
)


SEPARATORS = ((";", "semicolon"), (",", "comma"), ("\t", "tab"), ("|", "bar"))


DECIMALS = ((".", "point"), (",", "comma"))


UNITS = tuple(ELAPSED_S)


WRITTEN = tuple((example, f"{example} ({words})") for example, words in PATTERNS.items())


EXAMPLES = 3


COUNTED = (
    ("idle_a_cm2", "No load up to", "A/cm²", "A current above this is load."),
    ("hydrogen_above_l_min", "Hydrogen above", "L/min", "Where hydrogen flow is logged."),
    ("temperature_above_c", "Count hours above", "°C", "Of the stack's temperature."),
    ("cell_below_v", "Count hours below", "V", "Of the lowest cell voltage."),
    ("longest_gap_s", "Longest gap that still runs", "s", "A longer one is no running time."),
    ("shortest_stop_s", "Shortest stop", "s", "Less time off load is no stop."),
    ("steady_least_min", "Steady for at least", "min", "Steady times become snapshots."),
    ("steady_longest_min", "One snapshot each", "min", "A longer steady time gives several."),
    ("settling_min", "Time to settle", "min", "Left out after each change."),
    ("current_band_percent", "Current steady within ±", "%", ""),
    ("temperature_band_k", "Temperature steady within ±", "K", "Empty: not asked."),
)
"""Figures of `Counting` on the form: name, label, unit, hint."""


MAY_BE_EMPTY = frozenset({"temperature_above_c", "cell_below_v", "temperature_band_k"})


@dataclass(frozen=True, slots=True)
class ColumnLine:
    """One column, or one channel of the long form: its place, heading and what stands in it."""

    place: int
    heading: str
    unit: str
    examples: tuple[str, ...]


def lines_of(written: LogFormat, long: LongForm | None) -> tuple[ColumnLine, ...]:
    """Return the columns a form asks about; of a log with one value a row its channels first."""
    units = written.units or ()
    lines = []
    names = list(written.headings)
    if long is not None:
        at = names.index(long.channel_column)
        value = names.index(long.value_column)
        values_by_channel: dict[str, list[str]] = {}
        for row in written.sample:
            if max(at, value) < len(row) and row[at]:
                values_by_channel.setdefault(row[at], []).append(row[value])
        for name, values in values_by_channel.items():
            lines.append((name, parted(name).unit, tuple(values[:EXAMPLES])))
    for at, name in enumerate(names):
        if long is not None and name in {long.channel_column, long.value_column}:
            continue
        unit = parted(name).unit or (units[at].strip("[](){} ") if at < len(units) else "")
        cells = dict.fromkeys(row[at] for row in written.sample if at < len(row) and row[at])
        lines.append((name, unit, tuple(list(cells)[:EXAMPLES])))
    return tuple(ColumnLine(at, *line) for at, line in enumerate(lines))


def fill_in(form: Form, mapping: Mapping, lines: Sequence[ColumnLine]) -> None:
    """Begin the form with what a mapping says."""
    time = mapping.time
    places = {line.heading: line.place for line in lines}

    def at(name: str) -> tuple[str, ...]:
        place = places.get(name)
        return ("" if place is None else str(place),)

    kind = TimeKind.CLOCK if time.kind is TimeKind.NONE else time.kind
    form.typed |= {
        "time_kind": (kind.value,),
        "time": at(time.columns[0]) if time.columns else ("",),
        "time_of_day": at(time.columns[1]) if len(time.columns) > 1 else ("",),
        "time_unit": (time.unit,),
        "pattern": (time.pattern or "",),
        "time_zone": (time.zone or "",),
        "is_meter": ("yes" if time.is_meter else "",),
    }
    if mapping.long is not None:
        form.typed["long_channel"] = (mapping.long.channel_column,)
        form.typed["long_value"] = (mapping.long.value_column,)
    cells = {cell.column: cell for cell in mapping.cells}
    signals = {signal_column.column: signal_column for signal_column in mapping.signals}
    for line in lines:
        cell, signal = cells.get(line.heading), signals.get(line.heading)
        unit = cell.unit if cell else signal.unit if signal else line.unit
        number = cell.channel if cell else channel_number(line.heading)
        role = CELL if cell else signal.signal.value if signal else ""
        form.typed |= {
            f"role_{line.place}": (role,),
            f"channel_{line.place}": ("" if number is None else str(number),),
            f"unit_{line.place}": (unit,),
        }
    for name, *_ in COUNTED:
        value = getattr(mapping.counting, name)
        form.typed[name] = (as_typed(value),)


def read_mapping(form: Form, written: LogFormat, lines: Sequence[ColumnLine]) -> Mapping | None:
    """Return the mapping a form says; None where something of it was refused, beside its field."""
    time = _time(form, lines)
    cells, signals = _columns(form, lines)
    counting = _counting(form)
    long = None
    if form.raw("long_channel") or form.raw("long_value"):
        names = written.headings
        channel, value = form.one_of("long_channel", names), form.one_of("long_value", names)
        long = LongForm(channel, value) if channel and value else None
    if form.is_refused or time is None or counting is None:
        return None
    try:
        return Mapping(
            time,
            cells,
            signals,
            long,
            form.raw("separator") or None,
            form.raw("decimal") or None,
            form.whole("header_line", least=1, most=200, required=False),
            form.raw("sheet") or None,
            counting,
        )
    except TradeError as trouble:
        form.refuse("columns", str(trouble))
        return None


def _time(form: Form, lines: Sequence[ColumnLine]) -> TimeColumn | None:
    kind = form.choice("time_kind", TimeKind)
    names = [line.heading for line in lines]
    places = [str(line.place) for line in lines]
    at = form.one_of("time", places)
    more = form.one_of("time_of_day", places, required=False)
    if kind is None or not at:
        return None
    columns = tuple(names[int(place)] for place in (at, more) if place)
    unit = form.one_of("time_unit", ELAPSED_S) if kind is TimeKind.ELAPSED else "s"
    pattern = form.one_of("pattern", PATTERNS, required=False) or None
    zone = form.text("time_zone", required=False, most=60) or None
    try:
        return TimeColumn(
            kind,
            columns if kind is TimeKind.CLOCK else columns[:1],
            unit,
            pattern if kind is TimeKind.CLOCK else None,
            zone if kind is TimeKind.CLOCK else None,
            is_meter=form.yes("is_meter") and kind is TimeKind.ELAPSED,
        )
    except TradeError as trouble:
        form.refuse("time", str(trouble))
        return None


def _columns(
    form: Form, lines: Sequence[ColumnLine]
) -> tuple[tuple[CellColumn, ...], tuple[SignalColumn, ...]]:
    cells, signals = [], []
    roles = {value for value, _ in ROLES}
    for line in lines:
        role = form.raw(f"role_{line.place}")
        unit = form.text(f"unit_{line.place}", required=False, most=40)
        if not role:
            continue
        if role not in roles:
            form.refuse(f"role_{line.place}", "is not one of the choices")
            continue
        try:
            if role == CELL:
                number = form.whole(f"channel_{line.place}", least=1, most=5000)
                if number is not None:
                    cells.append(CellColumn(line.heading, number, unit))
            else:
                signals.append(SignalColumn(Signal(role), line.heading, unit))
        except TradeError as trouble:
            right = f"Such as {kept_in(MEASURE_OF[Signal(role)])}." if role != CELL else "V or mV."
            form.refuse(f"unit_{line.place}", str(trouble), right)
    return tuple(cells), tuple(signals)


def _counting(form: Form) -> Counting | None:
    limits = {}
    for name, _label, unit, _hint in COUNTED:
        value = form.number(name, unit=unit, required=name not in MAY_BE_EMPTY)
        if value is not None or name in MAY_BE_EMPTY:
            limits[name] = value
    if form.is_refused or len(limits) < len(COUNTED):
        return None
    try:
        return Counting(**limits)  # type: ignore[arg-type]  # numbers, None only where it may be
    except TradeError as trouble:
        form.refuse("counting", str(trouble))
        return None


def long_of(form: Form, written: LogFormat) -> LongForm | None:
    """Return the columns of a log with one value a row, where the form names two of its columns."""
    channel, value = form.raw("long_channel"), form.raw("long_value")
    if channel == value or not {channel, value} <= set(written.headings):
        return None
    return LongForm(channel, value)


@dataclass(frozen=True, slots=True)
class Overrides:
    """What somebody says of how a file is written; None: found."""

    separator: str | None
    decimal: str | None
    header_line: int | None
    sheet: str | None


def overrides(form: Form) -> Overrides:
    """Return what the form says of how the file is written."""
    return Overrides(
        form.one_of("separator", [sign for sign, _ in SEPARATORS], required=False) or None,
        form.one_of("decimal", [mark for mark, _ in DECIMALS], required=False) or None,
        form.whole("header_line", least=1, most=200, required=False),
        form.raw("sheet") or None,
    )


def fits(mapping: Mapping, written: LogFormat) -> bool:
    """Say whether this log has every column a mapping names."""
    return set(mapping.columns) <= set(written.headings)


router = APIRouter()
FIRST_ROWS = 6
OVERRIDES = ("separator", "decimal", "header_line", "sheet")


@dataclass(frozen=True, slots=True)
class LookPage:
    """A log as it was understood: how it is written, its columns, its doubts, the form."""

    upload_row: UploadRow
    stack: MapStack
    described: str
    headings: tuple[str, ...]
    first_rows: tuple[tuple[str, ...], ...]
    looked_at: int
    lines: tuple[ColumnLine, ...]
    doubts: tuple[Doubt, ...]
    mapping_rows: tuple[KeptMapping, ...]
    used: str
    """the saved mapping the form began with, or nothing"""
    again: RunRow | None
    earlier_run: KnownRun | None
    refused: str
    is_sheet: bool
    form: Form
    is_long: bool
    roles: tuple[tuple[str, str], ...] = ROLES
    kinds: tuple[tuple[str, str], ...] = KINDS
    units: tuple[str, ...] = UNITS
    patterns: tuple[tuple[str, str], ...] = WRITTEN
    separators: tuple[tuple[str, str], ...] = SEPARATORS
    decimals: tuple[tuple[str, str], ...] = DECIMALS
    counted: tuple[tuple[str, str, str, str], ...] = COUNTED
    may_be_empty: frozenset[str] = MAY_BE_EMPTY


@dataclass(frozen=True, slots=True)
class ProgressPage:
    """A log that is being read."""

    upload_row: UploadRow
    stack: MapStack


@dataclass(frozen=True, slots=True)
class UnreadablePage:
    """A file in which no log was found."""

    upload_row: UploadRow
    stack: MapStack
    refused: str
    form: Form


@dataclass(frozen=True, slots=True)
class MappingsPage:
    """Saved mappings, and the versions of one."""

    mapping_rows: tuple[KeptMapping, ...]
    chosen: tuple[KeptMapping, ...]


@router.get("/runs/mappings")
def show_mappings(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show which mappings are kept, and every version of one."""
    need(me, Act.READ)
    name = query.raw("name")
    with reading(database) as session:
        context = MappingsPage(kept_mappings(session), versions_of(session, name) if name else ())
    return page(request, "runs/mappings.html", context)


@router.get("/runs/uploads/{token}")
def show_upload(request: Request, me: Me, database: Database, query: Asked, token: str) -> Response:
    """Show a log that was sent: its columns, how far its reading is, or why it was refused."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        upload_row = upload(session, token)
    if upload_row.state is UploadState.DONE:
        return go_on(request, f"/runs/{upload_row.run_id}")
    if (
        upload_row.state is UploadState.READING
        and now_utc() - upload_row.changed_at <= ABANDONED_AFTER
    ):
        return _progress(request, database, upload_row)
    if wants_part(request):
        return go_on(request, f"/runs/uploads/{token}")
    return _look(request, database, query, upload_row)


@router.post("/runs/uploads/{token}")
def read(request: Request, me: Me, database: Database, form: Typed, token: str) -> Response:
    """Begin to read a log as the form says."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        upload_row = upload(session, token)
    instructions = asked_of(upload_row.asked)
    with form.collecting_errors():
        written, lines = _written(request, form, upload_row)
        began_at = form.moment("began_at", required=form.raw("time_kind") == "elapsed")
        note = form.text("note", required=False)
        reason = form.text("reason") if instructions.again is not None else ""
        stack_id = (
            _other_stack(database, form, upload_row) if instructions.again is not None else None
        )
        called = form.text("mapping_name", required=False, most=80)
        mapping = read_mapping(form, written, lines)
        form.check()
        if mapping is None:
            raise Refused("columns", "", "they do not say how to read the log.", "See below.")
        if called:
            _keep_mapping(database, me, called, mapping)
        if mapping.time.kind is TimeKind.CLOCK:
            began_at = None
        instructions = replace(
            instructions, mapping=mapping, began_at=began_at, note=note, reason=reason
        )
        taking(request, database, me).begin(token, instructions, stack_id)
        return go_on(request, f"/runs/uploads/{token}")
    return _look(request, database, form, upload_row)


@router.post("/runs/uploads/{token}/drop")
def drop(request: Request, me: Me, database: Database, token: str) -> Response:
    """Forget a log that was sent and not read."""
    need(me, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    with housekeeping(database) as session:
        serial = drop_upload(session, token, now_utc())
    run_files.forget_upload(settings.data_folder, token)
    return go_on(request, f"{address(serial)}/runs")


def taking(request: Request, database: Engine, me: Person) -> LogTaking:
    """Return what takes logs in for somebody on this server."""
    settings: Settings = request.app.state.settings
    return LogTaking(database, settings.data_folder, settings.zone, me)


def _keep_mapping(database: Engine, me: Person, name: str, mapping: Mapping) -> None:
    """Keep the columns under a name, unless they are kept so already."""
    with reading(database) as session:
        newest = next((row for row in kept_mappings(session) if row.name == name), None)
    if newest is None or newest.content != mapping.to_json():
        with changing(database, me) as work:
            keep_mapping(work, name, mapping)


def _other_stack(database: Engine, form: Form, upload_row: UploadRow) -> int:
    """The stack a run belongs to, as somebody says now."""
    serial = form.text("stack", required=False, most=80) or upload_row.stack
    try:
        with reading(database) as session:
            return find_stack(session, serial)
    except NotFound as trouble:
        raise Refused("stack", serial, "there is no such stack.", "A serial number.") from trouble


def _progress(request: Request, database: Engine, upload_row: UploadRow) -> Response:
    with reading(database) as session:
        context = ProgressPage(upload_row, stack_facts(session, upload_row.stack_id))
    if wants_part(request):
        return part(request, "runs/_progress.html", context)
    return page(request, "runs/progress.html", context)


def _written(
    request: Request, form: Form, upload_row: UploadRow
) -> tuple[LogFormat, tuple[ColumnLine, ...]]:
    """How the log is written and its columns, as the form says or as it is found."""
    settings: Settings = request.app.state.settings
    written = look_at(place_of(settings.data_folder, upload_row), overrides(form))
    return written, lines_of(written, long_of(form, written))


def _look(request: Request, database: Engine, form: Form, upload_row: UploadRow) -> Response:
    instructions = asked_of(upload_row.asked)
    with reading(database) as session:
        stack = stack_facts(session, upload_row.stack_id)
        mapping_rows = kept_mappings(session)
        again = (
            run_sheet(session, instructions.again).run if instructions.again is not None else None
        )
        earlier_run = (
            run_with_content(session, upload_row.content_sha256) if again is None else None
        )
    refused = _refused(upload_row)
    try:
        log_seen = _look_through(request, form, upload_row, mapping_rows)
    except Refused as trouble:
        form.refused.setdefault("log", f"{trouble.reason} {trouble.right_would_be}")
        context = UnreadablePage(upload_row, stack, refused, form)
        return page(request, "runs/unreadable.html", context, 422)
    written, lines, doubts, used = log_seen
    width = len(written.headings)
    return page(
        request,
        "runs/look.html",
        LookPage(
            upload_row,
            stack,
            written.described,
            written.headings,
            tuple(_as_wide(row, width) for row in written.sample[:FIRST_ROWS]),
            len(written.sample),
            lines,
            doubts,
            mapping_rows,
            used,
            again,
            earlier_run,
            refused,
            written.sheet is not None,
            form,
            bool(form.raw("long_channel")),
        ),
        form.status,
    )


def _as_wide(row: tuple[str, ...], width: int) -> tuple[str, ...]:
    return (*row, *[""] * (width - len(row)))[:width]


def _look_through(
    request: Request, form: Form, upload_row: UploadRow, mapping_rows: tuple[KeptMapping, ...]
) -> tuple[LogFormat, tuple[ColumnLine, ...], tuple[Doubt, ...], str]:
    """The log's columns with the form filled in: as asked before, as kept, or as guessed."""
    instructions = asked_of(upload_row.asked)
    is_first = "time_kind" not in form.typed
    if is_first and instructions.mapping is not None:
        for name in OVERRIDES:
            value = getattr(instructions.mapping, name)
            form.typed.setdefault(name, ("" if value is None else str(value),))
    written, lines = _written(request, form, upload_row)
    if not is_first:
        return written, lines, (), form.raw("used")
    doubts: tuple[Doubt, ...] = ()
    mapping, used = instructions.mapping, ""
    wish = form.raw("mapping")
    if mapping is None or wish:
        chosen = next((row for row in mapping_rows if row.name == wish), None)
        if not wish:
            fitting = [row for row in mapping_rows if fits(row.mapping, written)]
            chosen = max(
                fitting, key=lambda reading_way: len(reading_way.mapping.wanted), default=None
            )
        if chosen is not None and fits(chosen.mapping, written):
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
        lines = lines_of(written, mapping.long)
    fill_in(form, mapping, lines)
    began_at = instructions.began_at
    beginning = blank(
        request,
        began_at=began_at,
        note=instructions.note,
        reason=instructions.reason,
        stack=upload_row.stack,
    )
    for name in ("began_at", "note", "reason", "stack"):
        form.typed.setdefault(name, beginning.typed[name])
    return written, lines, doubts, used


def _refused(upload_row: UploadRow) -> str:
    if upload_row.state is UploadState.REFUSED:
        return upload_row.message
    if upload_row.state is UploadState.READING:
        return (
            "Its reading was abandoned: nothing was heard of it for a while, as when the server was"
            " started anew. Nothing was changed; it can be begun again."
        )
    return ""
