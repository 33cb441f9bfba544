"""Open circuit in one run: its times without load, how each cell settled and fell."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.condition.arithmetic.open_circuit import SETTLE_S, THRESHOLD_V, Decay, OpenLevel
from service.condition.arithmetic.rests import Rest
from service.condition.queries.snapshots import RunOfRests, run_of_rests
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.drawings.charts import Axis, Rule, Series, lines_chart
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Number
from service.platform.pages.kept_drawings import kept_chart
from service.platform.pages.render import THIN_SPACE, number, page
from service.platform.permissions import Act, need
from service.runs.arithmetic.log_columns import TimeKind
from service.runs.files import run_files
from service.runs.files.run_files import read_rests
from service.settings import Settings

router = APIRouter()
MOST_LINES = 6


@dataclass(frozen=True, slots=True)
class RestRow:
    """One time without load, as listed."""

    number: int
    begins_at: datetime
    lasted_s: float
    lowest_v: float | None
    lowest_channel: str


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """One channel in the rest that is shown."""

    channel: str
    cell: int | None
    part_id: int | None
    level: OpenLevel | None
    fall: Decay | None


@dataclass(frozen=True, slots=True)
class RestsPage:
    """The rests of a run and the one that is shown; ``number`` None: none is."""

    run: RunOfRests
    rests: tuple[RestRow, ...]
    number: int | None
    rows: tuple[ChannelRow, ...]
    chart: Markup
    threshold_v: float
    is_cut: bool
    form: Form


@router.get("/runs/{run_id}/open-circuit")
def show(request: Request, me: Me, database: Database, query: Asked, run_id: Number) -> Response:
    """Show the times without load in a run's file, read again from disk."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        run = run_of_rests(session, run_id)
    path = run_files.path_of(settings.data_folder, run.content_sha256)
    if not path.is_file():
        raise NotFound("file of the run", run.name)
    rests: tuple[Rest, ...] = ()
    is_cut, threshold = False, THRESHOLD_V
    with query.collecting_errors():
        typed_v = query.number("threshold", least=0.01, most=1.2, unit="V", required=False)
        threshold = THRESHOLD_V if typed_v is None else typed_v
        query.check()
        rests, is_cut = read_rests(path, run.mapping, settings.zone, run.active_area_cm2, threshold)
        rest_number = query.whole("rest", least=1, most=max(len(rests), 1), required=False)
    longest = max(rests, key=lambda rest: rest.lasted_s, default=None)
    chosen = rests[rest_number - 1] if rests and query.raw("rest") and rest_number else longest
    context = RestsPage(
        run,
        tuple(_listed(run, index, rest) for index, rest in enumerate(rests, start=1)),
        rests.index(chosen) + 1 if chosen else None,
        _rows(run, chosen) if chosen else (),
        _chart(run, chosen, threshold) if chosen else Markup(""),
        threshold,
        is_cut,
        query,
    )
    return page(request, "condition/rests.html", context, query.status)


def _begins_at(run: RunOfRests, rest: Rest) -> datetime:
    if run.mapping.time.kind is TimeKind.CLOCK:
        return datetime.fromtimestamp(rest.begins_s, UTC)
    return run.began_at + timedelta(seconds=rest.begins_s)


def _listed(run: RunOfRests, index: int, rest: Rest) -> RestRow:
    levels = [
        (level.voltage_v, channel)
        for level, channel in zip(rest.levels or (), run.channels, strict=False)
        if level is not None
    ]
    low = min(levels, default=(None, ""))
    return RestRow(index, _begins_at(run, rest), rest.lasted_s, *low)


def _rows(run: RunOfRests, rest: Rest) -> tuple[ChannelRow, ...]:
    levels = rest.levels or (None,) * len(run.channels)
    cells = run.cells_at(_begins_at(run, rest))
    return tuple(
        ChannelRow(channel, cell, None if cell is None else run.meas.get(cell), level, fall)
        for channel, cell, level, fall in zip(run.channels, cells, levels, rest.falls, strict=True)
    )


def _chart(run: RunOfRests, rest: Rest, threshold_v: float) -> Markup:
    """The channels that fell first or stand lowest, over minutes."""
    falls = [
        (fall.below_after_s if fall.below_after_s is not None else float("inf"), fall.end_v, index)
        for index, fall in enumerate(rest.falls)
        if fall is not None
    ]
    drawn = [index for _, _, index in sorted(falls)[:MOST_LINES]]
    if not drawn:
        return Markup("")
    minutes = (rest.times_s / 60).tolist()
    ends = [fall.end_v for fall in rest.falls if fall is not None]
    near = min(ends) < threshold_v + 0.2
    svg = kept_chart(
        lines_chart,
        [
            Series(run.channels[index], minutes, rest.voltages_v[:, index].tolist(), mark="line")
            for index in sorted(drawn)
        ],
        across=Axis("time without load", "min", from_zero=True),
        up=Axis("voltage", "V"),
        title=f"Open circuit of {run.stack}",
        description=(
            f"{len(drawn)} channels over {number(rest.lasted_s / 60, 1)} min; at the end"
            f" {number(min(ends), 3)} V to {number(max(ends), 3)} V."
        ),
        prefix="rest",
        rules=[
            Rule(SETTLE_S / 60, "settled", axis="x", act=False),
            *(
                [Rule(threshold_v, f"{number(threshold_v)}{THIN_SPACE}V", act=False)]
                if near
                else []
            ),
        ],
    )
    return Markup(svg)  # noqa: S704 - our own drawing
