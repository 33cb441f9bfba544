"""When the shelf life of lots and parts ends, and which parts have run since they were fitted.

A shelf life ends at the expiry of the lot, or with the open life of a bag if that is earlier. An
extension after inspection takes the place of both, until another bag is opened. It counts until
the part first runs: a part that was fitted and taken out without having run is as old as before.
"""

from collections.abc import Collection
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, case, exists, func, or_, select, union, union_all
from sqlalchemy.orm import Session, aliased

from service.platform.queries.statements import known, param_list
from service.runs.tables import RunReading
from service.stacks.tables import BuildPeriod, Fixing, HourReading, HourReport, Layer
from service.store.arithmetic.calibrations import THROUGH_THE_DAY
from service.store.tables import Lot, Part


def _ends(table: Any, expires_at: Any) -> ColumnElement[Any]:
    sealed = func.coalesce(table.extended_to, expires_at)
    counts = or_(table.extended_at.is_(None), table.bag_opened_at > table.extended_at)
    opened = case((counts, table.bag_good_until))
    return case(
        (opened.is_(None), sealed),
        (or_(sealed.is_(None), opened < sealed), opened),
        else_=sealed,
    )


LOT_ENDS = _ends(Lot, Lot.expires_at)
PART_ENDS = _ends(Part, LOT_ENDS)
"""Of a part joined with its lot, if it has one."""


def lot_is_fresh(now: datetime) -> ColumnElement[bool]:
    """Say which lots are not past their shelf life."""
    least = now - THROUGH_THE_DAY
    return or_(LOT_ENDS.is_(None), least <= LOT_ENDS)


def have_run(session: Session, part_ids: Collection[int]) -> frozenset[int]:
    """Return which of these parts came with hours, or ran in a build. At most one statement.

    A build ran where a meter of its stack showed more after its closing than before.
    """
    if not part_ids:
        return frozenset()
    return frozenset(session.scalars(_HAVE_RUN, {"ids": list(part_ids)}))


_SAT = union_all(
    *(
        select(table.part_id, BuildPeriod.stack_id, BuildPeriod.closed_at)
        .join(BuildPeriod, BuildPeriod.build_id == table.build_id)
        .where(known(table), known(BuildPeriod))
        for table in (Layer, Fixing)
    )
).subquery("sat")
_SHOWN = union_all(
    select(
        HourReading.stack_id,
        HourReading.meter_id,
        HourReading.taken_at.label("at"),
        HourReading.hours,
    ).where(known(HourReading)),
    select(
        HourReport.stack_id, HourReport.meter_id, HourReport.last_at, HourReport.last_hours
    ).where(known(HourReport)),
    select(
        RunReading.stack_id, RunReading.meter_id, RunReading.ended_at, RunReading.meter_to_hours
    ).where(known(RunReading), RunReading.meter_to_hours.is_not(None)),
).subquery("shown")
_BEFORE, _FIRST = _SHOWN.alias("before"), _SHOWN.alias("first")
_NEXT = aliased(BuildPeriod)
_BUILT_ANEW = (
    exists()
    .where(
        _NEXT.stack_id == _SAT.c.stack_id,
        known(_NEXT),
        _NEXT.closed_at > _SAT.c.closed_at,
        _NEXT.closed_at < _SHOWN.c.at,
    )
    .correlate_except(_NEXT)
)
_HOURS_BEFORE = func.coalesce(
    select(func.max(_BEFORE.c.hours))
    .where(_BEFORE.c.meter_id == _SHOWN.c.meter_id, _BEFORE.c.at <= _SAT.c.closed_at)
    .correlate_except(_BEFORE)
    .scalar_subquery(),
    select(func.min(_FIRST.c.hours))
    .where(_FIRST.c.meter_id == _SHOWN.c.meter_id)
    .correlate_except(_FIRST)
    .scalar_subquery(),
)
_RAN = exists().where(
    _SHOWN.c.stack_id == _SAT.c.stack_id,
    _SHOWN.c.at > _SAT.c.closed_at,
    ~_BUILT_ANEW,
    _SHOWN.c.hours > _HOURS_BEFORE,
)
_HAVE_RUN = union(
    select(_SAT.c.part_id).where(_SAT.c.part_id.in_(param_list("ids")), _RAN),
    select(Part.id).where(Part.id.in_(param_list("ids")), Part.hours_before > 0),
)
