"""The audit trail: who, when, what, before and after; by person, date, kind and object."""

from datetime import timedelta
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform import permissions
from service.platform.audit import Event
from service.platform.database import changing
from service.platform.queries.audit_trail import Asked, entries_about, people_in_trail, trail
from service.platform.tables import AuditEntry
from service.stacks.changes.hours import read_hours
from service.stacks.changes.stacks import change_stack
from tests import builders
from tests.builders import START
from tests.turning import turned

pytestmark = pytest.mark.both_engines

DAY = timedelta(days=1)


def a_lab(engine: Engine) -> tuple[permissions.Person, permissions.Person, int, int]:
    """Two people, two stacks, six entries on five days."""
    with Session(engine) as session:
        people = [builders.a_person(session, Role.BUILDER, name=name) for name in ("Ann", "Bo")]
        stacks = [builders.a_stack(session).id for _ in range(2)]
        session.commit()
        ann, bo = (
            permissions.Person(p.id, p.login, p.name, frozenset({Role.BUILDER})) for p in people
        )
    for day, (by, stack_id) in enumerate(
        ((ann, stacks[0]), (bo, stacks[0]), (ann, stacks[1]), (bo, stacks[1]))
    ):
        at = START + (day + 1) * DAY
        with changing(engine, by, now=at) as work:
            read_hours(work, stack_id, hours=10 * (day + 1), taken_at=at)
    with changing(engine, ann, now=START + 5 * DAY) as work:
        change_stack(work, stacks[0], place="bench 9", notes="")
    return ann, bo, stacks[0], stacks[1]


def acts(session: Session, **asked: Any) -> list[tuple[str, str]]:
    """Name and act of the entries asked for, newest first."""
    return [(e.person_name, e.act) for e in trail(session, Asked(**asked)).rows]


def test_the_trail_answers_by_person_date_kind_and_object(engine: Engine) -> None:
    """Each alone and together."""
    ann, bo, one, two = a_lab(engine)

    with Session(engine) as session:
        assert acts(session)[0] == ("Ann", "stack:changed")
        assert len(acts(session)) == 5
        assert acts(session, person_id=bo.id) == [("Bo", "hours:read")] * 2
        assert acts(session, since=START + 4 * DAY, until=START + 5 * DAY) == [("Bo", "hours:read")]
        assert acts(session, act="hours") == acts(session, act="hours:read")
        assert len(acts(session, act="hours")) == 4
        assert acts(session, act="stack") == [("Ann", "stack:changed")]
        assert len(acts(session, subject=("stack", one))) == 3
        assert acts(session, subject=("stack", two), person_id=ann.id) == [("Ann", "hours:read")]
        assert acts(session, act="nothing") == []
        assert [name for _id, name in people_in_trail(session)][:2] == ["Ann", "Bo"]


def test_an_entry_tells_before_and_after(engine: Engine) -> None:
    """Field by field; what stayed as it was is left out."""
    _ann, _bo, one, _two = a_lab(engine)

    with Session(engine) as session:
        entry = entries_about(session, "stack", one)[-1]

    assert [(c.field, c.before, c.after) for c in entry.changes] == [
        ("place", "bench 1", "bench 9")
    ]
    assert (entry.subject_label, entry.via) == ("TARN-001", "page")


def test_pages_of_the_trail_join_without_gap_or_double(engine: Engine) -> None:
    """Two and two and one, there and back."""
    a_lab(engine)

    with Session(engine) as session:
        whole = trail(session, Asked()).rows
        there, back = turned(partial(trail, session, Asked()), 2)

    assert len(whole) == 5
    assert tuple(there) == tuple(back) == whole


def test_a_page_of_the_trail_is_one_statement(engine: Engine, statements: Any) -> None:
    """However many entries."""
    a_lab(engine)

    with Session(engine) as session, statements() as seen:
        trail(session, Asked())

    assert len(seen) == 1


@pytest.mark.parametrize(
    "sql", ["UPDATE audit_entry SET person_name = 'Nobody'", "DELETE FROM audit_entry"]
)
def test_the_database_refuses_to_change_the_trail(engine: Engine, sql: str) -> None:
    """Even to somebody with the database in their hands."""
    a_lab(engine)

    with Session(engine) as session:
        with pytest.raises(DBAPIError):
            session.execute(text(sql))
        session.rollback()
        assert session.scalar(select(func.count(AuditEntry.id))) == 5


def test_every_act_has_a_subject_and_a_verb() -> None:
    """The trail filters by what stands before the colon."""
    assert all(did.value.count(":") == 1 and all(did.value.split(":")) for did in Event)
