"""Physical facts: which parts sat in a build, and from when to when it was true.

A fact which differs is closed out (``known_until``) and written anew; what stays the same is left
alone, so that settling twice changes nothing. Callers take the rows of an older build out of the
present before they settle a newer one: the database lets a part be present in one build only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, case, insert, select, update

from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.database import Row, Work
from service.platform.errors import NotFound, Refused
from service.platform.queries.answers import columns, read_all, read_as
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack

AT_ONCE = 500
"""Rows closed out by one statement: every engine takes that many bound values."""


@dataclass(frozen=True, slots=True)
class LayerFact:
    """One part at one position of a build, position 1 at the fixed end."""

    position: int
    part_id: int
    facing: Facing
    cell: int | None


@dataclass(frozen=True, slots=True)
class FixingFact:
    """One fixing of a build, at a rod or, for a compression plate, at an end."""

    kind: Kind
    part_id: int
    rod_number: int | None = None
    end: End | None = None


def layers_known_now(work: Work, build_id: int) -> tuple[LayerFact, ...]:
    """Return the layers of a build, as known now, in the order of the pile."""
    rows = work.session.execute(
        select(*columns(LayerFact, Layer))
        .where(Layer.build_id == build_id, Layer.known_until.is_(None))
        .order_by(Layer.position)
    )
    return read_all(LayerFact, rows)


def fixings_known_now(work: Work, build_id: int) -> tuple[FixingFact, ...]:
    """Return the fixings of a build, as known now."""
    rows = work.session.execute(
        select(*columns(FixingFact, Fixing)).where(
            Fixing.build_id == build_id, Fixing.known_until.is_(None)
        )
    )
    return read_all(FixingFact, rows)


def settle_layers(
    work: Work,
    build_id: int,
    facts: Sequence[LayerFact],
    *,
    present: bool,
    correction_id: int | None = None,
) -> None:
    """Make these the layers of a build as known from now on; nothing wanted closes all out."""
    _settle(work, Layer, LayerFact, build_id, facts, present=present, correction_id=correction_id)


def settle_fixings(
    work: Work,
    build_id: int,
    facts: Sequence[FixingFact],
    *,
    present: bool,
    correction_id: int | None = None,
) -> None:
    """Make these the fixings of a build as known from now on; nothing wanted closes all out."""
    _settle(work, Fixing, FixingFact, build_id, facts, present=present, correction_id=correction_id)


def set_present(work: Work, build_id: int, *, present: bool) -> None:
    """Say whether what a build is known to hold now is what its stack presently holds."""
    for table in (Layer, Fixing):
        work.session.execute(
            update(table)
            .where(
                table.build_id == build_id,
                table.known_until.is_(None),
                table.present.is_not(present),
            )
            .values(present=present)
        )


def settle_period(
    work: Work,
    build_id: int,
    closed_at: datetime | None,
    opened_at: datetime | None = None,
    opened_by_record_id: int | None = None,
    *,
    correction_id: int | None = None,
) -> None:
    """Say from when to when a build was true, as known from now on.

    Without ``closed_at`` the build was never closed: what was known of it is closed out.
    Raises NotFound for a build that is not there.
    """
    session = work.session
    stack_id = session.scalar(select(Build.stack_id).where(Build.id == build_id))
    if stack_id is None:
        raise NotFound("build", build_id)
    period = session.execute(
        select(
            BuildPeriod.id,
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
            BuildPeriod.opened_by_record_id,
        ).where(BuildPeriod.build_id == build_id, BuildPeriod.known_until.is_(None))
    ).first()
    if period is not None:
        if (period.closed_at, period.opened_at, period.opened_by_record_id) == (
            closed_at,
            opened_at,
            opened_by_record_id,
        ):
            return
        session.execute(
            update(BuildPeriod)
            .where(BuildPeriod.id == period.id)
            .values(known_until=now_or_later(work, BuildPeriod))
        )
    if closed_at is not None:
        session.execute(
            insert(BuildPeriod).values(
                stack_id=stack_id,
                build_id=build_id,
                closed_at=closed_at,
                opened_at=opened_at,
                opened_by_record_id=opened_by_record_id,
                known_from=work.now,
                correction_id=correction_id,
            )
        )


def now_or_later(work: Work, table: Any) -> ColumnElement[datetime]:
    """Return now.

    For a row written by a machine whose clock is ahead, the time it is known from.
    """
    return case((table.known_from > work.now, table.known_from), else_=work.now)


def close_out(work: Work, row: Any) -> None:
    """Let a row be known no longer; what is known instead is written anew."""
    table = type(row)
    work.session.execute(
        update(table).where(table.id == row.id).values(known_until=now_or_later(work, table))
    )


def locked_known(
    work: Work, table: type[Row], row_id: int, noun: str, *, field: str, right: str
) -> tuple[Row, Stack]:
    """Return the row as known now and its stack, which is locked.

    Changes come one after another.

    Raises NotFound, and Refused where the row was corrected or taken back before.
    """
    row: Any = work.row(table, row_id, noun)
    stack = work.locked(Stack, row.stack_id, "stack")
    work.session.refresh(row)
    if row.known_until is not None:
        raise Refused(field, "", "it was corrected or taken back before.", right)
    return row, stack


def _settle(
    work: Work,
    table: type[Layer] | type[Fixing],
    fact_type: type[LayerFact] | type[FixingFact],
    build_id: int,
    facts: Sequence[Any],
    *,
    present: bool,
    correction_id: int | None,
) -> None:
    rows = work.session.execute(
        select(table.id, table.present, *columns(fact_type, table)).where(
            table.build_id == build_id, table.known_until.is_(None)
        )
    ).all()
    known_rows = {read_as(fact_type, row): (row.id, row.present) for row in rows}
    staying = known_rows.keys() & set(facts)
    _set(
        work,
        table,
        [row_id for fact, (row_id, _present) in known_rows.items() if fact not in staying],
        {"known_until": now_or_later(work, table), "present": False},
    )
    _set(
        work,
        table,
        [known_rows[fact][0] for fact in staying if known_rows[fact][1] is not present],
        {"present": present},
    )
    new = [
        {name: getattr(fact, name) for name in type(fact).__slots__}
        | {
            "build_id": build_id,
            "present": present,
            "known_from": work.now,
            "correction_id": correction_id,
        }
        for fact in facts
        if fact not in staying
    ]
    if new:
        work.session.execute(insert(table), new)


def _set(
    work: Work, table: type[Layer] | type[Fixing], ids: Sequence[int], values: dict[str, object]
) -> None:
    for start in range(0, len(ids), AT_ONCE):
        work.session.execute(
            update(table).where(table.id.in_(ids[start : start + AT_ONCE])).values(**values)
        )
