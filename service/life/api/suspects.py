"""What failing MEAs share, what else is exposed, and holding it: for machines."""

from math import isfinite
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BeforeValidator, Field

from service.life.api.parts import Drawing, Maker
from service.life.arithmetic.conditional_law import OddsRatio
from service.life.arithmetic.suspects import FactorFound, LevelFound
from service.life.queries import containment
from service.life.queries import suspects as comparison
from service.life.queries.traces import trace, traced_mea
from service.platform.api.answers import Made, Out, like, read_from
from service.platform.api.callers import Call, Caller, Database
from service.platform.api.request_models import In
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.stacks.api.stack_models import Part
from service.stacks.changes.build_features import gather_makeups
from service.stacks.queries.stacks import ListedStack
from service.store.changes.holds import Subject, place_holds
from service.store.queries.names import part_by_text

# What comparisons and containments answer and are sent as JSON.


def _or_none(value: float) -> float | None:
    return value if isfinite(value) else None


@like(OddsRatio, without="n")
class Odds(Out):
    """Odds ratio with its exact interval; None for no bound; ``with_half`` is always finite."""

    value: Annotated[float | None, BeforeValidator(_or_none)]
    high: Annotated[float | None, BeforeValidator(_or_none)]


@like(LevelFound, only="failing all rest_failing rest_all")
class Level(Out):
    """One level of a factor against the rest, with hours considered; ``plain_p``: without."""

    name: str
    is_own: bool
    odds_ratio: Odds | None = read_from("odds")
    p: float | None
    mid_p: float | None
    plain_p: float | None
    sentence: str


@like(FactorFound, only="n failing unknown levels_seen comparisons p q")
class Factor(Out):
    """One factor; p is that of its strongest level times the comparisons; q over all factors."""

    factor: str = read_from("kind")
    counted_by: str = read_from("unit")
    own: list[str]
    levels: list[Level] = Field(description="none where levels are people")
    sentence: str
    unit_sentence: str


@like(comparison.SuspectsSheet, only="design by_rule first_closed last_closed position not_cause")
class Suspects(Out):
    """What the failing MEAs of a design share that comparable ones do not: association only."""

    part: str
    meas: int = read_from("result.meas")
    failing: int = read_from("result.failing")
    builds: int = read_from("result.builds")
    failing_builds: int = read_from("result.failing_builds")
    comparable: int = read_from("result.comparable")
    without_known_hours: int = read_from(
        "result.hours_unknown", "MEAs that no figure with hours counts"
    )
    places: list[str] = read_from("columns")
    grid: list[comparison.GridRow] = read_from("rows")
    cannot_be_told_apart: list[str] = read_from("apart")
    looked_at: int = read_from("result.looked_at")
    chance_of_one_by_chance: float = read_from("result.by_chance")
    factors: list[Factor]
    few_data: list[str]
    set_apart: str = read_from("apart_words", "suspected ones and those at the end of life")


@like(containment.Exposed, without="id whereabouts")
class Exposed(Out):
    """One thing that may be held: ``name`` is what a hold is asked for by."""

    name: str
    can_be_held: bool


@like(containment.ExposedGroup)
class ExposedGroup(Out):
    """Things exposed in one way."""

    things: list[Exposed]


@like(ListedStack, only="serial state build_number place holds")
class StackNow(Out):
    """A stack that holds some of it now."""


@like(containment.Containment)
class Containment(Out):
    """What else is exposed with a part, where it is now and how it stands."""

    part: Part
    groups: list[ExposedGroup]
    stacks: list[StackNow]


Chosen = Annotated[str, Field(max_length=40, pattern=r"^(part|lot|instrument)-\d{1,15}$")]


class HoldAsked(In):
    """Hold all that is exposed, or what is chosen of it, with one reason."""

    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    all: bool = False
    chosen: list[Chosen] = Field(default=[], max_length=2000, description="names, as answered")


class HoldsPlaced(Made):
    """The first hold's number, all of them, and what stood on hold before and was passed over."""

    hold_ids: list[int]
    held_before: list[str]


router = APIRouter(prefix="/parts", tags=["parts"])
ByRule = Annotated[
    bool, Query(description="count those too of which the newest rule of the design says so")
]


@router.get("/{serial}/suspects")
def suspects(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    drawing: Drawing = "",
    maker: Maker = "",
    by_rule: ByRule = False,
) -> Suspects:
    """Return what the failing MEAs of the design share that comparable ones do not.

    Association, never cause; people are neither named nor ranked.
    """
    need(caller, Act.READ)
    with reading(engine) as session:
        part_id = part_by_text(session, serial, drawing, maker)
    gather_makeups(engine, part_id)
    with reading(engine) as session:
        mea = traced_mea(session, part_id)
        if mea.design_id is None:
            raise NotFound("build of part", serial)
        sheet = comparison.suspects_sheet(session, mea.design_id, mea.id, by_rule=by_rule)
    return Suspects.from_answer(
        sheet,
        part=mea.label,
        factors=[_factor(factor) for factor in sheet.factors],
        few_data=[*sheet.few_data, *([sheet.too_few] if sheet.too_few else [])],
    )


def _factor(factor: comparison.NamedFactor) -> Factor:
    return Factor.from_answer(
        factor.outcome,
        own=factor.own,
        levels=[_level(level) for level in factor.levels],
        sentence=factor.sentence,
        unit_sentence=factor.unit,
    )


def _level(level: comparison.NamedLevel) -> Level:
    result = level.counts
    return Level.from_answer(
        result,
        name=level.name,
        is_own=level.is_own,
        p=result.test.two_sided if result.test else None,
        mid_p=result.test.mid_two_sided if result.test else None,
        plain_p=result.plain.two_sided if result.plain else None,
        sentence=level.sentence,
    )


@router.get("/{serial}/containment")
def exposed(
    serial: str, caller: Caller, engine: Database, drawing: Drawing = "", maker: Maker = ""
) -> Containment:
    """Return what else is exposed with a part: where it is now, its state, whether it is held."""
    need(caller, Act.READ)
    with reading(engine) as session:
        exposed_parts = containment.containment(
            session, trace(session, part_by_text(session, serial, drawing, maker))
        )
    return Containment.from_answer(exposed_parts)


@router.post(
    "/{serial}/containment",
    status_code=201,
    responses={200: {"model": Made, "description": "the same call was answered before"}},
)
def hold(
    *, serial: str, choice: HoldAsked, call: Call, drawing: Drawing = "", maker: Maker = ""
) -> HoldsPlaced:
    """Place a hold on all that is exposed with a part, or on what is chosen: all or none."""
    need(call.caller, Act.HOLD_WRITE)
    with changing(call.engine, call.caller, key=call.key, via="api") as work:
        part_id = part_by_text(work.session, serial, drawing, maker)
        exposed_parts = containment.containment(work.session, trace(work.session, part_id))
        names = [item.name for item in exposed_parts.to_hold] if choice.all else choice.chosen
        placed = place_holds(
            work,
            [_subject(name) for name in names],
            reason=choice.reason,
            about=("part", part_id, f"what is exposed with {exposed_parts.part.label}"),
        )
        work.answer = str(placed.hold_ids[0])
    return HoldsPlaced(
        id=placed.hold_ids[0], hold_ids=list(placed.hold_ids), held_before=list(placed.held_before)
    )


def _subject(name: str) -> Subject:
    kind, _, number = name.partition("-")
    return Subject(**{f"{kind}_id": int(number)})
