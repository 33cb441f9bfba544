"""Where MEAs sat and for how long, as arrays in the order of part and closing.

Hours are own hours at load, in h: a blank or bridged cell has fewer than its stack.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from service.records.queries.life_rows import builds_they_sat_in, stacks_they_sat_in
from service.records.queries.own_hours import own_hours_at
from service.records.queries.part_hours import cell_hours
from service.trade.life_pieces import NEVER_FAILED, Parts
from service.trade.lifetimes import Bools, Floats

Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Meas:
    """MEAs by id: type, lot (0: none), hours they came with, fitted now, cannot be found."""

    ids: Whole
    type_ids: Whole
    lot_ids: Whole
    before_h: Floats
    fitted: Bools
    missing: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Seated:
    """Builds MEAs sat in, by MEA and then in the order of closing.

    ``part`` is the place of the MEA in `Meas`; ``closed_at`` of each build, by its id.
    """

    part: Whole
    build_ids: Whole
    design_ids: Whole
    hours_h: Floats
    unread: Bools
    closed_at: dict[int, datetime]


def as_meas(rows: Sequence[Any]) -> Meas:
    """The rows of `meas_of_types` as arrays."""
    table = _table(rows, 6)
    whole = table[:, :3].astype(np.int64)
    return Meas(
        whole[:, 0], whole[:, 1], whole[:, 2], table[:, 3], table[:, 4] > 0, table[:, 5] > 0
    )  # fmt: skip


def seated(session: Session, type_ids: Collection[int], meas: Meas) -> Seated:
    """Which builds did they sit in, and for how many hours? Seven statements, or twelve."""
    rows = _table(builds_they_sat_in(session, type_ids), 3).astype(np.int64)
    builds = np.unique(rows[:, 1])
    of_build = stacks_they_sat_in(session, builds.tolist())
    hours = cell_hours(session, {stack_id for stack_id, _ in of_build.values()}, builds.tolist())
    known = np.array([int(build_id) in hours.spans for build_id in builds], dtype=bool)
    rows, builds = rows[np.isin(rows[:, 1], builds[known])], builds[known]
    spans = [hours.spans[build_id] for build_id in builds.tolist()]
    rank = np.empty(len(builds), dtype=np.int64)
    rank[sorted(range(len(spans)), key=lambda at: (spans[at].closed_at, spans[at].build_id))] = (
        np.arange(len(builds))
    )
    part = np.searchsorted(meas.ids, rows[:, 0])
    place = np.searchsorted(builds, rows[:, 1])
    order = np.lexsort((rank[place], part))
    part, place, cells = part[order], place[order], rows[order, 2]
    ran = np.array([span.ran.hours for span in spans], dtype=float)[place]
    unread = np.array([span.ran.at_least for span in spans], dtype=bool)[place]
    odd = [
        at for at, one in enumerate(builds.tolist()) if one in hours.blank or one in hours.bridges
    ]
    for at in np.flatnonzero(np.isin(place, odd)).tolist():
        own = hours.of(int(builds[place[at]]), int(cells[at]) or None)
        ran[at], unread[at] = own.hours, own.at_least
    design = np.array([of_build[build_id][1] for build_id in builds.tolist()], dtype=np.int64)
    return Seated(
        part,
        builds[place],
        design[place] if len(place) else np.zeros(0, dtype=np.int64),
        ran,
        unread,
        {span.build_id: span.closed_at for span in spans},
    )


def lived(session: Session, meas: Meas, sat: Seated, failed: dict[int, datetime]) -> Parts:
    """What decides when each life ends; ``failed`` says since when those confirmed are failing.

    A failure found after the last opening is at the hours the MEA had by then, one found before
    the first closing at those it came with.
    """
    place = np.full(len(meas.ids), NEVER_FAILED, dtype=np.int64)
    failed_h = np.zeros(len(meas.ids))
    own = own_hours_at(session, list(failed)) if failed else {}
    for part_id, failed_at in failed.items():
        at = int(np.searchsorted(meas.ids, part_id))
        first, after = np.searchsorted(sat.part, [at, at + 1]).tolist()
        if first == after:
            continue
        builds = sat.build_ids[first:after].tolist()
        begun = [n for n, one in enumerate(builds) if sat.closed_at[one] <= failed_at]
        place[at] = max(begun, default=0)
        until = first + place[at] + 1 if begun else first
        by_then = meas.before_h[at] + sat.hours_h[first:until].sum()
        then = own[part_id].at(failed_at) if part_id in own else None
        failed_h[at] = by_then if then is None else min(then.hours, by_then)
    return Parts(meas.before_h, meas.fitted, meas.missing, place, failed_h)


def _table(rows: Sequence[Any], columns: int) -> Floats:
    values = np.fromiter(chain.from_iterable(rows), dtype=float, count=len(rows) * columns)
    return values.reshape(len(rows), columns)
