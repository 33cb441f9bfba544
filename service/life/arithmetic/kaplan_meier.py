"""Which share survives how many hours, without assuming a law of life?

S(t) is the product over failure times of 1 − d/n, with d failures among n at risk; its interval is
Greenwood's on the scale of log(−log S), which stays between 0 and 1. With late entry n grows as
well as falls. A curve that begins later than 0 h is the share of those that had reached its
beginning; where very few are at risk early, one failure pulls everything after it down.

Source: Kaplan & Meier 1958; Greenwood 1926; Kalbfleisch & Prentice, section 1.4 (log-log
interval); Brookmeyer & Crowley 1982 (interval of the median); from memory.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from service.life.arithmetic.lifetimes import Bools, Counts, Floats, Lives, at_risk
from service.platform.arithmetic.errors import NoSolution
from service.platform.arithmetic.preconditions import within

FEW_AT_RISK = 5
"""Below so many at risk a step says little about others; common practice, no source."""
HALF = 0.5 + 1e-12
"""A product of shares may miss one half by a rounding; the last digits are no failure more."""


@dataclass(frozen=True, slots=True, eq=False)
class SurvivalCurve:
    """The estimate at each time of failure, in own hours.

    ``shares[i]`` holds from ``times_h[i]`` until the next time; ``lows`` and ``highs`` are the ends
    of its interval, not a number where all at risk had failed. ``begins_h`` is where the first
    came under watch, ``until_h`` where the last left it. ``median_h`` is None where more than half
    survive, the ends of its interval where the interval does not reach one half.
    """

    times_h: Floats
    at_risk: Counts
    failures: Counts
    shares: Floats
    standard_errors: Floats
    lows: Floats
    highs: Floats
    begins_h: float
    until_h: float
    n: int
    level: float
    median_h: float | None
    median_low_h: float | None
    median_high_h: float | None

    def share_at(self, time_h: float) -> float:
        """Return the share surviving beyond a time within what was watched."""
        steps = int(np.searchsorted(self.times_h, time_h, side="right"))
        return float(self.shares[steps - 1]) if steps else 1.0

    @property
    def emptied_h(self) -> float | None:
        """Time at which all then at risk had failed, though others were watched later."""
        gone = np.flatnonzero(self.shares <= 0)
        if not len(gone) or self.times_h[gone[0]] >= self.until_h:
            return None
        return float(self.times_h[gone[0]])

    @property
    def few_from_h(self) -> float | None:
        """From this failure on fewer than five were at risk at every step."""
        few = np.asarray(self.at_risk) < FEW_AT_RISK
        last_many = np.flatnonzero(~few)
        first = int(last_many[-1]) + 1 if len(last_many) else 0
        return float(self.times_h[first]) if first < len(self.times_h) else None


def kaplan_meier(lives: Lives, level: float = 0.95) -> SurvivalCurve:
    """Estimate the share surviving.

    Raises NoSolution without a life to count, OutOfRange for a level outside 0.5 … 0.9999.

    >>> from service.life.arithmetic.lifetimes import End, Life, lives_of
    >>> ends = [(6, 1), (6, 1), (6, 1), (6, 0), (7, 1), (9, 0), (10, 1), (10, 0), (11, 0)]
    >>> curve = kaplan_meier(lives_of([Life(0, t, End.FAILED if d else End.RUNNING)
    ...                                for t, d in ends]))
    >>> curve.times_h.tolist(), curve.at_risk.tolist(), curve.shares.round(4).tolist()
    ([6.0, 7.0, 10.0], [9, 5, 3], [0.6667, 0.5333, 0.3556])
    """
    within("the level", level, "", 0.5, 0.9999)
    if not lives.n:
        raise NoSolution("share surviving", "no life to count")
    times, counts = np.unique(lives.exit_h[lives.failed], return_counts=True)
    failures: Counts = counts.astype(np.int64)
    risk = at_risk(lives, times)
    shares: Floats = np.asarray(np.cumprod(1.0 - failures / risk), dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(failures / (risk * (risk - failures)))
        errors: Floats = np.asarray(
            np.where(shares > 0, shares * np.sqrt(greenwood), np.nan), dtype=float
        )
        wide = ndtri((1 + level) / 2) * np.sqrt(greenwood) / np.log(shares)
        lows, highs = shares ** np.exp(-wide), shares ** np.exp(wide)
    gone: Bools = shares <= 0
    lows, highs = np.where(gone, np.nan, lows), np.where(gone, np.nan, highs)
    return SurvivalCurve(
        times,
        risk,
        failures,
        shares,
        errors,
        lows,
        highs,
        float(lives.entry_h.min()),
        float(lives.exit_h.max()),
        lives.n,
        level,
        _first(times, shares <= HALF),
        _first(times, gone | (lows <= HALF)),
        _first(times, highs <= HALF),
    )


def _first(times: Floats, reached: Bools) -> float | None:
    places = np.flatnonzero(reached)
    return float(times[places[0]]) if len(places) else None
