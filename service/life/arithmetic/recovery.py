"""What of the lost voltage comes back after stops, and what is lost for good?

Part of what an MEA loses while it runs comes back when it stands: water and adsorbed matter leave,
oxides are reduced. So the voltage falls in each spell between two stops, rises at the stop, and
only what does not come back is lasting. One slope is sought for all spells, with a level for each;
everything below is a difference of fitted voltages, with Student's t.

Losses are above zero where the voltage fell. Source: recoverable and lasting loss are told apart
so in protocols of the trade; the arithmetic is common practice.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from service.life.arithmetic.voltage_trend import UV, VoltageTrend, voltage_trend
from service.platform.arithmetic.regression import Floats, LeastSquares

LEAST_IN_A_SPELL = 3
LEAST_SPELL_H = 10.0
"""A spell needs readings over some hours to say how fast the voltage falls in it."""


@dataclass(frozen=True, slots=True)
class Change:
    """A voltage or rate with its interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class AtStop:
    """What came back at one stop, V: at which own hours, from which spell to which."""

    at_h: float
    before: int
    after: int
    back_v: Change


@dataclass(frozen=True, slots=True)
class Recovery:
    """Loss from the first restart to the last one, told apart; hours not read count as run.

    ``running_uv_h`` is what is lost in each hour while it runs, ``lasting_uv_h`` what remains of
    it from restart to restart (None: no hours between); ``lost_v`` is all that was lost while
    running, ``back_v`` what came back at the stops, ``lasting_v`` the rest. ``share_back`` is back
    by lost, None where nothing was lost. ``since_restart_v`` was lost since the last restart:
    part of it may come back.
    """

    running_uv_h: Change
    lasting_uv_h: Change | None
    lost_v: Change
    back_v: Change
    lasting_v: Change
    since_restart_v: Change
    share_back: float | None
    stops: tuple[AtStop, ...]
    n: int
    level: float


@dataclass(frozen=True, slots=True)
class CannotTell:
    """Why recoverable and lasting loss cannot be told apart, in words."""

    why: str


def recovery(
    hours_h: ArrayLike, voltages_v: ArrayLike, spells: ArrayLike, level: float = 0.95
) -> Recovery | CannotTell:
    """Compute how much of the loss came back at stops, and how much is lasting.

    ``hours_h`` are own hours, ``spells`` numbers the spell of each reading, rising in time: a new
    one begins after each stop. Spells of few readings or hours are left out.

    >>> hours = [0, 50, 100, 100, 150, 200, 200, 250, 300]
    >>> volts = [0.700, 0.697, 0.694, 0.698, 0.695, 0.692, 0.696, 0.693, 0.690]
    >>> found = recovery(hours, volts, [1, 1, 1, 2, 2, 2, 3, 3, 3])
    >>> round(found.running_uv_h.value), round(found.lasting_uv_h.value), found.share_back
    (60, 20, 0.6667)
    """
    hours = np.asarray(hours_h, dtype=float)
    volts, numbers = np.asarray(voltages_v, dtype=float), np.asarray(spells)
    long_enough = [
        number for number in np.unique(numbers) if _is_long_enough(hours[numbers == number])
    ]
    counts = np.isin(numbers, long_enough)
    spelled = len(long_enough)
    if spelled < 2:
        return CannotTell(
            f"{spelled or 'no'} spell{'' if spelled == 1 else 's'} between stops with at least"
            f" {LEAST_IN_A_SPELL} readings over {LEAST_SPELL_H:g} h or more; two are wanted to see"
            " what comes back."
        )
    trend = voltage_trend(hours[counts], volts[counts], numbers[counts], level)
    if trend.fit is None:
        return CannotTell("The readings of each spell stand at the same hours: no fall is seen.")
    return _told_apart(trend, trend.fit)


def _told_apart(trend: VoltageTrend, fit: LeastSquares) -> Recovery:
    stretches = trend.stretches
    last = len(stretches)
    levels = [_row(fit, index, 0.0) for index in range(1, last + 1)]
    stops = [levels[index] - levels[index - 1] for index in range(1, last)]
    begun, ended = _row(fit, last, stretches[-1].from_h), _row(fit, last, stretches[-1].to_h)
    lost = -_row(fit, None, stretches[-1].from_h - stretches[0].from_h)
    lasting = _row(fit, 1, stretches[0].from_h) - begun
    between_h = stretches[-1].from_h - stretches[0].from_h
    running = _change(fit, -_row(fit, None, 1.0) * UV)
    lost_v, back_v = _change(fit, lost), _change(fit, levels[-1] - levels[0])
    return Recovery(
        running,
        _change(fit, lasting * (UV / between_h)) if between_h else None,
        lost_v,
        back_v,
        _change(fit, lasting),
        _change(fit, begun - ended),
        round(back_v.value / lost_v.value, 4) if lost_v.value > 0 else None,
        tuple(
            AtStop(before.to_h, before.build, after.build, _change(fit, row))
            for before, after, row in zip(stretches[:-1], stretches[1:], stops, strict=True)
        ),
        trend.readings,
        fit.level,
    )


def _row(fit: LeastSquares, stretch: int | None, hours_h: float) -> Floats:
    """The columns of a fitted voltage: slope first, then one level for each spell."""
    row = np.zeros(len(fit.coefficients))
    row[0] = hours_h
    if stretch is not None:
        row[stretch] = 1.0
    return row


def _is_long_enough(hours: Floats) -> bool:
    return len(hours) >= LEAST_IN_A_SPELL and float(np.ptp(hours)) >= LEAST_SPELL_H


def _change(fit: LeastSquares, row: Floats) -> Change:
    value, error = fit.at(row)
    wide = float(stdtrit(fit.freedom, (1 + fit.level) / 2)) * error
    return Change(value, value - wide, value + wide)
