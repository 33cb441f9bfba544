"""What a part type gives mechanically: how soft, how thick, how it grows when warmed.

Kept with the part type as JSON of the form “stiffness 1”. Lengths in mm, moduli in GPa, areas in
cm², expansions in 1/K; curves as in material_curves. Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.material_curves import Soft
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero
from service.platform.arithmetic.vocabulary import Kind

FORM = "stiffness 1"


@dataclass(frozen=True, slots=True)
class Bed:
    """An MEA with its GDL, or a blank cell that is pressed like one.

    ``free_thickness_mm`` over the active area; ``recess_mm`` the room beyond the gap between the
    sealing faces, both plates together; ``frame_mm`` the frame between the two gas gaskets.
    ``u_thickness_mm`` is a standard uncertainty.
    """

    soft: Soft
    free_thickness_mm: float
    recess_mm: float = 0.0
    frame_mm: float = 0.0
    expansion_1_k: float = 0.0
    u_thickness_mm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no MEA."""
        more_than_zero("the free thickness", self.free_thickness_mm, "mm", "free_thickness_mm")
        finite("the recess", self.recess_mm, "mm", "recess_mm")
        not_below_zero("the frame's thickness", self.frame_mm, "mm", "frame_mm")
        finite("the expansion", self.expansion_1_k, "1/K", "expansion_1_k")
        not_below_zero(
            "the uncertainty of the thickness", self.u_thickness_mm, "mm", "u_thickness_mm"
        )


@dataclass(frozen=True, slots=True)
class Seal:
    """A gasket by itself: free height, depth of the groove it lies in, length of its line.

    Two gas gaskets in one cell lie in series: heights and grooves add up, the frame between.
    """

    soft: Soft
    height_mm: float
    groove_depth_mm: float
    length_mm: float
    expansion_1_k: float = 0.0
    u_height_mm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no gasket."""
        more_than_zero("the free height", self.height_mm, "mm", "height_mm")
        not_below_zero("the depth of the groove", self.groove_depth_mm, "mm", "groove_depth_mm")
        more_than_zero("the length of the line", self.length_mm, "mm", "length_mm")
        finite("the expansion", self.expansion_1_k, "1/K", "expansion_1_k")
        not_below_zero("the uncertainty of the height", self.u_height_mm, "mm", "u_height_mm")
        if self.groove_depth_mm >= self.height_mm:
            raise Inconsistent(
                f"The groove is {self.groove_depth_mm:g} mm deep, the gasket {self.height_mm:g} mm"
                " high: it would not reach out of the groove."
            )


@dataclass(frozen=True, slots=True)
class Stiff:
    """A plate: rigid where modulus and bearing area are not given."""

    modulus_gpa: float | None = None
    bearing_cm2: float | None = None
    expansion_1_k: float = 0.0
    u_thickness_mm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no plate."""
        if self.modulus_gpa is not None:
            more_than_zero("the modulus", self.modulus_gpa, "GPa", "modulus_gpa")
        if self.bearing_cm2 is not None:
            more_than_zero("the bearing area", self.bearing_cm2, "cm²", "bearing_cm2")
        if (self.modulus_gpa is None) != (self.bearing_cm2 is None):
            raise Inconsistent("A plate gives by its modulus and its bearing area: give both.")
        finite("the expansion", self.expansion_1_k, "1/K", "expansion_1_k")
        not_below_zero(
            "the uncertainty of the thickness", self.u_thickness_mm, "mm", "u_thickness_mm"
        )


@dataclass(frozen=True, slots=True)
class Disc:
    """One disc spring."""

    outer_mm: float
    inner_mm: float
    thickness_mm: float
    cone_mm: float

    def __post_init__(self) -> None:
        """Refuse what is no disc; the rest is refused by disc_springs."""
        for name, field in (
            ("the inner diameter", "inner_mm"),
            ("the disc's thickness", "thickness_mm"),
            ("the cone height", "cone_mm"),
        ):
            more_than_zero(name, getattr(self, field), "mm", field)
        if self.outer_mm <= self.inner_mm:
            raise Inconsistent("The disc's outer diameter is no larger than its inner one.")


PartStiffness = Bed | Seal | Stiff | Disc
_WORDS: dict[str, type[Bed] | type[Seal] | type[Stiff] | type[Disc]] = {
    "bed": Bed,
    "seal": Seal,
    "stiff": Stiff,
    "disc": Disc,
}
OF_KIND: dict[Kind, tuple[str, ...]] = {
    Kind.MEA: ("bed",),
    Kind.BLANK_CELL: ("bed", "stiff"),
    Kind.GASKET: ("seal",),
    Kind.HALF_PLATE: ("stiff",),
    Kind.CURRENT_COLLECTOR: ("stiff",),
    Kind.INSULATOR_PLATE: ("stiff",),
    Kind.COMPRESSION_PLATE: ("stiff",),
    Kind.DISC_SPRING: ("disc",),
}
"""What each kind of part can give; other kinds give nothing."""


def free_mm(fitted_mm: float | None, stiffness: PartStiffness | None) -> float | None:
    """Return how thick a free part of a type should be; None where the type does not say.

    >>> free_mm(0.4, None)
    0.4
    """
    if isinstance(stiffness, Bed):
        return stiffness.free_thickness_mm
    return stiffness.height_mm if isinstance(stiffness, Seal) else fitted_mm


def stiffness_as_data(stiffness: PartStiffness) -> dict[str, Any]:
    """Return plain data to be kept with a part type; `stiffness_from` reads it."""
    word = next(
        word for word, stiffness_class in _WORDS.items() if isinstance(stiffness, stiffness_class)
    )
    return with_form(FORM, stiffness) | {"is": word}


def stiffness_from(kind: Kind, data: Mapping[str, Any]) -> PartStiffness:
    """Return the stiffness from plain data, for a part of this kind.

    Raises Inconsistent or OutOfRange naming what is missing or wrong.
    """
    stiffness = check_form(FORM, data)
    word = stiffness.pop("is", None)
    allowed = OF_KIND.get(kind, ())
    if word not in allowed:
        right = " or ".join(allowed) or f"nothing: a {kind} gives nothing mechanically"
        raise OutOfRange(f"the stiffness of a {kind}", word or "missing", "", right)
    return from_data(_WORDS[str(word)], stiffness, f"the stiffness of a {kind}")
