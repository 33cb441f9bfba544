"""An MEA's own life: its voltage over its own hours, how fast it falls, and until when."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.life.arithmetic.hours_to_limit import FAR_TIMES
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.arithmetic.voltage_trend import Jump, Rate
from service.life.files import readings_as_csv
from service.life.pages.mea_charts import life_chart, limit_is_drawn
from service.life.queries.mea_lives import TARGET_LIFE_H, TARGET_PERCENT, MeaLife, mea_life
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need
from service.settings import Settings

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
    told: Recovery | None
    not_told: str
    rows: tuple[ReadRow, ...]
    far_times: float
    target: tuple[float, float] = (TARGET_PERCENT, TARGET_LIFE_H)


@router.get("/{part_id}/life")
def show(request: Request, me: Me, database: Database, asked: Asked, part_id: Number) -> Response:
    """Show one MEA's own life, at the rule's density and limit or at those asked for."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    density = asked.number("density", least=0.001, most=10.0, unit="A/cm²", required=False)
    limit = asked.number("limit", least=0.01, most=1.3, unit="V", required=False)
    known_at = asked.moment("known", required=False)
    with reading(database) as session:
        life = mea_life(session, part_id, density_a_cm2=density, limit_v=limit, known_at=known_at)
    trend = life.trend
    rates = (trend.least_squares, trend.median_of_slopes) if trend else ()
    told = life.recovery
    context = LifePage(
        life,
        asked,
        Markup(life_chart(life, settings.time_zone)),  # noqa: S704  # made of escaped text
        limit_is_drawn(life),
        tuple(rate for rate in rates if rate is not None),
        trend.jumps if trend else (),
        told if isinstance(told, Recovery) else None,
        told.why if isinstance(told, CannotTell) else "",
        _rows(life),
        FAR_TIMES,
    )
    return page(request, "life/mea_lives/show.html", context, asked.status)


@router.get("/{part_id}/life.csv")
def give_list(me: Me, database: Database, asked: Asked, part_id: Number) -> Response:
    """Give the readings as a CSV list, by the same density and time of knowing."""
    need(me, Act.READ)
    density = asked.number("density", least=0.001, most=10.0, unit="A/cm²", required=False)
    known_at = asked.moment("known", required=False)
    asked.check()
    with reading(database) as session:
        life = mea_life(session, part_id, density_a_cm2=density, known_at=known_at)
    name = "".join(it if it.isalnum() and it.isascii() else "-" for it in life.part.label)
    return Response(
        "\ufeff" + readings_as_csv(life),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="life-{name}.csv"'},
    )


def _rows(life: MeaLife) -> tuple[ReadRow, ...]:
    """The newest readings first."""
    found = life.readings
    if found is None:
        return ()
    columns = zip(
        found.places,
        found.hours_h,
        found.at_least,
        found.voltages_v,
        found.times,
        found.counts,
        found.from_curve,
        strict=True,
    )
    return tuple(ReadRow(*row) for row in columns)[::-1][:LISTED_MOST]
