"""Tap maps written, corrected and taken back; what was thought before stays known."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.proposals import approve_proposal
from service.people.tables import Role
from service.platform import permissions
from service.platform.database import changing
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.tables import AuditEntry
from service.stacks.tables import Build
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind, ProposedChange
from service.taps.changes import correct_tap_map, withdraw_tap_map, write_tap_map
from service.taps.queries import maps_of_stack, taps_of, written_map
from service.taps.tables import TapMap
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.proposing import put_in_force
from tests.stacks.test_hours import a_worker
from tests.taps.tapping import a_snapshot, voltages_of_build

DAY = timedelta(days=1)
RUN_AT = FIRST_CLOSING + 10 * DAY
LATER = FIRST_CLOSING + 100 * DAY
U = ("U1 (V)", "U2 (V)", "U3 (V)")


@pytest.fixture
def built(engine: Engine) -> tuple[int, int]:
    """A stack of three cells with voltages of one day: cell 2 by its number is low."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=3)
        build = session.scalars(select(Build)).one()
        a_snapshot(session, build, RUN_AT, [0.61, 0.40, 0.63])
        session.commit()
        return stack.id, build.id


def wrote(
    engine: Engine,
    by: permissions.Person,
    stack_id: int,
    cell_of: dict[int, int | None],
    **more: Any,
) -> int:
    """Write a map, approved by somebody else where that is asked for."""
    given: dict[str, Any] = {"valid_from": FIRST_CLOSING, "reason": "leads laid"} | more
    with changing(engine, by, now=LATER) as work:
        number = write_tap_map(work, stack_id, cell_of=cell_of, **given)
    return approved(engine, number, LATER)


def approved(engine: Engine, number: int, now: Any) -> int:
    """The number of the map once a proposal of this number is in force; of the map it is, else."""
    with Session(engine) as session:
        waits = {each.id for each in proposals_waiting(session, ChangeKind.TAP_MAP)}
    if number not in waits:
        return number
    put_in_force(engine, number, now)
    with Session(engine) as session:
        return session.scalars(select(func.max(TapMap.id))).one()


def low_cell(session: Session, build_id: int, known_at: Any = None) -> tuple[int, int | None]:
    """The cell of the low voltage, and the MEA in it."""
    (snapshot,) = voltages_of_build(session, [build_id], known_at)[build_id]
    cell, one = min(snapshot.by_cell.items(), key=lambda item: item[1].mean_v or 9.0)
    return cell, one.part_id


@pytest.mark.both_engines
def test_a_corrected_map_blames_another_mea_and_the_old_thought_stays(
    engine: Engine, built: tuple[int, int]
) -> None:
    """By the wrong map the MEA of cell 3 was low, by the right one that of cell 1."""
    by = a_worker(engine)
    stack_id, build_id = built
    wrong = wrote(engine, by, stack_id, {1: 1, 2: 3, 3: 2})
    with changing(engine, by, now=LATER + DAY) as work:
        right = correct_tap_map(
            work,
            wrong,
            valid_from=FIRST_CLOSING,
            cell_of={1: 2, 2: 1, 3: 3},
            reason="lead 2 was traced to cell 1",
        )
    right = approved(engine, right, LATER + DAY)

    with Session(engine) as session:
        now, thought, before = (
            low_cell(session, build_id, known_at)
            for known_at in (None, LATER + timedelta(hours=1), LATER - DAY)
        )
        rows = maps_of_stack(session, stack_id)
        of_maps = AuditEntry.act.like("tap map:%")
        entries = session.scalars(select(AuditEntry).where(of_maps).order_by(AuditEntry.id)).all()
        assert [entry.act for entry in entries] == ["tap map:written", "tap map:corrected"]
        assert entries[1].reason == "lead 2 was traced to cell 1"
        assert json.loads(entries[1].changes) == [
            ["channel 1 reads", "cell 1", "cell 2"],
            ["channel 2 reads", "cell 3", "cell 1"],
            ["channel 3 reads", "cell 2", "cell 3"],
        ]
    assert [cell for cell, _ in (now, thought, before)] == [1, 3, 2]
    assert len({part_id for _, part_id in (now, thought, before)}) == 3
    assert [(row.id, row.known_until) for row in rows] == [(right, None), (wrong, LATER + DAY)]


@pytest.mark.both_engines
@pytest.mark.parametrize("late", [False, True])
def test_case_18_a_stack_turned_round_is_read_by_the_map_of_its_time_once_approved(
    engine: Engine, built: tuple[int, int], late: bool
) -> None:
    """Noticed after voltages were read it waits for another; before, it counts at once."""
    by = a_worker(engine)
    stack_id, build_id = built
    turned = {1: 3, 2: 2, 3: 1} if not late else {1: 3, 2: 1, 3: 2}
    begins = FIRST_CLOSING if late else RUN_AT + DAY
    with changing(engine, by, now=LATER) as work:
        number = write_tap_map(
            work, stack_id, valid_from=begins, cell_of=turned, reason="turned round on the bench"
        )

    with Session(engine) as session:
        waits = [each.id for each in proposals_waiting(session, ChangeKind.TAP_MAP, stack_id)]
        maps = maps_of_stack(session, stack_id)
        assert low_cell(session, build_id)[0] == 2
    assert (waits, len(maps)) == (([number], 0) if late else ([], 1))
    if late:
        content = engine_content(engine, number)
        with pytest.raises(NotAllowed), changing(engine, by, now=LATER) as work:
            approve_proposal(work, number, content_sha256=content, password=builders.PASSWORD)
        approved(engine, number, LATER + DAY)
        with Session(engine) as session:
            assert low_cell(session, build_id)[0] == 1
            assert low_cell(session, build_id, LATER)[0] == 2
            (written,) = maps_of_stack(session, stack_id)
            assert session.get_one(TapMap, written.id).by_id == by.id


def engine_content(engine: Engine, number: int) -> str:
    with Session(engine) as session:
        return session.get_one(ProposedChange, number).content_sha256


def test_a_map_taken_back_leaves_the_one_before_it(engine: Engine, built: tuple[int, int]) -> None:
    by = a_worker(engine)
    stack_id, _ = built
    wrote(engine, by, stack_id, {1: 2, 2: 1, 3: 3})
    second = wrote(engine, by, stack_id, {1: 1, 2: 2, 3: None}, valid_from=RUN_AT - DAY)
    with changing(engine, by, now=LATER + DAY) as work:
        number = withdraw_tap_map(work, second, reason="written for another stack")
    approved(engine, number, LATER + DAY)

    with Session(engine) as session:
        assert taps_of(session, [stack_id]).cell_of(stack_id, RUN_AT, U) == (2, 1, 3)
        thought = taps_of(session, [stack_id], LATER + timedelta(hours=1))
        assert thought.cell_of(stack_id, RUN_AT, U) == (1, 2, None)


def test_each_map_holds_until_the_next_one_begins(engine: Engine, built: tuple[int, int]) -> None:
    by = a_worker(engine)
    stack_id, _ = built
    first = wrote(engine, by, stack_id, {1: 1})
    wrote(engine, by, stack_id, {1: 2}, valid_from=RUN_AT)

    with Session(engine) as session:
        assert written_map(session, first).until == RUN_AT
        assert [row.until for row in maps_of_stack(session, stack_id)] == [None, RUN_AT]
        with pytest.raises(NotFound):
            written_map(session, 99)


@pytest.mark.parametrize(
    ("cells", "more", "says"),
    [
        ({1: 4}, {}, "Channel 1 reads cell 4, but the stack has 3 cells"),
        ({1: 0}, {}, "the cell is 0"),
        ({}, {}, "no channel"),
        ({1: 1}, {"valid_from": LATER + DAY}, "lies ahead"),
        ({1: 1}, {"reason": " "}, "reason"),
        ({1: 2}, {"valid_from": RUN_AT}, "begins at this very time"),
    ],
)
def test_a_map_that_cannot_be_is_refused_in_words(
    engine: Engine, built: tuple[int, int], cells: dict[int, int | None], more: Any, says: str
) -> None:
    by = a_worker(engine)
    wrote(engine, by, built[0], {1: 1}, valid_from=RUN_AT)

    with pytest.raises(Refused, match=says):
        wrote(engine, by, built[0], cells, **more)


def test_a_correction_has_to_differ_and_to_be_of_the_map_known_now(
    engine: Engine, built: tuple[int, int]
) -> None:
    by = a_worker(engine)
    first = wrote(engine, by, built[0], {1: 1, 2: 2, 3: 3})

    def correct(tap_map_id: int, cell_of: dict[int, int | None]) -> int:
        with changing(engine, by, now=LATER + DAY) as work:
            number = correct_tap_map(
                work, tap_map_id, valid_from=FIRST_CLOSING, cell_of=cell_of, reason="looked again"
            )
        return approved(engine, number, LATER + DAY)

    with pytest.raises(Refused, match="says already"):
        correct(first, {1: 1, 2: 2, 3: 3})
    correct(first, {1: 1, 2: 3, 3: 2})
    with pytest.raises(Refused, match="before"):
        correct(first, {1: 3, 2: 2, 3: 1})
    with pytest.raises(NotFound):
        correct(99, {1: 1})


def test_a_stack_never_built_has_no_cells_to_read(engine: Engine) -> None:
    by = a_worker(engine)
    with Session(engine) as session:
        stack_id = builders.a_stack(session).id
        session.commit()

    with pytest.raises(Refused, match="never built"):
        wrote(engine, by, stack_id, {1: 1})
    with pytest.raises(NotFound):
        wrote(engine, by, 99, {1: 1})


def test_who_may_bring_in_runs_may_write_maps(engine: Engine, built: tuple[int, int]) -> None:
    nobody = permissions.Person(1, "x", "X", frozenset({Role.ADMIN}))

    with pytest.raises(NotAllowed):
        wrote(engine, nobody, built[0], {1: 1})


@pytest.mark.both_engines
def test_the_database_keeps_a_map_as_it_was_written(engine: Engine, built: tuple[int, int]) -> None:
    by = a_worker(engine)
    wrote(engine, by, built[0], {1: 1})

    with Session(engine) as session:
        row = session.scalars(select(TapMap)).one()
        row.channels = "[[1,2]]"
        with pytest.raises(DBAPIError):
            session.commit()


def test_a_failing_rule_judges_anew_when_a_map_is_corrected(
    engine: Engine, built: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever changes whose voltage it was calls for the rule."""
    from service.taps import changes

    judged: list[int] = []
    judge: Callable[..., None] = lambda _work, stack_id: judged.append(stack_id)  # noqa: E731
    monkeypatch.setattr(changes, "judge_stack", judge)
    by = a_worker(engine)

    wrote(engine, by, built[0], {1: 1})

    assert judged == [built[0]]
