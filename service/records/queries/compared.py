"""The MEAs of one design side by side: which fail, their stays in builds, and the factors of each.

Read from what is kept packed beside the builds, as known now; the arithmetic is the trade's.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.records.queries.known import known
from service.records.queries.makeups import minutes
from service.records.queries.own_hours import own_hours_at
from service.records.queries.prepared import given, given_all, prepared
from service.records.tables.build_makeups import BuildMakeup
from service.records.tables.failing import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.records.tables.hours import HourMeter, HourReading, HourReport
from service.records.tables.parts import Lot
from service.records.tables.runs import RunReading
from service.trade.factors import (
    UNKNOWN,
    Codes,
    Factor,
    FactorKind,
    distinct,
    opening_codes,
    position_codes,
    thirds,
)
from service.trade.makeups import NEVER, Builds, Stays, unpack
from service.trade.position_test import from_nearer_end
from service.trade.suspects import Population

MOST_EXACT = 200
"""Failing MEAs whose own hours are asked for one by one; of more, hours run evenly in a build."""
Ids = NDArray[np.int64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Compared:
    """The MEAs of a design as a comparison takes them.

    Rows of ``stays`` are those of ``population``; ``values``: what the codes of a factor stand for,
    by code (ids of lots, stacks, instruments; suppliers by name); ``edges_mpa`` of the thirds of
    GDL pressure.
    """

    builds: Builds
    stays: Stays
    population: Population
    factors: tuple[Factor, ...]
    values: dict[FactorKind, tuple[Any, ...]]
    edges_mpa: tuple[float, float] | None
    stack_ids: Ids
    build_ids: Ids

    def codes(self, kind: FactorKind) -> Codes:
        """The codes of a factor, (rows,) or (rows, w), those of the build for each of its MEAs."""
        factor = next(one for one in self.factors if one.kind is kind)
        if factor.codes.shape[0] == self.population.build.size and kind.unit == "MEA":
            return factor.codes
        return factor.codes[self.population.build]


def compared(session: Session, design_id: int, *, by_rule: bool) -> Compared:
    """All MEAs that sat in stacks of a design; failing are those somebody confirmed.

    ``by_rule``: those too of which the newest rule of the design says so. A constant number of
    statements, and no row of layers, readings or torque is read.
    """
    rows: Any = session.execute(
        prepared(
            lambda: (
                select(BuildMakeup.build_id, BuildMakeup.stack_id, BuildMakeup.packed)
                .where(BuildMakeup.design_id == given("design_id"))
                .order_by(BuildMakeup.build_id)
            )
        ),
        {"design_id": design_id},
    ).all()
    builds, stays = unpack([row.packed for row in rows])
    ran = _ran(session, design_id, builds)
    left = stays.hours_before + ran[stays.build]
    failed = _failing(session, design_id, by_rule=by_rule)
    failing = np.zeros(stays.part.size, dtype=bool)
    keep = np.ones(stays.part.size, dtype=bool)
    _mark(session, failed, builds, stays, left, failing=failing, keep=keep)
    if not keep.all():
        stays, left, failing = _chosen(stays, keep), left[keep], failing[keep]
    population = Population(
        build=stays.build,
        entered_h=stays.hours_before,
        left_h=np.maximum(left, stays.hours_before),
        failing=failing,
        stands=_last_of_each(stays.part),
        ran_h=ran,
    )
    factors, values, edges = _factors(session, builds, stays)
    ids = np.array([(row.stack_id, row.build_id) for row in rows], dtype=np.int64).reshape(-1, 2)
    return Compared(builds, stays, population, factors, values, edges, ids[:, 0], ids[:, 1])


def _ran(session: Session, design_id: int, builds: Builds) -> NDArray[np.float64]:
    """Hours each build ran: as kept, and of closed ones what its meter shows by now."""
    shown = {row.id: row for row in session.execute(_showings(), {"design_id": design_id})}
    ran = builds.ran_h.copy()
    for at in np.flatnonzero((builds.opened == NEVER) & (builds.meter > 0)):
        row: Any = shown.get(int(builds.meter[at]))
        told = (row.read, row.reported, row.told) if row is not None else ()
        newest = max((hours for hours in told if hours is not None), default=0.0)
        ran[at] = max(ran[at], newest - builds.not_ran_h[at])
    return ran


def _showings() -> Any:
    return prepared(_newest_showings)


def _newest_showings() -> Any:
    """What the fitted meters of a design's stacks show by now: each found by index."""
    report, run = aliased(HourReport), aliased(RunReading)
    read = select(func.max(HourReading.hours)).where(
        HourReading.meter_id == HourMeter.id, known(HourReading)
    )
    reported = (
        select(report.last_hours)
        .where(report.meter_id == HourMeter.id)
        .order_by(report.day.desc())
        .limit(1)
    )
    told = (
        select(run.meter_to_hours)
        .where(run.meter_id == HourMeter.id, run.meter_to_hours.is_not(None), known(run))
        .order_by(run.ended_at.desc(), run.id.desc())
        .limit(1)
    )
    stacks = select(BuildMakeup.stack_id).where(BuildMakeup.design_id == given("design_id"))
    return select(
        HourMeter.id,
        read.correlate(HourMeter).scalar_subquery().label("read"),
        reported.correlate(HourMeter).scalar_subquery().label("reported"),
        told.correlate(HourMeter).scalar_subquery().label("told"),
    ).where(HourMeter.stack_id.in_(stacks), HourMeter.removed_at.is_(None))


def _failing(session: Session, design_id: int, *, by_rule: bool) -> dict[int, datetime | None]:
    """MEAs that count as failing, and since when; None: by the rule, now."""
    found: dict[int, datetime | None] = {}
    if by_rule:
        newest = (
            select(func.max(FailingRule.id))
            .where(FailingRule.design_id == design_id)
            .scalar_subquery()
        )
        met = select(RuleVerdict.part_id).where(
            RuleVerdict.rule_id == newest, RuleVerdict.answer == RuleAnswer.MET
        )
        found |= dict.fromkeys(session.scalars(met))
    marks = select(FailingMark.part_id, FailingMark.failed_at).where(
        FailingMark.withdrawn_at.is_(None)
    )
    found |= dict(session.execute(marks).all())
    return found


def _mark(
    session: Session,
    failed: dict[int, datetime | None],
    builds: Builds,
    stays: Stays,
    left: NDArray[np.float64],
    *,
    failing: Flags,
    keep: Flags,
) -> None:
    """Find the stay each failing MEA failed in, end it there, leave its later ones out."""
    if not failed or not stays.part.size:
        return
    of_part: dict[int, list[int]] = {}
    for place in np.flatnonzero(np.isin(stays.part, list(failed))).tolist():
        of_part.setdefault(int(stays.part[place]), []).append(place)
    since = {part: at for part in of_part if (at := failed[part]) is not None}
    own = own_hours_at(session, list(since)) if 0 < len(since) <= MOST_EXACT else {}
    closed = builds.closed[stays.build]
    for part, rows in of_part.items():
        at = since.get(part)
        before = [one for one in rows if at is None or closed[one] <= minutes(at)]
        row = (before or rows[:1])[-1]
        failing[row] = True
        keep[[later for later in rows if later > row]] = False
        opened = builds.opened[stays.build[row]]
        if at is None or (opened != NEVER and opened <= minutes(at)):
            continue  # it ran until the opening, or until now
        hours = own[part].at(at) if part in own else None
        if hours is not None:
            left[row] = min(hours.hours, left[row])


def _chosen(stays: Stays, keep: Flags) -> Stays:
    return Stays(*(getattr(stays, name)[keep] for name in Stays.__slots__))


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
    session: Session, builds: Builds, stays: Stays
) -> tuple[tuple[Factor, ...], dict[FactorKind, tuple[Any, ...]], tuple[float, float] | None]:
    kinds = FactorKind
    lot, lots = _dense(stays.mea_lot)
    supplier, suppliers = _suppliers(session, lot, lots)
    plate, plates = _dense(stays.plate_lots)
    gasket, gaskets = _dense(stays.gasket_lots)
    came, stacks = _dense(stays.came_from)
    driver, drivers = _dense(builds.drivers)
    person, people = _dense(builds.people)
    far = from_nearer_end(stays.cell, builds.cells[stays.build])
    pressure = thirds(builds.gdl_pressure_mpa)
    factors = (
        Factor(kinds.MEA_LOT, lot),
        Factor(kinds.SUPPLIER, supplier),
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
        kinds.SUPPLIER: suppliers,
        kinds.PLATE_LOT: plates,
        kinds.GASKET_LOT: gaskets,
        kinds.PREVIOUS_STACK: (None, *stacks),
        kinds.INSTRUMENT: drivers,
        kinds.BUILDER: people,
    }
    return factors, values, pressure.edges


def _dense(ids: Ids) -> tuple[Codes, tuple[int, ...]]:
    """Codes from 0 for ids, and the id of each code; UNKNOWN stays."""
    there = np.zeros(int(ids.max(initial=-1)) + 2, dtype=bool)
    there[ids] = True
    there[-1] = False
    codes = np.cumsum(there) - 1
    codes[-1] = UNKNOWN
    return codes[ids], tuple(np.flatnonzero(there).tolist())


def _suppliers(
    session: Session, lot: Codes, lots: Collection[int]
) -> tuple[Codes, tuple[str, ...]]:
    """The supplier of each MEA's lot, named without regard to case and space; empty: not known."""
    named: dict[int, str] = dict(
        session.execute(
            prepared(lambda: select(Lot.id, Lot.supplier).where(Lot.id.in_(given_all("lots")))),
            {"lots": list(lots)},
        ).all()
    )
    places: dict[str, int] = {}
    names: list[str] = []
    codes = np.full(len(lots) + 1, UNKNOWN, dtype=np.int64)
    for at, lot_id in enumerate(lots):
        name = " ".join(named.get(lot_id, "").split())
        if not name:
            continue
        if name.casefold() not in places:
            places[name.casefold()] = len(names)
            names.append(name)
        codes[at] = places[name.casefold()]
    return codes[lot], tuple(names)
