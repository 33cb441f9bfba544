"""An MEA's own life: voltage at one current density over its own hours, and what it says."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.condition.arithmetic.reference_voltages import NEAR_PERCENT, densities_read
from service.life.arithmetic.failing_rules import CriterionKind
from service.life.arithmetic.forecast_backtest import LookBack, looking_back
from service.life.arithmetic.hours_to_limit import HoursToLimit, hours_to_limit
from service.life.arithmetic.recovery import CannotTell, Recovery, recovery
from service.life.arithmetic.voltage_trend import (
    Method,
    Stretch,
    VoltageTrend,
    loss_for_life_uv_h,
    mean_loss_uv_h,
    percent_lost,
    voltage_trend,
)
from service.life.queries.failing import MarkOfPerson, VerdictOfRule, marks_of, verdict_of
from service.life.queries.failing_rules import RuleVersion, rules_in_force
from service.life.queries.mea_histories import MeaHistory, MeaSat, ReferenceReadings, mea_histories
from service.life.queries.own_hours import operating_densities
from service.platform.arithmetic.vocabulary import Kind
from service.stacks.arithmetic.running_hours import running_spells
from service.store.queries.part_lists import PartFacts, part_facts

TARGET_PERCENT, TARGET_LIFE_H = 10.0, 5000.0
"""A public durability target for driving (US Department of Energy): a yardstick, no limit."""


@dataclass(frozen=True, slots=True)
class SatAndRead:
    """One build it sat in, and its readings there at the density; None where it has none."""

    sat: MeaSat
    readings: int
    stretch: Stretch | None
    first_v: float | None
    last_v: float | None


@dataclass(frozen=True, slots=True)
class Loss:
    """From the first reading to the last: µV/h in the mean, and the share in %.

    ``allowed_uv_h`` would use up `TARGET_PERCENT` of the first voltage in `TARGET_LIFE_H`.
    """

    from_h: float
    to_h: float
    from_v: float
    to_v: float
    mean_uv_h: float
    percent: float
    allowed_uv_h: float


@dataclass(frozen=True, slots=True)
class MeaLife:
    """Everything its voltage says of one MEA at one density.

    ``density_a_cm2`` None: it was never read under load and nothing says at which density to
    look. ``densities`` are those it was read at, with how often. ``recovery_of`` names the build
    the recoverable loss is told from.
    """

    part: PartFacts
    builds: tuple[SatAndRead, ...]
    density_a_cm2: float | None
    densities: tuple[tuple[float, int], ...]
    near_percent: float
    readings: ReferenceReadings | None
    trend: VoltageTrend | None
    loss: Loss | None
    limit_v: float | None
    outlooks: tuple[HoursToLimit, ...]
    recovery: Recovery | CannotTell | None
    recovery_of: MeaSat | None
    look_back: LookBack | None
    without_load: tuple[tuple[datetime, float], ...]
    newest_score: float | None
    rule: RuleVersion | None
    verdict: VerdictOfRule | None
    marks: tuple[MarkOfPerson, ...]

    @property
    def is_mea(self) -> bool:
        """Only an MEA has such a life."""
        return self.part.kind is Kind.MEA

    @property
    def standing_mark(self) -> MarkOfPerson | None:
        """The word that it is failing, where one stands."""
        return next((mark for mark in self.marks if mark.withdrawn_at is None), None)

    def sat_at(self, place: int) -> MeaSat:
        """Return the build of a reading, by its place."""
        return self.builds[place - 1].sat


def mea_life(
    session: Session,
    part_id: int,
    *,
    density_a_cm2: float | None = None,
    limit_v: float | None = None,
    known_at: datetime | None = None,
) -> MeaLife:
    """Return what the voltage says of a part, at a density or at the rule's. Raises NotFound.

    ``limit_v`` None: the rule's limit of the voltage, where it has one. The number of statements
    does not depend on how many builds and readings there are.
    """
    part = part_facts(session, part_id)
    history = mea_histories(session, [part_id], known_at)[part_id]
    newest = history.newest or (history.sat[-1] if history.sat else None)
    rule = rules_in_force(session).get(newest.design_id) if newest else None
    density = density_a_cm2 or _density(session, history, rule)
    near = rule.rule.near_percent if rule else NEAR_PERCENT
    readings = history.at_density(density, near) if density else None
    trend = _trend(readings)
    limit = limit_v or _limit_of(rule)
    recovered, of_build = _recovery(history, readings)
    scores = history.scores(readings)
    return MeaLife(
        part=part,
        builds=_builds(history, readings, trend),
        density_a_cm2=density,
        densities=densities_read(history.densities()),
        near_percent=near,
        readings=readings,
        trend=trend,
        loss=_loss(readings),
        limit_v=limit,
        outlooks=_outlooks(trend, limit),
        recovery=recovered,
        recovery_of=of_build,
        look_back=_look_back(readings),
        without_load=history.without_load(),
        newest_score=scores[-1] if scores else None,
        rule=rule,
        verdict=verdict_of(session, part_id),
        marks=marks_of(session, part_id),
    )


def _density(session: Session, history: MeaHistory, rule: RuleVersion | None) -> float | None:
    if rule and rule.rule.reference_density_a_cm2:
        return rule.rule.reference_density_a_cm2
    usual = history.usual_density()
    if usual or not history.newest:
        return usual
    design_id = history.newest.design_id
    return operating_densities(session, [design_id]).get(design_id)


def _trend(readings: ReferenceReadings | None) -> VoltageTrend | None:
    if readings is None or not readings.readings:
        return None
    return voltage_trend(
        readings.hours_h, readings.voltages_v, readings.places, readings=readings.readings
    )


def _limit_of(rule: RuleVersion | None) -> float | None:
    criterion = rule.rule.criterion(CriterionKind.VOLTAGE) if rule else None
    return criterion.limit if criterion else None


def _outlooks(trend: VoltageTrend | None, limit_v: float | None) -> tuple[HoursToLimit, ...]:
    if trend is None or limit_v is None:
        return ()
    return tuple(hours_to_limit(trend, limit_v, method) for method in Method)


def _loss(readings: ReferenceReadings | None) -> Loss | None:
    if readings is None or readings.readings < 2:
        return None
    from_h, to_h = readings.hours_h[0], readings.hours_h[-1]
    from_v, to_v = readings.voltages_v[0], readings.voltages_v[-1]
    if to_h <= from_h or from_v <= 0:
        return None
    rate, lost = mean_loss_uv_h(from_v, to_v, to_h - from_h), percent_lost(from_v, to_v)
    allowed = loss_for_life_uv_h(from_v, TARGET_PERCENT, TARGET_LIFE_H)
    return Loss(from_h, to_h, from_v, to_v, rate, lost, allowed)


def _builds(
    history: MeaHistory, readings: ReferenceReadings | None, trend: VoltageTrend | None
) -> tuple[SatAndRead, ...]:
    stretches = {stretch.build: stretch for stretch in trend.stretches} if trend else {}
    builds = []
    for sat in history.sat:
        places = (
            [index for index, place in enumerate(readings.places) if place == sat.place]
            if readings
            else []
        )
        counted = sum(readings.counts[index] for index in places) if readings else 0
        volts = [readings.voltages_v[index] for index in places] if readings else []
        builds.append(
            SatAndRead(
                sat,
                counted,
                stretches.get(sat.place),
                volts[0] if volts else None,
                volts[-1] if volts else None,
            )
        )
    return tuple(builds)


def _recovery(
    history: MeaHistory, readings: ReferenceReadings | None
) -> tuple[Recovery | CannotTell | None, MeaSat | None]:
    """Told from the newest build in which it can be told: an opening changes more than a stop."""
    if readings is None or not readings.readings:
        return None, None
    off = [index for index, _volts in history.without_load()]
    first: tuple[Recovery | CannotTell | None, MeaSat | None] = (None, None)
    for sat in reversed(history.sat):
        places = [index for index, place in enumerate(readings.places) if place == sat.place]
        if not places:
            continue
        hours = [readings.hours_h[index] for index in places]
        spells = running_spells(
            [readings.times[index] for index in places], hours, [1] * len(places), off
        )
        recovered = recovery(hours, [readings.voltages_v[index] for index in places], spells)
        if isinstance(recovered, Recovery):
            return recovered, sat
        if first[0] is None:
            first = (recovered, sat)
    return first


def _look_back(readings: ReferenceReadings | None) -> LookBack | None:
    if readings is None or not readings.readings:
        return None
    return looking_back(readings.hours_h, readings.voltages_v, readings.places)
