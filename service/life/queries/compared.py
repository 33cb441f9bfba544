"""The MEAs of one design side by side: which fail, their stays in builds, and the factors of each.

Read from what is kept packed beside the builds, as known now; the arithmetic is the trade's.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select, true
from sqlalchemy.orm import Session, aliased

from service.life.arithmetic.build_features import NEVER, Builds, Stays, unpack
from service.life.arithmetic.factors import (
    UNKNOWN,
    Codes,
    Factor,
    FactorKind,
    Unit,
    distinct,
    opening_codes,
    position_codes,
    thirds,
    wide,
)
from service.life.arithmetic.grounds import MeaWord
from service.life.arithmetic.position_test import from_nearer_end
from service.life.arithmetic.suspects import Population
from service.life.queries.build_features import minutes
from service.life.queries.own_hours import own_hours_at
from service.life.tables import BuildMakeup, FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.platform.queries.statements import known, param, param_list, statement
from service.runs.tables import RunReading
from service.stacks.tables import HourMeter, HourReading, HourReport
from service.store.queries.lot_trees import inputs_of
from service.store.tables import Lot, Part

MOST_EXACT = 200
"""Failing MEAs whose own hours are asked for one by one; of more, hours run evenly in a build."""
MOST_KEPT = 2
"""Designs kept unpacked in a process; no other needs them."""
Ids = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Unpacked:
    """What the packed texts alone say; ``last``: the last stay of each MEA."""

    builds: Builds
    stays: Stays
    last: Flags
    factors: tuple[Factor, ...]
    values: dict[FactorKind, tuple[Any, ...]]
    edges_mpa: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Compared:
    """The MEAs of a design as a comparison takes them.

    Rows of ``stays`` are those of ``population``; ``counts`` is false for stays after an MEA
    failed, which are compared nowhere; ``values``: what the codes of a factor stand for,
    by code (ids of lots, stacks, instruments; suppliers by name); ``edges_mpa`` of the thirds of
    GDL pressure; ``apart``: how many are suspected or at their end of life, and not failing.
    """

    builds: Builds
    stays: Stays
    population: Population
    counts: Flags
    factors: tuple[Factor, ...]
    values: dict[FactorKind, tuple[Any, ...]]
    edges_mpa: tuple[float, float] | None
    build_ids: Ids
    apart: Mapping[MeaWord, int]

    def codes(self, kind: FactorKind, rows: Ids) -> Codes:
        """Return the codes of a factor at some rows, those of the build for each of its MEAs."""
        factor = next(factor for factor in self.factors if factor.kind is kind)
        codes_at = rows if kind.unit is Unit.MEA else self.population.build[rows]
        return factor.codes[codes_at]


MAKEUPS = (
    select(BuildMakeup.build_id, BuildMakeup.packed)
    .where(BuildMakeup.design_id == param("design_id"))
    .order_by(BuildMakeup.build_id)
)


def compared(session: Session, design_id: int, *, by_rule: bool) -> Compared:
    """Return all MEAs that sat in stacks of a design; failing are those somebody confirmed.

    ``by_rule``: those too of which the newest rule of the design says so. A constant number of
    statements, and no row of layers, readings or torque is read.
    """
    rows: Any = session.execute(MAKEUPS, {"design_id": design_id}).all()
    read = unpacked([row.packed for row in rows])
    builds, stays = read.builds, read.stays
    ran = _ran(session, design_id, builds)
    exit_h = stays.hours_before + ran[stays.build]
    failing = np.zeros(stays.part.size, dtype=bool)
    counts = np.ones(stays.part.size, dtype=bool)
    stands = read.last.copy()
    failed, apart = _failing(session, design_id, by_rule=by_rule)
    for row, stays_of_part, hours in _failed_in(session, failed, builds, stays):
        failing[row], stands[stays_of_part], stands[row] = True, False, True
        later = [later_stay for later_stay in stays_of_part if later_stay > row]
        counts[later], exit_h[later] = False, 0.0  # nobody fails twice
        exit_h[row] = min(exit_h[row], hours)
    exit_h[np.isin(stays.part, session.scalars(HOURS_UNKNOWN).all())] = np.nan
    population = Population(
        build=stays.build,
        entered_h=stays.hours_before,
        left_h=np.maximum(exit_h, stays.hours_before),
        failing=failing,
        stands=stands,
        ran_h=ran,
    )
    supplier, suppliers = _suppliers(session, read)
    origins, origin_lots = _origins(session, read)
    return Compared(
        builds,
        stays,
        population,
        counts,
        (*read.factors, Factor(FactorKind.SUPPLIER, supplier), *origins),
        {**read.values, FactorKind.SUPPLIER: suppliers, **origin_lots},
        read.edges_mpa,
        np.array([row.build_id for row in rows], dtype=np.int64),
        Counter(apart[part] for part in np.intersect1d(stays.part, list(apart)).tolist()),
    )


HOURS_UNKNOWN = select(Part.id).where(Part.hours_before_unknown == true())
"""Parts of which nobody knows with how many hours they came: no figure of hours counts them."""


def _ran(session: Session, design_id: int, builds: Builds) -> NDArray[np.float64]:
    """Hours each build ran: as kept, and of closed ones what its meter shows by now."""
    showing_of = {row.id: row for row in session.execute(_showings(), {"design_id": design_id})}
    ran = builds.ran_h.copy()
    for index in np.flatnonzero((builds.opened == NEVER) & (builds.meter > 0)):
        row: Any = showing_of.get(int(builds.meter[index]))
        showings = (row.read, row.reported, row.told) if row is not None else ()
        newest = max((hours for hours in showings if hours is not None), default=0.0)
        ran[index] = max(ran[index], newest - builds.not_ran_h[index])
    return ran


@statement
def _showings() -> Any:
    """What the fitted meters of a design's stacks show by now: each found by index."""
    report, run = aliased(HourReport), aliased(RunReading)
    read = select(func.max(HourReading.hours)).where(
        HourReading.meter_id == HourMeter.id, known(HourReading)
    )
    reported = (
        select(report.last_hours)
        .where(report.meter_id == HourMeter.id, known(report))
        .order_by(report.day.desc())
        .limit(1)
    )
    hours_column = (
        select(run.meter_to_hours)
        .where(run.meter_id == HourMeter.id, run.meter_to_hours.is_not(None), known(run))
        .order_by(run.ended_at.desc(), run.id.desc())
        .limit(1)
    )
    stacks = select(BuildMakeup.stack_id).where(BuildMakeup.design_id == param("design_id"))
    return select(
        HourMeter.id,
        read.correlate(HourMeter).scalar_subquery().label("read"),
        reported.correlate(HourMeter).scalar_subquery().label("reported"),
        hours_column.correlate(HourMeter).scalar_subquery().label("told"),
    ).where(HourMeter.stack_id.in_(stacks), HourMeter.removed_at.is_(None))


MARKS = select(FailingMark.part_id, FailingMark.says, FailingMark.failed_at).where(
    FailingMark.withdrawn_at.is_(None)
)


def _failing(
    session: Session, design_id: int, *, by_rule: bool
) -> tuple[dict[int, datetime | None], dict[int, MeaWord]]:
    """MEAs that count as failing, and since when (None: by the rule, now); those set apart.

    A person's word goes before the rule.
    """
    failing_since: dict[int, datetime | None] = {}
    if by_rule:
        newest = (
            select(func.max(FailingRule.id))
            .where(FailingRule.design_id == design_id)
            .scalar_subquery()
        )
        met = select(RuleVerdict.part_id).where(
            RuleVerdict.rule_id == newest, RuleVerdict.answer == RuleAnswer.MET
        )
        failing_since |= dict.fromkeys(session.scalars(met))
    apart: dict[int, MeaWord] = {}
    for part_id, says, failed_at in session.execute(MARKS):
        if says is MeaWord.FAILED:
            failing_since[part_id] = failed_at
        else:
            failing_since.pop(part_id, None)
            apart[part_id] = says
    return failing_since, apart


def _failed_in(
    session: Session, failed: dict[int, datetime | None], builds: Builds, stays: Stays
) -> Iterator[tuple[int, list[int], float]]:
    """Of each failing MEA the row it failed in, all its rows, and its own hours then, h.

    Infinite hours: it ran until the opening, or until now.
    """
    if not failed or not stays.part.size:
        return
    of_part: dict[int, list[int]] = {}
    for place in np.flatnonzero(np.isin(stays.part, list(failed))).tolist():
        of_part.setdefault(int(stays.part[place]), []).append(place)
    since = {part: failed_at for part in of_part if (failed_at := failed[part]) is not None}
    own_hours = own_hours_at(session, list(since)) if 0 < len(since) <= MOST_EXACT else {}
    for part, rows in of_part.items():
        failed_at = since.get(part)
        before = [
            row
            for row in rows
            if failed_at is None or builds.closed[stays.build[row]] <= minutes(failed_at)
        ]
        row = (before or rows[:1])[-1]
        hours = (
            own_hours[part].at(failed_at) if failed_at is not None and part in own_hours else None
        )
        yield (
            row,
            rows,
            _hours_then(failed_at, builds, stays, row) if hours is None else hours.hours,
        )


def _hours_then(time: datetime | None, builds: Builds, stays: Stays, row: int) -> float:
    """Own hours at a time, run evenly from the closing to the opening; not known before that."""
    build = int(stays.build[row])
    closed, opened = int(builds.closed[build]), int(builds.opened[build])
    if time is None or opened == NEVER or opened <= max(closed, minutes(time)):
        return float("inf")
    share = max(0.0, (minutes(time) - closed) / (opened - closed))
    return float(stays.hours_before[row] + share * builds.ran_h[build])


SUPPLIERS = select(Lot.id, Lot.supplier).where(Lot.id.in_(param_list("lots")))


def _suppliers(session: Session, read: Unpacked) -> tuple[Codes, tuple[str, ...]]:
    """The supplier of each MEA's lot, named without regard to case and space; empty: not known."""
    lots = read.values[FactorKind.MEA_LOT]
    supplier_of_lot: dict[int, str] = dict(session.execute(SUPPLIERS, {"lots": list(lots)}).all())
    places: dict[str, int] = {}
    names: list[str] = []
    codes = np.full(len(lots) + 1, UNKNOWN, dtype=np.int64)
    for index, lot_id in enumerate(lots):
        name = " ".join(supplier_of_lot.get(lot_id, "").split())
        if not name:
            continue
        if name.casefold() not in places:
            places[name.casefold()] = len(names)
            names.append(name)
        codes[index] = places[name.casefold()]
    of_lot = next(factor for factor in read.factors if factor.kind is FactorKind.MEA_LOT)
    return codes[of_lot.codes], tuple(names)


LOTS_AROUND = (FactorKind.MEA_LOT, FactorKind.PLATE_LOT, FactorKind.GASKET_LOT)


def _origins(
    session: Session, read: Unpacked
) -> tuple[list[Factor], dict[FactorKind, tuple[int, ...]]]:
    """What the lots around each MEA are made of, a factor for each role; none where not kept.

    A coating counts in builds closed from its day on.
    """
    around = {kind: read.values[kind] for kind in LOTS_AROUND}
    inputs = inputs_of(session, {lot for lots in around.values() for lot in lots})
    closed = read.builds.closed[read.stays.build][:, None, None]
    factors, values = [], {}
    for role, inputs_of_lot in inputs.items():
        ids = sorted({key for pairs in inputs_of_lot.values() for key, _since in pairs})
        widest = max(map(len, inputs_of_lot.values()))
        columns = []
        for factor in read.factors:
            if factor.kind not in around:
                continue
            lots = around[factor.kind]
            code = np.full((len(lots) + 1, widest), UNKNOWN, dtype=np.int64)
            since = np.full(code.shape, np.iinfo(np.int64).min)
            for row, lot in enumerate(lots):
                for column, (key, begun) in enumerate(inputs_of_lot.get(lot, ())):
                    code[row, column] = ids.index(key)
                    since[row, column] = since[row, column] if begun is None else minutes(begun)
            places = wide(factor.codes)
            counting = np.where(since[places] <= closed, code[places], UNKNOWN)
            columns.append(counting.reshape(len(places), -1))
        codes = -np.sort(-distinct(np.hstack(columns)), axis=1)  # what is not known stands last
        factors.append(Factor(FactorKind(role), codes[:, (codes >= 0).any(axis=0)]))
        values[FactorKind(role)] = tuple(ids)
    return factors, values


_kept: list[tuple[list[str], Unpacked]] = []


def unpacked(texts: list[str]) -> Unpacked:
    """Unpack the builds of a design; the same texts again are not unpacked again.

    Compared are the texts themselves: whatever was written anew is unpacked anew.
    """
    for texts_kept, value in _kept:
        if texts_kept == texts:
            return value
    value = _unpack(texts)
    _kept[:] = [(texts, value), *_kept[: MOST_KEPT - 1]]
    return value


def forget() -> None:
    """Forget what is kept unpacked."""
    _kept.clear()


def _unpack(texts: list[str]) -> Unpacked:
    builds, stays = unpack(texts)
    factors, values, edges = _factors(builds, stays)
    return Unpacked(builds, stays, _last_of_each(stays.part), factors, values, edges)


def _last_of_each(parts: Ids) -> Flags:
    """The last row of each part; rows stand in order of time."""
    stands = np.zeros(parts.size, dtype=bool)
    if parts.size:
        low = int(parts.min())
        last = np.full(int(parts.max()) - low + 1, -1, dtype=np.int64)
        last[parts - low] = np.arange(parts.size)
        stands[last[last >= 0]] = True
    return stands


def _factors(
    builds: Builds, stays: Stays
) -> tuple[tuple[Factor, ...], dict[FactorKind, tuple[Any, ...]], tuple[float, float] | None]:
    kinds = FactorKind
    lot, lots = _dense(stays.mea_lot)
    plate, plates = _dense(stays.plate_lots)
    gasket, gaskets = _dense(stays.gasket_lots)
    came, stacks = _dense(stays.came_from)
    driver, drivers = _dense(builds.drivers)
    person, people = _dense(builds.people)
    far = from_nearer_end(stays.cell, builds.cells[stays.build])
    pressure = thirds(builds.gdl_pressure_mpa)
    factors = (
        Factor(kinds.MEA_LOT, lot),
        Factor(kinds.PLATE_LOT, plate),
        Factor(kinds.GASKET_LOT, gasket),
        Factor(kinds.POSITION, position_codes(np.where(stays.cell > 0, far, UNKNOWN))),
        Factor(kinds.OPENINGS, opening_codes(stays.openings)),
        Factor(kinds.PREVIOUS_STACK, came + 1),
        Factor(kinds.TORQUE, builds.torque_outside),
        Factor(kinds.PRESSURE, pressure.codes),
        Factor(kinds.INSTRUMENT, distinct(driver)),
        Factor(kinds.BUILDER, distinct(person)),
    )
    values = {
        kinds.MEA_LOT: lots,
        kinds.PLATE_LOT: plates,
        kinds.GASKET_LOT: gaskets,
        kinds.PREVIOUS_STACK: (None, *stacks),
        kinds.INSTRUMENT: drivers,
        kinds.BUILDER: people,
    }
    return factors, values, pressure.edges


def _dense(ids: Ids) -> tuple[Codes, tuple[int, ...]]:
    """Codes from 0 for ids, and the id of each code; UNKNOWN stays."""
    is_used = np.zeros(int(ids.max(initial=-1)) + 2, dtype=bool)
    is_used[ids] = True
    is_used[-1] = False
    codes = np.cumsum(is_used) - 1
    codes[-1] = UNKNOWN
    return codes[ids], tuple(np.flatnonzero(is_used).tolist())
