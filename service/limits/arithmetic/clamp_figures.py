"""The figures of a design its clamp is computed with, in the units people use.

Common practice, no source.
"""

from dataclasses import dataclass

from service.limits.arithmetic.closing_modes import ClosingMode, CornersAsked, corners_of
from service.physics.arithmetic.clamped_parts import Rods
from service.physics.arithmetic.clamping import Law, NutFactor, ThreadFriction
from service.physics.arithmetic.disc_springs import DiscSpring, PlainSpring, SpringColumn
from service.physics.arithmetic.elastic_bed import ActiveArea
from service.physics.arithmetic.part_stiffness import Disc
from service.physics.arithmetic.threads import Thread, hexagon_bearing, strength, thread
from service.physics.arithmetic.tightening import PASS_BAND_PERCENT, SETTLING_MINUTES
from service.platform.arithmetic.errors import Inconsistent, OutOfRange, placed
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero, within

STEEL_GPA, STEEL_EXPANSION = 206.0, 11.7e-6


@dataclass(frozen=True, slots=True)
class ClampFigures:
    """Rods, friction, springs, stops and temperatures of a design.

    Either ``nut_factor`` or both frictions are given. ``u_common_percent`` is the standard
    uncertainty which all nuts share, ``u_each_percent`` that from nut to nut, of the factor or of
    the mean of both frictions. Springs on each rod: disc springs of the part type in
    ``springs_series`` sets of ``springs_parallel``, or a rate. ``rod_before_mm`` is what of a rod
    lies before the pile's fixed end. The hard stops are plate distances.
    """

    thread: str
    strength_class: str
    nut_factor: float | None = None
    thread_friction: float | None = None
    bearing_friction: float | None = None
    u_common_percent: float = 0.0
    u_each_percent: float = 0.0
    rod_modulus_gpa: float = STEEL_GPA
    rod_expansion_1_k: float = STEEL_EXPANSION
    rod_before_mm: float = 0.0
    nut_height_mm: float = 0.0
    springs_parallel: int | None = None
    springs_series: int | None = None
    spring_rate_n_mm: float | None = None
    area_width_mm: float | None = None
    area_depth_mm: float | None = None
    gasket_outside_mm: float = 0.0
    stop_gap_mm: float = 0.0
    coolant_stop_gap_mm: float = 0.0
    assembly_temperature_c: float = 20.0
    running_temperature_c: float | None = None
    settling_minutes: float = SETTLING_MINUTES
    pass_band_percent: float = PASS_BAND_PERCENT
    corners: str = ""
    corners_asked: CornersAsked = CornersAsked.OPTIONAL
    mode: ClosingMode = ClosingMode.TORQUE
    target_height_mm: float | None = None
    height_tolerance_mm: float | None = None
    press_force_kn: float | None = None
    press_tolerance_percent: float | None = None

    def __post_init__(self) -> None:
        """Refuse figures no clamp has, by the same rules as the computation."""
        strength(self.strength_class, self.thread_size)
        frictions = (self.thread_friction, self.bearing_friction)
        values = [friction for friction in frictions if friction is not None]
        if (self.nut_factor is None) == (not values) or len(values) == 1:
            raise Inconsistent(
                "Give either the nut factor, or the friction in the thread and under the nut.",
                "nut_factor",
                "thread_friction",
                "bearing_friction",
            )
        within(
            "the uncertainty common to all nuts",
            self.u_common_percent,
            "%",
            0.0,
            60.0,
            "u_common_percent",
        )
        within("the scatter from nut to nut", self.u_each_percent, "%", 0.0, 60.0, "u_each_percent")
        _ = self.law
        more_than_zero("the rods' modulus", self.rod_modulus_gpa, "GPa", "rod_modulus_gpa")
        finite("the rods' expansion", self.rod_expansion_1_k, "1/K", "rod_expansion_1_k")
        for name, field in (
            ("the rod's length before the fixed end", "rod_before_mm"),
            ("the nut's height", "nut_height_mm"),
            ("the gasket's distance from the active area", "gasket_outside_mm"),
            ("the gap at the hard stop", "stop_gap_mm"),
            ("the gap at the coolant layers' stop", "coolant_stop_gap_mm"),
        ):
            not_below_zero(name, getattr(self, field), "mm", field)
        self._check_springs()
        if (self.area_width_mm is None) != (self.area_depth_mm is None):
            raise Inconsistent(
                "Give both width and depth of the active area, or neither.",
                "area_width_mm",
                "area_depth_mm",
            )
        if self.area is not None:
            more_than_zero("the active area", self.area.area_m2, "m²", "area_m2")
        celsius("the assembly temperature", self.assembly_temperature_c, "assembly_temperature_c")
        if self.running_temperature_c is not None:
            celsius("the running temperature", self.running_temperature_c, "running_temperature_c")
        within("the settling time", self.settling_minutes, "min", 0.0, 10_000.0, "settling_minutes")
        if self.corners:
            corners_of(self.corners)
        self._check_mode()
        within("the pass band", self.pass_band_percent, "%", 1.0, 100.0, "pass_band_percent")

    def _check_mode(self) -> None:
        needed = {
            ClosingMode.TORQUE: (),
            ClosingMode.HEIGHT: ("target_height_mm", "height_tolerance_mm"),
            ClosingMode.FORCE: ("press_force_kn", "press_tolerance_percent"),
        }
        for name in needed[self.mode]:
            if getattr(self, name) is None:
                raise Inconsistent(f"A closing {self.mode} needs its target and tolerance.", name)
        for name in (*needed[ClosingMode.HEIGHT], *needed[ClosingMode.FORCE]):
            value = getattr(self, name)
            if value is not None:
                more_than_zero(f"the {name.rsplit('_', 1)[0].replace('_', ' ')}", value, "", name)

    def _check_springs(self) -> None:
        if (self.springs_parallel is None) != (self.springs_series is None):
            raise Inconsistent(
                "Give the discs in a set and the number of sets, or neither.",
                "springs_parallel",
                "springs_series",
            )
        if self.has_discs and self.spring_rate_n_mm is not None:
            raise Inconsistent(
                "Give disc springs or a spring rate, not both.",
                "springs_parallel",
                "spring_rate_n_mm",
            )
        for name, field in (
            ("the number of discs in a set", "springs_parallel"),
            ("the number of sets", "springs_series"),
        ):
            count = getattr(self, field)
            if count is not None:
                within(name, count, "", 1, 200, field)
        if self.spring_rate_n_mm is not None:
            more_than_zero("the spring's rate", self.spring_rate_n_mm, "N/mm", "spring_rate_n_mm")

    @property
    def thread_size(self) -> Thread:
        """The rods' thread."""
        return thread(self.thread)

    @property
    def law(self) -> Law:
        """How torque makes preload, with its uncertainty."""
        return self._law(self.u_common_percent / 100)

    @property
    def law_of_each(self) -> Law:
        """The same without what all nuts share."""
        return self._law(0.0)

    def _law(self, common: float) -> Law:
        of, each = self.thread_size, self.u_each_percent / 100
        if self.nut_factor is not None:
            factor = self.nut_factor
            with placed(factor="nut_factor"):
                return NutFactor(factor, of.nominal_diameter_m, factor * common, factor * each)
        in_thread, under_nut = self.thread_friction or 0.0, self.bearing_friction or 0.0
        mean = (in_thread + under_nut) / 2
        return ThreadFriction(
            of, hexagon_bearing(of), in_thread, under_nut, mean * common, mean * each
        )

    @property
    def has_discs(self) -> bool:
        """Say whether disc springs stand on each rod."""
        return self.springs_parallel is not None

    @property
    def area(self) -> ActiveArea | None:
        """The rectangle of the active area, for the pressure map."""
        if self.area_width_mm is None or self.area_depth_mm is None:
            return None
        with placed(width_m="area_width_mm", depth_m="area_depth_mm"):
            return ActiveArea(self.area_width_mm / 1e3, self.area_depth_mm / 1e3)

    def springs(self, disc: Disc | None) -> SpringColumn | PlainSpring | None:
        """Return what stands on each rod.

        ``disc`` is wanted where the figures name disc springs.
        """
        if self.spring_rate_n_mm is not None:
            return PlainSpring(self.spring_rate_n_mm * 1e3)
        if self.springs_parallel is None or self.springs_series is None:
            return None
        if disc is None:
            raise Inconsistent("The disc springs' sizes are not known.")
        disc_spring = DiscSpring(
            disc.outer_mm / 1e3, disc.inner_mm / 1e3, disc.thickness_mm / 1e3, disc.cone_mm / 1e3
        )
        return SpringColumn(disc_spring, self.springs_parallel, self.springs_series)

    def rods(self, count: int, length_mm: float | None, disc: Disc | None) -> Rods:
        """Return so many rods of this design."""
        return Rods(
            count,
            self.thread_size,
            strength(self.strength_class, self.thread_size),
            self.rod_modulus_gpa * 1e9,
            expansion_1_k=self.rod_expansion_1_k,
            length_m=None if length_mm is None else length_mm / 1e3,
            before_m=self.rod_before_mm / 1e3,
            nut_height_m=self.nut_height_mm / 1e3,
            springs=self.springs(disc),
        )


def celsius(name: str, value: float, field: str = "") -> float:
    """Return the value itself, a temperature in °C; refuses what looks like K.

    >>> celsius("the gas temperature", 295.15)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the gas temperature is 295.15 °C; \
allowed: -60 to 200 °C (295.15 K would be 22 °C).
    """
    if -60 <= finite(name, value, "°C", field) <= 200:
        return value
    hint = f" ({value:g} K would be {value - 273.15:g} °C)" if 213 <= value <= 473.15 else ""
    raise OutOfRange(name, f"{value:g}", "°C", f"-60 to 200 °C{hint}", field)
