"""The pile between the two compression plates: layers in order, cells, what changed."""

from dataclasses import dataclass

from service.trade.words import Back, Facing, Joint, Kind, Material, Side


@dataclass(frozen=True, slots=True)
class Layer:
    """One position of a pile, position 1 at the fixed end.

    ``part`` is the lasting key of the part; ``label`` is what a person reads (a serial, or a lot
    with the item's number). Thickness in mm. ``cell`` counts from the fixed end; None outside
    the cells.
    """

    position: int
    part: int
    kind: Kind
    label: str
    part_type: str
    facing: Facing = Facing.EITHER
    material: Material = Material.METAL
    thickness_mm: float = 1.0
    side: Side | None = None
    back: Back = Back.NONE
    joint: Joint | None = None
    lot: str | None = None
    cell: int | None = None
