"""Disc springs under the nuts: load, stress, and sets of them stacked.

SI units. Source: Almen & Laszlo (1936) in the form of DIN EN 16984 (formerly DIN 2092); sizes to
DIN EN 16983. Catalogue loads are ± 5 % and more; friction between discs is not counted.
"""

from dataclasses import dataclass
from math import log, pi

import scipy  # optimize takes long to load: with the first call

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero, within

GREATEST_CONE = 1.4
"""Cone height by thickness; from √2 on, the load falls while the disc is pressed."""
RECOMMENDED_TRAVEL = 0.75
"""Share of the cone height up to which a disc is used for long (DIN EN 16984)."""


@dataclass(frozen=True, slots=True)
class DiscSpring:
    """One disc: outer and inner diameter, thickness, cone height h0, all in m; modulus in Pa.

    >>> spring = DiscSpring(0.050, 0.0254, 0.002, 0.0014)
    >>> round(spring.load(0.00105))
    4762

    Valid for: discs without a ground contact face. Source of the example: DIN 2093 series B,
    50 × 25.4 × 2, 4760 N at three quarters of the cone height.
    """

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    cone_height_m: float
    # Spring steel, as DIN EN 16984 (once DIN 2092) computes with; from memory.
    modulus_pa: float = 206e9
    poisson: float = 0.3

    def __post_init__(self) -> None:
        """Refuse what is no disc."""
        more_than_zero("the disc's inner diameter", self.inner_diameter_m, "m", "inner_diameter_m")
        more_than_zero("the disc's thickness", self.thickness_m, "m", "thickness_m")
        more_than_zero("the disc's cone height", self.cone_height_m, "m", "cone_height_m")
        more_than_zero("the disc's modulus", self.modulus_pa, "Pa", "modulus_pa")
        within("the disc's Poisson ratio", self.poisson, "", 0.0, 0.49, "poisson")
        if self.outer_diameter_m <= self.inner_diameter_m:
            raise Inconsistent(
                "The disc's outer diameter is no larger than its inner one.",
                "outer_diameter_m",
                "inner_diameter_m",
            )
        if self.cone_height_m / self.thickness_m > GREATEST_CONE:
            raise OutOfRange(
                "the disc's cone height by its thickness",
                f"{self.cone_height_m / self.thickness_m:.3g}",
                "",
                f"up to {GREATEST_CONE}; above, one load has two heights",
                "cone_height_m",
                "thickness_m",
            )

    @property
    def ratio(self) -> float:
        """δ, outer by inner diameter."""
        return self.outer_diameter_m / self.inner_diameter_m

    @property
    def k1(self) -> float:
        """K1 of the standard: 0.694 for δ = 2."""
        d = self.ratio
        return ((d - 1) / d) ** 2 / ((d + 1) / (d - 1) - 2 / log(d)) / pi

    @property
    def k2(self) -> float:
        """K2 of the standard: 1.220 for δ = 2."""
        d = self.ratio
        return 6 / pi * ((d - 1) / log(d) - 1) / log(d)

    @property
    def k3(self) -> float:
        """K3 of the standard: 1.378 for δ = 2."""
        return 3 / pi * (self.ratio - 1) / log(self.ratio)

    @property
    def free_height_m(self) -> float:
        """l0 = t + h0."""
        return self.thickness_m + self.cone_height_m

    def load(self, travel_m: float) -> float:
        """Compute the load in N that presses the disc down so far.

        Raises OutOfRange beyond flat.
        """
        within("the disc's travel", travel_m, "m", 0.0, self.cone_height_m * (1 + 1e-9), "travel_m")
        s, h = travel_m / self.thickness_m, self.cone_height_m / self.thickness_m
        return self._scale() * self.thickness_m**2 * s * ((h - s) * (h - s / 2) + 1)

    def rate(self, travel_m: float) -> float:
        """Compute the load's growth with travel, N/m."""
        within("the disc's travel", travel_m, "m", 0.0, self.cone_height_m * (1 + 1e-9), "travel_m")
        s, h = travel_m / self.thickness_m, self.cone_height_m / self.thickness_m
        return self._scale() * self.thickness_m * (h * h - 3 * h * s + 1.5 * s * s + 1)

    def stress_om(self, travel_m: float) -> float:
        """Compute σ_OM in Pa at the upper middle edge, negative for compression."""
        within("the disc's travel", travel_m, "m", 0.0, self.cone_height_m * (1 + 1e-9), "travel_m")
        return -self._scale() * travel_m / self.thickness_m * 3 / pi

    def stress_ii(self, travel_m: float) -> float:
        """Compute σ_II in Pa at the lower inner edge, where fatigue cracks of most discs begin."""
        within("the disc's travel", travel_m, "m", 0.0, self.cone_height_m * (1 + 1e-9), "travel_m")
        s, h = travel_m / self.thickness_m, self.cone_height_m / self.thickness_m
        return self._scale() * s * (self.k3 - self.k2 * (h - s / 2))

    def _scale(self) -> float:
        """4E/(1−µ²) · t²/(K1 De²), in Pa."""
        plate = 4 * self.modulus_pa / (1 - self.poisson**2)
        return plate * self.thickness_m**2 / (self.k1 * self.outer_diameter_m**2)


@dataclass(frozen=True, slots=True)
class SpringColumn:
    """Discs on one rod: ``parallel`` in a set, ``series`` sets turned against each other."""

    disc: DiscSpring
    parallel: int = 1
    series: int = 1

    def __post_init__(self) -> None:
        """Refuse a column without discs."""
        more_than_zero("the number of discs in a set", self.parallel, "", "parallel")
        more_than_zero("the number of sets", self.series, "", "series")

    @property
    def free_height_m(self) -> float:
        """Height without load."""
        more = (self.parallel - 1) * self.disc.thickness_m
        return self.series * (self.disc.free_height_m + more)

    @property
    def greatest_travel_m(self) -> float:
        """Travel until all discs lie flat."""
        return self.series * self.disc.cone_height_m

    def load(self, travel_m: float) -> float:
        """Compute the load in N that presses the column down by this much.

        >>> column = SpringColumn(DiscSpring(0.050, 0.0254, 0.002, 0.0014), parallel=2, series=6)
        >>> round(column.load(0.0042), 1)
        6981.7
        """
        return self.parallel * self.disc.load(travel_m / self.series)

    @property
    def flat_load_n(self) -> float:
        """The load that lays all discs flat."""
        return self.parallel * self.disc.load(self.disc.cone_height_m)

    def check(self, load_n: float) -> None:
        """Raise OutOfRange where this load lays the discs flat."""
        if load_n > self.flat_load_n:
            raise OutOfRange(
                "the load on one rod's disc springs",
                f"{load_n:.0f}",
                "N",
                f"up to {self.flat_load_n:.0f} N, where they lie flat",
            )

    def travel(self, load_n: float) -> float:
        """Compute the travel in m this load causes. Once flat, the column gives no more."""
        not_below_zero("the load on the springs", load_n, "N", "load_n")
        if load_n >= self.flat_load_n:
            return self.greatest_travel_m
        each = load_n / self.parallel
        travel = scipy.optimize.brentq(
            # Travels are some 1e-3 m: 1e-18 m leaves it to brentq’s relative tolerance.
            lambda s: self.disc.load(s) - each,
            0.0,
            self.disc.cone_height_m,
            xtol=1e-18,
        )
        return self.series * float(travel)

    def compliance(self, load_n: float) -> float:
        """Say how much further, in m per N, the column gives at this load; 0 once it is flat."""
        if load_n >= self.flat_load_n:
            return 0.0
        return self.series / self.parallel / self.disc.rate(self.travel(load_n) / self.series)

    def share_of_travel(self, load_n: float) -> float:
        """Return the travel as a share of the cone height.

        Above 0.75 the springs should be chosen anew.
        """
        return self.travel(load_n) / self.greatest_travel_m


@dataclass(frozen=True, slots=True)
class PlainSpring:
    """A spring of constant rate on one rod: rate in N/m, height without load in m."""

    rate_n_m: float
    free_height_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a spring that does not push."""
        more_than_zero("the spring's rate", self.rate_n_m, "N/m", "rate_n_m")
        not_below_zero("the spring's height", self.free_height_m, "m", "free_height_m")

    def check(self, load_n: float) -> None:
        """Accept any load."""

    def travel(self, load_n: float) -> float:
        """Compute the travel in m by which this load presses the spring down."""
        return load_n / self.rate_n_m

    def compliance(self, load_n: float) -> float:
        """Say how much further, in m per N, the spring gives at this load."""
        del load_n
        return 1 / self.rate_n_m
