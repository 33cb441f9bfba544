"""Two gaskets that lie one upon the other in one gap, as one gasket across the whole gap.

Source: springs in series.
"""

from dataclasses import replace
from math import hypot

import numpy as np

from service.physics.arithmetic.part_stiffness import Seal
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.material_curves import Points, Soft

_STEPS = 150


def in_series(gaskets: tuple[Seal, ...]) -> Seal:
    """Which one gasket answers like these, pressed by one force?

    Heights and grooves add up; of one type their uncertainties too (one lot), of two types by
    squares. Raises Inconsistent for more than two, and for two that come back differently when
    they are unloaded.
    """
    if len(gaskets) == 1:
        return gaskets[0]
    if len(gaskets) != 2:
        raise Inconsistent(f"{len(gaskets)} gas gaskets lie in one cell; two at most can.")
    one, two = gaskets
    height = one.height_mm + two.height_mm
    alike = one.soft == two.soft and one.length_mm == two.length_mm
    if one == two:
        return replace(
            one,
            height_mm=height,
            groove_depth_mm=2 * one.groove_depth_mm,
            u_height_mm=2 * one.u_height_mm,
        )
    return Seal(
        one.soft if alike else _soft(one, two),
        height,
        one.groove_depth_mm + two.groove_depth_mm,
        one.length_mm,
        (one.expansion_1_k * one.height_mm + two.expansion_1_k * two.height_mm) / height,
        hypot(one.u_height_mm, two.u_height_mm),
    )


def _soft(one: Seal, two: Seal) -> Soft:
    """The curve of both: line load on the first one's length against their common squeeze."""
    if (one.soft.set_share, one.soft.unloading_exponent) != (
        two.soft.set_share,
        two.soft.unloading_exponent,
    ):
        raise Inconsistent(
            "The two gas gaskets come back differently when they are unloaded: no common curve."
        )
    longer = two.length_mm / one.length_mm
    steps = np.linspace(0.0, 1.0, _STEPS) ** 2  # finer where the curves bend most
    first, second = one.soft.loading.greatest * steps, two.soft.loading.greatest * steps
    of_first = one.soft.loading.load(first)
    of_second = two.soft.loading.load(second) * longer
    most = min(of_first[-1], of_second[-1])
    loads = np.unique(np.concatenate([of_first, of_second]))
    loads = loads[loads <= most]
    loads = loads[np.diff(loads, prepend=-most) > 1e-9 * most]
    squeeze = (
        np.interp(loads, of_first, first) * one.height_mm
        + np.interp(loads, of_second, second) * two.height_mm
    ) / (one.height_mm + two.height_mm)
    u = max(one.soft.u_relative, two.soft.u_relative)
    points = tuple(zip(squeeze.tolist(), loads.tolist(), strict=True))
    return Soft(Points(points), one.soft.set_share, one.soft.unloading_exponent, u)
