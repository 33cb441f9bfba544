"""Steady stretches of a log, each as mean and spread of every channel.

Rows are gathered in short blocks of time; blocks in a row whose current (and temperature) stay
within a band make a window. After a change the stack is given time to settle. Common practice,
no source: rules differ between laboratories, so every figure of the rule is stated.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero
from service.runs.arithmetic.log_times import LONGEST_GAP_S, FloatArray


@dataclass(frozen=True, slots=True)
class SteadyRule:
    """What counts as steady. Times in s; bands are half widths, as in mean ± band.

    The current's band is the larger of ``current_band_a`` and ``current_band_percent`` of it;
    ``temperature_band_k`` None asks nothing of the temperature. A window lasts at least
    ``least_s`` and has at least ``least_rows`` rows; a longer one is cut at ``longest_s``.
    ``settling_s`` are left out after the current or the temperature changed.
    """

    least_s: float = 600.0
    longest_s: float = 3600.0
    settling_s: float = 300.0
    current_band_a: float = 0.5
    current_band_percent: float = 1.0
    temperature_band_k: float | None = 2.0
    least_rows: int = 5
    block_s: float = 60.0
    longest_gap_s: float = LONGEST_GAP_S

    def __post_init__(self) -> None:
        """Refuse a rule nothing can meet."""
        more_than_zero("the shortest window", self.least_s, "s")
        more_than_zero("the block", self.block_s, "s")
        more_than_zero("the longest time between two rows", self.longest_gap_s, "s")
        not_below_zero("the time to settle", self.settling_s, "s")
        not_below_zero("the band of the current", self.current_band_a, "A")
        not_below_zero("the band of the current", self.current_band_percent, "%")
        if self.longest_s < self.least_s:
            raise Inconsistent("The longest window is shorter than the shortest.")


@dataclass(frozen=True, slots=True)
class SteadyWindow:
    """One steady stretch: from its first row to its last, s from the log's zero.

    ``rows``, ``mean`` and ``sd`` have shape (channels,), in the order of the finder's channels and
    in their units; ``sd`` is the sample's standard deviation (n − 1), not a number below 2 rows.
    """

    begins_s: float
    ends_s: float
    rows: npt.NDArray[np.int64]
    mean: FloatArray
    sd: FloatArray


@dataclass(slots=True)
class _Blocks:
    """Sums over blocks of time, in order: shape (blocks,) or (blocks, channels)."""

    number: npt.NDArray[np.int64]
    first_s: FloatArray
    last_s: FloatArray
    low: FloatArray
    high: FloatArray
    n: npt.NDArray[np.int64]
    total: FloatArray
    square: FloatArray

    def tail(self, begin: int) -> "_Blocks":
        return _Blocks(*(getattr(self, name)[begin:] for name in _FIELDS))

    def head(self, end: int) -> "_Blocks":
        return _Blocks(*(getattr(self, name)[:end] for name in _FIELDS))


_FIELDS = ("number", "first_s", "last_s", "low", "high", "n", "total", "square")


@dataclass(slots=True)
class WindowFinder:
    """Finds windows chunk by chunk. Memory grows with one window, never with the rows.

    ``channels`` are the names whose mean and spread are wanted; ``current`` and ``temperature``
    name those that must be steady and may or may not be among them.

    >>> finder = WindowFinder(("current", "cell 1"), rule=SteadyRule(settling_s=0.0))
    >>> times = np.arange(0.0, 7200.0, 10.0)
    >>> current = np.where(times < 3600, 70.0, 20.0)
    >>> cell = np.where(times < 3600, 0.65, 0.78)
    >>> windows = finder.feed(times, {"current": current, "cell 1": cell}) + finder.finish()
    >>> [(window.begins_s, window.ends_s, window.mean.round(6).tolist()) for window in windows]
    [(0.0, 3590.0, [70.0, 0.65]), (3600.0, 7190.0, [20.0, 0.78])]
    """

    channels: tuple[str, ...]
    current: str = "current"
    temperature: str | None = None
    rule: SteadyRule = field(default_factory=SteadyRule)
    _shift: FloatArray | None = None
    _blocks: _Blocks | None = None
    _settled_at: float = -np.inf

    def feed(self, time_s: FloatArray, values: Mapping[str, FloatArray]) -> list[SteadyWindow]:
        """Take the next rows in order of time, each channel of shape (n,); windows that ended.

        Rows whose current is not a number are left out. Raises Inconsistent where time goes back
        or a channel is missing.
        """
        names = {*self.channels, self.current, *filter(None, [self.temperature])}
        for name in sorted(names - values.keys()):
            raise Inconsistent(f"The channel {name} is missing.")
        current = values[self.current]
        is_known = ~np.isnan(current)
        if not is_known.all():
            time_s = time_s[is_known]
            values = {name: values[name][is_known] for name in names}
        if not len(time_s):
            return []
        fresh = self._gathered(time_s, values)
        before = self._blocks
        self._blocks = fresh if before is None else _joined(before, fresh)
        return self._windows(is_end=False)

    def finish(self) -> list[SteadyWindow]:
        """Return windows that were open at the end of the log."""
        return self._windows(is_end=True) if self._blocks is not None else []

    def _gathered(self, time_s: FloatArray, values: Mapping[str, FloatArray]) -> _Blocks:
        # Blocks lie on a fixed grid of time, so that the same log in other chunks gives the same
        # blocks.
        number = np.floor_divide(time_s, self.rule.block_s).astype(np.int64)
        step = np.diff(number)
        if (step < 0).any():
            raise Inconsistent("Rows must be in order of time.")
        starts = np.concatenate(([0], np.flatnonzero(step) + 1))
        ends = np.concatenate((starts[1:], [len(number)]))
        if self._shift is None:
            # Σ(x - c)² with c near x keeps its digits, Σx² of volts near 0.7 would lose them.
            self._shift = np.array([_first(values[name]) for name in self.channels])
        n = np.empty((len(starts), len(self.channels)), np.int64)
        total, square = np.empty(n.shape), np.empty(n.shape)
        counts = ends - starts
        for index, name in enumerate(self.channels):
            moved = values[name] - self._shift[index]
            n[:, index] = counts
            # A sum shows any gap in one pass; columns without gaps need no mask.
            if np.isnan(moved.sum()):
                is_known = ~np.isnan(moved)
                n[:, index] = np.add.reduceat(is_known, starts, dtype=np.int64)
                moved = np.where(is_known, moved, 0.0)
            total[:, index] = np.add.reduceat(moved, starts)
            np.multiply(moved, moved, out=moved)
            square[:, index] = np.add.reduceat(moved, starts)
        guards = [values[self.current]]
        if self.temperature is not None and self.rule.temperature_band_k is not None:
            guards.append(values[self.temperature])
        low = np.stack([np.fmin.reduceat(guard, starts) for guard in guards], axis=1)
        high = np.stack([np.fmax.reduceat(guard, starts) for guard in guards], axis=1)
        low[np.isnan(low)], high[np.isnan(high)] = np.inf, -np.inf  # nothing known, nothing asked
        return _Blocks(
            number[starts], time_s[starts], time_s[ends - 1], low, high, n, total, square
        )

    def _windows(self, *, is_end: bool) -> list[SteadyWindow]:
        blocks = self._blocks
        if blocks is None:
            return []
        last = len(blocks.number) if is_end else len(blocks.number) - 1  # the newest is not whole
        windows: list[SteadyWindow] = []
        begin = self._walk(blocks, last, windows)
        if is_end:
            self._close(blocks, begin, last, windows)
            self._blocks = None
        else:
            self._blocks = blocks.tail(begin)
        return windows

    def _walk(self, blocks: _Blocks, last: int, windows: list[SteadyWindow]) -> int:
        """Go through whole blocks; gives where the window that is still open begins."""
        rule = self.rule
        low, high = blocks.low.tolist(), blocks.high.tolist()
        first_s, last_s = blocks.first_s.tolist(), blocks.last_s.tolist()
        begin, bounds = 0, None
        for index in range(last):
            if bounds is not None:
                is_gap = first_s[index] - last_s[index - 1] > rule.longest_gap_s
                joined = None if is_gap else self._within(bounds, low[index], high[index])
                if joined is not None and last_s[index] - first_s[begin] <= rule.longest_s:
                    bounds = joined
                    continue
                self._close(blocks, begin, index, windows)
                if joined is None:  # a change: the stack has to settle
                    self._settled_at = first_s[index] + rule.settling_s
            begin, bounds = index, self._within((low[index], high[index]), low[index], high[index])
            if bounds is None:
                self._settled_at = last_s[index] + rule.settling_s
            if first_s[index] < self._settled_at:
                begin, bounds = index + 1, None
        return begin

    def _within(
        self, bounds: tuple[list[float], list[float]], low: list[float], high: list[float]
    ) -> tuple[list[float], list[float]] | None:
        """The bounds widened by a block, None where they then leave the band."""
        lows = [min(a, b) for a, b in zip(bounds[0], low, strict=True)]
        highs = [max(a, b) for a, b in zip(bounds[1], high, strict=True)]
        middle = abs(lows[0] + highs[0]) / 2
        band_a = max(self.rule.current_band_a, self.rule.current_band_percent / 100 * middle)
        # bands are half widths
        if highs[0] - lows[0] > 2 * band_a:
            return None
        kelvin = self.rule.temperature_band_k
        if len(lows) > 1 and kelvin is not None and highs[1] - lows[1] > 2 * kelvin:
            return None
        return lows, highs

    def _close(self, blocks: _Blocks, begin: int, end: int, windows: list[SteadyWindow]) -> None:
        if end <= begin or self._shift is None:
            return
        begins, ends = float(blocks.first_s[begin]), float(blocks.last_s[end - 1])
        n = blocks.n[begin:end].sum(axis=0)
        # 1e-9: a window of the least length must not fail by rounding of its times.
        if ends - begins < self.rule.least_s * (1 - 1e-9) or n.max() < self.rule.least_rows:
            return
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = blocks.total[begin:end].sum(axis=0) / n
            squares = blocks.square[begin:end].sum(axis=0) - n * mean**2
            sd = np.sqrt(np.where(n > 1, np.maximum(squares, 0.0) / (n - 1), np.nan))
        windows.append(SteadyWindow(begins, ends, n, mean + self._shift, sd))


def _first(values: FloatArray) -> float:
    """A value near the channel's, so that the sums of squares keep their digits."""
    finite = values[~np.isnan(values)]
    return float(finite[0]) if len(finite) else 0.0


def _joined(before: _Blocks, fresh: _Blocks) -> _Blocks:
    """Blocks kept and new ones; one begun in the chunk before and ended in this is one block."""
    if before.number[-1] > fresh.number[0]:
        raise Inconsistent("Rows must be in order of time.")
    if before.number[-1] == fresh.number[0]:
        fresh.first_s[0] = before.first_s[-1]
        fresh.low[0] = np.fmin(before.low[-1], fresh.low[0])
        fresh.high[0] = np.fmax(before.high[-1], fresh.high[0])
        fresh.n[0] += before.n[-1]
        fresh.total[0] += before.total[-1]
        fresh.square[0] += before.square[-1]
        before = before.head(-1)
    return _Blocks(
        *(np.concatenate((getattr(before, name), getattr(fresh, name))) for name in _FIELDS)
    )
