"""Where a stack comes from: the build it was split from, and the stacks split from its builds."""

from dataclasses import dataclass

from sqlalchemy import literal, select, union_all
from sqlalchemy.orm import Session, aliased

from service.platform.queries.answers import read_all
from service.stacks.tables import Build, Stack


@dataclass(frozen=True, slots=True)
class Split:
    """The stack at the other end of a split, and the build of the older one it was made from."""

    serial: str
    build_number: int
    is_origin: bool
    """this stack was split from it; else it was split from this one"""


def lineage(session: Session, stack_id: int) -> tuple[Split, ...]:
    """Return what a stack was split from, then what was split from it. One statement."""
    older, younger = aliased(Stack), aliased(Stack)
    split = (
        select(younger.id, Build.number)
        .join(Build, Build.id == younger.origin_build_id)
        .join(older, older.id == Build.stack_id)
    )
    rows = union_all(
        split.where(younger.id == stack_id).with_only_columns(
            younger.id,
            older.serial.label("serial"),
            Build.number.label("build_number"),
            literal(value=True).label("is_origin"),
        ),
        split.where(older.id == stack_id).with_only_columns(
            younger.id, younger.serial, Build.number, literal(value=False)
        ),
    ).subquery()
    columns = (rows.c.serial, rows.c.build_number, rows.c.is_origin)
    return read_all(
        Split, session.execute(select(*columns).order_by(rows.c.is_origin.desc(), rows.c.id))
    )
