"""What failing MEAs share, what else is exposed, and holding it: for machines."""

from datetime import datetime
from math import isfinite
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from service.life.api.parts import Drawing
from service.life.arithmetic.conditional_law import OddsRatio
from service.life.queries.containment import containment
from service.life.queries.suspects import NamedFactor, NamedLevel, suspects_sheet
from service.life.queries.traces import trace, traced_mea
from service.platform.api.answers import Made, Out
from service.platform.api.callers import Call, Caller, Database
from service.platform.api.request_models import In
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.stacks.api.stack_models import Part
from service.stacks.changes.build_features import gather_makeups
from service.store.changes.holds import Subject, place_holds
from service.store.queries.names import part_by_text

# What comparisons and containments answer and are sent as JSON.


class Odds(Out):
    """Odds ratio with its exact interval; None for no bound; ``with_half`` is always finite."""

    value: float | None
    low: float
    high: float | None
    with_half: float
    level: float


class Level(Out):
    """One level of a factor against the rest, with hours considered; ``plain_p``: without."""

    name: str
    is_own: bool
    failing: int
    all: int
    rest_failing: int
    rest_all: int
    odds_ratio: Odds | None
    p: float | None
    mid_p: float | None
    plain_p: float | None
    sentence: str


class Factor(Out):
    """One factor; p is that of its strongest level times the comparisons; q over all factors."""

    factor: str
    counted_by: str
    n: int
    failing: int
    unknown: int
    levels_seen: int
    comparisons: int
    p: float | None
    q: float | None
    own: list[str]
    levels: list[Level] = Field(description="none where levels are people")
    sentence: str
    unit_sentence: str


class GridRow(Out):
    """One lot with one driver: (failing, all) in each place."""

    lot: str
    driver: str
    cells: list[tuple[int, int]]


class Suspects(Out):
    """What the failing MEAs of a design share that comparable ones do not: association only."""

    part: str
    design: str
    by_rule: bool
    meas: int
    failing: int
    builds: int
    failing_builds: int
    comparable: int
    first_closed: datetime | None
    last_closed: datetime | None
    places: list[str]
    grid: list[GridRow]
    cannot_be_told_apart: list[str]
    looked_at: int
    chance_of_one_by_chance: float
    factors: list[Factor]
    position: str
    few_data: list[str]
    not_cause: str


class Exposed(Out):
    """One thing that may be held: ``name`` is what a hold is asked for by."""

    name: str
    kind: str
    label: str
    what: str
    why: str
    where: str
    usability: str | None
    stack_serial: str | None
    held_because: str | None
    lot_held_because: str | None
    can_be_held: bool


class ExposedGroup(Out):
    """Things exposed in one way."""

    title: str
    things: list[Exposed]


class StackNow(Out):
    """A stack that holds some of it now."""

    serial: str
    state: str
    build_number: int | None
    place: str
    holds: int


class Containment(Out):
    """What else is exposed with a part, where it is now and how it stands."""

    part: Part
    build: str
    failed_at: datetime | None
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
    serial: str, caller: Caller, engine: Database, drawing: Drawing = "", by_rule: ByRule = False
) -> Suspects:
    """Return what the failing MEAs of the design share that comparable ones do not.

    Association, never cause; people are neither named nor ranked.
    """
    need(caller, Act.READ)
    with reading(engine) as session:
        part_id = part_by_text(session, serial, drawing)
    gather_makeups(engine, part_id)
    with reading(engine) as session:
        mea = traced_mea(session, part_id)
        if mea.design_id is None:
            raise NotFound("build of part", serial)
        sheet = suspects_sheet(session, mea.design_id, mea.id, by_rule=by_rule)
    return Suspects(
        part=mea.label,
        design=sheet.design,
        by_rule=sheet.by_rule,
        meas=sheet.found.meas,
        failing=sheet.found.failing,
        builds=sheet.found.builds,
        failing_builds=sheet.found.failing_builds,
        comparable=sheet.found.comparable,
        first_closed=sheet.first_closed,
        last_closed=sheet.last_closed,
        places=list(sheet.columns),
        grid=[GridRow.model_validate(row) for row in sheet.rows],
        cannot_be_told_apart=list(sheet.apart),
        looked_at=sheet.found.looked_at,
        chance_of_one_by_chance=sheet.found.by_chance,
        factors=[_factor(factor) for factor in sheet.factors],
        position=sheet.position,
        few_data=[*sheet.few_data, *([sheet.too_few] if sheet.too_few else [])],
        not_cause=sheet.not_cause,
    )


def _factor(factor: NamedFactor) -> Factor:
    factor_found = factor.found
    return Factor(
        factor=str(factor_found.kind),
        counted_by=str(factor_found.unit),
        n=factor_found.n,
        failing=factor_found.failing,
        unknown=factor_found.unknown,
        levels_seen=factor_found.levels_seen,
        comparisons=factor_found.comparisons,
        p=factor_found.p,
        q=factor_found.q,
        own=list(factor.own),
        levels=[_level(level) for level in factor.levels],
        sentence=factor.sentence,
        unit_sentence=factor.unit,
    )


def _level(level: NamedLevel) -> Level:
    level_found = level.found
    return Level(
        name=level.name,
        is_own=level.is_own,
        failing=level_found.failing,
        all=level_found.all,
        rest_failing=level_found.rest_failing,
        rest_all=level_found.rest_all,
        odds_ratio=_odds(level_found.odds) if level_found.odds else None,
        p=level_found.test.two_sided if level_found.test else None,
        mid_p=level_found.test.mid_two_sided if level_found.test else None,
        plain_p=level_found.plain.two_sided if level_found.plain else None,
        sentence=level.sentence,
    )


def _odds(odds: OddsRatio) -> Odds:
    return Odds(
        value=odds.value if isfinite(odds.value) else None,
        low=odds.low,
        high=odds.high if isfinite(odds.high) else None,
        with_half=odds.with_half,
        level=odds.level,
    )


@router.get("/{serial}/containment")
def exposed(serial: str, caller: Caller, engine: Database, drawing: Drawing = "") -> Containment:
    """Return what else is exposed with a part: where it is now, its state, whether it is held."""
    need(caller, Act.READ)
    with reading(engine) as session:
        exposed_parts = containment(session, trace(session, part_by_text(session, serial, drawing)))
    return Containment.model_validate(exposed_parts)


@router.post(
    "/{serial}/containment",
    status_code=201,
    responses={200: {"model": Made, "description": "the same call was answered before"}},
)
def hold(*, serial: str, asked: HoldAsked, call: Call, drawing: Drawing = "") -> HoldsPlaced:
    """Place a hold on all that is exposed with a part, or on what is chosen: all or none."""
    need(call.caller, Act.HOLD_WRITE)
    with changing(call.engine, call.caller, key=call.key, via="api") as work:
        part_id = part_by_text(work.session, serial, drawing)
        exposed_parts = containment(work.session, trace(work.session, part_id))
        names = [thing.name for thing in exposed_parts.to_hold] if asked.all else asked.chosen
        placed = place_holds(
            work,
            [_subject(name) for name in names],
            reason=asked.reason,
            about=("part", part_id, f"what is exposed with {exposed_parts.part.label}"),
        )
        work.answer = str(placed.hold_ids[0])
    return HoldsPlaced(
        id=placed.hold_ids[0],
        hold_ids=list(placed.hold_ids),
        held_before=list(placed.held_before),
    )


def _subject(name: str) -> Subject:
    kind, _, number = name.partition("-")
    return Subject(**{f"{kind}_id": int(number)})
