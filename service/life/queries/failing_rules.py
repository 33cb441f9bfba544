"""Rules by which an MEA of a design counts as failing: all versions, and those in force."""

import json
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.life.arithmetic.failing_rules import FailingRule, rule_from_data
from service.life.tables import FailingRule as Row
from service.people.tables import Person
from service.platform.queries.answers import read_as
from service.platform.queries.statements import param, statement


@dataclass(frozen=True, slots=True)
class RuleVersion:
    """One version of the rule of a design."""

    id: int
    design_id: int
    design: str
    version: int
    rule: FailingRule
    source: str
    reason: str
    by: str
    made_at: datetime
    newest: int

    @property
    def name(self) -> str:
        """What people call it."""
        return rule_label(self.design, self.version)

    @property
    def is_in_force(self) -> bool:
        """The newest version is in force."""
        return self.version == self.newest


def rule_label(design: str, version: int) -> str:
    """Return what people and the trail call a version.

    >>> rule_label("Tarn 100 A", 2)
    'rule of failing of Tarn 100 A, version 2'
    """
    return f"rule of failing of {design}, version {version}"


@statement
def _of_design() -> Any:
    return _columns().where(Row.design_id == param("design_id")).order_by(Row.version.desc())


def rules_of_design(session: Session, design_id: int) -> tuple[RuleVersion, ...]:
    """Return all versions of the rule of a design, the newest first. One statement."""
    rows: Any = session.execute(_of_design(), {"design_id": design_id})
    return tuple(_version(row) for row in rows)


@statement
def _in_force() -> Any:
    later = aliased(Row)
    return _columns().where(
        Row.version
        == select(func.max(later.version))
        .where(later.design_id == Row.design_id)
        .correlate(Row)
        .scalar_subquery()
    )


def rules_in_force(session: Session) -> dict[int, RuleVersion]:
    """Return the rule in force of each design that has one, by design id. One statement."""
    rows: Any = session.execute(_in_force())
    return {row.design_id: _version(row) for row in rows}


@lru_cache(maxsize=64)
def read_rule(content: str) -> FailingRule:
    """Return the rule of a version: its content was written by this program and never changes."""
    return rule_from_data(json.loads(content))


def _columns() -> Any:
    every = aliased(Row)
    newest = (
        select(func.max(every.version))
        .where(every.design_id == Row.design_id)
        .correlate(Row)
        .scalar_subquery()
    )
    return (
        select(
            Row.id,
            Row.design_id,
            Design.name,
            Design.revision,
            Row.version,
            Row.content,
            Row.source,
            Row.reason,
            Person.name.label("by"),
            Row.made_at,
            newest.label("newest"),
        )
        .join(Design, Design.id == Row.design_id)
        .join(Person, Person.id == Row.by_id)
    )


def _version(row: Any) -> RuleVersion:
    return read_as(
        RuleVersion, row, design=f"{row.name} {row.revision}", rule=read_rule(row.content)
    )
