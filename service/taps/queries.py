"""The tap maps of stacks: which channel reads which cell, from when, and what was thought before.

All answers are as known now, or as they were known at ``known_at``.
"""

import json
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import exists, func, or_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped_as, read_as
from service.platform.queries.statements import as_of_param, known, param_list, params, statement
from service.runs.tables import PolarisationCurve, Snapshot
from service.taps import arithmetic as trade
from service.taps.arithmetic import Tap, cells_read
from service.taps.tables import TapMap


@dataclass(frozen=True, slots=True)
class Taps:
    """The maps of some stacks, each in the order of its beginnings."""

    maps: dict[int, tuple[trade.TapMap, ...]] = field(default_factory=dict)

    def cell_of(
        self, stack_id: int, at: datetime, channels: Sequence[str]
    ) -> tuple[int | None, ...]:
        """Return the cell each channel of a log read at a time, by the map valid then.

        None where a channel read no cell. Before a stack's first map, or without any, each
        channel reads the cell of its number.
        """
        return cells_read(self.maps.get(stack_id, ()), at, tuple(channels))

    def map_at(self, stack_id: int, at: datetime) -> trade.TapMap | None:
        """Return the map valid at a time; None where none was given."""
        return trade.map_at(self.maps.get(stack_id, ()), at)


@dataclass(frozen=True, slots=True)
class WrittenMap:
    """One tap map as it was written; ``known_until`` None: it still holds."""

    id: int
    stack_id: int
    tap_map: trade.TapMap
    until: datetime | None
    """from when on the next map known now is valid; None: until further notice"""
    reason: str
    by: str
    known_from: datetime
    known_until: datetime | None

    @property
    def valid_from(self) -> datetime:
        """From when on it says so."""
        return self.tap_map.valid_from or self.known_from


@dataclass(frozen=True, slots=True)
class ReadThrough:
    """How many voltages are read through one map: those a correction reads anew."""

    snapshots: int
    curves: int


def read_through(session: Session, written: WrittenMap) -> ReadThrough:
    """Count snapshots and curves that fall into the time of a map. One statement."""

    def counted(table: Any, at: Any) -> Any:
        within = [table.stack_id == written.stack_id, known(table), at >= written.valid_from]
        if written.until is not None:
            within.append(at < written.until)
        return select(func.count(table.id)).where(*within).scalar_subquery()

    row = session.execute(
        select(
            counted(Snapshot, Snapshot.from_at),
            counted(PolarisationCurve, PolarisationCurve.taken_at),
        )
    ).one()
    return ReadThrough(row[0], row[1])


def is_read_since(session: Session, stack_id: int, since: datetime) -> bool:
    """Say whether voltages of a stack are known from a time on. One statement."""
    read = [
        exists().where(table.stack_id == stack_id, known(table), at >= since)
        for table, at in (
            (Snapshot, Snapshot.from_at),
            (PolarisationCurve, PolarisationCurve.taken_at),
        )
    ]
    return bool(session.scalar(select(or_(*read))))


@statement
def _maps(is_then: bool) -> Any:
    return (
        select(TapMap.stack_id, TapMap.valid_from, TapMap.channels)
        .where(TapMap.stack_id.in_(param_list("stack_ids")), known(TapMap, as_of_param(is_then)))
        .order_by(TapMap.stack_id, TapMap.valid_from, TapMap.id)
    )


def taps_of(session: Session, stack_ids: Collection[int], known_at: datetime | None = None) -> Taps:
    """Return the maps of these stacks. One statement."""
    rows: Any = session.execute(_maps(known_at is not None), params(known_at, stack_ids=stack_ids))
    maps = grouped_as(
        rows, "stack_id", lambda row: trade.TapMap(row.valid_from, read_channels(row.channels))
    )
    return Taps({stack_id: tuple(of_stack) for stack_id, of_stack in maps.items()})


def maps_of_stack(session: Session, stack_id: int) -> tuple[WrittenMap, ...]:
    """Return every map ever written for a stack, the newest beginning first, corrected ones too.

    One statement.
    """
    return _written(session, TapMap.stack_id == stack_id)


def written_map(session: Session, tap_map_id: int) -> WrittenMap:
    """Return one map. One statement. Raises NotFound."""
    of_its_stack = select(TapMap.stack_id).where(TapMap.id == tap_map_id).scalar_subquery()
    rows = _written(session, TapMap.stack_id == of_its_stack)
    tap_map = next((row for row in rows if row.id == tap_map_id), None)
    if tap_map is None:
        raise NotFound("tap map", tap_map_id)
    return tap_map


def _written(session: Session, which: Any) -> tuple[WrittenMap, ...]:
    rows: Sequence[Any] = session.execute(
        select(TapMap.valid_from, TapMap.channels, Person.name, *columns(WrittenMap, TapMap))
        .join(Person, Person.id == TapMap.by_id)
        .where(which)
        .order_by(TapMap.valid_from.desc(), TapMap.known_from.desc(), TapMap.id.desc())
    ).all()
    begins = sorted(row.valid_from for row in rows if row.known_until is None)
    return tuple(
        read_as(
            WrittenMap,
            row,
            tap_map=trade.TapMap(row.valid_from, read_channels(row.channels)),
            until=next((at for at in begins if at > row.valid_from), None),
            by=row.name,
        )
        for row in rows
    )


@lru_cache(maxsize=1024)
def read_channels(channels: str) -> tuple[Tap, ...]:
    """Return the taps of a map as it is kept: this program wrote it."""
    return tuple(Tap(channel, cell) for channel, cell in json.loads(channels))


def channels_as_kept(taps: Sequence[Tap]) -> str:
    """Return the taps of a map as text."""
    return json.dumps([[tap.channel, tap.cell] for tap in taps], separators=(",", ":"))
