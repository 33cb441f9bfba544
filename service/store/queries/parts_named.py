"""A part as an entry of a record names it: columns to select, and what is made of them."""

from dataclasses import dataclass
from typing import Any

from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.queries.answers import read_as
from service.store.arithmetic.labels import part_label
from service.store.tables.parts import Lot, Part, PartType

PART_NAMED = (
    Part.id.label("part_id"),
    Part.serial,
    Part.item_number,
    PartType.kind.label("part_kind"),
    PartType.name.label("part_type"),
    PartType.marked_face,
    Lot.label.label("lot"),
    Lot.id.label("lot_id"),
    Part.whereabouts,
    Part.place,
)


@dataclass(frozen=True, slots=True)
class PartNamed:
    """A part as an entry names it, with where it is by now."""

    id: int
    label: str
    kind: Kind
    part_type: str
    lot: str | None
    lot_id: int | None
    marked_face: str | None
    whereabouts: Whereabouts
    place: str


def part_named(row: Any) -> PartNamed:
    """Make a part's name of a row with `PART_NAMED`."""
    return read_as(
        PartNamed,
        row,
        id=row.part_id,
        label=part_label(row.serial, row.lot, row.item_number),
        kind=row.part_kind,
    )
