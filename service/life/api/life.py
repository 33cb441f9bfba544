"""Life by group: shares not failed, laws and the comparison, as on the page."""

from math import isfinite
from typing import Annotated, Literal

from fastapi import APIRouter, Query

from service.life.api import life_models as models
from service.life.arithmetic.kaplan_meier import SurvivalCurve
from service.life.arithmetic.life_by_group import (
    GroupLife,
    comparison_in_words,
    group_in_words,
    life_by_group,
)
from service.life.arithmetic.weibull import WeibullLife
from service.life.queries.life_rows import mea_types
from service.life.queries.lives_of_groups import GroupBy, lives_of_groups
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need

router = APIRouter(prefix="/life", tags=["life"])

Id = Annotated[int | None, Query(ge=1, le=2**31)]


@router.get("")
def life(
    *,
    caller: Caller,
    engine: Database,
    by: GroupBy = GroupBy.LOT,
    part_type_id: Id = None,
    design_id: Id = None,
    level: Annotated[Literal["0.9", "0.95", "0.99"], Query(description="of intervals")] = "0.95",
) -> models.Life:
    """Say how long MEAs live unfailed, group by group, and whether the groups differ."""
    need(caller, Act.READ)
    with reading(engine) as session:
        types = [mea_type.id for mea_type in mea_types(session)]
        if part_type_id is not None and part_type_id not in types:
            raise NotFound("MEA type", part_type_id)
        type_ids = types if part_type_id is None else [part_type_id]
        groups_read = lives_of_groups(session, by, type_ids, design_id)
    lives = {group.name: group.lives for group in groups_read.groups}
    comparison = life_by_group(lives, float(level))
    groups = zip(comparison.groups, groups_read.groups, strict=True)
    test = comparison.test
    return models.Life.from_answer(
        groups_read,
        level=comparison.level,
        groups=[_group(computed, group.id) for computed, group in groups],
        test=models.Test.from_answer(test, groups=comparison.tested) if test else None,
        in_words=comparison_in_words(comparison),
    )


def _group(group: GroupLife, id_: int | None) -> models.GroupLife:
    curve, rate = group.curve, group.rate
    median = curve and _interval(curve.median_h, curve.median_low_h, curve.median_high_h)
    return models.GroupLife.from_answer(
        group,
        id=id_,
        begins_h=curve.begins_h if curve else None,
        until_h=curve.until_h if curve else None,
        median_h=median,
        failures_in_1000_h=_interval(rate.per_1000_h, rate.low, rate.high) if rate else None,
        steps=_steps(curve) if curve else [],
        weibull=_weibull(group.weibull) if group.weibull else None,
        to_be_careful_with=group_in_words(group),
    )


def _steps(curve: SurvivalCurve) -> list[models.Step]:
    columns = (curve.times_h, curve.at_risk, curve.failures, curve.shares, curve.lows, curve.highs,
               curve.standard_errors)  # fmt: skip
    return [
        models.Step(
            hours=hours,
            at_risk=at_risk,
            failures=failures,
            share=_interval(share, low, high),
            standard_error=_or_none(error),
        )
        for hours, at_risk, failures, share, low, high, error in zip(
            *(column.tolist() for column in columns), strict=True
        )
    ]


def _weibull(law: WeibullLife) -> models.Weibull:
    return models.Weibull(
        shape=_interval(law.shape, law.shape_low, law.shape_high),
        scale_h=_interval(law.scale_h, law.scale_low_h, law.scale_high_h),
        a_tenth_failed_by_h=_interval(*law.hours_until(0.1)),
        log_likelihood=law.log_likelihood,
    )


def _interval(value: float | None, low: float | None, high: float | None) -> models.Interval:
    return models.Interval(value=value, low=_or_none(low), high=_or_none(high))


def _or_none(value: float | None) -> float | None:
    return value if value is not None and isfinite(value) else None
