"""The lives of MEAs by lot, part type, supplier or design: watched from when to when, what end.

A life ends when a person confirmed the MEA as failing, at the time that person named. Hours are
own hours at load, in h, as everywhere. MEAs never fitted have no life yet and are counted only.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from sqlalchemy.orm import Session

from service.records.queries.life_rows import (
    builds_they_sat_in,
    confirmed_failing,
    meas_of_types,
    met_unconfirmed,
    type_names,
)
from service.records.queries.own_hours import own_hours_at
from service.records.queries.part_hours import CellHours, cell_hours
from service.trade.labels import part_label
from service.trade.life_pieces import Failure, Piece, Sat, pieces
from service.trade.lifetimes import Life
from service.trade.running_hours import Hours
from service.trade.words import Whereabouts


class GroupBy(StrEnum):
    """By what lives are set side by side."""

    LOT = "lot"
    PART_TYPE = "part type"
    SUPPLIER = "supplier"
    DESIGN = "design"


@dataclass(frozen=True, slots=True)
class Group:
    """One group: its name, the id of what it is (None: a supplier, or not named), its lives."""

    name: str
    id: int | None
    lives: tuple[Life, ...]


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An MEA that cannot be counted, and why."""

    part_id: int
    label: str
    why: str
    has_failed: bool


@dataclass(frozen=True, slots=True)
class LivesOfGroups:
    """All groups by name, and what is not in them.

    ``meas`` were fitted at least once; ``never_fitted`` were not. ``met_unconfirmed`` meet their
    design's failing rule but nobody has confirmed it: they count as unfailed.
    """

    by: GroupBy
    groups: tuple[Group, ...]
    meas: int
    never_fitted: int
    left_out: tuple[LeftOut, ...]
    met_unconfirmed: int


def lives_of_groups(
    session: Session, by: GroupBy, type_ids: Collection[int], design_id: int | None = None
) -> LivesOfGroups:
    """How long did the MEAs of these types live, group by group?

    ``design_id`` narrows to what they lived in stacks of one design. The number of statements does
    not depend on how many MEAs and builds there are.
    """
    parts = meas_of_types(session, type_ids)
    sat = builds_they_sat_in(session, type_ids)
    hours = cell_hours(
        session,
        {row.stack_id for rows in sat.values() for row in rows},
        {row.build_id for rows in sat.values() for row in rows},
    )
    failed = confirmed_failing(session, type_ids)
    reading = _Reading(
        by, design_id, hours, failed, _own_at_failure(session, failed), type_names(parts)
    )
    groups: dict[tuple[str, int | None], list[Life]] = defaultdict(list)
    left_out: list[LeftOut] = []
    fitted = 0
    for part in parts:
        rows = sorted(
            (row for row in sat.get(part.id, ()) if row.build_id in hours.spans),
            key=lambda row: (hours.spans[row.build_id].closed_at, row.build_id),
        )
        counted = False
        for name, piece in reading.of(part, rows):
            counted = True
            groups[name].append(piece.life)
            if piece.why:
                label = part_label(part.serial, part.lot, part.item_number)
                left_out.append(LeftOut(part.id, label, piece.why, part.id in failed))
        fitted += counted
    return LivesOfGroups(
        by,
        tuple(
            Group(name, id_, tuple(lives)) for (name, id_), lives in sorted(
                groups.items(), key=lambda item: item[0][0].casefold()
            )
        ),
        fitted,
        sum(part.id not in sat for part in parts),
        tuple(left_out),
        met_unconfirmed(session, type_ids),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Reading:
    """Everything needed to tell the life of one part."""

    by: GroupBy
    design_id: int | None
    hours: CellHours
    failed: dict[int, datetime]
    own_at_failure: dict[int, Hours | None]
    type_names: dict[int, str]

    def of(
        self, part: Any, rows: Sequence[Any]
    ) -> Iterator[tuple[tuple[str, int | None], Piece]]:  # fmt: skip
        """The pieces of its life that are asked for, each with name and id of its group."""
        by_design = self.by is GroupBy.DESIGN or self.design_id is not None
        sat = [
            Sat(
                (f"{row.design} {row.revision}", row.design_id) if by_design else None,
                self.hours.of(row.build_id, row.cell),
            )
            for row in rows
        ]
        told = pieces(
            part.hours_before,
            sat,
            fitted=part.whereabouts is Whereabouts.FITTED,
            missing=part.whereabouts is Whereabouts.MISSING,
            failure=self._failure(part, rows, sat),
        )
        for piece in told:
            of_design = piece.group
            if isinstance(of_design, tuple):
                if self.design_id not in (None, of_design[1]):
                    continue
                if self.by is GroupBy.DESIGN:
                    yield of_design, piece
                    continue
            yield self._group(part), piece

    def _group(self, part: Any) -> tuple[str, int | None]:
        of_type = self.type_names[part.part_type_id]
        if self.by is GroupBy.PART_TYPE:
            return of_type, part.part_type_id
        if self.by is GroupBy.SUPPLIER:
            return part.supplier or "no supplier named", None
        if part.lot is None:
            return "no lot named", None
        return (f"{part.lot} of {of_type}" if len(self.type_names) > 1 else part.lot), part.lot_id

    def _failure(self, part: Any, rows: Sequence[Any], sat: Sequence[Sat]) -> Failure | None:
        failed_at = self.failed.get(part.id)
        if failed_at is None or not rows:
            return None
        closed = [self.hours.spans[row.build_id].closed_at for row in rows]
        place = max((at for at, time in enumerate(closed) if time <= failed_at), default=0)
        by_then = sum(one.hours.hours for one in sat[: place + 1]) + part.hours_before
        own = self.own_at_failure.get(part.id)
        return Failure(place, min(own.hours, by_then) if own is not None else by_then)


def _own_at_failure(session: Session, failed: dict[int, datetime]) -> dict[int, Hours | None]:
    if not failed:
        return {}
    own = own_hours_at(session, list(failed))
    return {part_id: own[part_id].at(at) for part_id, at in failed.items() if part_id in own}
