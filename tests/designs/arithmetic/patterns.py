"""Invented patterns for the tests."""

from dataclasses import dataclass

from service.designs.arithmetic.grammar import Item, Pattern, sequence
from service.designs.arithmetic.pile import Counts, Layer, counts, number_cells
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side

INSULATOR = Item(Kind.INSULATOR_PLATE, "insulator", thickness_mm=8.0)
COLLECTOR = Item(Kind.CURRENT_COLLECTOR, "collector", back=Back.FLUSH, thickness_mm=2.0)
CHANNELLED_COLLECTOR = Item(
    Kind.CURRENT_COLLECTOR, "collector", back=Back.CHANNELLED, thickness_mm=2.0
)
COOLANT_GASKET = Item(
    Kind.GASKET, "coolant gasket", joint=Joint.COOLANT, renew_at_opening=True, thickness_mm=0.4
)
CELL_GASKET = Item(
    Kind.GASKET, "gas gasket", joint=Joint.GAS, renew_at_opening=True, thickness_mm=0.4
)
MEA = Item(
    Kind.MEA, "MEA", facing=Facing.FIXED_END, blank_may_stand=True, directional=True,
    thickness_mm=0.5,
)  # fmt: skip
FUEL_PLATE = Item(
    Kind.HALF_PLATE, "fuel plate", side=Side.FUEL, back=Back.CHANNELLED,
    facing=Facing.FREE_END, thickness_mm=2.5,
)  # fmt: skip
AIR_PLATE = Item(
    Kind.HALF_PLATE, "air plate", side=Side.AIR, back=Back.FLUSH,
    facing=Facing.FIXED_END, thickness_mm=2.5,
)  # fmt: skip
END_FUEL_PLATE = Item(
    Kind.HALF_PLATE, "fuel end plate", side=Side.FUEL, back=Back.NONE,
    facing=Facing.FREE_END, thickness_mm=4.0,
)  # fmt: skip
END_AIR_PLATE = Item(
    Kind.HALF_PLATE, "air end plate", side=Side.AIR, back=Back.NONE,
    facing=Facing.FIXED_END, thickness_mm=4.0,
)  # fmt: skip

COOLED_ENDS = Pattern(
    head=(INSULATOR, COLLECTOR, COOLANT_GASKET),
    cell=(FUEL_PLATE, CELL_GASKET, MEA, CELL_GASKET, AIR_PLATE),
    between=(COOLANT_GASKET,),
    tail=(COOLANT_GASKET, CHANNELLED_COLLECTOR, INSULATOR),
    least_cells=1,
    most_cells=2000,
)
"""Both ends cooled; the pile of ``a_pile``."""

END_PLATES = Pattern(
    head=(INSULATOR, COLLECTOR, END_FUEL_PLATE),
    cell=(CELL_GASKET, MEA, CELL_GASKET),
    between=(AIR_PLATE, COOLANT_GASKET, FUEL_PLATE),
    tail=(END_AIR_PLATE, COLLECTOR, INSULATOR),
    least_cells=2,
    most_cells=40,
)
"""Ends not cooled, with end plates of their own."""


@dataclass(frozen=True, slots=True)
class AsDesigned:
    """The pile a design asks for."""

    items: tuple[Item, ...]
    layers: tuple[Layer, ...]
    counts: Counts


def expand(pattern: Pattern, cells: int) -> AsDesigned:
    """The pile of so many cells; parts are numbered −1, −2 …: no real part lies there."""
    items = tuple(sequence(pattern, cells))
    layers = number_cells([item.layer(at, -at) for at, item in enumerate(items, 1)])
    return AsDesigned(items, layers, counts(layers))
