"""The lives of MEAs by lot, part type, supplier or design: watched from when to when, what end.

A life ends when a person confirmed the MEA as failing, at the time that person named. Hours are
own hours at load, in h, as everywhere. MEAs never fitted have no life yet and are counted only.
All MEAs go through at once, as arrays: a hundred thousand of them in half a million places.
"""

from collections.abc import Callable, Collection
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from sqlalchemy.orm import Session

from service.life.arithmetic.life_pieces import WHY, Pieces, Sat, Why, pieces
from service.life.arithmetic.lifetimes import Lives
from service.life.queries.installed_lives import Meas, Whole, as_meas, lived, seated
from service.life.queries.life_rows import (
    confirmed_failing,
    designs_with_stacks,
    labels_of,
    lots_of_types,
    mea_types,
    meas_of_types,
    met_unconfirmed,
)

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
    are ``named``; ``left_out_failed`` of them failed. ``met_unconfirmed`` meet their design's
    failing rule but nobody has confirmed it: they count as unfailed.
    """

    by: GroupBy
    groups: tuple[Group, ...]
    meas: int
    never_fitted: int
    left_out: int
    left_out_failed: int
    named: tuple[LeftOut, ...]
    met_unconfirmed: int


def lives_of_groups(
    session: Session, by: GroupBy, type_ids: Collection[int], design_id: int | None = None
) -> LivesOfGroups:
    """How long did the MEAs of these types live, group by group?

    ``design_id`` narrows to what they lived in stacks of one design. The number of statements does
    not depend on how many MEAs and builds there are.
    """
    meas = as_meas(meas_of_types(session, type_ids))
    sat = seated(session, type_ids, meas)
    by_design = by is GroupBy.DESIGN or design_id is not None
    found = pieces(
        lived(session, meas, sat, confirmed_failing(session, type_ids)),
        Sat(
            sat.part,
            sat.design_ids if by_design else np.zeros(len(sat.part), dtype=np.int64),
            sat.hours_h,
            sat.unread,
        ),
    )
    asked = np.arange(len(found.part))
    if design_id is not None:
        asked = np.flatnonzero(found.group == design_id)
    keys, named = _keys(session, by, type_ids, meas, found)
    lost = asked[found.why[asked] != Why.KNOWN]
    left_out = [
        (int(meas.ids[found.part[at]]), WHY[Why(found.why[at])], bool(found.failed[at]))
        for at in lost[:MOST_NAMED].tolist()
    ]
    labels = labels_of(session, [part_id for part_id, _, _ in left_out])
    return LivesOfGroups(
        by,
        tuple(
            sorted(
                (
                    Group(*named(key), found.of(chosen))
                    for key, chosen in _split(keys[asked], asked)
                ),
                key=lambda group: group.name.casefold(),
            )
        ),
        len(np.unique(found.part[asked])),
        len(meas.ids) - len(np.unique(sat.part)),
        len(lost),
        int(found.failed[lost].sum()),
        tuple(LeftOut(one, labels[one], why, failed) for one, why, failed in left_out),
        met_unconfirmed(session, type_ids),
    )


def _keys(
    session: Session,
    by: GroupBy,
    type_ids: Collection[int],
    meas: Meas,
    found: Pieces,
) -> tuple[Whole, Callable[[int], tuple[str, int | None]]]:
    """A number for the group of each piece, and what name and id such a number stands for."""
    if by is GroupBy.DESIGN:
        designs = dict(designs_with_stacks(session))
        return found.group, lambda key: (designs[key], key)
    types, part = dict(mea_types(session)), found.part
    if by is GroupBy.PART_TYPE:
        return meas.type_ids[part], lambda key: (types[key], key)
    lots = lots_of_types(session, type_ids)
    if by is GroupBy.SUPPLIER:
        suppliers = sorted({lot.supplier for lot in lots.values() if lot.supplier})
        number = {0: 0} | {
            lot_id: suppliers.index(lot.supplier) + 1 if lot.supplier else 0
            for lot_id, lot in lots.items()
        }
        known = np.array(sorted(number), dtype=np.int64)
        of_lot = np.array([number[lot_id] for lot_id in known.tolist()], dtype=np.int64)
        keys = of_lot[np.searchsorted(known, meas.lot_ids[part])]
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
