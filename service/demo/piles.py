"""The layers of the three designs, from the fixed end: what a builder puts on, one by one.

The fuel side of a cell looks at the fixed end, in all three designs.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.demo.ageing import mea
from service.demo.lab import Lab
from service.demo.logs import Sat
from service.platform.arithmetic.vocabulary import Facing, Kind
from service.platform.queries.statements import known
from service.stacks.tables import BuildPeriod, Layer
from service.store.tables import Lot, Part, PartType

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
    """Return one gasket of a lot."""
    return Item(lot=lot)


def wren_cells(
    lab: Lab, meas: Sequence[str], *, first: int = 1, gas: str = "WG G-71/25"
) -> list[Item]:
    """Return Wren's cells: coolant between them only, so the end plates have flush backs."""
    items: list[Item] = []
    for number, serial in enumerate(meas, first):
        if number > 1:
            items.append(gasket("WK K-11/25"))
        items += [
            Item(lab.next_of("WE" if number == 1 else "WF"), facing=FREE),
            gasket(gas),
            Item(serial),
            gasket(gas),
            Item(lab.next_of("WA"), facing=FIXED),
        ]
    return items


def wren(lab: Lab, meas: Sequence[str]) -> list[Item]:
    """Return a whole Wren between its insulator plates."""
    return [*_ends(lab, "WI", "WC"), *wren_cells(lab, meas), *reversed(_ends(lab, "WI", "WC"))]


def heron(lab: Lab, meas: Sequence[str], *, gas: str = "HG G-70") -> list[Item]:
    """Return a whole Heron: a coolant layer on both sides of every cell, N + 1 of them."""
    coolant = gasket("HK K-12")
    items = [*_ends(lab, "HI", "HC"), coolant]
    for serial in meas:
        items += [
            Item(lab.next_of("HF"), facing=FREE),
            gasket(gas),
            heron_mea(serial),
            gasket(gas),
            Item(lab.next_of("HA"), facing=FIXED),
            coolant,
        ]
    return [*items, *reversed(_ends(lab, "HI", "HD"))]


def heron_mea(mea: str) -> Item:
    """Return a Heron's MEA, its fuel face to the fixed end; or a blank cell in its place."""
    return gasket("HB B-21") if mea == BLANK else Item(mea, facing=FIXED)


def stork(lab: Lab, meas: Sequence[str]) -> list[Item]:
    """Return a whole Stork: coolant on the fuel side of every cell; the free end stands dry."""
    items = _ends(lab, "SI", "SC")
    for serial in meas:
        items += [
            gasket("SK K-14"),
            Item(lab.next_of("SW"), facing=FREE),
            gasket("SG G-75"),
            Item(serial, facing=FIXED),
            gasket("SG G-75"),
            Item(lab.next_of("SA"), facing=FIXED),
        ]
    return [*items, *reversed(_ends(lab, "SI", "SC"))]


def _ends(lab: Lab, insulator: str, collector: str) -> list[Item]:
    return [Item(lab.next_of(insulator)), Item(lab.next_of(collector))]


# Who sits in the cells of an invented stack at a moment, and how many hours each has.


FITTED_AT_H: dict[tuple[str, str], float] = {
    ("HERON-01", "HM-0117"): 1012.4 - 688.2,
    ("HERON-01", "HM-0131"): 1934.8,
    ("STORK-01", "SM-0542"): 1378.6,
    ("STORK-01", "SM-0543"): 1378.6,
    ("WREN-02", "WM-0011"): 512.0,
    ("WREN-02", "WM-0012"): 512.0,
}
"""Hours of the stack at which these MEAs had none of their own; the others came with the first."""


def sat_in(session: Session, lab: Lab, stack: str, at: datetime, total_h: float) -> list[Sat]:
    """Return a stack's cells in their order; ``total_h`` are its hours over all its meters."""
    build = (
        select(BuildPeriod.build_id)
        .where(
            BuildPeriod.stack_id == lab.stacks[stack],
            BuildPeriod.closed_at <= at,
            known(BuildPeriod),
        )
        .order_by(BuildPeriod.closed_at.desc())
        .limit(1)
        .scalar_subquery()
    )
    rows = session.execute(
        select(PartType.kind, Part.serial, Lot.label)
        .select_from(Layer)
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            Layer.build_id == build,
            known(Layer),
            PartType.kind.in_((Kind.MEA, Kind.BLANK_CELL)),
        )
        .order_by(Layer.position)
    )
    return [
        Sat(mea(row.serial, row.label), total_h - FITTED_AT_H.get((stack, row.serial), 0.0))
        if row.kind is Kind.MEA
        else Sat(None, 0.0)
        for row in rows
    ]
