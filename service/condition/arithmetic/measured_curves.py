"""A polarisation curve as it is kept: points with the mean and spread of every channel.

Packed as JSON, one object a point, in the order of rising density; null where a channel read
nothing. Density in A/cm², current in A, voltages in V.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.condition.arithmetic.polarisation import GREATEST_A_CM2, GREATEST_V, CurvePoint
from service.condition.arithmetic.sweep_points import Sweep
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import within

MOST_POINTS = 500
Values = tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """Means over ``rows`` rows at one current density; voltages in the order of the channels."""

    density_a_cm2: float
    current_a: float | None
    rows: int
    means_v: Values
    spreads_v: Values

    def __post_init__(self) -> None:
        """Refuse what no cell gives."""
        within("the current density", self.density_a_cm2, "A/cm²", 0.0, GREATEST_A_CM2)
        if len(self.means_v) != len(self.spreads_v):
            raise Inconsistent("Every channel has a mean and a spread, or none of both.")
        for number, volts in enumerate(self.means_v, start=1):
            if volts is not None:
                within(f"the voltage of channel {number}", volts, "V", -GREATEST_V, GREATEST_V)


def points_of_leg(sweep: Sweep, leg: int, area_cm2: float) -> tuple[MeasuredPoint, ...]:
    """Return the points of one leg (from 1) of a sweep.

    An offset below zero counts as no current.
    """
    return in_order(
        MeasuredPoint(
            max(point.density_a_cm2, 0.0),
            max(point.density_a_cm2, 0.0) * area_cm2,
            point.rows,
            point.voltages_v,
            point.spreads_v,
        )
        for point in sweep.points
        if point.leg == leg
    )


def in_order(points: Any) -> tuple[MeasuredPoint, ...]:
    """Return the points by rising density.

    Raises Inconsistent for none, too many, uneven channels.
    """
    ordered = tuple(sorted(points, key=lambda point: point.density_a_cm2))
    if not ordered:
        raise Inconsistent("A curve needs points.")
    if len(ordered) > MOST_POINTS:
        raise Inconsistent(f"A curve has at most {MOST_POINTS} points; there are {len(ordered)}.")
    if len({len(point.means_v) for point in ordered}) > 1:
        raise Inconsistent("Every point of a curve has the same channels.")
    return ordered


def curve_of_channel(points: Sequence[MeasuredPoint], place: int) -> tuple[CurvePoint, ...]:
    """Return the curve of one channel by its place from 0, without points it read nothing at."""
    return tuple(
        CurvePoint(point.density_a_cm2, volts, point.spreads_v[place], point.rows)
        for point in points
        if (volts := point.means_v[place]) is not None
    )


def points_as_text(points: Sequence[MeasuredPoint]) -> str:
    """Return JSON text; six digits behind the point are a millionth of a volt."""
    return json.dumps(
        [
            {
                "density_a_cm2": round(point.density_a_cm2, 6),
                "current_a": None if point.current_a is None else round(point.current_a, 4),
                "rows": point.rows,
                "means_v": [_rounded(volts) for volts in point.means_v],
                "spreads_v": [_rounded(volts) for volts in point.spreads_v],
            }
            for point in points
        ],
        separators=(",", ":"),
    )


def points_from_text(text: str) -> tuple[MeasuredPoint, ...]:
    """Return points from JSON text written by `points_as_text`.

    >>> point = MeasuredPoint(0.7, 70.0, 250, (0.688, None), (0.001, None))
    >>> points_from_text(points_as_text([point])) == (point,)
    True
    """
    return tuple(
        MeasuredPoint(
            point["density_a_cm2"],
            point["current_a"],
            point["rows"],
            tuple(point["means_v"]),
            tuple(point["spreads_v"]),
        )
        for point in json.loads(text)
    )


def _rounded(volts: float | None) -> float | None:
    return None if volts is None else round(volts, 6)
