"""The lives of MEAs by lot, part type, supplier or design: watched from when to when, what end.

A life ends when a person confirmed the MEA as failing, at the time that person named. Hours are
own hours at load, in h, as everywhere. MEAs never fitted have no life yet and are counted only.
All MEAs go through at once, as arrays: a hundred thousand of them in half a million places.
"""

from collections import Counter
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy.orm import Session

from service.life.arithmetic.grounds import MeaWord, words_apart
from service.life.arithmetic.life_pieces import NEVER_FAILED, WHY, Parts, Pieces, Sat, Why, pieces
from service.life.arithmetic.lifetimes import Bools, Floats, Lives
from service.life.queries.life_rows import (
    bridged_builds,
    builds_they_sat_in,
    designs_of_stacks,
    designs_with_stacks,
    labels_of,
    lots_of_types,
    mea_types,
    meas_of_types,
    met_unconfirmed,
    words_on,
)
from service.life.queries.own_hours import own_hours_at
from service.stacks.queries.build_spans import BuildSpan, build_spans
from service.stacks.queries.part_hours import cell_hours

# Where MEAs sat and for how long, as arrays in the order of part and closing.
#
# Hours are own hours at load, in h: a bridged cell has fewer than its stack.


Whole = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Meas:
    """MEAs by id: type, lot (0: none), hours they came with or not known, fitted, missing."""

    ids: Whole
    type_ids: Whole
    lot_ids: Whole
    before_h: Floats
    unknown_before: Bools
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
    """Return the rows of `meas_of_types` as arrays."""
    table = _table(rows, 7)
    ids, types, lots = table[:, :3].astype(np.int64).T
    unknown, fitted, missing = table[:, 4:].T > 0
    return Meas(ids, types, lots, table[:, 3], unknown, fitted, missing)


def seated(session: Session, type_ids: Collection[int], meas: Meas) -> Seated:
    """Return the builds they sat in, and for how many hours.

    Six statements, sixteen where a cell was bridged. Stacks are asked for all together: a list of
    all builds would be longer than a statement may be.
    """
    rows = _table(builds_they_sat_in(session, type_ids), 3).astype(np.int64)
    designs = designs_of_stacks(session)
    spans = build_spans(session, designs).builds
    builds = np.array(
        [build_index for build_index in np.unique(rows[:, 1]).tolist() if build_index in spans],
        dtype=np.int64,
    )
    rows = rows[np.isin(rows[:, 1], builds)]
    ordered_spans = [spans[build_id] for build_id in builds.tolist()]
    rank = np.empty(len(ordered_spans), dtype=np.int64)
    in_order = sorted(
        range(len(ordered_spans)),
        key=lambda build_index: (
            ordered_spans[build_index].closed_at,
            ordered_spans[build_index].build_id,
        ),
    )
    rank[in_order] = np.arange(len(ordered_spans))
    part = np.searchsorted(meas.ids, rows[:, 0])
    place = np.searchsorted(builds, rows[:, 1])
    order = np.lexsort((rank[place], part))
    part, place, cells = part[order], place[order], rows[order, 2]
    ran = np.array([span.ran.hours for span in ordered_spans], dtype=float)[place]
    _less_bridged(session, ran, builds[place], cells, spans)
    return Seated(
        part,
        builds[place],
        np.array([designs[span.stack_id] for span in ordered_spans], dtype=np.int64)[place],
        ran,
        np.array([span.ran.at_least for span in ordered_spans], dtype=bool)[place],
        {span.build_id: span.closed_at for span in ordered_spans},
    )


def _less_bridged(
    session: Session, ran: Floats, build_ids: Whole, cells: Whole, spans: dict[int, BuildSpan]
) -> None:
    """Take off what a build ran while the cell was bridged. In a blank cell no MEA sits."""
    bridged = bridged_builds(session) & set(build_ids.tolist())
    if not bridged:
        return
    stack_ids = {spans[build_id].stack_id for build_id in bridged}
    hours = cell_hours(session, stack_ids, bridged)
    for index in np.flatnonzero(np.isin(build_ids, list(bridged))).tolist():
        ran[index] = hours.of(int(build_ids[index]), int(cells[index]) or None).hours


def lived(session: Session, meas: Meas, sat: Seated, failed: dict[int, datetime]) -> Parts:
    """Return what decides when each life ends.

    ``failed`` says since when those confirmed are failing.

    A failure found after the last opening is at the hours the MEA had by then, one found before
    the first closing at those it came with.
    """
    place = np.full(len(meas.ids), NEVER_FAILED, dtype=np.int64)
    failed_h = np.zeros(len(meas.ids))
    own_hours = own_hours_at(session, list(failed)) if failed else {}
    for part_id, failed_at in failed.items():
        index = int(np.searchsorted(meas.ids, part_id))
        first, after = np.searchsorted(sat.part, [index, index + 1]).tolist()
        if first == after:
            continue
        builds = sat.build_ids[first:after].tolist()
        begun = [n for n, build in enumerate(builds) if sat.closed_at[build] <= failed_at]
        place[index] = max(begun, default=0)
        until = first + place[index] + 1 if begun else first
        by_then = meas.before_h[index] + sat.hours_h[first:until].sum()
        then = own_hours[part_id].at(failed_at) if part_id in own_hours else None
        failed_h[index] = by_then if then is None else min(then.hours, by_then)
    return Parts(meas.before_h, meas.unknown_before, meas.fitted, meas.missing, place, failed_h)


def _table(rows: Sequence[Any], columns: int) -> Floats:
    values = np.fromiter(chain.from_iterable(rows), dtype=float, count=len(rows) * columns)
    return values.reshape(len(rows), columns)


MOST_NAMED = 30
"""Of the MEAs left out, so many are named."""


class GroupBy(StrEnum):
    """By what lives are set side by side."""

    LOT = "lot"
    PART_TYPE = "part type"
    SUPPLIER = "supplier"
    DESIGN = "design"


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """One group: its name, the id of what it is (None: a supplier, or not named), its lives."""

    name: str
    id: int | None
    lives: Lives


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An MEA that cannot be counted, and why."""

    part_id: int
    label: str
    why: str
    has_failed: bool


@dataclass(frozen=True, slots=True, eq=False)
class LivesOfGroups:
    """All groups by name, and what is not in them.

    ``meas`` were fitted at least once; ``never_fitted`` were not. Of ``left_out`` lives the first
    are ``left_out_lives``; ``left_out_failed`` of them failed. ``met_unconfirmed`` meet their
    design's failing rule but nobody has confirmed it: they count as unfailed, and
    so do those that ``apart_words`` counts.
    """

    by: GroupBy
    groups: tuple[Group, ...]
    meas: int
    never_fitted: int
    left_out: int
    left_out_failed: int
    left_out_lives: tuple[LeftOut, ...]
    met_unconfirmed: int
    apart_words: str


def lives_of_groups(
    session: Session, by: GroupBy, type_ids: Collection[int], design_id: int | None = None
) -> LivesOfGroups:
    """Return how long the MEAs of these types lived, group by group.

    ``design_id`` narrows to what they lived in stacks of one design. The number of statements does
    not depend on how many MEAs and builds there are.
    """
    meas = as_meas(meas_of_types(session, type_ids))
    sat = seated(session, type_ids, meas)
    by_design = by is GroupBy.DESIGN or design_id is not None
    said = words_on(session, type_ids)
    failed = {part_id: since for part_id, (says, since) in said.items() if says is MeaWord.FAILED}
    life_pieces = pieces(
        lived(session, meas, sat, failed),
        Sat(
            sat.part,
            sat.design_ids if by_design else np.zeros(len(sat.part), dtype=np.int64),
            sat.hours_h,
            sat.unread,
        ),
    )
    piece_indices = np.arange(len(life_pieces.part))
    if design_id is not None:
        piece_indices = np.flatnonzero(life_pieces.group == design_id)
    keys, name_of = _keys(session, by, type_ids, meas, life_pieces)
    lost = piece_indices[life_pieces.why[piece_indices] != Why.KNOWN]
    left_out = [
        (
            int(meas.ids[life_pieces.part[index]]),
            WHY[Why(life_pieces.why[index])],
            bool(life_pieces.failed[index]),
        )
        for index in lost[:MOST_NAMED].tolist()
    ]
    labels = labels_of(session, [part_id for part_id, _, _ in left_out])
    return LivesOfGroups(
        by,
        tuple(
            sorted(
                (
                    Group(*name_of(key), life_pieces.of(chosen))
                    for key, chosen in _split(keys[piece_indices], piece_indices)
                ),
                key=lambda group: group.name.casefold(),
            )
        ),
        len(np.unique(life_pieces.part[piece_indices])),
        len(meas.ids) - len(np.unique(sat.part)),
        len(lost),
        int(life_pieces.failed[lost].sum()),
        tuple(LeftOut(row, labels[row], why, failed) for row, why, failed in left_out),
        met_unconfirmed(session, type_ids),
        words_apart(Counter(says for says, _since in said.values())),
    )


def _keys(
    session: Session, by: GroupBy, type_ids: Collection[int], meas: Meas, life_pieces: Pieces
) -> tuple[Whole, Callable[[int], tuple[str, int | None]]]:
    """A number for the group of each piece, and what name and id such a number stands for."""
    if by is GroupBy.DESIGN:
        designs = dict(designs_with_stacks(session))
        return life_pieces.group, lambda key: (designs[key], key)
    types, part = dict(mea_types(session)), life_pieces.part
    if by is GroupBy.PART_TYPE:
        return meas.type_ids[part], lambda key: (types[key], key)
    lots = lots_of_types(session, type_ids)
    if by is GroupBy.SUPPLIER:
        suppliers = sorted({lot.supplier for lot in lots.values() if lot.supplier})
        number = {0: 0} | {
            lot_id: suppliers.index(lot.supplier) + 1 if lot.supplier else 0
            for lot_id, lot in lots.items()
        }
        lot_ids = np.array(sorted(number), dtype=np.int64)
        of_lot = np.array([number[lot_id] for lot_id in lot_ids.tolist()], dtype=np.int64)
        keys = of_lot[np.searchsorted(lot_ids, meas.lot_ids[part])]
        return keys, lambda key: (suppliers[key - 1] if key else "no supplier named", None)
    several = len(np.unique(meas.type_ids)) > 1

    def of_lot_id(key: int) -> tuple[str, int | None]:
        if not key:
            return "no lot named", None
        lot = lots[key]
        return (f"{lot.label} of {types[lot.part_type_id]}" if several else lot.label), key

    return meas.lot_ids[part], of_lot_id


def _split(keys: Whole, places: Whole) -> list[tuple[int, Whole]]:
    """Each number with the places it stands at."""
    order = np.argsort(keys, kind="stable")
    firsts = np.flatnonzero(np.diff(keys[order], prepend=-1))
    return [
        (int(keys[order[first]]), np.sort(places[chosen]))
        for first, chosen in zip(firsts, np.split(order, firsts[1:]), strict=False)
    ]
