"""What the levels of a comparison are called, and where their pages are."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.life.arithmetic.confounding import OTHERS
from service.life.arithmetic.factors import (
    OPENING_LEVELS,
    POSITION_LEVELS,
    THIRD_LEVELS,
    TORQUE_LEVELS,
    FactorKind,
)
from service.life.queries.compared import Compared
from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.prepared import param_list
from service.stacks.tables.stacks import Stack
from service.store.tables.instruments import Instrument
from service.store.tables.parts import Lot, PartType

LOTS = (FactorKind.MEA_LOT, FactorKind.PLATE_LOT, FactorKind.GASKET_LOT)
FEW = 5
"""Of a factor with so few levels all are named, for a sentence may name any of them."""
Wanted = dict[FactorKind, set[int]]


FIXED: dict[FactorKind, tuple[str, ...]] = {
    FactorKind.POSITION: POSITION_LEVELS,
    FactorKind.OPENINGS: OPENING_LEVELS,
    FactorKind.TORQUE: TORQUE_LEVELS,
    FactorKind.PRESSURE: THIRD_LEVELS,
}


@dataclass(frozen=True, slots=True)
class Names:
    """What the codes of a comparison are called."""

    sides: Compared
    lots: dict[int, str]
    stacks: dict[int, str]
    drivers: dict[int, str]

    @classmethod
    def read(cls, session: Session, sides: Compared, wanted: Wanted) -> "Names":
        """Names of the levels wanted of each factor. Three statements."""

        def ids(*kinds: FactorKind) -> list[int]:
            found: list[int] = []
            for kind in kinds:
                values = sides.values[kind]
                few = range(len(values) if len(values) <= FEW else 0)
                levels = {*wanted.get(kind, ()), *few}
                found += [values[level] for level in levels if level >= 0]
            return found

        return cls(
            sides,
            _lot_names(session, ids(*LOTS)),
            _named_by(session, Stack.id, Stack.serial, ids(FactorKind.PREVIOUS_STACK)),
            _named_by(session, Instrument.id, Instrument.label, ids(FactorKind.INSTRUMENT)),
        )

    def of(self, kind: FactorKind, level: int) -> str:
        """A level as people call it."""
        if level < 0:
            return "all others" if level == OTHERS else "not known"
        if kind in FIXED:
            return FIXED[kind][level] + self._bounds(kind, level)
        value = self.sides.values[kind][level]
        if kind is FactorKind.PREVIOUS_STACK and value is None:
            return "no other stack"
        named = {FactorKind.PREVIOUS_STACK: self.stacks, FactorKind.INSTRUMENT: self.drivers}
        known = self.lots if kind in LOTS else named.get(kind, {})
        return known.get(value, str(value))

    def _bounds(self, kind: FactorKind, level: int) -> str:
        """Between which pressures a third lies."""
        if kind is not FactorKind.PRESSURE or self.sides.edges_mpa is None:
            return ""
        low, high = (f"{edge:.4g}" for edge in self.sides.edges_mpa)
        return f", {(f'up to {low}', f'{low} to {high}', f'above {high}')[level]}\u2009MPa"

    def address(self, kind: FactorKind, level: int) -> str | None:
        """The page of a level, if it has one."""
        if kind in LOTS:
            return f"/lots/{self.sides.values[kind][level]}"
        if kind is FactorKind.INSTRUMENT:
            return f"/instruments/{self.sides.values[kind][level]}"
        return None


LOT_NAMES = (
    select(Lot.id, Lot.label, PartType.name, PartType.kind)
    .join(PartType, PartType.id == Lot.part_type_id)
    .where(Lot.id.in_(param_list("ids")))
)


def _lot_names(session: Session, ids: Collection[int]) -> dict[int, str]:
    """Lots of plates and gaskets with what they are of: a label is unique within a type only."""
    rows: Any = session.execute(LOT_NAMES, {"ids": list(ids)})
    return {
        row.id: row.label if row.kind is Kind.MEA else f"{row.label} ({row.name})" for row in rows
    }


def _named_by(session: Session, key: Any, name: Any, ids: Collection[int | None]) -> dict[int, str]:
    wanted = [one for one in ids if one is not None]
    return dict(session.execute(select(key, name).where(key.in_(wanted))).all())
