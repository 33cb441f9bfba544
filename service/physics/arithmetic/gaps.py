"""Gaps between two plates: how wide each stays when the clamp's force passes through it.

In a cell the gasket (line load over its length) and the MEA with its GDL (stress over the active
area) share the force across one gap; in a coolant layer it is the gasket alone, until the plates'
lands meet. A hard stop takes what is left once plate meets plate or frame. SI units.
Source: springs in series and parallel; common practice for the stops.
"""

from dataclasses import dataclass
from math import inf

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.material_curves import Soft
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero


@dataclass(frozen=True, slots=True)
class GasketOf:
    """The gasket of a gap: free height across the whole gap, depth of its grooves (both plates
    together), length of its line, all in m. ``seen`` is the greatest squeeze of earlier closings.
    """

    soft: Soft
    height_m: float
    groove_depth_m: float
    length_m: float
    seen: float = 0.0
    u_height_m: float = 0.0
    expansion_1_k: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no gasket."""
        more_than_zero("the gasket's free height", self.height_m, "m")
        not_below_zero("the depth of the gasket's grooves", self.groove_depth_m, "m")
        more_than_zero("the gasket's length", self.length_m, "m")
        not_below_zero("the uncertainty of the gasket's height", self.u_height_m, "m")
        _seen("gasket", self.seen)
        finite("the gasket's expansion", self.expansion_1_k, "1/K")


@dataclass(frozen=True, slots=True)
class BedOf:
    """The MEA with its GDL between two plates: free thickness in m over an area in m².

    ``recess_m`` is the room it has beyond the gap between the sealing faces (both plates together;
    negative where it stands out). ``seen`` is the greatest strain of earlier closings.
    """

    soft: Soft
    thickness_m: float
    area_m2: float
    recess_m: float = 0.0
    seen: float = 0.0
    u_thickness_m: float = 0.0
    expansion_1_k: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no MEA."""
        more_than_zero("the MEA's free thickness", self.thickness_m, "m")
        more_than_zero("the active area", self.area_m2, "m²")
        finite("the recess of the active area", self.recess_m, "m")
        not_below_zero("the uncertainty of the MEA's thickness", self.u_thickness_m, "m")
        _seen("MEA", self.seen)
        finite("the MEA's expansion", self.expansion_1_k, "1/K")


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap; at ``stop_gap_m`` plate meets plate, frame or land and takes the rest."""

    gasket: GasketOf | None = None
    bed: BedOf | None = None
    stop_gap_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a gap nothing keeps open."""
        finite("the gap at the hard stop", self.stop_gap_m, "m")
        if self.gasket is None and self.bed is None:
            raise Inconsistent("A gap needs a gasket or an MEA; rigid layers are no gap.")
        if self.free_gap_m < self.stop_gap_m:
            raise Inconsistent(
                f"The hard stop holds the plates {1e3 * self.stop_gap_m:g} mm apart, but gasket and"
                f" MEA reach only to {1e3 * self.free_gap_m:g} mm: they would carry nothing."
            )

    @property
    def free_gap_m(self) -> float:
        """How wide the gap is before any force."""
        gasket, bed = self.gasket, self.bed
        by_gasket = -inf if gasket is None else gasket.height_m - gasket.groove_depth_m
        by_bed = -inf if bed is None else bed.thickness_m - bed.recess_m
        return max(by_gasket, by_bed)


def _seen(what: str, share: float) -> None:
    if not 0 <= share < 1:
        raise OutOfRange(f"the greatest squeeze the {what} has seen", f"{share:g}", "", "0 to 1")
