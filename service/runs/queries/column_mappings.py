"""Saved mappings of benches' logs: the newest version of each, and one by its name."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.tables import ColumnMapping


@dataclass(frozen=True, slots=True)
class KeptMapping:
    """One version of a mapping."""

    id: int
    name: str
    version: int
    content: str
    by: str
    made_at: datetime

    @property
    def mapping(self) -> Mapping:
        """What it says."""
        return mapping_from_json(self.content)


def kept_mappings(session: Session) -> tuple[KeptMapping, ...]:
    """The newest version of every mapping, by name. One statement."""
    newest = (
        select(ColumnMapping.name, func.max(ColumnMapping.version).label("version"))
        .group_by(ColumnMapping.name)
        .subquery()
    )
    rows = session.execute(
        _versions()
        .join(
            newest,
            (newest.c.name == ColumnMapping.name) & (newest.c.version == ColumnMapping.version),
        )
        .order_by(ColumnMapping.name)
    )
    return read_all(KeptMapping, rows)


def kept_mapping(session: Session, name: str, version: int | None = None) -> KeptMapping:
    """A mapping by its name, the newest version unless one is said. Raises NotFound."""
    statement = _versions().where(ColumnMapping.name == name)
    if version is not None:
        statement = statement.where(ColumnMapping.version == version)
    row = session.execute(statement.order_by(ColumnMapping.version.desc()).limit(1)).first()
    if row is None:
        raise NotFound("column mapping", name)
    return read_as(KeptMapping, row)


def versions_of(session: Session, name: str) -> tuple[KeptMapping, ...]:
    """Every version of a mapping, the newest first. Raises NotFound."""
    rows = session.execute(
        _versions().where(ColumnMapping.name == name).order_by(ColumnMapping.version.desc())
    ).all()
    if not rows:
        raise NotFound("column mapping", name)
    return read_all(KeptMapping, rows)


def _versions() -> Any:
    return select(*columns(KeptMapping, ColumnMapping, by=Person.name)).join(
        Person, Person.id == ColumnMapping.by_id
    )
