"""What is checked when a stack is closed: its height, the thread on each rod, sleeves, shorts.

All of it is common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import floor, isfinite

from service.designs.arithmetic.pile import Layer, height_mm
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


# Closed height, thread protrusion, and how long a stack the tie rods allow.


@dataclass(frozen=True, slots=True)
class RodSet:
    """The tie rods of a stack and what sits on them, lengths in mm.

    ``length_mm`` of a rod, end to end; ``thread_mm`` of its thread at the free end;
    ``fixed_end_mm`` what of it lies at or beyond the outer face of the fixed end's compression
    plate; ``clamped_mm`` compression plates, springs and washers, all that is clamped but the
    pile; ``nut_mm`` the nut's height; ``least_protrusion_mm`` what must stand out of the nut
    (commonly two threads).
    """

    length_mm: float
    thread_mm: float
    fixed_end_mm: float
    clamped_mm: float
    nut_mm: float
    least_protrusion_mm: float

    def __post_init__(self) -> None:
        for name in ("length_mm", "thread_mm", "nut_mm"):
            value = getattr(self, name)
            if not (isfinite(value) and value > 0):
                raise OutOfRange(name.removesuffix("_mm"), value, "mm", "more than 0")
        for name in ("fixed_end_mm", "clamped_mm", "least_protrusion_mm"):
            value = getattr(self, name)
            if not (isfinite(value) and value >= 0):
                raise OutOfRange(
                    name.removesuffix("_mm").replace("_", " "), value, "mm", "0 or more"
                )


@dataclass(frozen=True, slots=True)
class Closed:
    """A stack closed on its rods; lengths in mm.

    ``height_mm`` of the pile; ``protrusion_mm`` of thread out of the nut; ``pitch_mm`` what one
    cell more adds. ``longest_cells`` and ``shortest_cells`` are the numbers of cells these rods
    allow, None where the pitch is not known. ``refusal`` says why these rods do not do; empty:
    they do.
    """

    height_mm: float
    protrusion_mm: float
    pitch_mm: float | None
    longest_cells: int | None
    shortest_cells: int | None
    refusal: str

    @property
    def fits(self) -> bool:
        """Say whether the rods do."""
        return not self.refusal


def closed_on(rods: RodSet, pile: Sequence[Layer], *, cells: int, pitch_mm: float | None) -> Closed:
    """Say whether this pile closes on these rods, and how many cells would.

    Parameters: ``pile`` with thicknesses in mm as fitted; ``cells`` it has; ``pitch_mm`` the
    height of one cell with what lies between two.

    The protrusion is the rod's length less the fixed end, what is clamped, the pile and the nut.
    It must not fall below the least asked for; nor may the nut run off the thread's inner end.

    Source: common practice, no source.
    """
    height = height_mm(pile)
    protrusion = rods.length_mm - rods.fixed_end_mm - rods.clamped_mm - height - rods.nut_mm
    to_spare = protrusion - rods.least_protrusion_mm
    to_nut_end = rods.thread_mm - rods.nut_mm - protrusion
    longest = shortest = None
    if pitch_mm is not None and pitch_mm > 0:
        longest = cells + floor(to_spare / pitch_mm + 1e-9)
        shortest = max(1, cells - floor(to_nut_end / pitch_mm + 1e-9))
    refusal = ""
    if to_spare < -1e-9:
        refusal = (
            f"The thread does not suffice: {max(protrusion, 0):.1f}\u2009mm would stand out of the "
            f"nut, {rods.least_protrusion_mm:g}\u2009mm must"
            if protrusion >= 0
            else f"The rods are {-protrusion:.1f}\u2009mm too short for the nut"
        )
        if longest is not None:
            refusal += (
                f"; the longest stack these rods allow has {longest} cells"
                if longest > 0
                else "; they allow no stack of this design"
            )
        refusal += "."
    elif to_nut_end < -1e-9:
        refusal = (
            f"The nut would run off the inner end of the thread: it needs {-to_nut_end:.1f}\u2009mm"
            " more of it"
        )
        if shortest is not None:
            refusal += f"; the shortest stack these rods allow has {shortest} cells"
        refusal += "."
    return Closed(height, protrusion, pitch_mm, longest, shortest, refusal)
