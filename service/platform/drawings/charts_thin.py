"""A long series made short enough to draw, without losing its peaks."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from service.platform.drawings.charts_given import Numbers, Series, Steps

MOST_POINTS = 600
"""Points drawn of one series: about one a unit of width."""


def thinned(series: Series, most: int = MOST_POINTS) -> Series:
    """The least and the greatest of each of ``most`` / 2 equal spans of x, in their order.

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
    kept = [int(at) for at in order if int(at) in keep]
    return replace(
        series,
        x=[series.x[at] for at in kept],
        y=[series.y[at] for at in kept],
        low=None if series.low is None else [series.low[at] for at in kept],
        high=None if series.high is None else [series.high[at] for at in kept],
        tips=[series.tips[at] for at in kept] if series.tips else (),
    )


def thinned_steps(curve: Steps, until: float, most: int = MOST_POINTS // 2) -> Steps:
    """Of each of ``most`` equal spans up to ``until`` the last step and one tick.

    A step is drawn late by less than a span; where it ends is right everywhere.
    """
    if until <= 0 or max(len(curve.times), len(curve.censored)) <= most:
        return curve

    def spans(times: Sequence[float | None]) -> list[int]:
        return [int(most * (time or 0.0) / until) for time in times]

    last = sorted({span: at for at, span in enumerate(spans(curve.times))}.values())
    ticks = sorted({span: at for at, span in enumerate(spans(curve.censored))}.values())

    def kept(values: Numbers | None) -> Numbers | None:
        return None if values is None else [values[at] for at in last]

    return replace(
        curve,
        times=[curve.times[at] for at in last],
        shares=[curve.shares[at] for at in last],
        low=kept(curve.low),
        high=kept(curve.high),
        censored=[curve.censored[at] for at in ticks],
        tips=[curve.tips[at] for at in last] if curve.tips else (),
    )


def _runs(values: np.ndarray) -> list[tuple[int, int]]:
    """Start and stop of each run of equal values."""
    ends = np.flatnonzero(np.diff(values)) + 1
    return list(zip([0, *ends.tolist()], [*ends.tolist(), len(values)], strict=True))
