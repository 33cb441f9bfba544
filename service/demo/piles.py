"""The layers of the three designs, from the fixed end: what a builder puts on, one by one.

The fuel side of a cell looks at the fixed end, in all three designs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.demo.lab import Lab
from service.platform.arithmetic.vocabulary import Facing

FIXED, FREE = Facing.FIXED_END, Facing.FREE_END
BLANK = "blank"
"""Stands in a list of MEAs for a blank cell."""


@dataclass(frozen=True, slots=True)
class Item:
    """One layer to be put on: a serial to scan, or a lot to take an item from."""

    serial: str = ""
    lot: str = ""
    """type key and label of the lot"""
    facing: Facing | None = None


def gasket(lot: str) -> Item:
    """One gasket of a lot."""
    return Item(lot=lot)


def wren_cells(
    lab: Lab, meas: Sequence[str], *, first: int = 1, gas: str = "WG G-71/25"
) -> list[Item]:
    """Wren: coolant between the cells only, so the end plates have flush backs."""
    items: list[Item] = []
    for number, mea in enumerate(meas, first):
        if number > 1:
            items.append(gasket("WK K-11/25"))
        items += [
            Item(lab.next_of("WE" if number == 1 else "WF"), facing=FREE),
            gasket(gas),
            Item(mea),
            gasket(gas),
            Item(lab.next_of("WA"), facing=FIXED),
        ]
    return items


def wren(lab: Lab, meas: Sequence[str]) -> list[Item]:
    """A whole Wren between its insulator plates."""
    return [*_ends(lab, "WI", "WC"), *wren_cells(lab, meas), *reversed(_ends(lab, "WI", "WC"))]


def heron(lab: Lab, meas: Sequence[str], *, gas: str = "HG G-70") -> list[Item]:
    """A whole Heron: a coolant layer on both sides of every cell, N + 1 of them."""
    coolant = gasket("HK K-12")
    items = [*_ends(lab, "HI", "HC"), coolant]
    for mea in meas:
        items += [
            Item(lab.next_of("HF"), facing=FREE),
            gasket(gas),
            heron_mea(mea),
            gasket(gas),
            Item(lab.next_of("HA"), facing=FIXED),
            coolant,
        ]
    return [*items, *reversed(_ends(lab, "HI", "HD"))]


def heron_mea(mea: str) -> Item:
    """A Heron's MEA, its fuel face to the fixed end; or a blank cell in its place."""
    return gasket("HB B-21") if mea == BLANK else Item(mea, facing=FIXED)


def stork(lab: Lab, meas: Sequence[str]) -> list[Item]:
    """A whole Stork: coolant on the fuel side of every cell, N of them; the free end stands dry."""
    items = _ends(lab, "SI", "SC")
    for mea in meas:
        items += [
            gasket("SK K-14"),
            Item(lab.next_of("SW"), facing=FREE),
            gasket("SG G-75"),
            Item(mea, facing=FIXED),
            gasket("SG G-75"),
            Item(lab.next_of("SA"), facing=FIXED),
        ]
    return [*items, *reversed(_ends(lab, "SI", "SC"))]


def _ends(lab: Lab, insulator: str, collector: str) -> list[Item]:
    return [Item(lab.next_of(insulator)), Item(lab.next_of(collector))]
