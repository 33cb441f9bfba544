"""Versions of the limits and figures of a design: the one in force, all of them, one of them."""

import json
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import lru_cache, partial
from typing import Any

from sqlalchemy import and_, exists, func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.limits.arithmetic.figures import DesignFigures, figures_from_data
from service.limits.tables import LimitSet
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import sha256_of
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import param, statement

MADE, APPROVED = aliased(Person), aliased(Person)


class Standing(StrEnum):
    """How a version of limits stands."""

    WAITING = "waiting"
    """written, and to be approved by somebody else"""
    IN_FORCE = "in force"
    REPLACED = "replaced"
    """a newer one was approved, or written before this one was"""


@dataclass(frozen=True, slots=True)
class LimitsInForce:
    """What the stacks of a design are computed with and judged by now."""

    id: int
    design_id: int
    design: str
    version: int
    source: str
    approved_by: str
    approved_at: datetime
    content_sha256: str
    figures: DesignFigures

    @property
    def name(self) -> str:
        """What people call it."""
        return limits_label(self.design, self.version)


@dataclass(frozen=True, slots=True)
class LimitsRow:
    """One version in the list. ``in_force`` is the number of the version in force, if any."""

    id: int
    version: int
    source: str
    reason: str
    made_by_id: int
    made_by: str
    made_at: datetime
    approved_by: str | None
    approved_at: datetime | None
    remarks: str | None
    newest: int
    in_force: int | None

    @property
    def standing(self) -> Standing:
        """Say whether it waits, is in force, or was replaced."""
        if self.version == self.in_force:
            return Standing.IN_FORCE
        if self.approved_at is None and self.version == self.newest:
            return Standing.WAITING
        return Standing.REPLACED


@dataclass(frozen=True, slots=True)
class LimitsOnPage:
    """One version with its figures and those of the version before; ``before`` None: the first.

    ``holds``: its content is what was hashed when it was written.
    """

    design_id: int
    design: str
    row: LimitsRow
    content_sha256: str
    holds: bool
    figures: DesignFigures
    before: DesignFigures | None

    @property
    def name(self) -> str:
        """What people call it."""
        return limits_label(self.design, self.row.version)


def limits_label(design: str, version: int) -> str:
    """Return what people and the trail call a version.

    >>> limits_label("Tarn 100 A", 2)
    'limits of Tarn 100 A, version 2'
    """
    return f"limits of {design}, version {version}"


IN_FORCE = (
    select(
        Design.name,
        Design.revision,
        LimitSet.content,
        *columns(LimitsInForce, LimitSet, approved_by=with_login(APPROVED)),
    )
    .join(Design, Design.id == LimitSet.design_id)
    .join(APPROVED, APPROVED.id == LimitSet.approved_by_id)
    .where(LimitSet.design_id == param("design_id"))
    .order_by(LimitSet.version.desc())
    .limit(1)
)


def limits_in_force(session: Session, design_id: int) -> LimitsInForce | None:
    """Return the limits that hold for a design: the highest approved version. One statement."""
    row: Any = session.execute(IN_FORCE, {"design_id": design_id}).first()
    if row is None:
        return None
    return read_as(
        LimitsInForce, row, design=f"{row.name} {row.revision}", figures=read_figures(row.content)
    )


@statement
def _of_design() -> Any:
    return (
        select(*_columns())
        .join(MADE, MADE.id == LimitSet.made_by_id)
        .outerjoin(APPROVED, APPROVED.id == LimitSet.approved_by_id)
        .where(LimitSet.design_id == param("design_id"))
        .order_by(LimitSet.version.desc())
    )


def limits_of_design(session: Session, design_id: int) -> tuple[LimitsRow, ...]:
    """Return all versions of the limits of a design, the newest first. One statement."""
    rows: Any = session.execute(_of_design(), {"design_id": design_id})
    return read_all(LimitsRow, rows)


@dataclass(frozen=True, slots=True)
class WaitingLimits:
    """The newest version of a design's limits, which nobody has approved yet."""

    id: int
    design: str
    version: int
    reason: str
    made_by_id: int
    made_by: str
    made_at: datetime


LONGEST_WAITING = Order((LimitSet.made_at, LimitSet.id))


def limits_wait() -> Any:
    """Restrict versions to those somebody can put in force: the newest of a design."""
    later = aliased(LimitSet)
    is_outlived = exists().where(
        later.design_id == LimitSet.design_id, later.version > LimitSet.version
    )
    return and_(LimitSet.approved_at.is_(None), ~is_outlived)


def waiting_limits(session: Session, turn: Turn = FIRST) -> Listing[WaitingLimits]:
    """Return limits that wait for an approval, the longest-waiting first. One statement."""
    waiting = (
        select(
            *columns(
                WaitingLimits,
                LimitSet,
                design=(Design.name + " " + Design.revision),
                made_by=with_login(MADE),
            )
        )
        .join(Design, Design.id == LimitSet.design_id)
        .join(MADE, MADE.id == LimitSet.made_by_id)
        .where(limits_wait())
    )
    return listing(session, waiting, LONGEST_WAITING, turn, partial(read_all, WaitingLimits))


def limits_version(session: Session, limit_set_id: int) -> LimitsOnPage:
    """Return one version, whole, with the one before it. One statement. Raises NotFound."""
    earlier = aliased(LimitSet)
    row: Any = session.execute(
        select(
            *_columns(),
            LimitSet.design_id,
            Design.name,
            Design.revision,
            LimitSet.content_sha256,
            LimitSet.content,
            earlier.content.label("before"),
        )
        .join(MADE, MADE.id == LimitSet.made_by_id)
        .join(Design, Design.id == LimitSet.design_id)
        .outerjoin(APPROVED, APPROVED.id == LimitSet.approved_by_id)
        .outerjoin(
            earlier,
            and_(earlier.design_id == LimitSet.design_id, earlier.version == LimitSet.version - 1),
        )
        .where(LimitSet.id == limit_set_id)
    ).first()
    if row is None:
        raise NotFound("version of limits", limit_set_id)
    return read_as(
        LimitsOnPage,
        row,
        design=f"{row.name} {row.revision}",
        row=read_as(LimitsRow, row),
        holds=sha256_of(row.content) == row.content_sha256,
        figures=read_figures(row.content),
        before=None if row.before is None else read_figures(row.before),
    )


def newest_figures(session: Session, design_id: int) -> tuple[int, DesignFigures] | None:
    """Return the number and figures of the newest version, approved or not. One statement."""
    row = session.execute(
        select(LimitSet.version, LimitSet.content)
        .where(LimitSet.design_id == design_id)
        .order_by(LimitSet.version.desc())
        .limit(1)
    ).first()
    return None if row is None else (row.version, read_figures(row.content))


@lru_cache(maxsize=64)
def read_figures(content: str) -> DesignFigures:
    """Return the figures of a version.

    Its content was written by this program and never changes.
    """
    return figures_from_data(json.loads(content))


def _columns() -> tuple[Any, ...]:
    every = aliased(LimitSet)
    of_design = every.design_id == LimitSet.design_id
    newest = select(func.max(every.version)).where(of_design).correlate(LimitSet)
    return columns(
        LimitsRow,
        LimitSet,
        made_by=with_login(MADE),
        approved_by=with_login(APPROVED),
        newest=newest.scalar_subquery(),
        in_force=newest.where(every.approved_at.is_not(None)).scalar_subquery(),
    )
