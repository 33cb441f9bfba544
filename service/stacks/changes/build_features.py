"""Keeping beside each build what comparisons need of it: derived, written anew with the build."""

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime
from itertools import islice
from typing import Any

from sqlalchemy import Engine, and_, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.life.arithmetic.build_features import pack, unpack
from service.life.queries.build_features import makeups_of
from service.life.queries.traces import traced_mea
from service.life.tables import BuildMakeup
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import Work, housekeeping, now_utc, reading
from service.platform.queries.statements import known
from service.stacks.tables import Build, BuildPeriod, Layer
from service.store.tables import Part, PartType

AT_ONCE = 40
"""Builds read together: some 30 000 layers of large stacks."""
MOST_AT_ONCE = 1000
"""Builds gathered while somebody waits for a page; ``layerbook migrate`` gathers all."""


def keep_makeups(work: Work, build_ids: Collection[int]) -> None:
    """Write anew what comparisons need of these builds, and of later builds of their MEAs.

    To be called wherever layers, periods, readings or torque of a build become known otherwise.
    """
    work.session.flush()
    write_makeups(work.session, _with_later(work.session, set(build_ids)), work.now)


def keep_makeups_of_stack(work: Work, stack_id: int) -> None:
    """Write the same of all builds of a stack: where a meter or a correction changes several."""
    work.session.flush()
    builds = select(Build.id).where(Build.stack_id == stack_id)
    keep_makeups(work, work.session.scalars(builds).all())


def keep_makeups_since(work: Work, stack_id: int, at: datetime) -> None:
    """Write the same of builds opened since a time of which hours became known.

    The hours of a closed build are not kept: its meter is asked.
    """
    opened = select(BuildPeriod.build_id).where(
        BuildPeriod.stack_id == stack_id, known(BuildPeriod), BuildPeriod.opened_at >= at
    )
    if build_ids := work.session.scalars(opened).all():
        keep_makeups(work, build_ids)


def write_makeups(session: Session, build_ids: Collection[int], now: datetime) -> None:
    """Write the makeups of these builds and no others; those of builds unknown now go."""
    for some in _batches(sorted(build_ids), AT_ONCE):
        rows = [
            {
                "build_id": features.build_id,
                "stack_id": features.stack_id,
                "design_id": features.design_id,
                "packed": pack(features.makeup),
                "written_at": now,
            }
            for features in makeups_of(session, some)
        ]
        gone = set(some) - {row["build_id"] for row in rows}
        if gone:
            session.execute(delete(BuildMakeup).where(BuildMakeup.build_id.in_(gone)))
        if rows:
            session.execute(_written_over(session), rows)


def _written_over(session: Session) -> Any:
    """An insert that takes the place of the row there is: two events may write one build anew."""
    is_postgres = session.get_bind().dialect.name == "postgresql"
    statement = postgresql.insert(BuildMakeup) if is_postgres else sqlite.insert(BuildMakeup)
    written = ("stack_id", "design_id", "packed", "written_at")
    return statement.on_conflict_do_update(
        index_elements=[BuildMakeup.build_id],
        set_={name: statement.excluded[name] for name in written},
    )


def gather_makeups(engine: Engine, part_id: int) -> None:
    """See that a comparison of this part has what it needs: an older version kept none of it.

    Many builds are gathered over several calls, `MOST_AT_ONCE` at each.
    """
    with reading(engine) as session:
        complete = traced_mea(session, part_id).gathered
    if not complete:
        with housekeeping(engine) as session:
            for _ in islice(fill_makeups(session, now_utc()), MOST_AT_ONCE // AT_ONCE):
                pass


def fill_makeups(session: Session, now: datetime) -> Iterator[int]:
    """Write the makeups of all builds that have none; tells how many, some at a time."""
    while True:
        missing = session.scalars(
            select(BuildPeriod.build_id)
            .outerjoin(BuildMakeup, BuildMakeup.build_id == BuildPeriod.build_id)
            .where(known(BuildPeriod), BuildMakeup.build_id.is_(None))
            .order_by(BuildPeriod.build_id)
            .limit(AT_ONCE)
        ).all()
        if not missing:
            return
        write_makeups(session, missing, now)
        yield len(missing)


def _with_later(session: Session, build_ids: set[int]) -> set[int]:
    """These builds, and all that hold MEAs which sit in them now or sat when last written."""
    written = session.scalars(
        select(BuildMakeup.packed).where(BuildMakeup.build_id.in_(build_ids))
    ).all()
    meas = set(unpack(written)[1].part.tolist()) if written else set()
    meas |= set(
        session.scalars(
            select(Layer.part_id)
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Layer.build_id.in_(build_ids), known(Layer), PartType.kind == Kind.MEA)
        )
    )
    first = session.scalar(
        select(func.min(BuildPeriod.closed_at)).where(
            BuildPeriod.build_id.in_(build_ids), known(BuildPeriod)
        )
    )
    together = set(build_ids)
    for some in _batches(sorted(meas), 500):
        later = (
            select(Layer.build_id)
            .distinct()
            .join(BuildPeriod, and_(BuildPeriod.build_id == Layer.build_id, known(BuildPeriod)))
            .where(Layer.part_id.in_(some), known(Layer))
        )
        if first is not None:
            later = later.where(BuildPeriod.closed_at >= first)
        together |= set(session.scalars(later))
    return together


def _batches(ids: Sequence[int], most: int) -> Iterator[Sequence[int]]:
    for start in range(0, len(ids), most):
        yield ids[start : start + most]
