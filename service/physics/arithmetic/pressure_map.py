"""Pressure over the active area from one reading per nut: which side carries more, what is lost.

The compression plate is stiff and lies on an elastic bed that cannot pull: p = max(0, p0 + k w),
with w the plate's sinking, a plane. A gasket line may carry its share beside the active area. SI
units; x and y in m from the middle of the active area.
Source: combined axial load and bending; no tension after the middle-third rule.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np

from service.physics.arithmetic.elastic_bed import (
    ActiveArea,
    Beds,
    active_area_moments,
    balanced_plane,
    pressure_plane,
    tilt_stiffness,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.material_curves import Array
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero, within

FORMULA = "pressure map 1"


@dataclass(frozen=True, slots=True)
class RodLoad:
    """A rod's number, its place (m from the middle of the active area), its load in N and the
    load's standard uncertainty that is its own (not shared with the other rods).
    """

    number: int
    x_m: float
    y_m: float
    load_n: float
    u_load_n: float = 0.0


ONE_BED = Beds(1.0)


@dataclass(frozen=True, slots=True)
class PressureMap:
    """Pressure in Pa over the active area; ``pressures`` are rows from −y to +y, columns −x to +x.

    ``resultant_m`` is where the sum of the rods' loads acts. ``lost_share`` of the area carries
    nothing. ``ratio`` is least by greatest. ``deviation_pa`` is the standard deviation over the
    area, ``u_corners_pa`` what the rods' own uncertainty makes of the corners. ``sinking`` holds
    m at the middle and the slopes along x and y (rad) of the whole stack.
    """

    force_n: float
    resultant_m: tuple[float, float]
    on_active_area_n: float
    mean_pa: float
    least_pa: float
    greatest_pa: float
    ratio: float
    deviation_pa: float
    lost_share: float
    corners_pa: tuple[float, ...]
    u_corners_pa: tuple[float, ...]
    sinking: tuple[float, float, float]
    xs_m: tuple[float, ...]
    ys_m: tuple[float, ...]
    pressures: tuple[tuple[float, ...], ...]


def pressure_map(
    rods: Sequence[RodLoad], area: ActiveArea, beds: Beds = ONE_BED, *, fine: int = 24
) -> PressureMap:
    """Compute the pressure over the active area with these loads of the rods.

    ``fine`` is the number of fields along each side of the map that is given back.

    Raises Inconsistent where rods are missing or named twice, OutOfRange where the resultant lies
    off the bed (the plate would tip), NoSolution where the balance is not found.

    >>> rods = [RodLoad(1, 0.07, 0.05, 5500), RodLoad(2, -0.07, 0.05, 5000),
    ...         RodLoad(3, -0.07, -0.05, 4500), RodLoad(4, 0.07, -0.05, 5000)]
    >>> found = pressure_map(rods, ActiveArea(0.12, 0.08))
    >>> [round(p / 1e6, 4) for p in found.corners_pa]
    [2.8385, 2.1094, 1.3281, 2.0573]

    Source of the example: axial load and bending of a rectangle (strength of materials).
    """
    within("the number of fields along a side", fine, "", 1, 400, "fine")
    resultant = resultant_of(rods)
    plane = balanced_plane(resultant, area, beds)
    active = active_area_moments(plane, area, beds)
    pressure = pressure_plane(plane, beds)
    borne = float(active[0] @ pressure)
    mean = borne / area.area_m2
    variance = float(pressure @ active @ pressure) / area.area_m2 - mean**2
    corners = [_pressure(plane, beds, x, y) for x, y in area.corners]
    xs, ys = _middles(area.width_m, fine), _middles(area.depth_m, fine)
    grid = beds.pressure_pa + beds.stiffness_pa_m * (
        plane[0] + plane[1] * xs[None, :] + plane[2] * ys[:, None]
    )
    sinking = plane * beds.cells
    return PressureMap(
        float(resultant[0]),
        (float(resultant[1] / resultant[0]), float(resultant[2] / resultant[0])),
        borne,
        mean,
        min(corners),
        max(corners),
        min(corners) / max(corners) if max(corners) > 0 else 0.0,
        sqrt(max(variance, 0.0)),
        max(0.0, 1.0 - float(active[0, 0]) / area.area_m2),
        tuple(corners),
        _u_corners(rods, plane, area, beds),
        (float(sinking[0]), float(sinking[1]), float(sinking[2])),
        tuple(xs.tolist()),
        tuple(ys.tolist()),
        tuple(tuple(row) for row in np.maximum(grid, 0.0).tolist()),
    )


def resultant_of(rods: Sequence[RodLoad]) -> Array:
    """Return the sum of the rods' loads (N) and their moments about the middle (N·m, x first)."""
    if len(rods) < 3:
        raise Inconsistent(
            f"{len(rods)} rods do not hold a plate level; three at least do.", "rods"
        )
    numbers = [rod.number for rod in rods]
    if len(set(numbers)) < len(numbers):
        twice = next(number for number in numbers if numbers.count(number) > 1)
        raise Inconsistent(f"Rod {twice} is given twice; one reading a nut is wanted.", "rods")
    for rod in rods:
        not_below_zero(f"the load of rod {rod.number}", rod.load_n, "N", "load_n")
        not_below_zero(
            f"the uncertainty of the load of rod {rod.number}", rod.u_load_n, "N", "u_load_n"
        )
        finite(f"x of rod {rod.number}", rod.x_m, "m", "x_m")
        finite(f"y of rod {rod.number}", rod.y_m, "m", "y_m")
    loads = np.array([rod.load_n for rod in rods])
    more_than_zero("the sum of the rods' loads", float(loads.sum()), "N", "rods")
    xs, ys = np.array([rod.x_m for rod in rods]), np.array([rod.y_m for rod in rods])
    return np.array([loads.sum(), loads @ xs, loads @ ys])


def rod_loads(
    places_m: Mapping[int, tuple[float, float]], preloads: Mapping[int, Estimate]
) -> tuple[RodLoad, ...]:
    """Return the rods with their loads.

    Inconsistent names the rods that have no reading, or no place.
    """
    missing = sorted(set(places_m) - set(preloads))
    if missing:
        raise Inconsistent(f"No reading for rod {', '.join(map(str, missing))}.")
    unknown = sorted(set(preloads) - set(places_m))
    if unknown:
        raise Inconsistent(f"No place is known for rod {', '.join(map(str, unknown))}.")
    return tuple(
        RodLoad(number, x, y, preloads[number].value, preloads[number].u)
        for number, (x, y) in sorted(places_m.items())
    )


def _middles(length: float, count: int) -> Array:
    return np.asarray((np.arange(count) + 0.5) / count * length - length / 2, dtype=np.float64)


def _pressure(plane: Array, beds: Beds, x: float, y: float) -> float:
    sunk = plane[0] + plane[1] * x + plane[2] * y
    return max(0.0, float(beds.pressure_pa + beds.stiffness_pa_m * sunk))


def _u_corners(
    rods: Sequence[RodLoad], plane: Array, area: ActiveArea, beds: Beds
) -> tuple[float, ...]:
    """First order: the plane moves with each rod's load, rod by rod."""
    places = np.array([[1.0, rod.x_m, rod.y_m] for rod in rods]).T
    loads = places * np.array([rod.u_load_n for rod in rods])
    moved = np.linalg.solve(tilt_stiffness(plane, area, beds), loads)
    corners = []
    for x, y in area.corners:
        each = beds.stiffness_pa_m * (np.array([1.0, x, y]) @ moved)
        bears = _pressure(plane, beds, x, y) > 0
        corners.append(float(np.linalg.norm(each)) if bears else 0.0)
    return tuple(corners)
