"""What is clamped and what clamps: cells, plates, coolant layers, tie rods with their springs.

SI units. Common practice, no source.
"""

from dataclasses import dataclass, replace
from math import inf

from service.physics.arithmetic.disc_springs import PlainSpring, SpringColumn
from service.physics.arithmetic.gap_balance import Gap
from service.physics.arithmetic.threads import Strength, Thread
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero


@dataclass(frozen=True, slots=True)
class RigidLayer:
    """A plate, ``count`` times: thickness in m; what it gives under load where modulus and area
    (Pa, m²) are known; its growth per K. ``u_thickness_m`` is common to all of them.
    """

    name: str
    thickness_m: float
    count: int = 1
    modulus_pa: float = inf
    area_m2: float = 1.0
    expansion_1_k: float = 0.0
    u_thickness_m: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no plate."""
        not_below_zero(f"the thickness of {self.name}", self.thickness_m, "m", "thickness_m")
        not_below_zero(f"the number of {self.name}", self.count, "", "count")
        more_than_zero(f"the area of {self.name}", self.area_m2, "m²", "area_m2")
        not_below_zero(
            f"the uncertainty of the thickness of {self.name}",
            self.u_thickness_m,
            "m",
            "u_thickness_m",
        )
        if not self.modulus_pa > 0:
            more_than_zero(f"the modulus of {self.name}", self.modulus_pa, "Pa", "modulus_pa")
        finite(f"the expansion of {self.name}", self.expansion_1_k, "1/K", "expansion_1_k")

    @property
    def height_m(self) -> float:
        """All of them, without load."""
        return self.count * self.thickness_m

    @property
    def compliance(self) -> float:
        """By how many m all of them give per N."""
        return self.count * self.thickness_m / (self.modulus_pa * self.area_m2)


@dataclass(frozen=True, slots=True)
class Rods:
    """The tie rods, all alike. Lengths in m, modulus in Pa.

    ``length_m`` is the whole rod, ``before_m`` what of it lies before the pile's fixed end (head,
    or nut with the thread beyond it), ``nut_height_m`` the nut at the free end. ``springs`` stand
    on each rod; washers count as rigid layers. The stretched cross-section is the thread's, where
    ``shank_area_m2`` is not given.
    """

    count: int
    thread: Thread
    strength: Strength
    # Austenitic stainless steel near room temperature: usual handbook values, from memory.
    modulus_pa: float = 193e9
    shank_area_m2: float | None = None
    expansion_1_k: float = 16e-6
    length_m: float | None = None
    before_m: float = 0.0
    nut_height_m: float = 0.0
    springs: SpringColumn | PlainSpring | None = None

    def __post_init__(self) -> None:
        """Refuse what clamps nothing."""
        more_than_zero("the number of rods", self.count, "", "count")
        more_than_zero("the rods' modulus", self.modulus_pa, "Pa", "modulus_pa")
        if self.shank_area_m2 is not None:
            more_than_zero("the rods' cross-section", self.shank_area_m2, "m²", "shank_area_m2")
        if self.length_m is not None:
            more_than_zero("the rods' length", self.length_m, "m", "length_m")
        finite("the rods' expansion", self.expansion_1_k, "1/K", "expansion_1_k")

    @property
    def area_m2(self) -> float:
        """The cross-section that is stretched."""
        return self.thread.stress_area_m2 if self.shank_area_m2 is None else self.shank_area_m2


@dataclass(frozen=True, slots=True)
class Assembly:
    """A stack to be clamped: its cells from the fixed end, coolant layers, plates and rods.

    Compression plates and washers belong to ``ends``; half plates are listed apart because their
    number follows that of the cells.
    """

    cells: tuple[Gap, ...]
    rods: Rods
    half_plates: tuple[RigidLayer, ...] = ()
    coolant: tuple[Gap, ...] = ()
    ends: tuple[RigidLayer, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a stack without cells."""
        if not self.cells:
            raise Inconsistent("A stack needs one cell at least.")

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Cells, then coolant layers."""
        return (*self.cells, *self.coolant)

    @property
    def rigid(self) -> tuple[RigidLayer, ...]:
        """Every rigid layer."""
        return (*self.half_plates, *self.ends)

    @property
    def rigid_height_m(self) -> float:
        """Rigid layers without load."""
        return sum(layer.height_m for layer in self.rigid)

    @property
    def rigid_compliance(self) -> float:
        """By how many m the rigid layers give per N."""
        return sum(layer.compliance for layer in self.rigid)

    def gap_name(self, index: int) -> str:
        """Return what a gap is called in a message; ``index`` counts `gaps` from 0."""
        if index < len(self.cells):
            return f"cell {index + 1}"
        return f"coolant layer {index - len(self.cells) + 1}"


def with_cells(assembly: Assembly, by: int, cell: Gap, coolant: Gap | None = None) -> Assembly:
    """Return the stack with ``by`` more cells of one kind at its free end.

    Fewer where it is negative.

    Half plates follow the number of cells; so do coolant layers where the stack has any.
    Raises Inconsistent where no cell would be left, or plates do not divide by the cells.
    """
    cells, layers = len(assembly.cells), len(assembly.coolant)
    if cells + by < 1:
        sentence = f"A stack of {cells} cells cannot lose {-by}: one at least must stay."
        raise Inconsistent(sentence, "by", "cells")
    plates = []
    for layer in assembly.half_plates:
        each, rest = divmod(layer.count, cells)
        if rest:
            raise Inconsistent(f"{layer.count} {layer.name} do not divide by {cells} cells.")
        plates.append(replace(layer, count=each * (cells + by)))
    if layers and by > 0 and coolant is None:
        coolant = assembly.coolant[-1]
    more = () if coolant is None or not layers else (coolant,) * max(by, 0)
    return replace(
        assembly,
        cells=(*assembly.cells[: cells + min(by, 0)], *((cell,) * max(by, 0))),
        half_plates=tuple(plates),
        coolant=(*assembly.coolant[: max(layers + min(by, 0), 0)], *more),
    )
