"""The curve of a soft material: load against strain or squeeze, and its way back.

The dashed line is the way back, once it was pressed to where the drawing ends. A curve that grows
beyond all bounds near its end is drawn to where a stack still uses it.
"""

from math import ceil, floor, log10
from typing import NamedTuple

import numpy as np

from service.platform.arithmetic.curve_text import CurveOf
from service.platform.arithmetic.material_curves import Array, Densifying, Points, Soft
from service.platform.drawings import svg
from service.platform.drawings.svg import n

_LEFT, _TOP, _WIDE, _HIGH, _FOOT = 64.0, 34.0, 380.0, 220.0, 62.0
_STEPS = 80
USED_SHARE = 0.7
"""Of the strain at which all pores are closed: a GDL is not pressed further in a stack."""


class _Axis(NamedTuple):
    greatest: float
    step: float

    @property
    def marks(self) -> list[float]:
        return [self.step * index for index in range(round(self.greatest / self.step) + 1)]

    @property
    def decimals(self) -> int:
        return max(0, -floor(log10(self.step) + 1e-9))


def draw_curve(soft: Soft, of: CurveOf, *, title: str, prefix: str = "curve") -> str:
    """Draw stress in MPa against strain, or line load in N/mm against squeeze, shares in %."""
    share = "strain" if of is CurveOf.STRESS else "squeeze"
    load = "stress" if of is CurveOf.STRESS else "line load"
    most = _drawn_to(soft)
    xs = np.linspace(0.0, most, _STEPS + 1)
    if isinstance(soft.loading, Points):
        xs = np.array([x for x, _ in soft.loading.points])
    ys = soft.loading.load(xs) / of.value
    across, up = _axis(100 * most), _axis(float(ys[-1]))
    drawn = [
        _axes(across, up),
        svg.word(_LEFT - 56, _TOP - 16, f"{load} in {of.unit}", size=svg.SMALL),
        svg.word(_LEFT + _WIDE / 2, _TOP + _HIGH + 38, f"{share} in\u2009%", size=svg.SMALL,
             anchor="middle"),
        _path(100 * xs, ys, across, up, svg.OUTLINE),
    ]  # fmt: skip
    if isinstance(soft.loading, Points):
        drawn += [
            _dot(100 * x, y, across, up) for x, y in zip(xs.tolist(), ys.tolist(), strict=True)
        ]
    if not soft.is_elastic:
        back = np.linspace(soft.set_share * most, most, _STEPS + 1)
        y_back, _slope = soft.answer(back, np.full_like(back, most))
        pen = f'{svg.FINE} stroke-dasharray="6 4"'
        drawn.append(_path(100 * back, y_back / of.value, across, up, pen))
        drawn.append(svg.line(_LEFT + 4, _TOP + _HIGH + 54, _LEFT + 34, _TOP + _HIGH + 54, pen))
        drawn.append(
            svg.word(
                _LEFT + 42, _TOP + _HIGH + 58, "the way back, once pressed so far", size=svg.SMALL,
                pen="soft",
            )
        )  # fmt: skip
    way = "" if soft.is_elastic else f" A set of {100 * soft.set_share:g} % of the {share} stays."
    return svg.sheet(
        _LEFT + _WIDE + 24,
        _TOP + _HIGH + _FOOT + 6,
        "".join(drawn),
        prefix=prefix,
        title=title,
        description=(
            f"Drawn from 0 to {100 * most:.3g} % {share}, where the {load} is"
            f" {ys[-1]:.3g} {of.unit}; at half of it {_half(soft, of):.3g} {of.unit}.{way}"
        ),
        kind="curve small",
        role="img",
    )


def _drawn_to(soft: Soft) -> float:
    """The greatest strain or squeeze drawn, as a share."""
    loading = soft.loading
    return USED_SHARE * loading.limit if isinstance(loading, Densifying) else loading.greatest


def _half(soft: Soft, of: CurveOf) -> float:
    return float(soft.loading.load(np.array([_drawn_to(soft) / 2]))[0]) / of.value


def _axis(greatest: float) -> _Axis:
    """From 0 to above the greatest value, in about five steps of 1, 2 or 5."""
    power = 10.0 ** floor(log10(greatest / 5))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= greatest / 5 * 0.999)
    return _Axis(ceil(greatest / step - 1e-9) * step, step)


def _x(value: float, across: _Axis) -> float:
    return _LEFT + _WIDE * value / across.greatest


def _y(value: float, up: _Axis) -> float:
    return _TOP + _HIGH * (1 - value / up.greatest)


def _axes(across: _Axis, up: _Axis) -> str:
    bottom, right = _TOP + _HIGH, _LEFT + _WIDE
    drawn = []
    for value in up.marks:
        y = _y(value, up)
        drawn.append(svg.line(_LEFT - 5, y, right, y, svg.THIN))
        number = f"{value:.{up.decimals}f}"
        drawn.append(svg.word(_LEFT - 9, y + 4, number, size=svg.SMALL, anchor="end"))
    for value in across.marks:
        x = _x(value, across)
        drawn.append(svg.line(x, bottom, x, bottom + 5))
        number = f"{value:.{across.decimals}f}"
        drawn.append(svg.word(x, bottom + 19, number, size=svg.SMALL, anchor="middle"))
    drawn += [
        svg.line(_LEFT, _TOP, _LEFT, bottom, svg.OUTLINE),
        svg.line(_LEFT, bottom, right, bottom, svg.OUTLINE),
    ]
    return "".join(drawn)


def _path(xs: Array, ys: Array, across: _Axis, up: _Axis, pen: str) -> str:
    points = zip(xs.tolist(), ys.tolist(), strict=True)
    places = [f"{n(_x(x, across))} {n(_y(y, up))}" for x, y in points]
    return f'<path {pen} stroke-linejoin="round" d="M{"L".join(places)}"/>'


def _dot(x: float, y: float, across: _Axis, up: _Axis) -> str:
    place = f'cx="{n(_x(x, across))}" cy="{n(_y(y, up))}"'
    return f'<circle class="d-ink d-paper" stroke="{svg.INK}" fill="{svg.PAPER}" {place} r="3"/>'
