"""What a chart is made of: series, axes, rules, openings, bars and steps, as plain values.

Sequences become tuples when they are given, so that every value can be compared, kept and hashed.
A number that is missing is ``None`` or not a number; a line stops there and goes on behind it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import isfinite

import numpy as np

Numbers = Sequence[float | None]
Places = Sequence[float | datetime]

MARKS = ("line", "points", "line and points", "step")


@dataclass(frozen=True)
class Axis:
    """What an axis shows, its unit, and how far it reaches.

    ``least`` and ``most`` fix an end; without them the values do, to a round number. ``from_zero``
    puts zero on it. ``days`` makes it an axis of dates: places are then times on the lab's clock.
    ``ticks`` says where its numbers stand. ``clock`` writes month, day and hour of a short time;
    a chart of lines decides that by itself.
    """

    title: str
    unit: str = ""
    least: float | None = None
    most: float | None = None
    from_zero: bool = False
    days: bool = False
    ticks: tuple[float, ...] = ()
    clock: bool = False

    @property
    def words(self) -> str:
        """Title with unit, as it stands at the axis."""
        return f"{self.title} in {self.unit}" if self.unit else self.title


@dataclass(frozen=True)
class Series:
    """Values ``y`` at places ``x`` with a name; ``low`` and ``high`` draw a band about them.

    ``tips`` are one text for each point, shown when the pointer rests on it. ``pen`` fixes which of
    the six pens draws it (1 to 6; 0 is plain ink), else the order of the series does. ``dashed``
    makes its line a broken one whatever its pen: an extrapolation, say.
    """

    name: str
    x: Places
    y: Numbers
    low: Numbers | None = None
    high: Numbers | None = None
    mark: str = "points"
    tips: Sequence[str] = ()
    pen: int | None = None
    dashed: bool = False

    def __post_init__(self) -> None:
        """Keep tuples of plain numbers."""
        if self.mark not in MARKS:
            raise ValueError(f"{self.mark!r} is none of {', '.join(MARKS)}")
        object.__setattr__(self, "x", places(self.x))
        for name in ("y", "low", "high"):
            sequence = getattr(self, name)
            if sequence is not None:
                object.__setattr__(self, name, numbers(sequence))
                if len(sequence) != len(self.x):
                    raise ValueError(f"{len(self.x)} places but {len(sequence)} of {name}")
        object.__setattr__(self, "tips", tuple(self.tips))
        if self.tips and len(self.tips) != len(self.x):
            raise ValueError(f"{len(self.x)} places but {len(self.tips)} tips")


@dataclass(frozen=True)
class Rule:
    """A limit or reference drawn across: at a value of ``axis`` ("y" or "x"), with its words.

    ``act`` draws it in the ink of what somebody must look at.
    """

    value: float
    label: str
    axis: str = "y"
    act: bool = True


@dataclass(frozen=True)
class Marker:
    """Something that happened at a place of x, such as an opening: a thin line and its label."""

    x: float | datetime
    label: str
    tip: str = ""


@dataclass(frozen=True)
class Bar:
    """One bar: its label, its value or None, the spread about it, and whether it stands out."""

    label: str
    value: float | None
    low: float | None = None
    high: float | None = None
    outlier: bool = False
    tip: str = ""


@dataclass(frozen=True)
class Steps:
    """A share that falls in steps: from 1 where it begins, ``shares[i]`` from ``times[i]`` on.

    ``low`` and ``high`` are the ends of its interval after each step. ``begins`` and ``until`` are
    from where and how far it was watched. ``censored`` are the times at which one left unfailed: a
    short tick on the line. ``at_risk`` are the numbers at risk at the chart's ``at_risk_at``.
    ``tips`` are one text for each step, shown when the pointer rests there.
    """

    name: str
    times: Numbers
    shares: Numbers
    low: Numbers | None = None
    high: Numbers | None = None
    until: float | None = None
    censored: Numbers = ()
    at_risk: Sequence[int] = ()
    begins: float = 0.0
    tips: Sequence[str] = ()

    def __post_init__(self) -> None:
        """Keep tuples of plain numbers."""
        for name in ("times", "shares", "low", "high", "censored"):
            sequence = getattr(self, name)
            if sequence is not None:
                object.__setattr__(self, name, numbers(sequence))
        object.__setattr__(self, "at_risk", tuple(int(count) for count in self.at_risk))
        object.__setattr__(self, "tips", tuple(self.tips))

    @property
    def known_times(self) -> list[float]:
        """Times of the steps that have one."""
        return [time for time in self.times if time is not None]


def numbers(values: Iterable[float | None]) -> tuple[float | None, ...]:
    """Return plain floats; what is not finite becomes None."""
    return tuple(
        None if value is None or not isfinite(value) else float(value) for value in values
    )  # fmt: skip


def places(values: Iterable[float | datetime]) -> tuple[float, ...]:
    """Return plain floats; a time becomes milliseconds of its wall clock."""
    return tuple(place(value) for value in values)


def place(value: float | datetime) -> float:
    """Return a place on x as a number: a time by the clock it was given in."""
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC).timestamp() * 1000.0
    return float(value)


# A long series made short enough to draw, without losing its peaks.


MOST_POINTS = 600
"""Points drawn of one series: about one a unit of width."""


def thinned(series: Series, most: int = MOST_POINTS) -> Series:
    """Return the least and the greatest of each of ``most`` / 2 equal spans of x, in order.

    The first and last value stay. A place without a value stays too, so that a gap stays a gap,
    unless its span holds values. Without thinning the series itself.
    """
    if len(series.x) <= most:
        return series
    x = np.array(series.x)
    y = np.array([np.nan if value is None else value for value in series.y])
    order = np.argsort(x, kind="stable")
    spans = most // 2
    edges = np.linspace(x[order[0]], x[order[-1]], spans + 1)
    span = np.clip(np.searchsorted(edges, x, side="right") - 1, 0, spans - 1)
    keep = {int(order[0]), int(order[-1])}
    for start, stop in _runs(span[order]):
        inside = order[start:stop]
        values = y[inside]
        if np.isnan(values).all():
            keep.add(int(inside[0]))
        else:
            keep.update((int(inside[np.nanargmin(values)]), int(inside[np.nanargmax(values)])))
    indices = [int(index) for index in order if int(index) in keep]
    return replace(
        series,
        x=[series.x[index] for index in indices],
        y=[series.y[index] for index in indices],
        low=None if series.low is None else [series.low[index] for index in indices],
        high=None if series.high is None else [series.high[index] for index in indices],
        tips=[series.tips[index] for index in indices] if series.tips else (),
    )


def thinned_steps(curve: Steps, until: float, most: int = MOST_POINTS // 2) -> Steps:
    """Return the last step and one tick of each of ``most`` equal spans up to ``until``.

    A step is drawn late by less than a span; where it ends is right everywhere.
    """
    if until <= 0 or max(len(curve.times), len(curve.censored)) <= most:
        return curve

    def spans(times: Sequence[float | None]) -> list[int]:
        return [int(most * (time or 0.0) / until) for time in times]

    last = sorted({span: index for index, span in enumerate(spans(curve.times))}.values())
    ticks = sorted({span: index for index, span in enumerate(spans(curve.censored))}.values())

    def kept(values: Numbers | None) -> Numbers | None:
        return None if values is None else [values[index] for index in last]

    return replace(
        curve,
        times=[curve.times[index] for index in last],
        shares=[curve.shares[index] for index in last],
        low=kept(curve.low),
        high=kept(curve.high),
        censored=[curve.censored[index] for index in ticks],
        tips=[curve.tips[index] for index in last] if curve.tips else (),
    )


def _runs(values: np.ndarray) -> list[tuple[int, int]]:
    """Start and stop of each run of equal values."""
    ends = np.flatnonzero(np.diff(values)) + 1
    return list(zip([0, *ends.tolist()], [*ends.tolist(), len(values)], strict=True))
