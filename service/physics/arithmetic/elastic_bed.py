"""A stiff plate on an elastic bed that cannot pull: the plane it takes under a force off centre.

The bed is the active area, and a gasket line about it where there is one. Force and moments of the
part that bears are exact (moments of the clipped rectangle). SI units.
Source: combined axial load and bending; moments of a polygon by Green's theorem.
"""

from dataclasses import dataclass

import numpy as np

from service.platform.arithmetic.errors import NoSolution, OutOfRange
from service.platform.arithmetic.material_curves import Array
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero

MOST_STEPS = 100
TOLERANCE = 1e-10
"""Share of the force (and of the force on half the side, for moments) out of balance."""
Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class ActiveArea:
    """A rectangle: width along x, depth along y, in m."""

    width_m: float
    depth_m: float

    def __post_init__(self) -> None:
        """Refuse an area of nothing."""
        more_than_zero("the width of the active area", self.width_m, "m", "width_m")
        more_than_zero("the depth of the active area", self.depth_m, "m", "depth_m")

    @property
    def area_m2(self) -> float:
        """Width times depth."""
        return self.width_m * self.depth_m

    @property
    def corners(self) -> tuple[tuple[float, float], ...]:
        """x and y of the corners: (+, +), (−, +), (−, −), (+, −)."""
        x, y = self.width_m / 2, self.depth_m / 2
        return ((x, y), (-x, y), (-x, -y), (x, -y))


@dataclass(frozen=True, slots=True)
class Beds:
    """How a cell answers to the plate's sinking, about the state with all rods alike.

    Pressure p0 (Pa) and stiffness (Pa/m) of the active area; line load (N/m) and stiffness (N/m²)
    of a gasket ``gasket_outside_m`` outside it. Without a gasket p0 and stiffness do not matter
    for the pressure, only for the tilt. ``cells`` tilt one upon the other.
    """

    stiffness_pa_m: float
    pressure_pa: float = 0.0
    line_stiffness_n_m2: float = 0.0
    line_load_n_m: float = 0.0
    gasket_outside_m: float = 0.0
    cells: int = 1

    def __post_init__(self) -> None:
        """Refuse a bed that does not bear."""
        more_than_zero(
            "the stiffness of the active area", self.stiffness_pa_m, "Pa/m", "stiffness_pa_m"
        )
        not_below_zero("the pressure on the active area", self.pressure_pa, "Pa", "pressure_pa")
        not_below_zero(
            "the stiffness of the gasket", self.line_stiffness_n_m2, "N/m²", "line_stiffness_n_m2"
        )
        not_below_zero("the line load of the gasket", self.line_load_n_m, "N/m", "line_load_n_m")
        not_below_zero(
            "the gasket's distance from the active area",
            self.gasket_outside_m,
            "m",
            "gasket_outside_m",
        )
        more_than_zero("the number of cells", self.cells, "", "cells")


def pressure_plane(plane: Array, beds: Beds) -> Array:
    """Compute the pressure (Pa) at the middle and its slopes (Pa/m) for a plate in this plane."""
    return np.asarray(_start(beds.pressure_pa) + beds.stiffness_pa_m * plane, dtype=np.float64)


def active_area_moments(plane: Array, area: ActiveArea, beds: Beds) -> Array:
    """Return the area that bears, and its first and second moments, as a matrix over (1, x, y)."""
    bearing_polygon = _clipped(list(area.corners), pressure_plane(plane, beds), closed=True)
    return _polygon_moments(bearing_polygon)


def tilt_stiffness(plane: Array, area: ActiveArea, beds: Beds) -> Array:
    """Compute the growth of force and moments with the plane, of what bears: 3 × 3."""
    line = _gasket_moments(plane, area, beds)
    active = active_area_moments(plane, area, beds)
    stiffness = beds.stiffness_pa_m * active + beds.line_stiffness_n_m2 * line
    return np.asarray(stiffness, dtype=np.float64)


def balanced_plane(balance: Array, area: ActiveArea, beds: Beds) -> Array:
    """Find the plane that balances this force (N) and these moments (N·m; of x, of y).

    Newton's steps, shortened where they overshoot; balanced to `TOLERANCE`. The plane is the
    sinking in m at the middle and its slopes along x and y, of one cell. Raises OutOfRange where
    the force lies off the bed, NoSolution where no balance is found.
    """
    _refuse_tipping(balance, area, beds)
    # Moments divided by half the side are forces: one tolerance serves all three.
    scale = np.array([1.0, 2 / area.width_m, 2 / area.depth_m])
    level = np.zeros(3)
    whole = beds.stiffness_pa_m * area.area_m2
    level[0] = (balance[0] - beds.pressure_pa * area.area_m2) / whole
    plane, out = level, (_borne(level, area, beds) - balance) * scale
    for _step in range(MOST_STEPS):
        if np.abs(out).max() <= TOLERANCE * balance[0]:
            return plane
        try:
            step = np.linalg.solve(tilt_stiffness(plane, area, beds), out / scale)
        except np.linalg.LinAlgError as trouble:
            raise NoSolution("the balance of the plate", last=plane.tolist()) from trouble
        # Where part of the bed lifts, the linear step overshoots: it is halved until it gets
        # nearer. 2^-30 of a step is hardly one any more: it is taken, and the steps go on.
        for halvings in range(30):
            tried = plane - step / 2**halvings
            new = (_borne(tried, area, beds) - balance) * scale
            if np.linalg.norm(new) < np.linalg.norm(out):
                break
        plane, out = tried, new
    raise NoSolution("the balance of the plate", last=plane.tolist())


def _start(value: float) -> Array:
    return np.array([value, 0.0, 0.0])


def _borne(plane: Array, area: ActiveArea, beds: Beds) -> Array:
    """Force and moments the bed bears."""
    borne = active_area_moments(plane, area, beds) @ pressure_plane(plane, beds)
    line = _start(beds.line_load_n_m) + beds.line_stiffness_n_m2 * plane
    borne = borne + _gasket_moments(plane, area, beds) @ line
    return np.asarray(borne, dtype=np.float64)


def _gasket_moments(plane: Array, area: ActiveArea, beds: Beds) -> Array:
    """Length of the gasket that bears, and its moments, as a matrix over (1, x, y)."""
    moments = np.zeros((3, 3))
    if not beds.line_stiffness_n_m2:
        return moments
    outside = 2 * beds.gasket_outside_m
    corners = ActiveArea(area.width_m + outside, area.depth_m + outside).corners
    line = _start(beds.line_load_n_m) + beds.line_stiffness_n_m2 * plane
    for start, end in zip(corners, (*corners[1:], corners[0]), strict=True):
        moments += _segment_moments(_clipped([start, end], line, closed=False))
    return moments


def _clipped(corners: list[Place], plane: Array, *, closed: bool) -> list[Place]:
    """What of a polygon (or line) lies where a plane is not below zero."""
    heights = [float(plane[0] + plane[1] * x + plane[2] * y) for x, y in corners]
    count = len(corners)
    clipped_corners: list[Place] = []
    for index in range(count):
        (x, y), height, after = corners[index], heights[index], (index + 1) % count
        if height >= 0:
            clipped_corners.append((x, y))
        goes_on = closed or index + 1 < count
        if goes_on and (height >= 0) != (heights[after] >= 0):
            # Heights run straight along an edge: there the plane crosses zero.
            share = height / (height - heights[after])
            next_x, next_y = corners[after]
            clipped_corners.append((x + share * (next_x - x), y + share * (next_y - y)))
    return clipped_corners


def _polygon_moments(corners: list[Place]) -> Array:
    if len(corners) < 3:
        return np.zeros((3, 3))
    x, y = np.array(corners).T
    next_x, next_y = np.roll(x, -1), np.roll(y, -1)
    cross = x * next_y - next_x * y
    # Green’s theorem: each edge with the origin makes a triangle of (signed) area cross / 2, and
    # the integrals of x, xx and xy over it are these sums over its corners; outside parts cancel.
    area = cross.sum() / 2
    of_x, of_y = ((x + next_x) @ cross) / 6, ((y + next_y) @ cross) / 6
    of_xx = ((x * x + x * next_x + next_x * next_x) @ cross) / 12
    of_yy = ((y * y + y * next_y + next_y * next_y) @ cross) / 12
    of_xy = ((x * next_y + 2 * x * y + 2 * next_x * next_y + next_x * y) @ cross) / 24
    return np.array([[area, of_x, of_y], [of_x, of_xx, of_xy], [of_y, of_xy, of_yy]])


def _segment_moments(ends: list[Place]) -> Array:
    if len(ends) < 2:
        return np.zeros((3, 3))
    start, end = np.array([1.0, *ends[0]]), np.array([1.0, *ends[1]])
    length = float(np.linalg.norm(end - start))
    # ∫ (1, x, y)ᵀ(1, x, y) along a straight line from a to b: L (2 aaᵀ + 2 bbᵀ + abᵀ + baᵀ) / 6.
    both = np.outer(start, start) + np.outer(end, end)
    mixed = np.outer(start, end) + np.outer(end, start)
    return np.asarray(length * (2 * both + mixed) / 6, dtype=np.float64)


def _refuse_tipping(balance: Array, area: ActiveArea, beds: Beds) -> None:
    outside = beds.gasket_outside_m if beds.line_stiffness_n_m2 else 0.0
    for name, moment, side in (("x", balance[1], area.width_m), ("y", balance[2], area.depth_m)):
        place, reach = float(moment / balance[0]), side / 2 + outside
        # On a bed that cannot pull, a force at the very edge bears on a line: the last 2 % are
        # refused, as no finite pressure balances it there.
        if abs(place) > 0.98 * reach:
            raise OutOfRange(
                f"{name} of the sum of the rods' loads",
                f"{1e3 * place:.1f}",
                "mm",
                f"within {1e3 * reach:.1f} mm of the middle; beyond, the plate tips",
            )
