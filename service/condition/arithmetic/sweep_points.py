"""A continuous sweep of the current, made into points of a polarisation curve.

Rows come as arrays: current density (A/cm²) by row, voltages (V) by row and channel, not-a-number
where a channel read nothing. The way up and the way down are never mixed: the membrane's water and
the catalyst's state differ between them. Common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.condition.arithmetic.polarisation import GREATEST_A_CM2, CurvePoint
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import more_than_zero

# Chosen: above the ripple of a load, below any way back somebody drives. An offset of the meter
# reads up to 5 mA/cm² below zero. Bins grow from 4 to 50 mA/cm² by half: the activation range falls
# fastest near zero. Common practice, no source.
TURN_A_CM2 = 0.05
OFFSET_A_CM2 = 0.005
FINEST_A_CM2, COARSEST_A_CM2, GROWTH = 0.004, 0.05, 1.5

Array = NDArray[np.float64]


class SweepDirection(StrEnum):
    """Which way the current went."""

    RISING = "rising"
    FALLING = "falling"


@dataclass(frozen=True, slots=True)
class Leg:
    """One way of the sweep: its rows from ``first`` up to but without ``end``."""

    way: SweepDirection
    first: int
    end: int


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """Means over the rows of one bin of one leg; A/cm² and V, by channel.

    ``rows`` counts the rows, ``read`` those in which a channel read something. A channel that read
    nothing has None; a spread needs two rows.
    """

    leg: int
    way: SweepDirection
    density_a_cm2: float
    rows: int
    voltages_v: tuple[float | None, ...]
    spreads_v: tuple[float | None, ...]
    read: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Sweep:
    """A sweep's legs and points, and how many rows had no usable current."""

    legs: tuple[Leg, ...]
    points: tuple[SweepPoint, ...]
    rows: int
    left_out: int

    def curve(self, channel: int, leg: int) -> tuple[CurvePoint, ...]:
        """Return the curve of one channel (from 0) on one leg (from 1), by rising density."""
        points = [
            CurvePoint(
                max(point.density_a_cm2, 0.0),
                voltage,
                point.spreads_v[channel],
                point.read[channel],
            )
            for point in self.points
            if point.leg == leg and (voltage := point.voltages_v[channel]) is not None
        ]
        return tuple(sorted(points, key=lambda point: point.density_a_cm2))


def bin_edges(
    most_a_cm2: float, finest_a_cm2: float = FINEST_A_CM2, coarsest_a_cm2: float = COARSEST_A_CM2
) -> Array:
    """Return the edges of bins in A/cm²: fine near zero, where the curve is steep, then even.

    >>> [round(float(edge), 4) for edge in bin_edges(0.2)[:6]]
    [-0.005, 0.004, 0.01, 0.019, 0.0325, 0.0528]
    """
    more_than_zero("the finest bin", finest_a_cm2, "A/cm²")
    more_than_zero("the greatest current density", most_a_cm2, "A/cm²")
    if coarsest_a_cm2 < finest_a_cm2 or most_a_cm2 > GREATEST_A_CM2:
        raise OutOfRange(
            "the coarsest bin", f"{coarsest_a_cm2:g}", "A/cm²", "the finest one or more"
        )
    edges, step = [-OFFSET_A_CM2, finest_a_cm2], finest_a_cm2
    while edges[-1] <= most_a_cm2:
        step = min(step * GROWTH, coarsest_a_cm2)
        edges.append(edges[-1] + step)
    return np.array(edges)


def legs_of(densities_a_cm2: Array, turn_a_cm2: float = TURN_A_CM2) -> tuple[Leg, ...]:
    """Find where the current turns. A way back shorter than ``turn_a_cm2`` is noise, no turn.

    Every row belongs to one leg, the row at a turn to the leg it ends. Raises
    Inconsistent where the current never moves that far.
    """
    more_than_zero("the least way back that is a turn", turn_a_cm2, "A/cm²")
    if not len(densities_a_cm2):
        raise Inconsistent("A sweep needs rows.")
    if not np.all(np.isfinite(densities_a_cm2)):
        raise Inconsistent("Legs are told from rows whose current is known.")
    if float(np.ptp(densities_a_cm2)) <= turn_a_cm2:
        raise Inconsistent(
            f"The current density moves by {float(np.ptp(densities_a_cm2)):.3g} A/cm² only;"
            f" a sweep moves by more than {turn_a_cm2:g} A/cm²."
        )
    # Rows within a sixteenth of a turn are one place: a held step of thousands of rows is looked at
    # once, and the loop in `_turns` is short. Coarser would blur where a turn lies.
    steps = np.round(densities_a_cm2 / (turn_a_cm2 / 16))
    moved = np.flatnonzero(np.diff(steps, prepend=np.nan) != 0)
    turns = _turns(densities_a_cm2[moved], turn_a_cm2)
    starts = [0]
    for entry, way in turns[1:]:
        first = int(moved[entry])
        last = int(moved[entry + 1]) if entry + 1 < len(moved) else len(densities_a_cm2)
        around_turn = densities_a_cm2[first:last]
        extreme = around_turn.argmax() if way is SweepDirection.FALLING else around_turn.argmin()
        starts.append(first + int(extreme) + 1)
    return tuple(
        Leg(way, start, end)
        for (_, way), start, end in zip(
            turns, starts, [*starts[1:], len(densities_a_cm2)], strict=True
        )
    )


def _turns(values: Array, turn: float) -> list[tuple[int, SweepDirection]]:
    """Where each leg begins among values that move, and its way."""
    turns: list[tuple[int, SweepDirection]] = []
    low = high = (0, float(values[0]))
    way: SweepDirection | None = None
    for index, value in enumerate(values.tolist()):
        low = (index, value) if value <= low[1] else low
        high = (index, value) if value >= high[1] else high
        if way is not SweepDirection.RISING and value - low[1] > turn:
            turns.append((low[0], SweepDirection.RISING))
            way, high = SweepDirection.RISING, (index, value)
        elif way is not SweepDirection.FALLING and high[1] - value > turn:
            turns.append((high[0], SweepDirection.FALLING))
            way, low = SweepDirection.FALLING, (index, value)
    return turns


def sweep_points(
    densities_a_cm2: Array,
    voltages_v: Array,
    edges_a_cm2: Array | None = None,
    turn_a_cm2: float = TURN_A_CM2,
) -> Sweep:
    """Compute the points of a sweep: mean, spread and count by leg, bin and channel.

    A row whose current is unknown, below −0.005 A/cm² (more than an offset of the meter) or beyond
    the bins is left out and counted. The density of a point is its rows' mean, not the bin's
    middle. Steps of the current that are held are read the same way.
    """
    if voltages_v.ndim != 2 or len(voltages_v) != len(densities_a_cm2):
        raise Inconsistent("Voltages come as rows × channels, one row for each current.")
    is_read = np.isfinite(densities_a_cm2)
    if not is_read.any():
        raise Inconsistent("No row of the sweep has a current.")
    edges = bin_edges(_top(densities_a_cm2[is_read])) if edges_a_cm2 is None else edges_a_cm2
    used = is_read & (densities_a_cm2 >= edges[0]) & (densities_a_cm2 < edges[-1])
    densities, volts = densities_a_cm2[used], voltages_v[used]
    legs = legs_of(densities, turn_a_cm2)
    leg_of = np.concatenate([np.full(leg.end - leg.first, n) for n, leg in enumerate(legs)])
    # leg and bin in one number: one grouping serves both; `//` reads the leg back
    keys = leg_of * len(edges) + np.searchsorted(edges, densities, side="right")
    groups, group_of = np.unique(keys, return_inverse=True)
    rows = np.bincount(group_of)
    density = np.bincount(group_of, densities) / rows
    read, means, spreads = _moments(group_of, volts, len(groups))
    return Sweep(
        legs,
        tuple(
            SweepPoint(
                int(leg) + 1,
                legs[int(leg)].way,
                float(density[n]),
                int(rows[n]),
                _finite_or_none(means[n]),
                _finite_or_none(spreads[n]),
                tuple(read[n].tolist()),
            )
            for n, leg in enumerate(groups // len(edges))
        ),
        len(densities_a_cm2),
        int(len(densities_a_cm2) - used.sum()),
    )


def around(
    densities_a_cm2: Array, voltages_v: Array, density_a_cm2: float, half_width_a_cm2: float
) -> tuple[float | None, ...]:
    """Compute each channel's mean voltage in V within ± ``half_width_a_cm2`` of a density."""
    more_than_zero("the half width", half_width_a_cm2, "A/cm²")
    near = np.abs(densities_a_cm2 - density_a_cm2) <= half_width_a_cm2
    if not near.any():
        raise Inconsistent(
            f"No row lies within {half_width_a_cm2:g} A/cm² of {density_a_cm2:g} A/cm²."
        )
    group = np.zeros(int(near.sum()), dtype=np.intp)
    return _finite_or_none(_moments(group, voltages_v[near], 1)[1][0])


def _top(densities: Array) -> float:
    top = float(densities.max())
    if not 0 < top <= GREATEST_A_CM2:
        raise OutOfRange(
            "the greatest current density of the sweep",
            f"{top:g}",
            "A/cm²",
            f"more than zero, up to {GREATEST_A_CM2:g} A/cm²; is it a current?",
        )
    return top


def _moments(
    group_of: NDArray[np.intp], volts: Array, groups: int
) -> tuple[NDArray[np.int64], Array, Array]:
    """Count, mean and standard deviation by group and channel."""
    is_read = np.isfinite(volts)
    filled = np.where(is_read, volts, 0.0)
    shape = (groups, volts.shape[1])
    read, means, squares = np.zeros(shape, dtype=np.int64), np.zeros(shape), np.zeros(shape)
    for channel in range(volts.shape[1]):
        count = np.bincount(group_of, is_read[:, channel], groups)
        total = np.bincount(group_of, filled[:, channel], groups)
        mean = np.divide(total, count, out=np.full(groups, np.nan), where=count > 0)
        away = np.where(is_read[:, channel], filled[:, channel] - mean[group_of], 0.0)
        square = np.bincount(group_of, away**2, groups)
        read[:, channel], means[:, channel] = count, mean
        squares[:, channel] = np.divide(
            square, count - 1, out=np.full(groups, np.nan), where=count > 1
        )
    return read, means, np.sqrt(squares)


def _finite_or_none(values: Array) -> tuple[float | None, ...]:
    return tuple(None if np.isnan(value) else float(value) for value in values)
