"""The layer map: as it is, as it was on a date, as it was thought to be on a date."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, insert, select, update
from sqlalchemy.orm import Session

from service.designs.arithmetic.pile import counts
from service.platform.arithmetic.vocabulary import Facing, Kind
from service.platform.errors import NotFound
from service.platform.tables import Base
from service.stacks.arithmetic.comparison import compare
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.layer_maps import layer_map
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from tests import builders
from tests.builders import FIRST_CLOSING

DAY = timedelta(days=1)


def test_the_map_of_a_new_stack_is_its_pile(engine: Engine) -> None:
    """Three cells cooled at both ends: 3 MEAs, 6 half plates, 4 coolant layers."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        builders.a_release(session, session.scalars(select(Build)).one())

        shown = layer_map(session, stack.id)

    held = counts(shown.layers)
    assert (held.cells, held.half_plates, held.coolant_layers) == (3, 6, 4)
    assert [layer.position for layer in shown.layers] == list(range(1, len(shown.layers) + 1))
    assert shown.cells == 3
    assert shown.build is not None
    assert shown.build.state == "released"
    assert shown.open_since is None
    assert len(shown.rods) == 4
    assert {fixing.kind for fixing in shown.fixings} >= {Kind.TIE_ROD, Kind.COMPRESSION_PLATE}


def test_a_stack_without_a_build_has_an_empty_map(engine: Engine) -> None:
    """Before the first closing there is nothing to show, and that is said."""
    with Session(engine) as session:
        stack = builders.a_stack(session)

        shown = layer_map(session, stack.id)

    assert (shown.build, shown.layers, shown.open_since) == (None, (), None)


def test_the_map_on_a_date_is_the_build_of_that_date(engine: Engine) -> None:
    """While it stood open that is said, with the build before."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        second = builders.a_build(session, stack)
        closed_again = FIRST_CLOSING + 30 * DAY
        opened = closed_again - builders.OPEN_FOR

        before = layer_map(session, stack.id, on=FIRST_CLOSING - DAY)
        first = layer_map(session, stack.id, on=FIRST_CLOSING + DAY)
        at_closing = layer_map(session, stack.id, on=FIRST_CLOSING)
        while_open = layer_map(session, stack.id, on=opened + timedelta(hours=1))
        after = layer_map(session, stack.id, on=closed_again)

        assert before.build is None
        assert first.build is not None
        assert first.build.number == at_closing.build.number == 1  # type: ignore[union-attr]
        assert first.open_since is None
        assert while_open.build is not None
        assert while_open.build.number == 1
        assert while_open.open_since == opened
        assert while_open.opened_by_record_id == second.record_id
        assert after.build is not None
        assert after.build.number == 2


def test_a_build_is_shown_by_its_number_or_not_at_all(engine: Engine) -> None:
    """A number nobody gave is refused by name."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        builders.a_build(session, stack)

        first = layer_map(session, stack.id, build_number=1)

        assert first.build is not None
        assert first.build.number == 1
        with pytest.raises(NotFound, match="build “7 of stack TARN-001”"):
            layer_map(session, stack.id, build_number=7)
        with pytest.raises(NotFound, match="stack “999”"):
            layer_map(session, 999)


def test_renewed_gaskets_are_the_only_change_of_a_plain_rebuild(engine: Engine) -> None:
    """Two builds side by side: gaskets out and in, nothing moved, nothing turned."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        builders.a_build(session, stack)

        change = compare(
            layer_map(session, stack.id, build_number=1).layers,
            layer_map(session, stack.id, build_number=2).layers,
        )

    assert {c.layer.kind for c in (*change.out, *change.came_in)} == {Kind.GASKET}
    assert len(change.out) == len(change.came_in) == 10
    assert not change.moved
    assert not change.turned


def test_a_correction_changes_the_past_and_keeps_what_was_thought(engine: Engine) -> None:
    """After a corrected serial the map tells the right part, and what was thought on that day."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        build = session.scalars(select(Build)).one()
        mea = builders.a_part(session, builders.the_part_types(session).mea, serial="M-RIGHT")
        misread = session.scalars(
            select(Layer).where(Layer.build_id == build.id, Layer.position == 6)
        ).one()
        corrected_at = FIRST_CLOSING + 10 * DAY
        wrong_part = misread.part_id
        session.execute(
            update(Layer)
            .where(Layer.id == misread.id)
            .values(known_until=corrected_at, present=False)
        )
        session.add(
            Layer(
                build_id=build.id,
                position=6,
                part_id=mea.id,
                facing=Facing.EITHER,
                cell=1,
                present=True,
                known_from=corrected_at,
            )
        )
        session.flush()
        day_after = FIRST_CLOSING + DAY

        now = layer_map(session, stack.id, on=day_after)
        then = layer_map(session, stack.id, on=day_after, known_at=corrected_at - DAY)
        at_the_moment = layer_map(session, stack.id, on=day_after, known_at=corrected_at)

    assert now.layers[5].part == at_the_moment.layers[5].part == mea.id
    assert now.layers[5].label == "M-RIGHT"
    assert then.layers[5].part == wrong_part
    assert len(now.layers) == len(then.layers)
    assert now.digest != then.digest


def test_before_anything_was_written_down_nothing_was_known(engine: Engine) -> None:
    """A build closed on a day counts from its hand-in on in what was known."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)

        shown = layer_map(session, stack.id, known_at=FIRST_CLOSING)

    assert shown.build is None


@pytest.mark.parametrize("cells", [2, 40])
def test_a_map_takes_as_many_statements_for_two_cells_as_for_forty(
    engine: Engine, statements, cells: int
) -> None:
    """Never a query in a loop."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=cells)
        with statements() as seen:
            shown = layer_map(session, stack.id)
            assert len(shown.layers) == 6 * cells + 5

    assert len(seen) == 8


def test_builds_are_told_in_the_order_of_their_closing(engine: Engine) -> None:
    """Each with when it was closed, opened, and by which record."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        builders.a_release(session, session.scalars(select(Build)).one())
        second = builders.a_build(session, stack, approved=False)

        builds = builds_of(session, stack.id)

        assert [build.number for build in builds] == [1, 2]
        assert builds[0].opened_by_record_id == second.record_id
        assert [build.is_present for build in builds] == [False, True]
        assert [build.state for build in builds] == ["released", "not released"]


# The map on a date, as known at a time, against a fold of a few lines

MOMENTS = [datetime(2026, 3, 1, tzinfo=UTC) + at * DAY for at in range(8)]


@st.composite
def histories(draw: st.DrawFn) -> list[tuple[int, int, int, int | None]]:
    """Facts (position, part, known from, known until) of one build: each place told anew."""
    facts = []
    for position in (1, 2, 3):
        told = sorted(draw(st.sets(st.integers(0, 7), min_size=1, max_size=4)))
        ends = [*told[1:], draw(st.sampled_from([None, 8]))]
        for start, end in zip(told, ends, strict=True):
            facts.append((position, draw(st.integers(0, 5)), start, end))
    return facts


@settings(max_examples=settings.default.max_examples // 4)
@given(
    facts=histories(),
    closed=st.integers(0, 7),
    on=st.integers(0, 7),
    known=st.integers(0, 7),
)
def test_the_map_equals_a_fold_over_the_facts(
    facts: list[tuple[int, int, int, int | None]], closed: int, on: int, known: int
) -> None:
    """SQL and a pure fold give the same pile on any date, as known at any time."""
    engine = _memory()
    with Session(engine) as session:
        stack_id, parts = _one_build(session, closed, facts)

        shown = layer_map(session, stack_id, on=MOMENTS[on], known_at=MOMENTS[known])

    expected = (
        {
            position: parts[part]
            for position, part, start, end in facts
            if start <= known and (end is None or known < end)
        }
        if closed <= on
        else {}
    )
    assert {layer.position: layer.part for layer in shown.layers} == expected


def _memory() -> Engine:
    from service.platform.database import make_engine

    engine = make_engine("sqlite://")
    Base.metadata.create_all(engine)
    return engine


def _one_build(
    session: Session, closed: int, facts: list[tuple[int, int, int, int | None]]
) -> tuple[int, list[int]]:
    stack: Stack = builders.a_stack(session)
    record = builders.a_record(session, stack)
    mea = builders.the_part_types(session).mea
    parts = [builders.a_part(session, mea).id for _ in range(6)]
    build = Build(stack_id=stack.id, number=1, record_id=record.id)
    session.add(build)
    session.flush()
    session.add(
        BuildPeriod(
            stack_id=stack.id,
            build_id=build.id,
            closed_at=MOMENTS[closed],
            known_from=MOMENTS[0],
        )
    )
    session.flush()
    session.execute(
        insert(Layer),
        [
            {
                "build_id": build.id,
                "position": position,
                "part_id": parts[part],
                "facing": Facing.EITHER,
                "cell": None,
                "present": False,
                "known_from": MOMENTS[start],
                "known_until": None if end is None else MOMENTS[0] + end * DAY,
            }
            for position, part, start, end in facts
        ],
    )
    return stack.id, parts
