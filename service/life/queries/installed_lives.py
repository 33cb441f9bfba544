"""Where MEAs sat and for how long, as arrays in the order of part and closing.

Hours are own hours at load, in h: a bridged cell has fewer than its stack.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from service.life.arithmetic.life_pieces import NEVER_FAILED, Parts
from service.life.arithmetic.lifetimes import Bools, Floats
from service.life.queries.life_rows import bridged_builds, builds_they_sat_in, designs_of_stacks
from service.life.queries.own_hours import own_hours_at
from service.stacks.queries.build_spans import BuildSpan, build_spans
from service.stacks.queries.part_hours import cell_hours

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
    """Which builds did they sit in, and for how many hours?

    Six statements, sixteen where a cell was bridged. Stacks are asked for all together: a list of
    all builds would be longer than a statement may be.
    """
    rows = _table(builds_they_sat_in(session, type_ids), 3).astype(np.int64)
    designs = designs_of_stacks(session)
    spans = build_spans(session, designs).builds
    builds = np.array([at for at in np.unique(rows[:, 1]).tolist() if at in spans], dtype=np.int64)
    rows = rows[np.isin(rows[:, 1], builds)]
    own = [spans[build_id] for build_id in builds.tolist()]
    rank = np.empty(len(own), dtype=np.int64)
    in_order = sorted(range(len(own)), key=lambda at: (own[at].closed_at, own[at].build_id))
    rank[in_order] = np.arange(len(own))
    part = np.searchsorted(meas.ids, rows[:, 0])
    place = np.searchsorted(builds, rows[:, 1])
    order = np.lexsort((rank[place], part))
    part, place, cells = part[order], place[order], rows[order, 2]
    ran = np.array([span.ran.hours for span in own], dtype=float)[place]
    _less_bridged(session, ran, builds[place], cells, spans)
    return Seated(
        part,
        builds[place],
        np.array([designs[span.stack_id] for span in own], dtype=np.int64)[place],
        ran,
        np.array([span.ran.at_least for span in own], dtype=bool)[place],
        {span.build_id: span.closed_at for span in own},
    )


def _less_bridged(
    session: Session,
    ran: Floats,
    build_ids: Whole,
    cells: Whole,
    spans: dict[int, BuildSpan],
) -> None:
    """Take off what a build ran while the cell was bridged. In a blank cell no MEA sits."""
    bridged = bridged_builds(session) & set(build_ids.tolist())
    if not bridged:
        return
    stack_ids = {spans[build_id].stack_id for build_id in bridged}
    hours = cell_hours(session, stack_ids, bridged)
    for at in np.flatnonzero(np.isin(build_ids, list(bridged))).tolist():
        ran[at] = hours.of(int(build_ids[at]), int(cells[at]) or None).hours


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
