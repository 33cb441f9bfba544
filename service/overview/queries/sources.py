"""All that can need somebody in one statement: for a whole laboratory, or for some stacks."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import func, select, union_all
from sqlalchemy.orm import Session, aliased

from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.overview.queries.closed import of_closed_stacks
from service.overview.queries.instruments import of_instruments
from service.overview.queries.waiting import waiting
from service.stacks.tables.stacks import Stack


@dataclass(frozen=True, slots=True)
class Sources:
    """What the figures in force ask: which designs limit a leak, in how many s a clamp settles.

    What it asks for is asked with ``now``, ``since_day``, ``silent_since``; details with
    ``stack_ids``.
    """

    leak_designs: tuple[int, ...]
    settling_s: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, session: Session) -> "Sources":
        """As the figures in force say. One statement."""
        figures = _figures_in_force(session)
        leaks = tuple(it for it, of in figures.items() if of.leak and of.leak.limits)
        settle = tuple(
            (it, round(60 * of.clamp.settling_minutes))
            for it, of in figures.items()
            if of.clamp and of.clamp.settling_minutes > 0
        )
        return cls(leaks, settle)

    def ranking(self) -> Any:
        """Each stack and each kind of need it has, once."""
        return _ranking(self)

    def details(self) -> Any:
        """All there is to tell of the given stacks."""
        return _details(self)


# Figures in force change a few times a year: few statements are in use at a time.
@lru_cache(maxsize=8)
def _ranking(asked: Sources) -> Any:
    needs = union_all(*_needs(asked, whole=False)).subquery()
    return (
        select(Stack.serial_key, needs.c.stack_id, needs.c.kind)
        .join(needs, needs.c.stack_id == Stack.id)
        .distinct()
    )


@lru_cache(maxsize=8)
def _details(asked: Sources) -> Any:
    return select(union_all(*_needs(asked, whole=True)).subquery())


def _needs(asked: Sources, *, whole: bool) -> list[Any]:
    return [
        *of_closed_stacks(
            whole=whole, leak_designs=asked.leak_designs, settling_s=dict(asked.settling_s)
        ),
        *of_instruments(whole=whole),
        *waiting(whole=whole),
    ]


def _figures_in_force(session: Session) -> dict[int, DesignFigures]:
    """The figures each design's stacks are judged by. One statement."""
    later = aliased(LimitSet)
    newest = (
        select(func.max(later.version))
        .where(later.design_id == LimitSet.design_id, later.approved_at.is_not(None))
        .correlate(LimitSet)
        .scalar_subquery()
    )
    rows = session.execute(
        select(LimitSet.design_id, LimitSet.content)
        .where(LimitSet.version == newest)
        .order_by(LimitSet.design_id)
    )
    return {row.design_id: read_figures(row.content) for row in rows}
