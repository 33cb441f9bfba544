"""The balance of every gap of a stack under one force, solved for all of them together.

SI units. Source: springs in parallel (gasket, MEA) and the hard stop beside them.
"""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from math import inf

import numpy as np
import numpy.typing as npt

from service.platform.arithmetic.errors import Inconsistent, NoSolution, OutOfRange
from service.platform.arithmetic.material_curves import Array, Soft
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero

# Gaps between two plates: how wide each stays when the clamp's force passes through it.
#
# In a cell the gasket (line load over its length) and the MEA with its GDL (stress over the active
# area) share the force across one gap; in a coolant layer it is the gasket alone, until the plates'
# lands meet. A hard stop takes what is left once plate meets plate or frame. SI units.
# Source: springs in series and parallel; common practice for the stops.


@dataclass(frozen=True, slots=True)
class GasketOf:
    """The gasket of a gap: free height across the whole gap, depth of its grooves (both plates
    together), length of its line, all in m. ``greatest_squeeze`` is that of earlier closings.
    """

    soft: Soft
    height_m: float
    groove_depth_m: float
    length_m: float
    greatest_squeeze: float = 0.0
    u_height_m: float = 0.0
    expansion_1_k: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no gasket."""
        more_than_zero("the gasket's free height", self.height_m, "m", "height_m")
        not_below_zero(
            "the depth of the gasket's grooves", self.groove_depth_m, "m", "groove_depth_m"
        )
        more_than_zero("the gasket's length", self.length_m, "m", "length_m")
        not_below_zero("the uncertainty of the gasket's height", self.u_height_m, "m", "u_height_m")
        _check_share("gasket", self.greatest_squeeze)
        finite("the gasket's expansion", self.expansion_1_k, "1/K", "expansion_1_k")


@dataclass(frozen=True, slots=True)
class BedOf:
    """The MEA with its GDL between two plates: free thickness in m over an area in m².

    ``recess_m`` is the room it has beyond the gap between the sealing faces (both plates together;
    negative where it stands out). ``greatest_strain`` is that of earlier closings.
    """

    soft: Soft
    thickness_m: float
    area_m2: float
    recess_m: float = 0.0
    greatest_strain: float = 0.0
    u_thickness_m: float = 0.0
    expansion_1_k: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no MEA."""
        more_than_zero("the MEA's free thickness", self.thickness_m, "m", "thickness_m")
        more_than_zero("the active area", self.area_m2, "m²", "area_m2")
        finite("the recess of the active area", self.recess_m, "m", "recess_m")
        not_below_zero(
            "the uncertainty of the MEA's thickness", self.u_thickness_m, "m", "u_thickness_m"
        )
        _check_share("MEA", self.greatest_strain)
        finite("the MEA's expansion", self.expansion_1_k, "1/K", "expansion_1_k")


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap; at ``stop_gap_m`` plate meets plate, frame or land and takes the rest."""

    gasket: GasketOf | None = None
    bed: BedOf | None = None
    stop_gap_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a gap nothing keeps open."""
        finite("the gap at the hard stop", self.stop_gap_m, "m", "stop_gap_m")
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


def _check_share(part_name: str, share: float) -> None:
    if not 0 <= share < 1:
        raise OutOfRange(
            f"the greatest squeeze the {part_name} has seen", f"{share:g}", "", "0 to 1"
        )


Flags = npt.NDArray[np.bool_]
TOLERANCE = 1e-9
"""Share of the force by which an answer may be out of balance."""
MOST_STEPS = 200


@dataclass(frozen=True, slots=True)
class GapStates:
    """Every gap under one force, in order: arrays as long as the gaps.

    Loads in N, gaps in m, stress in Pa, line load in N/m, shares of 1; stiffness in N/m is that of
    gasket and MEA together, infinite (as compliance 0) where the hard stop holds.
    """

    force_n: float
    gap_m: Array
    strain: Array
    stress_pa: Array
    stress_slope: Array
    squeeze: Array
    line_load_n_m: Array
    line_slope: Array
    on_stop: Flags
    stop_load_n: Array
    stiffness_n_m: Array


class GapColumns:
    """The numbers of many gaps as columns, solved together. Built once for a stack."""

    def __init__(self, gaps: Sequence[Gap]) -> None:
        """Lay the gaps out; those of one material are evaluated together."""
        self.count = len(gaps)
        beds: Array = np.array([_NO_BED if gap.bed is None else _bed_row(gap.bed) for gap in gaps])
        self.area, self.thickness, self.recess = beds[:, 0], beds[:, 1], beds[:, 2]
        self.bed_seen, self.u_thickness, self.bed_expansion = beds[:, 3], beds[:, 4], beds[:, 5]
        gaskets: Array = np.array(
            [_NO_GASKET if gap.gasket is None else _gasket_row(gap.gasket) for gap in gaps]
        )
        self.length, self.height, self.groove = gaskets[:, 0], gaskets[:, 1], gaskets[:, 2]
        self.gasket_seen, self.u_height = gaskets[:, 3], gaskets[:, 4]
        self.gasket_expansion = gaskets[:, 5]
        self.stop: Array = np.array([gap.stop_gap_m for gap in gaps])
        self.beds = _by_material([None if gap.bed is None else gap.bed.soft for gap in gaps])
        self.gaskets = _by_material(
            [None if gap.gasket is None else gap.gasket.soft for gap in gaps]
        )
        self.snug = self._snug()

    def _snug(self) -> Array:
        """Where gasket or MEA just touch, thinner by what earlier closings left."""
        snug_m = np.full(self.count, -np.inf)
        for soft, curve_index in self.beds:
            set_now = 1 - soft.set_share * self.bed_seen[curve_index]
            snug_m[curve_index] = self.thickness[curve_index] * set_now - self.recess[curve_index]
        for soft, curve_index in self.gaskets:
            set_now = 1 - soft.set_share * self.gasket_seen[curve_index]
            snug_m[curve_index] = np.maximum(
                snug_m[curve_index], self.height[curve_index] * set_now - self.groove[curve_index]
            )
        return np.asarray(np.maximum(snug_m, self.stop), dtype=np.float64)

    def after(self, states: GapStates, warmer_k: float = 0.0) -> "GapColumns":
        """Return the same gaps once they stood so.

        What they have seen grew, and they are warmer.
        """
        later = copy(self)
        later.bed_seen = np.maximum(self.bed_seen, states.strain)
        later.gasket_seen = np.maximum(self.gasket_seen, states.squeeze)
        later.thickness = self.thickness * (1 + self.bed_expansion * warmer_k)
        later.height = self.height * (1 + self.gasket_expansion * warmer_k)
        later.snug = later._snug()
        return later

    def strain(self, gap: Array) -> Array:
        """Return the strain of the MEA at each gap."""
        return 1 - (gap + self.recess) / self.thickness

    def squeeze(self, gap: Array) -> Array:
        """Return the squeeze of the gasket at each gap."""
        return 1 - (gap + self.groove) / self.height

    def load(self, gap: Array) -> tuple[Array, Array]:
        """Return the load in N that gasket and MEA carry at each gap, and its stiffness in N/m."""
        stress, stress_slope = _answers(self.beds, self.strain(gap), self.bed_seen)
        line, line_slope = _answers(self.gaskets, self.squeeze(gap), self.gasket_seen)
        stiffness = self.area * stress_slope / self.thickness
        return (
            self.area * stress + self.length * line,
            stiffness + self.length * line_slope / self.height,
        )

    def under(self, force_n: float, near: Array | None = None) -> GapStates:
        """Return how each gap stands under this force. ``near`` is a guess at the gaps.

        Bounded search (Newton's steps, halved where they leave the bracket), balanced to
        `TOLERANCE`. Raises OutOfRange for a negative force; NoSolution where the search fails.
        """
        not_below_zero("the clamping force", force_n, "N", "force_n")
        low, high = self.stop.copy(), self.snug.copy()
        # The load falls as the gap grows, so the answer lies between the stop and the gap at which
        # nothing is pressed. A gap whose soft parts carry less at the stop than the force stands on
        # it.
        at_stop, _stiffness = self.load(low)
        on_stop = at_stop <= force_n
        if force_n == 0:
            return self._states(force_n, high, at_stop, on_stop)
        gap = np.clip((low + high) / 2 if near is None else near, low, high)
        for _step in range(MOST_STEPS):
            load, stiffness = self.load(gap)
            out = load - force_n
            # 1e-3 N: at hardly any force a share of it would be below rounding. 1e-15 m of gap
            # matters to nobody: a curve with a step ends there.
            settled = on_stop | (np.abs(out) <= TOLERANCE * max(force_n, 1e-3))
            settled |= high - low <= 1e-15
            if settled.all():
                return self._states(force_n, np.where(on_stop, self.stop, gap), at_stop, on_stop)
            high = np.where(out < 0, np.minimum(high, gap), high)
            low = np.where(out > 0, np.maximum(low, gap), low)
            with np.errstate(divide="ignore", invalid="ignore"):
                # Stiffness is load lost for each m of gap, hence the plus. Where it is zero or the
                # step leaves the bracket, the bracket is halved: that cannot fail.
                newton = gap + out / stiffness
            inside = (newton > low) & (newton < high)
            gap = np.where(settled, gap, np.where(inside, newton, (low + high) / 2))
        raise NoSolution("the gaps under the clamping force", last=f"{force_n:.1f} N")

    def _states(self, force_n: float, gap: Array, at_stop: Array, on_stop: Flags) -> GapStates:
        strain, squeeze = self.strain(gap), self.squeeze(gap)
        stress, stress_slope = _answers(self.beds, strain, self.bed_seen)
        line, line_slope = _answers(self.gaskets, squeeze, self.gasket_seen)
        return GapStates(
            force_n,
            gap,
            np.where(self.area > 0, np.maximum(strain, 0.0), 0.0),
            stress,
            stress_slope,
            np.where(self.length > 0, np.maximum(squeeze, 0.0), 0.0),
            line,
            line_slope,
            on_stop,
            np.where(on_stop, force_n - at_stop, 0.0),
            self.area * stress_slope / self.thickness + self.length * line_slope / self.height,
        )

    def check(self, states: GapStates, name: Callable[[int], str]) -> None:
        """Raise OutOfRange where a gap's answer lies beyond the curve of its material."""
        for groups, x, part_name in (
            (self.beds, states.strain, "the strain of the MEA of"),
            (self.gaskets, states.squeeze, "the squeeze of the gasket of"),
        ):
            for soft, index in groups:
                worst = index[int(np.argmax(x[index]))]
                soft.check(f"{part_name} {name(worst)}", float(x[worst]))


# No area (length) carries nothing; a thickness of 1 keeps the division whole.
_NO_BED = (0.0, 1.0, 0.0, 0.0, 0.0, 0.0)
_NO_GASKET = (0.0, 1.0, 0.0, 0.0, 0.0, 0.0)


def _bed_row(bed: BedOf) -> tuple[float, ...]:
    return (
        bed.area_m2,
        bed.thickness_m,
        bed.recess_m,
        bed.greatest_strain,
        bed.u_thickness_m,
        bed.expansion_1_k,
    )


def _gasket_row(gasket: GasketOf) -> tuple[float, ...]:
    return (
        gasket.length_m,
        gasket.height_m,
        gasket.groove_depth_m,
        gasket.greatest_squeeze,
        gasket.u_height_m,
        gasket.expansion_1_k,
    )


Groups = tuple[tuple[Soft, npt.NDArray[np.intp]], ...]


def _by_material(softs: Sequence[Soft | None]) -> Groups:
    """Equal materials together; hashing each once, not once a gap, is what makes this quick."""
    by_object: dict[int, list[int]] = {}
    for index, soft in enumerate(softs):
        by_object.setdefault(id(soft), []).append(index)
    indices_of: dict[Soft, list[int]] = {}
    for places in by_object.values():
        soft = softs[places[0]]
        if soft is not None:
            indices_of.setdefault(soft, []).extend(places)
    return tuple((soft, np.array(sorted(places))) for soft, places in indices_of.items())


def _answers(groups: Groups, x: Array, greatest: Array) -> tuple[Array, Array]:
    y, slope = np.zeros_like(x), np.zeros_like(x)
    for soft, index in groups:
        y[index], slope[index] = soft.answer(x[index], greatest[index])
    return y, slope
