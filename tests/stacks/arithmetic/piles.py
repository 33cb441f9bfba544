"""Invented piles for the tests."""

from itertools import count

from service.designs.arithmetic.pile import Layer, number_cells
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Material, Side


def a_pile(cells: int, *, blanks: tuple[int, ...] = (), first_part: int = 1) -> tuple[Layer, ...]:
    """A pile cooled at both ends, its cells numbered; cells in ``blanks`` hold a blank cell."""
    parts = count(first_part)
    layers: list[Layer] = []

    def lay(kind: Kind, part_type: str, **more: object) -> None:
        part = next(parts)
        layers.append(Layer(len(layers) + 1, part, kind, f"T-{part:04}", part_type, **more))  # type: ignore[arg-type]

    plastic = {"material": Material.PLASTIC, "thickness_mm": 8.0}
    seal = {"material": Material.ELASTOMER, "thickness_mm": 0.4, "lot": "S-31"}
    plate = {"material": Material.GRAPHITE, "thickness_mm": 2.5, "lot": "G-7"}
    lay(Kind.INSULATOR_PLATE, "insulator", **plastic)
    lay(Kind.CURRENT_COLLECTOR, "collector", thickness_mm=2.0, back=Back.FLUSH)
    lay(Kind.GASKET, "coolant gasket", joint=Joint.COOLANT, **seal)
    for cell in range(1, cells + 1):
        lay(
            Kind.HALF_PLATE, "fuel plate", side=Side.FUEL, back=Back.CHANNELLED,
            facing=Facing.FREE_END, **plate,
        )  # fmt: skip
        lay(Kind.GASKET, "gas gasket", joint=Joint.GAS, **seal)
        if cell in blanks:
            lay(Kind.BLANK_CELL, "blank", thickness_mm=0.5)
        else:
            lay(
                Kind.MEA, "MEA", material=Material.MEMBRANE, thickness_mm=0.5, lot="M-4",
                facing=Facing.FIXED_END,
            )  # fmt: skip
        lay(Kind.GASKET, "gas gasket", joint=Joint.GAS, **seal)
        lay(
            Kind.HALF_PLATE, "air plate", side=Side.AIR, back=Back.FLUSH,
            facing=Facing.FIXED_END, **plate,
        )  # fmt: skip
        lay(Kind.GASKET, "coolant gasket", joint=Joint.COOLANT, **seal)
    lay(Kind.CURRENT_COLLECTOR, "collector", thickness_mm=2.0, back=Back.CHANNELLED)
    lay(Kind.INSULATOR_PLATE, "insulator", **plastic)
    return number_cells(layers)


def in_order(layers: list[Layer] | tuple[Layer, ...]) -> tuple[Layer, ...]:
    """The layers as a pile: positions counted anew."""
    return number_cells([layer.at(at, layer.cell) for at, layer in enumerate(layers, 1)])
