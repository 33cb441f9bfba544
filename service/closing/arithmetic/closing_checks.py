"""What is checked when a stack is closed: its height, the thread on each rod, sleeves, shorts.

All of it is common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from service.platform.arithmetic.errors import OutOfRange

TOLERANCE_PERCENT = 1.0
LEAST_TOLERANCE_MM = 0.5
HEIGHT_MOST_MM = 10_000.0
PROTRUSION_MOST_MM = 1_000.0


class ClosingCheck(StrEnum):
    """What is checked at a closing, in its order."""

    HEIGHT = "closed height"
    PROTRUSION = "thread protrusion"
    SLEEVES = "sleeves"
    SHORTS = "shorts"

    @property
    def number(self) -> int:
        """Its number in the list, from 1."""
        return list(ClosingCheck).index(self) + 1

    @property
    def is_measured(self) -> bool:
        """Say whether it asks for a reading in mm."""
        return self in {ClosingCheck.HEIGHT, ClosingCheck.PROTRUSION}

    @property
    def wording(self) -> str:
        """What is done, in one line."""
        return {
            ClosingCheck.HEIGHT: "Closed height over both compression plates",
            ClosingCheck.PROTRUSION: "Thread standing out of the nut",
            ClosingCheck.SLEEVES: "Every rod looked at: sleeve on, over the whole pile",
            ClosingCheck.SHORTS: "Rods against plates and cell against cell measured: no short",
        }[self]


@dataclass(frozen=True, slots=True)
class ExpectedHeight:
    """The closed height computed from the parts, and how far a measured one may be from it, mm."""

    height_mm: float
    tolerance_mm: float

    def is_outside(self, measured_mm: float) -> bool:
        """Say whether a height is further off than the tolerance."""
        return abs(measured_mm - self.height_mm) > self.tolerance_mm + 1e-9


def expected_height(pile_mm: float, plates_mm: float) -> ExpectedHeight:
    """Compute the height of a closed stack of this pile between these compression plates.

    Parameters: ``pile_mm`` sum of the layers' thicknesses as fitted, ``plates_mm`` of both
    compression plates, in mm. The tolerance is 1 % of the height, 0.5 mm at least.

    Raises OutOfRange for a height that is not more than 0.

    >>> expected_height(98.0, 40.0)
    ExpectedHeight(height_mm=138.0, tolerance_mm=1.38)
    """
    height = pile_mm + plates_mm
    if not (isfinite(height) and height > 0):
        raise OutOfRange("closed height", height, "mm", "more than 0")
    tolerance = max(LEAST_TOLERANCE_MM, round(height * TOLERANCE_PERCENT / 100, 2))
    return ExpectedHeight(height, tolerance)


def check_reading_mm(check: ClosingCheck, reading_mm: float) -> None:
    """Raise OutOfRange for a reading in mm which this check cannot have."""
    least, most = (
        (0.0, PROTRUSION_MOST_MM) if check is ClosingCheck.PROTRUSION else (1.0, HEIGHT_MOST_MM)
    )
    if not (isfinite(reading_mm) and least <= reading_mm <= most):
        raise OutOfRange(str(check), reading_mm, "mm", f"{least:g} to {most:g}")
