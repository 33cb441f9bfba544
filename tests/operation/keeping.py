"""People and the small changes the tests of what is kept beside the records make."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import Work, changing
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from tests import builders

NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)


@dataclass
class Lab:
    """A lab in a database, with somebody of each role."""

    engine: Engine
    builder: Person
    quality: Person
    supervisor: Person
    admin: Person

    @contextmanager
    def work(self, by: Person | None = None) -> Iterator[Work]:
        with changing(self.engine, by or self.quality, now=NOW) as work:
            yield work

    def rows(self, make: Any) -> Any:
        """Write rows by builders; what they return is detached, with its columns loaded."""
        with Session(self.engine, expire_on_commit=False) as session:
            made = make(session)
            session.commit()
            return made

    def get(self, table: Any, key: int) -> Any:
        with Session(self.engine) as session:
            return session.get_one(table, key)

    def last_entry(self) -> AuditEntry:
        with Session(self.engine) as session:
            entry = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
            assert entry is not None
            return entry


def a_lab(engine: Engine) -> Lab:
    """Make one."""
    with Session(engine) as session:
        people = []
        for role in (Role.BUILDER, Role.QUALITY, Role.SUPERVISOR, Role.ADMIN):
            person = builders.a_person(session, role, name=f"{role} person")
            people.append(Person(person.id, person.login, person.name, frozenset({role})))
        builders.the_part_types(session)
        session.commit()
    return Lab(engine, *people)
