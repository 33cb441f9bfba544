"""Runs of a stack: their list with the form for another log, the sheet of each, void, again."""

from collections import Counter
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Request, Response
from fastapi.responses import FileResponse
from markupsafe import Markup
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.drawings.charts import Axis, Rule, Series, lines_chart
from service.platform.errors import NotFound, Refused
from service.platform.pages.forms import Asked as Query
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.kept_drawings import kept_chart
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.changes.runs import correct_clock, void_run
from service.runs.files import run_files
from service.runs.files.run_files import Received, receive
from service.runs.files.run_reading import Asked
from service.runs.pages.run_uploads import taking
from service.runs.queries.run_checks import UploadRow, uploads_of_stack
from service.runs.queries.runs import RunRow, RunSheet, newest_mapping, run_sheet, runs_of_stack
from service.runs.tables import RunKind, SnapshotKind
from service.settings import Settings
from service.stacks.queries.layer_maps import MapStack, stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter()


def who_may_send(request: Request, me: Me) -> None:
    """Ask who sends before a large form is read, not after."""
    if request.method == "POST":
        need(me, Act.RUN_WRITE)


BEFORE_THE_FORM = (Depends(who_may_send),)
Number = Annotated[int, Path(ge=1, le=2**31)]
SNAPSHOTS_SHOWN = 200


@dataclass(frozen=True, slots=True)
class ListPage:
    """The runs of one stack, logs on their way in, and the form for another."""

    stack: MapStack
    runs: Shown[RunRow]
    uploads: tuple[UploadRow, ...]
    form: Form
    most_mb: int


@dataclass(frozen=True, slots=True)
class RunPage:
    """The sheet of one run."""

    sheet: RunSheet
    mapping: Mapping | None
    chart: Markup
    form: Form
    snapshots_shown: int = SNAPSHOTS_SHOWN


@router.get("/stacks/{serial:path}/runs")
def show_list(request: Request, me: Me, database: Database, query: Query, serial: str) -> Response:
    """Show the runs of a stack."""
    need(me, Act.READ)
    return _list(request, database, blank(request), query, serial)


@router.post("/stacks/{serial:path}/runs")
def send(request: Request, me: Me, database: Database, form: Typed, serial: str) -> Response:
    """Take a log, to be looked at before it is read."""
    need(me, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    with form.collecting_errors():
        note = form.text("note", required=False)
        files = form.files("log")
        if not files:
            raise Refused("log", "", "no file was chosen.", "The log of a test bench.")
        with reading(database) as session:
            stack_id = find_stack(session, serial)
        name = files[0].filename or "log"
        received = receive(settings.data_folder, files[0].file, name, settings.log_max_mb)
        taking(request, database, me).note(stack_id, received, Asked(note=note))
        return go_on(request, f"/runs/uploads/{received.token}")
    return _list(request, database, form, blank(request), serial)


@router.get("/runs/{run_id}")
def show(request: Request, me: Me, database: Database, run_id: Number) -> Response:
    """Show one run."""
    need(me, Act.READ)
    return _sheet(request, database, blank(request), run_id)


@router.get("/runs/{run_id}/file")
def give_file(request: Request, me: Me, database: Database, run_id: Number) -> Response:
    """Give the raw file of a run, as it was given."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        run = run_sheet(session, run_id).run
    place = run_files.path_of(settings.data_folder, run.content_sha256)
    if not place.is_file():
        raise NotFound("file of the run", run.name)
    return FileResponse(place, media_type=run_files.ANY, filename=run.name)


@router.post("/runs/{run_id}/again")
def read_again(
    request: Request, me: Me, database: Database, form: Typed, run_id: Number
) -> Response:
    """Look at a run's file again, to read it anew."""
    need(me, Act.RUN_WRITE)
    with reading(database) as session:
        run = run_sheet(session, run_id).run
        mapping, began_at = newest_mapping(session, run_id)
    with form.collecting_errors():
        if run.kind is not RunKind.LOG:
            raise Refused("run", run.name, "it is a sweep, not a log.", "Take the sweep in anew.")
        settings: Settings = request.app.state.settings
        if not run_files.path_of(settings.data_folder, run.content_sha256).is_file():
            reason = "its file does not lie in the data folder any more."
            raise Refused("run", run.name, reason, "Bring the file back from a backup first.")
        received = Received(run_files.new_token(), run.name, run.size_bytes, run.content_sha256)
        instructions = Asked(mapping_from_json(mapping), began_at, run.note, again=run_id)
        taking(request, database, me).note(run.stack_id, received, instructions)
        return go_on(request, f"/runs/uploads/{received.token}")
    return _sheet(request, database, form, run_id)


@router.post("/runs/{run_id}/clock")
def move_times(
    request: Request, me: Me, database: Database, form: Typed, run_id: Number
) -> Response:
    """Move all times of a log whose clock was wrong."""
    with form.collecting_errors():
        minutes = form.number("minutes", unit="min")
        reason = form.text("clock_reason")
        with changing(database, me, key=form.key) as work:
            correct_clock(work, run_id, minutes=minutes or 0.0, reason=reason)
            work.answer = f"/runs/{run_id}"
        return go_on(request, work.answer)
    return _sheet(request, database, form, run_id)


@router.post("/runs/{run_id}/void")
def make_void(
    request: Request, me: Me, database: Database, form: Typed, run_id: Number
) -> Response:
    """Make a run void."""
    with form.collecting_errors():
        reason = form.text("reason")
        with changing(database, me, key=form.key) as work:
            void_run(work, run_id, reason=reason)
            work.answer = f"/runs/{run_id}"
        return go_on(request, work.answer)
    return _sheet(request, database, form, run_id)


def _list(request: Request, database: Engine, form: Form, query: Form, serial: str) -> Response:
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        stack = stack_facts(session, find_stack(session, serial))
        runs = runs_of_stack(session, stack.id, turn_asked(request, query))
        uploads = uploads_of_stack(session, stack.id)
    context = ListPage(stack, shown(request, runs), uploads, form, settings.log_max_mb)
    return page(request, "runs/list.html", context, form.status)


def _sheet(request: Request, database: Engine, form: Form, run_id: int) -> Response:
    with reading(database) as session:
        sheet = run_sheet(session, run_id)
    mapping = mapping_from_json(sheet.mapping) if sheet.run.kind is RunKind.LOG else None
    context = RunPage(sheet, mapping, _chart(sheet, request.app.state.settings), form)
    return page(request, "runs/show.html", context, form.status)


def _chart(sheet: RunSheet, settings: Settings) -> Markup:
    """Mean, lowest and highest cell voltage over time, at the density most snapshots share."""
    steady = [
        snapshot
        for snapshot in sheet.snapshots
        if snapshot.mean_v is not None
        and snapshot.density_a_cm2
        and snapshot.kind is SnapshotKind.STEADY
    ]
    usual = Counter(round(snapshot.density_a_cm2 or 0.0, 2) for snapshot in steady).most_common(1)
    if not usual:
        return Markup("")
    density = usual[0][0]
    near = [
        snapshot
        for snapshot in steady
        if abs((snapshot.density_a_cm2 or 0.0) - density) <= 0.02 * density
    ]
    if len(near) < 2:
        return Markup("")
    zone = settings.time_zone
    times = [
        (snapshot.from_at + (snapshot.until_at - snapshot.from_at) / 2).astimezone(zone)
        for snapshot in near
    ]
    tips = [
        f"{at:%Y-%m-%d %H:%M}, lowest: {snapshot.lowest_channel}"
        for at, snapshot in zip(times, near, strict=True)
    ]
    series = [
        Series("highest", times, [snapshot.highest_v for snapshot in near], mark="line and points"),
        Series("mean", times, [snapshot.mean_v for snapshot in near], mark="line and points"),
        Series(
            "lowest",
            times,
            [snapshot.lowest_v for snapshot in near],
            mark="line and points",
            tips=tips,
        ),
    ]
    limits = [snapshot for snapshot in sheet.limits if snapshot.unit == "V"]
    drawn = kept_chart(
        lines_chart,
        series,
        across=Axis("time", days=True),
        up=Axis("cell voltage", "V"),
        title=f"Cell voltages of run {sheet.run.name} at {density:g}\u2009A/cm²",
        description="Highest, mean and lowest cell voltage of each steady time.",
        prefix="run-voltages",
        rules=[Rule(snapshot.limit, f"limit {snapshot.limit:g}\u2009V") for snapshot in limits],
    )
    return Markup(drawn)  # noqa: S704 - made by our own drawing, which escapes its texts
