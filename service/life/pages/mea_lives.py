"""An MEA's own life: its voltage over its own hours, how fast it falls, and until when."""

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from scipy.special import stdtrit

from service.life.arithmetic.hours_to_limit import FAR_TIMES, Outlook
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.arithmetic.voltage_trend import Jump, Rate, Stretch, VoltageTrend
from service.life.files import readings_as_csv
from service.life.queries.mea_histories import MeaSat, ReferenceReadings
from service.life.queries.mea_lives import TARGET_LIFE_H, TARGET_PERCENT, MeaLife, mea_life
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.regression import LeastSquares
from service.platform.database import reading
from service.platform.drawings.charts import Axis, Marker, Rule, Series, Size, lines_chart
from service.platform.pages.forms import Asked, Form, Number
from service.platform.pages.kept_drawings import kept_chart
from service.platform.pages.render import THIN_SPACE, download, local, page, quantity
from service.platform.permissions import Act, need
from service.settings import Settings

# The chart of an MEA's own life: its readings, the fitted line with its band, openings, limit.


STEPS = 12
"""Places of the fitted line in each build: its band is curved."""


DRAWN_ON_TIMES = 1.0
"""The line is drawn on to the limit where that is no further than what was read over."""


BAND_BEYOND = 0.5
"""Of the readings' spread."""


FAR_FROM_READINGS = 3.0
"""A limit further from the readings than so many times their spread is said, not drawn."""


def life_chart(life: MeaLife, zone: ZoneInfo) -> str:
    """Draw the life as SVG; a sheet saying so where it was not read."""
    readings, trend = life.readings, life.trend
    series: list[Series] = []
    markers: list[Marker] = []
    if readings is not None and trend is not None:
        series += _points(life, readings, zone)
        if trend.fit is not None:
            series.append(_line(trend, trend.fit, _room(readings)))
            series += _drawn_on(life, trend)
        markers = _openings(life, readings, zone)
    limit = _limit(life.limit_v) if limit_is_drawn(life) else []
    return kept_chart(
        lines_chart,
        series,
        across=Axis("own hours", "h"),
        up=Axis(f"voltage at {life.density_a_cm2 or 0:g} A/cm²", "V"),
        title=f"Life of MEA {life.part.label}",
        description=described(life),
        prefix=f"life-{life.part.id}",
        rules=limit,
        markers=markers,
        size=Size(720, 300),
    )


def _limit(limit_v: float | None) -> list[Rule]:
    return [] if limit_v is None else [Rule(limit_v, f"limit {limit_v:g}{THIN_SPACE}V")]


def limit_is_drawn(life: MeaLife) -> bool:
    """Say whether the limit lies near enough to be drawn without pressing the readings flat."""
    if life.limit_v is None or not life.readings or not life.readings.voltages_v:
        return False
    least, most = min(life.readings.voltages_v), max(life.readings.voltages_v)
    room = FAR_FROM_READINGS * max(most - least, 0.01)
    return least - room <= life.limit_v <= most + room


def described(life: MeaLife) -> str:
    """Return what the chart shows, in a sentence."""
    if life.loss is None or life.readings is None:
        count = life.readings.readings if life.readings else 0
        return f"{count} {'reading' if count == 1 else 'readings'} at this current density."
    loss, builds = life.loss, len(set(life.readings.places))
    return (
        f"From {quantity(loss.from_v, 'V', 4)} at {quantity(loss.from_h, 'h', 0)} to"
        f" {quantity(loss.to_v, 'V', 4)} at {quantity(loss.to_h, 'h', 0)};"
        f" {life.readings.readings} readings in {builds} {'build' if builds == 1 else 'builds'}."
    )


def _points(life: MeaLife, readings: ReferenceReadings, zone: ZoneInfo) -> list[Series]:
    """One series a stack, in the order in which it came to them."""
    stacks = dict.fromkeys(life.sat_at(place).stack_serial for place in readings.places)
    points = []
    for serial in stacks:
        places = [
            index
            for index, place in enumerate(readings.places)
            if life.sat_at(place).stack_serial == serial
        ]
        points.append(
            Series(
                serial,
                [readings.hours_h[index] for index in places],
                [readings.voltages_v[index] for index in places],
                tips=[
                    _tip(life.sat_at(readings.places[index]), readings, index, zone)
                    for index in places
                ],
            )
        )
    return points


def _tip(sat: MeaSat, readings: ReferenceReadings, index: int, zone: ZoneInfo) -> str:
    count = readings.counts[index]
    of = f", mean of {count} readings" if count > 1 else ""
    of = of or (", from a curve" if readings.from_curve[index] else "")
    return (
        f"{quantity(readings.voltages_v[index], 'V', 4)}"
        f" at {quantity(readings.hours_h[index], 'h', 0)},"
        f" {local(readings.times[index], zone)}, {sat.stack_serial} build {sat.build_number},"
        f" cell {sat.cell}{of}"
    )


def _room(readings: ReferenceReadings) -> tuple[float, float]:
    """How far a band is drawn: little beyond the readings, so that few data do not fill it."""
    least, most = min(readings.voltages_v), max(readings.voltages_v)
    beyond = BAND_BEYOND * max(most - least, 0.01)
    return least - beyond, most + beyond


def _line(trend: VoltageTrend, fit: LeastSquares, room: tuple[float, float]) -> Series:
    """The line of least squares build by build, broken between them, with its band."""
    hours: list[float] = []
    volts: list[float | None] = []
    lows: list[float | None] = []
    highs: list[float | None] = []
    wide = float(stdtrit(fit.freedom, (1 + fit.level) / 2))
    for number, stretch in enumerate(trend.stretches):
        for at_h in _places(stretch):
            value, error = fit.at(_row(fit, number, at_h))
            hours.append(at_h)
            volts.append(value)
            lows.append(max(value - wide * error, min(room[0], value)))
            highs.append(min(value + wide * error, max(room[1], value)))
        hours.append(stretch.to_h)
        for row in (volts, lows, highs):
            row.append(None)
    name = f"least squares, {fit.level:.0%} band".replace("%", "\u2009%")
    return Series(name, hours, volts, lows, highs, mark="line", pen=0)


def _places(stretch: Stretch) -> list[float]:
    if stretch.to_h <= stretch.from_h:
        return [stretch.from_h]
    return [float(hours) for hours in np.linspace(stretch.from_h, stretch.to_h, STEPS)]


def _row(fit: LeastSquares, stretch: int, at_h: float) -> list[float]:
    row = [0.0] * len(fit.coefficients)
    row[0], row[1 + stretch] = at_h, 1.0
    return row


def _drawn_on(life: MeaLife, trend: VoltageTrend) -> list[Series]:
    """The line drawn on to the limit, broken, where that is near enough to be looked at."""
    outlook = life.outlooks[0] if life.outlooks else None
    span_h = trend.to_h - trend.from_h
    if (
        outlook is None
        or outlook.outlook is not Outlook.REACHES
        or outlook.hours_h is None
        or outlook.now_v is None
        or outlook.hours_h > DRAWN_ON_TIMES * span_h
    ):
        return []
    hours = [trend.to_h, trend.to_h + outlook.hours_h]
    return [
        Series("drawn on", hours, [outlook.now_v, outlook.limit_v], mark="line", pen=0, dashed=True)
    ]


def _openings(life: MeaLife, readings: ReferenceReadings, zone: ZoneInfo) -> list[Marker]:
    """Where each later build begins, at its first reading's hours."""
    openings = []
    places = {readings.places[0]}
    for index, place in enumerate(readings.places):
        if place in places:
            continue
        places.add(place)
        sat = life.sat_at(place)
        before = life.sat_at(place - 1)
        openings.append(
            Marker(
                (readings.hours_h[index] + readings.hours_h[index - 1]) / 2,
                _label(before, sat),
                _opened(before, sat, zone),
            )
        )
    return openings


def _label(before: MeaSat, sat: MeaSat) -> str:
    place = f"B {sat.build_number} C {sat.cell}"
    return place if before.stack_id == sat.stack_id else f"{sat.stack_serial} {place}"


def _opened(before: MeaSat, sat: MeaSat, zone: ZoneInfo) -> str:
    opened: datetime | None = before.opened_at
    first = f"{before.stack_serial} opened {local(opened, zone)}; " if opened else ""
    return (
        f"{first}from {local(sat.closed_at, zone)} in {sat.stack_serial} build {sat.build_number},"
        f" cell {sat.cell}"
    )


router = APIRouter(prefix="/parts")
LISTED_MOST = 300


@dataclass(frozen=True, slots=True)
class ReadRow:
    """One reading of the table; drawn-together ones say of how many they are."""

    place: int
    hours_h: float
    at_least: bool
    voltage_v: float
    at: object
    count: int
    from_curve: bool


@dataclass(frozen=True, slots=True)
class LifePage:
    """One MEA's life with its chart; what could not be told says why."""

    life: MeaLife
    form: Form
    chart: Markup
    limit_is_drawn: bool
    rates: tuple[Rate, ...]
    jumps: tuple[Jump, ...]
    recovery: Recovery | None
    not_told: str
    rows: tuple[ReadRow, ...]
    far_times: float
    target: tuple[float, float] = (TARGET_PERCENT, TARGET_LIFE_H)


@router.get("/{part_id}/life")
def show(request: Request, me: Me, database: Database, query: Asked, part_id: Number) -> Response:
    """Show one MEA's own life, at the rule's density and limit or at those asked for."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    density = query.number("density", least=0.001, most=10.0, unit="A/cm²", required=False)
    limit = query.number("limit", least=0.01, most=1.3, unit="V", required=False)
    known_at = query.as_of().known_at
    with reading(database) as session:
        life = mea_life(session, part_id, density_a_cm2=density, limit_v=limit, known_at=known_at)
    trend = life.trend
    rates = (trend.least_squares, trend.median_of_slopes) if trend else ()
    recovery = life.recovery
    context = LifePage(
        life,
        query,
        Markup(life_chart(life, settings.time_zone)),  # noqa: S704  # made of escaped text
        limit_is_drawn(life),
        tuple(rate for rate in rates if rate is not None),
        trend.jumps if trend else (),
        recovery if isinstance(recovery, Recovery) else None,
        recovery.why if isinstance(recovery, CannotTell) else "",
        _rows(life),
        FAR_TIMES,
    )
    return page(request, "life/mea_lives/show.html", context, query.status)


@router.get("/{part_id}/life.csv")
def give_list(me: Me, database: Database, query: Asked, part_id: Number) -> Response:
    """Give the readings as a CSV list, by the same density and time of knowing."""
    need(me, Act.READ)
    density = query.number("density", least=0.001, most=10.0, unit="A/cm²", required=False)
    known_at = query.as_of().known_at
    query.check()
    with reading(database) as session:
        life = mea_life(session, part_id, density_a_cm2=density, known_at=known_at)
    content = "\ufeff" + readings_as_csv(life)
    return download(content, "text/csv", life.part.label, "life-{}.csv")


def _rows(life: MeaLife) -> tuple[ReadRow, ...]:
    """The newest readings first."""
    readings = life.readings
    if readings is None:
        return ()
    columns = zip(
        readings.places,
        readings.hours_h,
        readings.at_least,
        readings.voltages_v,
        readings.times,
        readings.counts,
        readings.from_curve,
        strict=True,
    )
    return tuple(ReadRow(*row) for row in columns)[::-1][:LISTED_MOST]
