"""A generated history stands up to everything a real one is asked for."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.generate.generate import Size, generate
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Joint, Kind, Whereabouts
from service.platform.database import changing
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.records.queries.content import verify
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.tables import Part, PartType
from tests import builders

OWNER = Person(0, "", "command line", frozenset(Role))
NOW = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
SIZE = Size(stacks=3, cells=5, builds=4, seed=7)


def generated(engine: Engine, size: Size = SIZE) -> None:
    """Write one."""
    with changing(engine, OWNER, now=NOW, via="command") as work:
        generate(work, size)


def test_it_has_the_size_asked_for(engine: Engine) -> None:
    """Stacks, builds, layers: N cells have N MEAs, 2 N half plates and N + 1 coolant layers."""
    generated(engine)

    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(Stack)) == 3
        assert session.scalar(select(func.count()).select_from(Build)) == 12
        layers = (
            select(Layer.build_id, PartType.kind, PartType.joint, func.count())
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .group_by(Layer.build_id, PartType.kind, PartType.joint)
        )
        counts = {(row[0], row[1], row[2]): row[3] for row in session.execute(layers)}
        for build_id in session.scalars(select(Build.id)):
            assert counts[build_id, Kind.MEA, None] == 5
            assert counts[build_id, Kind.HALF_PLATE, None] == 10
            assert counts[build_id, Kind.GASKET, Joint.COOLANT] == 6


def test_every_record_is_approved_and_its_hash_holds(engine: Engine) -> None:
    """The content is what hand-in would have written."""
    generated(engine)

    with Session(engine) as session:
        ids = session.scalars(
            select(RebuildRecord.id).where(RebuildRecord.state == RecordState.APPROVED)
        ).all()
        found = verify(session, ids)

    assert len(found) == 12
    assert [one.why for one in found.values() if not one.holds] == []


@pytest.mark.both_engines
def test_fitted_parts_are_the_present_layers_and_fixings(engine: Engine) -> None:
    """Two ways to ask where a part is give one answer."""
    generated(engine)

    with Session(engine) as session:
        fitted = set(
            session.execute(
                select(Part.id, Part.stack_id).where(Part.whereabouts == Whereabouts.FITTED)
            )
        )
        present = {
            row
            for table in (Layer, Fixing)
            for row in session.execute(
                select(table.part_id, Build.stack_id)
                .join(Build, Build.id == table.build_id)
                .where(table.present)
            )
        }

    assert fitted == present


def test_the_steps_fold_to_the_layers(engine: Engine) -> None:
    """Base, less what was lifted off, and what was put on, is the next build."""
    generated(engine)

    with Session(engine) as session:
        for stack_id in session.scalars(select(Stack.id)):
            pile: list[int] = []
            builds = session.execute(
                select(Build.id, Build.record_id)
                .where(Build.stack_id == stack_id)
                .order_by(Build.number)
            ).all()
            for build_id, record_id in builds:
                for kind, part_id in session.execute(
                    select(Step.kind, Step.part_id)
                    .where(Step.record_id == record_id)
                    .order_by(Step.sequence)
                ):
                    if kind is StepKind.LIFTED_OFF:
                        assert pile.pop() == part_id
                    elif kind is StepKind.PUT_ON:
                        pile.append(part_id)
                known = select(Layer.part_id).where(Layer.build_id == build_id)
                assert session.scalars(known.order_by(Layer.position)).all() == pile


def test_builds_follow_each_other_in_time(engine: Engine) -> None:
    """Closed, opened, closed again; all before now."""
    generated(engine)

    with Session(engine) as session:
        for stack_id in session.scalars(select(Stack.id)):
            periods = session.execute(
                select(BuildPeriod.closed_at, BuildPeriod.opened_at)
                .where(BuildPeriod.stack_id == stack_id, BuildPeriod.known_until.is_(None))
                .order_by(BuildPeriod.closed_at)
            ).all()
            times = [at for period in periods for at in period]
            assert times[-1] is None
            assert times[:-1] == sorted(times[:-1])
            assert times[-2] < NOW


def test_the_same_seed_tells_the_same_history(engine: Engine, empty_url: str) -> None:
    """Down to the hash of each record; and it is refused where it was told before."""
    from service.operation.migrating import migrate
    from service.platform.database import make_engine

    migrate(empty_url)
    other = make_engine(empty_url)
    hashes = []
    for each in (engine, other):
        generated(each)
        with Session(each) as session:
            hashes.append(
                session.scalars(
                    select(RebuildRecord.content_sha256).order_by(RebuildRecord.id)
                ).all()
            )
    other.dispose()

    assert hashes[0] == hashes[1]
    with pytest.raises(Refused, match="there already"):
        generated(engine)


def test_it_stands_beside_what_is_there_and_counting_goes_on(engine: Engine) -> None:
    """Ids given in bulk do not get in the way of later ones."""
    with Session(engine) as session:
        builders.a_stack(session, cells=1)
        session.commit()

    generated(engine, Size(1, 2, 2, seed=1))
    generated(engine, Size(1, 2, 2, seed=2))

    with Session(engine) as session:
        builders.a_stack(session, cells=1)
        session.commit()
        assert session.scalar(select(func.count()).select_from(Stack)) == 4
        entries = session.scalars(select(AuditEntry.act)).all()
    assert entries == ["lab:generated", "lab:generated"]


@pytest.mark.parametrize(
    ("size", "field"),
    [(Size(0, 1, 1), "stacks"), (Size(1, -1, 1), "cells"), (Size(1, 1, 0), "builds")],
)
def test_sizes_that_cannot_be_meant_are_refused(engine: Engine, size: Size, field: str) -> None:
    """Named by field and value."""
    with pytest.raises(Refused, match=field):
        generated(engine, size)


def test_it_needs_leave(engine: Engine) -> None:
    """Somebody with no role writes nothing."""
    with (
        pytest.raises(NotAllowed),
        changing(engine, Person(5, "eve", "Eve", frozenset()), now=NOW) as work,
    ):
        generate(work, SIZE)
