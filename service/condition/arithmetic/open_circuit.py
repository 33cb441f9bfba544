"""Open circuit: the cells' voltages without load, and how fast they fall once the gas is stopped.

Seconds, volts, A/cm². Rows × channels, not-a-number where a channel read nothing. A low or quickly
falling open-circuit voltage goes with gas that crosses the membrane or with a short; which of them
it is, a crossover or short test tells. Common practice, no source.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from service.condition.arithmetic.polarisation import LEVEL, Constant, constant
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero

AT_MOST_A_CM2 = 0.002
LEAST_S, SETTLE_S, WINDOW_S, GAP_S = 30.0, 20.0, 60.0, 120.0
THRESHOLD_V = 0.4
FEWEST_ROWS = 3

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OpenPhase:
    """A time without load: rows from ``first`` up to but without ``end``, seconds."""

    first: int
    end: int
    begins_s: float
    ends_s: float

    @property
    def lasted_s(self) -> float:
        """From its first to its last row."""
        return self.ends_s - self.begins_s


@dataclass(frozen=True, slots=True)
class OpenLevel:
    """A channel's open-circuit voltage: mean and standard deviation over ``rows``, V, and how it
    drifted meanwhile in V/s, None with fewer than three rows.
    """

    voltage_v: float
    spread_v: float | None
    drift_v_s: Constant | None
    rows: int


@dataclass(frozen=True, slots=True)
class Decay:
    """How a channel's voltage fell: V, seconds until it went below the threshold for good.

    ``below_after_s`` is None where it never did in ``watched_s``; ``rate_v_s`` is the mean
    rate from the start until then, or until the end.
    """

    start_v: float
    end_v: float
    threshold_v: float
    below_after_s: float | None
    watched_s: float
    rate_v_s: float


def open_phases(
    times_s: Array,
    densities_a_cm2: Array,
    at_most_a_cm2: float = AT_MOST_A_CM2,
    least_s: float = LEAST_S,
    gap_s: float = GAP_S,
) -> tuple[OpenPhase, ...]:
    """Find the times without load of at least ``least_s``.

    A gap in time longer than ``gap_s`` ends a phase, so does a row with load or without a known
    current.
    """
    _rows(times_s, densities_a_cm2)
    more_than_zero("the greatest current density that is no load", at_most_a_cm2, "A/cm²")
    idle = np.abs(np.where(np.isfinite(densities_a_cm2), densities_a_cm2, np.inf)) <= at_most_a_cm2
    joined = np.concatenate(([False], idle[1:] & idle[:-1] & (np.diff(times_s) <= gap_s)))
    starts = np.flatnonzero(idle & ~joined)
    ends = np.flatnonzero(idle & ~np.append(joined[1:], False)) + 1
    phases = (
        OpenPhase(int(first), int(end), float(times_s[first]), float(times_s[end - 1]))
        for first, end in zip(starts, ends, strict=True)
    )
    return tuple(phase for phase in phases if phase.lasted_s >= least_s)


def open_levels(
    times_s: Array, voltages_v: Array, settle_s: float = SETTLE_S, window_s: float = WINDOW_S
) -> tuple[OpenLevel | None, ...]:
    """Return the open-circuit voltage of each channel. Rows of one phase, from its beginning.

    The mean over ``window_s`` after ``settle_s`` have passed: before that the voltage still
    recovers from the load, later hydrogen on the air side pulls it down. Where rows stand further
    apart the first three are taken. None for a channel that read nothing. Raises Inconsistent
    where the phase ends before it has settled.
    """
    _rows(times_s, voltages_v)
    not_below_zero("the time to settle", settle_s, "s")
    more_than_zero("the window", window_s, "s")
    since = times_s - times_s[0]
    settled = np.flatnonzero(since >= settle_s)
    chosen = settled[: max(int(np.sum(since[settled] <= settle_s + window_s)), FEWEST_ROWS)]
    if not len(chosen):
        raise Inconsistent(
            f"The load was off for {float(since[-1]):.3g} s only; an open-circuit voltage is read"
            f" from {settle_s:g} s on."
        )
    return tuple(_level(since[chosen], column) for column in voltages_v[chosen].T)


def _level(times: Array, column: Array) -> OpenLevel | None:
    is_read = np.isfinite(column)
    rows = int(is_read.sum())
    if not rows:
        return None
    seconds, volts = times[is_read], column[is_read]
    mean = float(volts.mean())
    spread = float(volts.std(ddof=1)) if rows > 1 else None
    centred = seconds - seconds.mean()
    square = float(centred @ centred)
    if rows < FEWEST_ROWS or not square:
        return OpenLevel(mean, spread, None, rows)
    slope = float(centred @ volts) / square
    residuals = volts - mean - slope * centred
    error = sqrt(float(residuals @ residuals) / (rows - 2) / square)
    return OpenLevel(mean, spread, constant(slope, error, rows - 2, LEVEL), rows)


def decays(
    times_s: Array, voltages_v: Array, threshold_v: float = THRESHOLD_V
) -> tuple[Decay | None, ...]:
    """Compute how long each channel stays above the threshold once gas and load are off.

    Rows from the moment the gas was stopped. The crossing is read between rows along a straight
    line; one that is undone by a later row does not count. None for a channel with fewer than two
    readings.

    >>> volts = np.array([[1.0, 1.0], [0.8, 0.5], [0.6, 0.1], [0.5, 0.0]])
    >>> [it and it.below_after_s for it in decays(np.array([0.0, 10.0, 20.0, 30.0]), volts)]
    [None, 12.5]
    """
    _rows(times_s, voltages_v)
    more_than_zero("the threshold", threshold_v, "V")
    return tuple(_decay(times_s - times_s[0], column, threshold_v) for column in voltages_v.T)


def _decay(times: Array, column: Array, threshold: float) -> Decay | None:
    is_read = np.isfinite(column)
    seconds, volts = times[is_read], column[is_read]
    if len(seconds) < 2:
        return None
    start, end = float(volts[0]), float(volts[-1])
    above = np.flatnonzero(volts >= threshold)
    watched = float(seconds[-1] - seconds[0])
    if end >= threshold:
        return Decay(start, end, threshold, None, watched, (end - start) / watched)
    if not len(above):
        return Decay(start, end, threshold, 0.0, watched, (end - start) / watched)
    last = int(above[-1])
    share = (volts[last] - threshold) / (volts[last] - volts[last + 1])
    after = float(seconds[last] + share * (seconds[last + 1] - seconds[last]))
    rate = (threshold - start) / after if after else (end - start) / watched
    return Decay(start, end, threshold, after, watched, rate)


def _rows(times_s: Array, values: Array) -> None:
    if not len(times_s) or len(times_s) != len(values):
        raise Inconsistent("Times and readings must be as many, at least one.")
    if not np.all(np.isfinite(times_s)) or np.any(np.diff(times_s) <= 0):
        raise Inconsistent("Times must rise from row to row.")
