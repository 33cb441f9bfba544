"""What the failing MEAs of a design share that comparable ones do not, with names for people."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.life.arithmetic import suspect_words as words
from service.life.arithmetic.confounding import OTHERS, grid, overlap
from service.life.arithmetic.factors import (
    OPENING_LEVELS,
    POSITION_LEVELS,
    THIRD_LEVELS,
    TORQUE_LEVELS,
    FactorKind,
    wide,
)
from service.life.arithmetic.grounds import words_apart
from service.life.arithmetic.position_test import PositionTest, from_nearer_end, position_test
from service.life.arithmetic.suspects import FORMULA, FactorFound, LevelFound, Suspects, suspects
from service.life.queries.compared import LOTS_AROUND, Compared, compared
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import NotFound
from service.platform.queries.statements import param_list
from service.stacks.tables import Stack
from service.store.arithmetic.lot_roles import LotRole
from service.store.tables import Instrument, Lot, PartType

# What the levels of a comparison are called, and where their pages are.


LOTS = (*LOTS_AROUND, *(FactorKind(role) for role in LotRole))


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
    def read(cls, session: Session, sides: Compared, request: Wanted) -> "Names":
        """Return names of the levels wanted of each factor. Three statements."""

        def ids(*kinds: FactorKind) -> list[int]:
            level_ids: list[int] = []
            for kind in kinds:
                values = sides.values.get(kind, ())
                few = range(len(values) if len(values) <= FEW else 0)
                levels = {*request.get(kind, ()), *few}
                level_ids += [values[level] for level in levels if level >= 0]
            return level_ids

        return cls(
            sides,
            _lot_names(session, ids(*LOTS)),
            _named_by(session, Stack.id, Stack.serial, ids(FactorKind.PREVIOUS_STACK)),
            _named_by(session, Instrument.id, Instrument.label, ids(FactorKind.INSTRUMENT)),
        )

    def of(self, kind: FactorKind, level: int) -> str:
        """Return a level as people call it."""
        if level < 0:
            return "all others" if level == OTHERS else "not known"
        if kind in FIXED:
            return FIXED[kind][level] + self._bounds(kind, level)
        value = self.sides.values[kind][level]
        if kind is FactorKind.PREVIOUS_STACK and value is None:
            return "no other stack"
        names_by_kind = {
            FactorKind.PREVIOUS_STACK: self.stacks,
            FactorKind.INSTRUMENT: self.drivers,
        }
        names = self.lots if kind in LOTS else names_by_kind.get(kind, {})
        return names.get(value, str(value))

    def _bounds(self, kind: FactorKind, level: int) -> str:
        """Between which pressures a third lies."""
        if kind is not FactorKind.PRESSURE or self.sides.edges_mpa is None:
            return ""
        low, high = (f"{edge:.4g}" for edge in self.sides.edges_mpa)
        return f", {(f'up to {low}', f'{low} to {high}', f'above {high}')[level]}\u2009MPa"

    def address(self, kind: FactorKind, level: int) -> str | None:
        """Return the page of a level, if it has one."""
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
    ids_known = [id_ for id_ in ids if id_ is not None]
    return dict(session.execute(select(key, name).where(key.in_(ids_known))).all())


TOLD_APART = 0.2
"""Factors with a p up to this are looked at more closely: can they be told apart from others?"""
MOST_TOLD_APART = 5
GRID_LEVELS = 5


@dataclass(frozen=True, slots=True)
class NamedLevel:
    """One level by its name; ``address`` of its page, ``is_own``: the traced MEA is of it."""

    counts: LevelFound
    name: str
    address: str | None
    is_own: bool
    odds: str
    interval: str
    p: str
    plain_p: str
    sentence: str


@dataclass(frozen=True, slots=True)
class NamedFactor:
    """One factor with its levels by name and what is to be said of it."""

    outcome: FactorFound
    levels: tuple[NamedLevel, ...]
    sentence: str
    unit: str
    p: str
    q: str
    plain_p: str
    """without regard to hours"""
    own: tuple[str, ...]
    """the traced MEA's own levels by name; never of people"""


@dataclass(frozen=True, slots=True)
class GridRow:
    """One lot with one driver: failing and all MEAs in each place of the columns."""

    lot: str
    driver: str
    cells: tuple[tuple[int, int], ...]

    @property
    def total(self) -> tuple[int, int]:
        """Failing and all of the row."""
        return (sum(cell[0] for cell in self.cells), sum(cell[1] for cell in self.cells))


@dataclass(frozen=True, slots=True)
class SuspectsSheet:
    """The comparison as it is shown; ``few_data`` and ``apart`` in sentences.

    ``apart_words`` counts the MEAs people set apart from failing ones.
    ``first_closed`` and ``last_closed`` bound the builds looked at.
    """

    design_id: int
    design: str
    by_rule: bool
    result: Suspects
    first_closed: datetime | None
    last_closed: datetime | None
    columns: tuple[str, ...]
    rows: tuple[GridRow, ...]
    apart: tuple[str, ...]
    factors: tuple[NamedFactor, ...]
    position: str
    by_chance: str
    few_data: tuple[str, ...]
    too_few: str | None
    apart_words: str
    formula: int = FORMULA
    not_cause: str = words.NOT_CAUSE


def suspects_sheet(
    session: Session, design_id: int, part_id: int, *, by_rule: bool = False
) -> SuspectsSheet:
    """Find in what the failing MEAs of a design differ from comparable ones.

    ``part_id``: the traced MEA, whose own levels are marked. A constant number of statements.
    """
    sides = compared(session, design_id, by_rule=by_rule)
    population = sides.population
    result = suspects(population, sides.factors)
    own_row = np.flatnonzero(population.stands & (sides.stays.part == part_id))
    levels_of = {
        factor.kind: set(_levels(sides.codes(factor.kind, own_row).ravel().tolist()))
        for factor in sides.factors
    }
    grid_shown = _Grid.of(sides)
    names = Names.read(session, sides, _levels_to_name(result, levels_of, grid_shown))
    closed = sides.builds.closed
    return SuspectsSheet(
        design_id=design_id,
        design=_design(session, design_id),
        by_rule=by_rule,
        result=result,
        first_closed=_moment(int(closed.min())) if closed.size else None,
        last_closed=_moment(int(closed.max())) if closed.size else None,
        columns=grid_shown.column_names,
        rows=grid_shown.named(names),
        apart=tuple(_apart(sides, result, names)),
        factors=tuple(
            _named_factor(factor, result.looked_at, names, levels_of[factor.kind])
            for factor in result.factors
        ),
        position=words.position_sentence(_position(sides)),
        by_chance=words.by_chance_sentence(result),
        few_data=words.few_data(result),
        too_few=words.too_few_sentence(result),
        apart_words=words_apart(sides.apart),
    )


def _design(session: Session, design_id: int) -> str:
    row = session.execute(
        select(Design.name, Design.revision).where(Design.id == design_id)
    ).first()
    if row is None:
        raise NotFound("design", design_id)
    return f"{row.name} {row.revision}"


def _levels_to_name(result: Suspects, names_wanted: Wanted, grid_shown: "_Grid") -> Wanted:
    levels_by_kind = {kind: set(levels) for kind, levels in names_wanted.items()}
    for factor in result.factors:
        levels_by_kind[factor.kind] |= {level.level for level in factor.levels}
    levels_by_kind[FactorKind.MEA_LOT] |= set(_levels(grid_shown.lots))
    levels_by_kind[FactorKind.INSTRUMENT] |= set(_levels(grid_shown.drivers))
    return levels_by_kind


def _moment(minutes: int) -> datetime:
    return datetime.fromtimestamp(minutes * 60, UTC)


def _levels(codes: Iterable[int]) -> list[int]:
    return [code for code in codes if code >= 0]


def _position(sides: Compared) -> PositionTest:
    population, stays = sides.population, sides.stays
    failing_in = np.unique(population.build[population.failing])
    in_them = np.zeros(sides.builds.closed.size, dtype=bool)
    in_them[failing_in] = True
    rows = np.flatnonzero(in_them[population.build] & sides.counts & (stays.cell > 0))
    build = population.build[rows]
    far = from_nearer_end(stays.cell[rows], sides.builds.cells[build])
    return position_test(build, far, population.failing[rows])


def _named_factor(
    factor: FactorFound, looked_at: int, names: Names, levels: set[int]
) -> NamedFactor:
    own_names = () if factor.kind.is_of_people else sorted(levels)
    return NamedFactor(
        outcome=factor,
        levels=tuple(
            NamedLevel(
                counts=level,
                name=names.of(factor.kind, level.level),
                address=names.address(factor.kind, level.level),
                is_own=level.level in levels,
                odds=words.likeliest_words(level.odds) if level.odds else "",
                interval=words.interval_words(level.odds) if level.odds else "",
                p=words.p_words(level.test.two_sided) if level.test else "–",
                plain_p=_plain(level, 1),
                sentence=words.level_sentence(factor, level, names.of(factor.kind, level.level)),
            )
            for level in factor.levels
        ),
        sentence=words.factor_sentence(factor, looked_at),
        unit=words.unit_sentence(factor),
        p="–" if factor.p is None else words.p_words(factor.p),
        q="–" if factor.q is None else words.p_words(factor.q),
        plain_p=_plain(factor.levels[0], factor.comparisons) if factor.levels else "–",
        own=tuple(names.of(factor.kind, level) for level in own_names),
    )


def _plain(level: LevelFound, comparisons: int) -> str:
    """The p of a level without regard to hours, times the comparisons made."""
    return words.p_words(level.plain.two_sided * comparisons) if level.plain else "–"


def _apart(sides: Compared, result: Suspects, names: Names) -> Iterable[str]:
    """Levels which stand out and go together with another factor, so that neither can be told."""
    tested = [
        factor
        for factor in result.factors
        if factor.levels
        and factor.p is not None
        and factor.p <= TOLD_APART
        and factor.levels[0].test
    ][:MOST_TOLD_APART]
    if not tested:
        return
    rows = np.flatnonzero(sides.population.stands)
    codes = {factor.kind: wide(sides.codes(factor.kind, rows)) for factor in result.factors}
    every = {kind: np.bincount(levels[:, 0] + 1)[1:] for kind, levels in codes.items()}
    for factor in tested:
        level = factor.levels[0].level
        members = np.flatnonzero((codes[factor.kind] == level).any(axis=1))
        if members.size in {0, rows.size}:
            continue
        level_name = f"{factor.kind} {names.of(factor.kind, level)}"
        for factor_beside in result.factors:
            if factor_beside.kind is factor.kind or not factor_beside.varies:
                continue
            overlap_seen = overlap(codes[factor_beside.kind][members, 0], every[factor_beside.kind])
            inside = None
            if overlap_seen.inside is not None and not factor_beside.kind.is_of_people:
                inside = names.of(factor_beside.kind, overlap_seen.inside)
            sentence = words.apart_sentence(
                level_name, str(factor_beside.kind), overlap_seen, inside
            )
            if sentence:
                yield sentence


@dataclass(frozen=True, slots=True)
class _Grid:
    """The grid of lot × place × driver as codes."""

    lots: tuple[int, ...]
    places: tuple[int, ...]
    drivers: tuple[int, ...]
    failing: Any
    all: Any

    @classmethod
    def of(cls, sides: Compared) -> "_Grid":
        rows = np.flatnonzero(sides.population.stands)
        counts = grid(
            sides.codes(FactorKind.MEA_LOT, rows),
            sides.codes(FactorKind.POSITION, rows),
            wide(sides.codes(FactorKind.INSTRUMENT, rows))[:, 0],
            sides.population.failing[rows],
            most=GRID_LEVELS,
        )
        return cls(counts.rows, counts.columns, counts.layers, counts.failing, counts.all)

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(POSITION_LEVELS[index] if index >= 0 else "not known" for index in self.places)

    def named(self, names: Names) -> tuple[GridRow, ...]:
        return tuple(
            GridRow(
                names.of(FactorKind.MEA_LOT, lot),
                names.of(FactorKind.INSTRUMENT, driver),
                tuple(
                    (int(self.failing[row, column, layer]), int(self.all[row, column, layer]))
                    for column in range(len(self.places))
                ),
            )
            for row, lot in enumerate(self.lots)
            for layer, driver in enumerate(self.drivers)
            if self.all[row, :, layer].any()
        )
