"""Facts are closed out and written anew where they differ, and left alone where they do not."""

from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Facing, Kind
from service.platform.audit import Event
from service.platform.database import Work, changing
from service.platform.errors import NotFound
from service.platform.permissions import Person
from service.stacks.changes.supersede import (
    FixingFact,
    layers_known_now,
    set_present,
    settle_fixings,
    settle_layers,
    settle_period,
)
from service.stacks.tables import BuildPeriod, Fixing, Layer
from tests import builders

pytestmark = pytest.mark.both_engines

SOMEBODY = Person(0, "test", "test")
NOW = builders.FIRST_CLOSING + timedelta(days=3)


@pytest.fixture
def build(engine: Engine) -> int:
    """The first build of a stack of one cell."""
    with Session(engine) as session:
        build_id = builders.a_build(session, builders.a_stack(session), cells=1).id
        session.commit()
    return build_id


def rows(engine: Engine, table: type[Layer] | type[Fixing] | type[BuildPeriod]) -> list[tuple]:
    with Session(engine) as session:
        return [
            (row.id, row.known_until) for row in session.scalars(select(table).order_by(table.id))
        ]


def fixings_known_now(work: Work, build_id: int) -> tuple[FixingFact, ...]:
    found = work.session.execute(
        select(Fixing.kind, Fixing.part_id, Fixing.rod_number, Fixing.end)
        .where(Fixing.build_id == build_id, Fixing.known_until.is_(None))
        .order_by(Fixing.id)
    )
    return tuple(FixingFact(*row) for row in found)


def noted(work: Work) -> None:
    work.note(Event.RECORD_ENTRY, ("record", 1, "record 1"))


def test_settling_what_is_known_already_writes_nothing(engine: Engine, build: int) -> None:
    before = [rows(engine, table) for table in (Layer, Fixing, BuildPeriod)]
    with changing(engine, SOMEBODY, now=NOW) as work:
        settle_layers(work, build, layers_known_now(work, build), present=True)
        settle_fixings(work, build, fixings_known_now(work, build), present=True)
        settle_period(work, build, builders.FIRST_CLOSING)
        noted(work)

    assert [rows(engine, table) for table in (Layer, Fixing, BuildPeriod)] == before


def test_only_the_layer_that_differs_is_written_anew(engine: Engine, build: int) -> None:
    with changing(engine, SOMEBODY, now=NOW) as work:
        known = layers_known_now(work, build)
        wanted = [replace(known[3], facing=Facing.FIXED_END) if i == 3 else fact
                  for i, fact in enumerate(known)]  # fmt: skip
        settle_layers(work, build, wanted, present=True)
        noted(work)

    with Session(engine) as session:
        new = session.scalars(select(Layer).where(Layer.known_from == NOW)).all()
        old = session.scalars(select(Layer).where(Layer.known_until == NOW)).all()
    assert [(row.position, row.facing, row.present) for row in new] == [(4, Facing.FIXED_END, True)]
    assert [(row.position, row.present) for row in old] == [(4, False)]


def test_two_layers_can_change_places_at_once(engine: Engine, build: int) -> None:
    with changing(engine, SOMEBODY, now=NOW) as work:
        known = list(layers_known_now(work, build))
        known[4], known[6] = (
            replace(known[4], part_id=known[6].part_id),
            replace(known[6], part_id=known[4].part_id),
        )
        settle_layers(work, build, known, present=True)
        assert list(layers_known_now(work, build)) == known
        noted(work)


def test_a_part_present_elsewhere_is_refused_by_the_database(engine: Engine, build: int) -> None:
    with Session(engine) as session:
        other = builders.a_build(session, builders.a_stack(session), cells=1).id
        session.commit()

    def take() -> None:
        with changing(engine, SOMEBODY, now=NOW) as work:
            taken = layers_known_now(work, build)[0]
            settle_layers(work, other, [replace(taken, position=1)], present=True)

    with pytest.raises(IntegrityError, match=r"layer\.part_id|uq_layer_part_id_present"):
        take()


def test_a_build_without_a_closing_was_never_there(engine: Engine, build: int) -> None:
    with changing(engine, SOMEBODY, now=NOW) as work:
        settle_layers(work, build, (), present=False)
        settle_fixings(work, build, (), present=False)
        settle_period(work, build, None)
        assert layers_known_now(work, build) == ()
        noted(work)

    assert all(until == NOW for _, until in rows(engine, Layer) + rows(engine, BuildPeriod))


def test_a_period_opened_is_known_so_from_then_on(engine: Engine, build: int) -> None:
    opened_at = builders.FIRST_CLOSING + timedelta(days=2)
    with changing(engine, SOMEBODY, now=NOW) as work:
        settle_period(work, build, builders.FIRST_CLOSING, opened_at, 1)
        set_present(work, build, present=False)
        noted(work)

    with Session(engine) as session:
        old, new = session.scalars(select(BuildPeriod).order_by(BuildPeriod.id)).all()
        assert not session.scalars(select(Layer.id).where(Layer.present)).all()
        assert not session.scalars(select(Fixing.id).where(Fixing.present)).all()
    assert (old.known_until, old.opened_at) == (NOW, None)
    assert (new.known_from, new.opened_at, new.opened_by_record_id) == (NOW, opened_at, 1)


def test_a_nut_exchanged_leaves_the_others_alone(engine: Engine, build: int) -> None:
    with Session(engine) as session:
        spare = builders.a_part(session, builders.the_part_types(session).nut).id
        session.commit()
    with changing(engine, SOMEBODY, now=NOW) as work:
        known = fixings_known_now(work, build)
        old = next(fact for fact in known if fact.kind is Kind.NUT and fact.rod_number == 2)
        wanted = [fact for fact in known if fact != old] + [
            FixingFact(Kind.NUT, spare, rod_number=2)
        ]
        settle_fixings(work, build, wanted, present=True)
        noted(work)

    changed = [until for _, until in rows(engine, Fixing) if until is not None]
    assert changed == [NOW]
    assert len(rows(engine, Fixing)) == len(known) + 1


def test_a_row_written_by_a_clock_ahead_is_closed_out_all_the_same(
    engine: Engine, build: int
) -> None:
    early = builders.FIRST_CLOSING
    with changing(engine, SOMEBODY, now=early) as work:
        settle_layers(work, build, (), present=False)
        noted(work)

    with Session(engine) as session:
        for row in session.scalars(select(Layer)):
            assert row.known_until == row.known_from > early


def test_there_is_no_such_build(engine: Engine) -> None:
    with pytest.raises(NotFound), changing(engine, SOMEBODY, now=NOW) as work:
        settle_period(work, 99, NOW)
