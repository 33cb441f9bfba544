"""The patterns of the three designs, and what belongs on each of their rods."""

from typing import Any

from service.demo.designs import HERON, STORK, WREN
from service.demo.part_types import PART_TYPES
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_types import drawing
from service.designs.changes.designs import DesignEntry
from service.designs.changes.patterns import PatternEntry
from service.platform.arithmetic.vocabulary import Facing, Kind

FIXED, FREE = Facing.FIXED_END, Facing.FREE_END


def _item(key: str, **more: Any) -> Item:
    """One place of a pattern, for a part type by its key."""
    named = PART_TYPES[key]
    return Item(
        named.kind,
        drawing(named.drawing_number, named.revision),
        renew_at_opening=named.renew_at_opening,
        **more,
    )


def _gas_side(key: str, mea: Item, *, air_plate: str) -> tuple[Item, ...]:
    """MEA between its gaskets, and the air half plate behind them."""
    return _item(key), mea, _item(key), _item(air_plate, facing=FIXED)


def _cells(entry: DesignEntry) -> dict[str, int]:
    return {"least_cells": entry.least_cells, "most_cells": entry.most_cells}


PATTERNS = {
    WREN.name: PatternEntry(
        Pattern(
            head=(_item("WI"), _item("WC"), _item("WE", facing=FREE)),
            cell=_gas_side("WG", _item("WM"), air_plate="WA"),
            between=(_item("WK", one_lot=True), _item("WF", facing=FREE)),
            tail=(_item("WC"), _item("WI")),
            **_cells(WREN),
        ),
        {Kind.SLEEVE: 1, Kind.NUT: 2},
    ),
    HERON.name: PatternEntry(
        Pattern(
            head=(_item("HI"), _item("HC"), _item("HK")),
            cell=(
                _item("HF", facing=FREE),
                *_gas_side(
                    "HG",
                    _item("HM", facing=FIXED, directional=True, blank_may_stand=True),
                    air_plate="HA",
                ),
            ),
            between=(_item("HK"),),
            tail=(_item("HK"), _item("HD"), _item("HI")),
            **_cells(HERON),
        ),
        {Kind.SLEEVE: 1, Kind.NUT: 2},
    ),
    STORK.name: PatternEntry(
        Pattern(
            head=(_item("SI"), _item("SC"), _item("SK"), _item("SW", facing=FREE)),
            cell=_gas_side("SG", _item("SM", facing=FIXED, directional=True), air_plate="SA"),
            between=(_item("SK"), _item("SW", facing=FREE)),
            tail=(_item("SC"), _item("SI")),
            **_cells(STORK),
        ),
        {Kind.SLEEVE: 1, Kind.DISC_SPRING: 3, Kind.NUT: 2},
    ),
}
