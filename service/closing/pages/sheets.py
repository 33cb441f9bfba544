"""What a computed closing says on a page: lines with limits, the map, the nuts to turn."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from markupsafe import Markup

from service.calculators.arithmetic.desk import plain
from service.closing.arithmetic.outcome import (
    OVER_BOTH_PLATES,
    ClosingOutcome,
    RodOutcome,
    values_of,
)
from service.closing.drawings.pressure_map import draw_pressure_map
from service.closing.queries.closing_inputs import DesignSizes
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.limits import Judged, Quantity, ValueToJudge
from service.physics.arithmetic.tightening import SETTLING_MINUTES
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End
from service.platform.pages.kept_drawings import drawing_cache

# The values of a computed closing as lines: each with its uncertainty, its limit, the verdict.


V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class Shown:
    """A value with its expanded uncertainty (k = 2) as text; empty where it is exact."""

    value: str
    expanded: str
    unit: str

    @property
    def text(self) -> str:
        """Value ± U with its unit."""
        pm = f" ± {self.expanded}" if self.expanded else ""
        return f"{self.value}{pm}\u2009{self.unit}".rstrip("\u2009")


@dataclass(frozen=True, slots=True)
class Line:
    """One value against its limit; without a limit ``limit``, ``verdict`` and ``source`` are
    empty.
    """

    name: str
    words: str
    value: Estimate
    shown: Shown
    limit: str = ""
    verdict: Verdict | None = None
    source: str = ""


def shown(value: Estimate | float, unit: str, places: int | None = None) -> Shown:
    """Return a value as text: as many digits as count, or so many decimals where it is exact."""
    estimate = value if isinstance(value, Estimate) else Estimate(value)
    if estimate.u:
        number, expanded = written(estimate)
    else:
        number = plain(estimate.value) if places is None else f"{estimate.value:.{places}f}"
        expanded = ""
    return Shown(number.replace("-", "−"), expanded, unit)


def by_place(values: Iterable[V], name: Callable[[V], str]) -> dict[tuple[str, int], V]:
    """Return values by name and place: the cell with the least pressure need not be the same."""
    placed: dict[tuple[str, int], V] = {}
    for value in values:
        at = sum(place == name(value) for place, _at in placed)
        placed[name(value), at] = value
    return placed


def limit_words(least: float | None, most: float | None, unit: str) -> str:
    """Return a limit in words."""
    behind = f"\u2009{unit}" if unit else ""
    if least is not None and most is not None:
        return f"{least:g} to {most:g}{behind}"
    if least is not None:
        return f"at least {least:g}{behind}"
    return f"at most {most:g}{behind}" if most is not None else ""


def lines_of(outcome: ClosingOutcome, clamp: ClampFigures | None) -> Iterable[Line]:
    """Return every value there is, in the order of the quantities."""
    judged: dict[Quantity, list[Judged]] = {}
    for judgement in outcome.judged:
        judged.setdefault(judgement.quantity, []).append(judgement)
    by_quantity: dict[Quantity, list[ValueToJudge]] = {}
    for value in values_of(outcome):
        by_quantity.setdefault(value.quantity, []).append(value)
    for quantity in Quantity:
        name = quantity.name.lower()
        for judgement in judged.get(quantity, ()):
            yield Line(
                name,
                _called(quantity, judgement.of),
                judgement.value,
                shown(judgement.value, quantity.unit),
                limit_words(judgement.least, judgement.most, quantity.unit),
                judgement.verdict,
                judgement.source,
            )
        if quantity not in judged:
            for bare in by_quantity.get(quantity, ()):
                words = _called(quantity, bare.of)
                yield Line(name, words, bare.value, shown(bare.value, quantity.unit))
        if quantity is Quantity.SHARE_OF_PROOF and clamp is not None and outcome.rods:
            yield _stress(outcome.rods, clamp)


def _called(quantity: Quantity, of: str) -> str:
    return f"{quantity}, {of}" if of else str(quantity)


def _stress(rods: Sequence[RodOutcome], clamp: ClampFigures) -> Line:
    """Pull of the rod that bears most over the stress area of its thread."""
    most = max(rods, key=lambda rod: rod.preload_n.value)
    stress = most.preload_n.scaled(1e-6 / clamp.thread_size.stress_area_m2)
    return Line("bolt_stress", f"bolt stress, rod {most.number}", stress, shown(stress, "MPa"))


@dataclass(frozen=True, slots=True)
class CornerRow:
    """The heights at the corners in one pass: their mean and spread, and the plate's tilt."""

    pass_number: int
    mean: Shown
    spread: Shown
    tilt: Shown
    angle: str
    ends: str
    """the highest and the lowest corner"""


@dataclass(frozen=True, slots=True)
class LostRow:
    """What one nut lost between its readings."""

    number: int
    first: Shown
    again: Shown
    minutes: Shown
    lost: Shown
    left: Shown


@dataclass(frozen=True, slots=True)
class ClosingSheet:
    """A computed closing as it is shown."""

    outcome: ClosingOutcome
    lines: tuple[Line, ...]
    map: Markup
    map_words: str
    level: str
    corners: tuple[CornerRow, ...]
    wanted: str
    height: str
    warm: str
    lost: tuple[LostRow, ...]
    lost_mean: str
    remarks: tuple[str, ...]
    settling_minutes: float
    """how long the design lets the stack settle before its nuts are read again"""


def closing_sheet(
    outcome: ClosingOutcome,
    sizes: DesignSizes,
    clamp: ClampFigures | None,
    *,
    measured_mm: float | None = None,
    remarks: Sequence[str] = (),
    prefix: str = "pressure",
    seen_from: End = End.FIXED,
) -> ClosingSheet:
    """Return the sheet of an outcome; ``measured_mm`` is the closed height as it was measured.

    ``clamp`` are the figures it was computed with. Before every nut is read in the last pass
    limits are shown without a verdict.
    """
    closed = outcome.closed
    return ClosingSheet(
        outcome=outcome,
        lines=tuple(
            line if outcome.is_last_pass_read else replace(line, verdict=None)
            for line in lines_of(outcome, clamp)
        ),
        map=_map(outcome, sizes, prefix, seen_from),
        map_words=_map_words(outcome),
        level=_level_words(outcome),
        corners=_corner_rows(outcome),
        wanted=_wanted_words(outcome),
        height=_height_words(closed.closed_height_mm if closed else None, measured_mm),
        warm=_warm_words(outcome),
        lost=_lost(outcome),
        lost_mean=shown(outcome.mean_lost_percent, "%").text if outcome.mean_lost_percent else "",
        remarks=(*outcome.remarks, *remarks),
        settling_minutes=clamp.settling_minutes if clamp else SETTLING_MINUTES,
    )


def _map(outcome: ClosingOutcome, sizes: DesignSizes, prefix: str, seen_from: End) -> Markup:
    map_found = outcome.map
    if map_found is None:
        return Markup("")
    loads = {rod.number: rod.preload_n for rod in outcome.rods}
    rods = [
        (number, x, y, loads[number].value, loads[number].u)
        for number, x, y in sizes.rods
        if number in loads
    ]
    key = ("pressure map", prefix, seen_from, sizes.plate_mm, tuple(rods), map_found)
    title = "Pressure on the active area from the last reading of each nut"
    drawn = drawing_cache.get(
        key,
        lambda: draw_pressure_map(
            plate_mm=sizes.plate_mm,
            area_mm=map_found.area_mm,
            rods=rods,
            xs_mm=map_found.xs_mm,
            ys_mm=map_found.ys_mm,
            pressures_mpa=map_found.pressures_mpa,
            title=title,
            resultant_mm=map_found.resultant_mm,
            lost_share=map_found.lost_percent / 100,
            known_to_mpa=max(corner.expanded for corner in map_found.corners_mpa),
            seen_from=seen_from,
            prefix=prefix,
        ),
    )
    return Markup(drawn)  # noqa: S704 - our own drawing


def _map_words(outcome: ClosingOutcome) -> str:
    map_found = outcome.map
    if map_found is None:
        return ""
    lost = (
        f"; {map_found.lost_percent:.0f}\u2009% of the active area has no contact"
        if map_found.lost_percent > 0
        else ""
    )
    return (
        f"Least {map_found.least_mpa:.3g}, greatest {map_found.greatest_mpa:.3g}, mean"
        f" {map_found.mean_mpa:.3g}\u2009MPa; least by greatest {shown(map_found.ratio, '').text};"
        f" standard deviation {round(map_found.deviation_mpa, 4):.2g}\u2009MPa{lost}."
    )


def _level_words(outcome: ClosingOutcome) -> str:
    """Which nut and which way, from the heights measured in this pass; empty without them."""
    corners = outcome.corners_now
    if corners is None:
        return ""
    tilt = f"{shown(corners.tilt_mm, 'mm').text} across the plate, {corners.tilt_deg:.2f}°"
    if corners.is_level or not corners.nuts:
        return f"Tilt of the end plate in pass {corners.pass_number}: {tilt}."
    nut = corners.nuts[0]
    turn = f" by about {nut.turn_deg:.0f}°" if nut.turn_deg is not None else ""
    return (
        f"The end plate is tilted: {tilt}; corner {corners.highest} is highest."
        f" Nut {nut.rod} stands {nut.above_mm:.2f}\u2009mm above the mean plane: tighten it"
        f" first{turn}, then measure the corners again."
    )


def _corner_rows(outcome: ClosingOutcome) -> tuple[CornerRow, ...]:
    return tuple(
        CornerRow(
            each.pass_number,
            shown(each.mean_mm, "mm", 2),
            shown(each.spread_mm, "mm"),
            shown(each.tilt_mm, "mm"),
            f"{each.tilt_deg:.2f}°",
            f"{each.highest}, {each.lowest}",
        )
        for each in outcome.corners
    )


def _wanted_words(outcome: ClosingOutcome) -> str:
    if outcome.wanted is None:
        return ""
    return (
        f"For a GDL pressure of {outcome.wanted.gdl_pressure_mpa:.3g}\u2009MPa, the middle of its"
        f" limits: {shown(outcome.wanted.torque_nm, 'N·m').text} on each nut."
    )


def _height_words(computed: Estimate | None, measured_mm: float | None) -> str:
    if computed is None or measured_mm is None:
        return ""
    off = measured_mm - computed.value
    inside = abs(off) <= computed.expanded
    return (
        f"Closed height {OVER_BOTH_PLATES}: measured {measured_mm:g}\u2009mm,"
        f" computed {shown(computed, 'mm').text}:"
        f" {abs(off):.2f}\u2009mm {'higher' if off > 0 else 'lower'},"
        f" {'within' if inside else 'outside'} what the computation leaves open."
    )


def _warm_words(outcome: ClosingOutcome) -> str:
    warm = outcome.warm
    if warm is None:
        return ""
    change = 100 * (warm.force_after_n / warm.force_before_n - 1)
    pressure = (
        f", GDL pressure {warm.gdl_before_mpa:.3g} to {warm.gdl_after_mpa:.3g}\u2009MPa"
        if warm.gdl_before_mpa is not None and warm.gdl_after_mpa is not None
        else ""
    )
    return (
        f"From {warm.from_c:g} to {warm.to_c:g}\u2009°C the force of all rods goes from"
        f" {warm.force_before_n / 1e3:.3g} to {warm.force_after_n / 1e3:.3g}\u2009kN"
        f" ({change:+.0f}\u2009%){pressure}."
    ).replace("(-", "(−")


def _lost(outcome: ClosingOutcome) -> tuple[LostRow, ...]:
    return tuple(
        LostRow(
            loss.number,
            shown(loss.first_nm, "N·m"),
            shown(loss.again_nm, "N·m"),
            shown(loss.minutes, "min", 0),
            shown(loss.lost_percent, "%"),
            shown(loss.preload_left_n.scaled(1e-3), "kN"),
        )
        for loss in outcome.relaxation
    )
