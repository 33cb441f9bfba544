"""How level an end plate lies, from heights measured at its corners.

A plane is fitted by least squares; what it leaves is how far the plate is bowed. Each height is
uncertain by the gauge alone. Common practice, no source; uncertainty: GUM 4.3.7 and 5.1.2.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, degrees, hypot, sqrt

import numpy as np

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero


@dataclass(frozen=True, slots=True)
class CornerHeight:
    """A height over both compression plates at a corner; x and y from the plate's middle, mm."""

    name: str
    x_mm: float
    y_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        """Refuse what is no height."""
        more_than_zero(f"the height at corner {self.name}", self.height_mm, "mm")


@dataclass(frozen=True, slots=True)
class CornersMeasured:
    """The heights of one pass; ``deviation_mm``: how far the gauge may be off, ±."""

    pass_number: int
    heights: tuple[CornerHeight, ...]
    deviation_mm: float
    plate_mm: tuple[float, float]
    gauge: str = ""

    def __post_init__(self) -> None:
        """Refuse a gauge that is less than exact."""
        not_below_zero("the gauge's deviation", self.deviation_mm, "mm")


@dataclass(frozen=True, slots=True)
class NutAbove:
    """How far the plate stands above the mean plane at a nut, mm, and the turn that levels it.

    ``turn_deg`` by the pitch alone, more than zero to tighten; None where the pitch is not known.
    """

    rod: int
    above_mm: float
    turn_deg: float | None


@dataclass(frozen=True, slots=True)
class CornersOutcome:
    """What the heights of one pass say: mean, greatest less least, and the tilt of the plane.

    ``tilt_mm`` across the plate, ``tilt_deg`` its angle, ``off_plane_mm`` the most a corner stands
    off the plane. ``nuts`` are those of the rods, the highest first.
    """

    pass_number: int
    mean_mm: float
    spread_mm: Estimate
    tilt_mm: Estimate
    tilt_deg: float
    off_plane_mm: float
    highest: str
    lowest: str
    nuts: tuple[NutAbove, ...] = ()

    @property
    def is_level(self) -> bool:
        """Say whether the plate lies level within what the gauge can tell."""
        return self.tilt_mm.value <= self.tilt_mm.expanded


def corners_outcome(
    measured: CornersMeasured,
    rods: Sequence[tuple[int, float, float]] = (),
    pitch_mm: float | None = None,
) -> CornersOutcome:
    """Compute spread and tilt from the heights of one pass.

    ``rods`` as number, x and y in mm; ``pitch_mm`` of their thread. Raises Inconsistent where the
    corners are fewer than three or stand in one line.

    >>> flat = [("A", -50, 40, 138.0), ("B", 50, 40, 138.2), ("C", 50, -40, 138.2),
    ...         ("D", -50, -40, 138.0)]
    >>> heights = tuple(CornerHeight(*corner) for corner in flat)
    >>> found = corners_outcome(CornersMeasured(3, heights, 0.03, (100.0, 80.0)))
    >>> round(found.tilt_mm.value, 3), round(found.tilt_deg, 3), round(found.spread_mm.value, 3)
    (0.2, 0.115, 0.2)
    """
    heights = measured.heights
    places = np.array([[1.0, corner.x_mm, corner.y_mm] for corner in heights])
    values = np.array([corner.height_mm for corner in heights])
    if len(heights) < 3 or np.linalg.matrix_rank(places, tol=1e-9) < 3:
        raise Inconsistent("The corners stand in one line: they say nothing of a tilt.")
    inverse = np.linalg.inv(places.T @ places)
    level, along_x, along_y = inverse @ places.T @ values
    u = measured.deviation_mm / sqrt(3)
    width, depth = measured.plate_mm
    across = np.array([0.0, np.copysign(width, along_x), np.copysign(depth, along_y)])
    high, low = int(values.argmax()), int(values.argmin())
    nuts = [
        NutAbove(
            number,
            float(along_x * x + along_y * y),
            None if pitch_mm is None else float(360 * (along_x * x + along_y * y) / pitch_mm),
        )
        for number, x, y in rods
    ]
    return CornersOutcome(
        measured.pass_number,
        float(values.mean()),
        Estimate(float(values[high] - values[low]), u * sqrt(2)),
        Estimate(
            float(across @ np.array([level, along_x, along_y])),
            float(u * np.sqrt(across @ inverse @ across)),
        ),
        degrees(atan(hypot(along_x, along_y))),
        float(np.abs(values - places @ np.array([level, along_x, along_y])).max()),
        heights[high].name,
        heights[low].name,
        tuple(sorted(nuts, key=lambda nut: -nut.above_mm)),
    )
