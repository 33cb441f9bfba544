"""A verification is remembered until anything at all is committed, and not a moment longer."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.database import reading
from service.records.queries.content import verified
from service.stacks.tables import Build
from tests import builders
from tests.stacks.test_part_lives import a_finding, part_at

pytestmark = pytest.mark.both_engines


def a_rebuilt_stack(engine: Engine) -> tuple[int, int]:
    """Records of its two builds."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1)
        builders.a_build(session, stack)
        session.commit()
        first, second = session.scalars(select(Build.record_id).order_by(Build.id))
        return first, second


def holds(engine: Engine, *record_ids: int) -> dict[int, bool]:
    """Which records hold, each asked in a view of its own."""
    with reading(engine) as session:
        return {key: each.holds for key, each in verified(session, record_ids).items()}


def test_what_was_verified_is_not_gathered_again(
    engine: Engine, statements: Callable[[], Any]
) -> None:
    """The second time only the view's name is asked for."""
    first, second = a_rebuilt_stack(engine)
    assert holds(engine, first, second) == {first: True, second: True}

    with statements() as seen:
        assert holds(engine, first, second) == {first: True, second: True}

    assert len([statement for statement in seen if "pg_current" not in statement]) == 0


def test_a_change_underneath_is_seen_at_once_whoever_made_it(engine: Engine) -> None:
    """By the same connection, and by another process's."""
    first, second = a_rebuilt_stack(engine)
    assert holds(engine, first, second) == {first: True, second: True}
    with Session(engine) as session:
        build = session.scalars(select(Build).where(Build.record_id == second)).one()
        a_finding(session, second, part_at(session, build, 6), "pinhole")
        session.commit()
    assert holds(engine, first, second) == {first: True, second: False}

    elsewhere = builders_engine(engine)
    with Session(elsewhere) as session:
        record = session.get_one(builders.RebuildRecord, second)
        other = builders.a_stack(session, cells=1)
        session.commit()
        assert record.stack_id != other.id
    third = 3
    assert holds(engine, first, second, third) == {first: True, second: False, third: True}
    elsewhere.dispose()


def test_a_record_not_handed_in_has_nothing_to_verify(engine: Engine) -> None:
    """It is left out, and asked again once it is handed in."""
    with Session(engine) as session:
        record = builders.a_record(session, builders.a_stack(session))
        session.commit()
        record_id = record.id
    assert holds(engine, record_id) == {}
    with Session(engine) as session:
        builders.hand_in(
            session, session.get_one(builders.RebuildRecord, record_id), builders.FIRST_CLOSING
        )
        session.commit()

    assert record_id in holds(engine, record_id)


def builders_engine(engine: Engine) -> Engine:
    """A second engine on the same database, as another process has."""
    from service.platform.database import make_engine

    return make_engine(engine.url.render_as_string(hide_password=False))
