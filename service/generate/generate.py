"""``generate``: an invented history of any size, through the same tables, constraints, triggers."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import count
from random import Random

from sqlalchemy import Connection, select, update

from service.generate.history import History, Rows
from service.generate.lab import stand_up
from service.operation.changes import count_on, next_ids, pour
from service.operation.tables import metadata
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.queries.content import record_content
from service.records.tables import RebuildRecord, RecordState
from service.stacks.changes.build_features import write_makeups
from service.stacks.tables import Stack

BEGAN = datetime(2022, 1, 3, 9, 0, tzinfo=UTC)
BETWEEN = timedelta(days=150)
"""Longest time from one closing to the next."""
LAYERS_AT_ONCE = 20_000
FIRST = ("stack", "hour_meter", "part", "hour_reading")
ROUND = (
    "rebuild_record",
    "record_person",
    "step",
    "make_safe_line",
    "finding",
    "torque_reading",
    "hour_reading",
    "build",
    "build_period",
    "layer",
    "fixing",
)


@dataclass(frozen=True, slots=True)
class Size:
    """How much is made: stacks, cells of each, builds of each."""

    stacks: int
    cells: int
    builds: int
    seed: int = 1

    @property
    def mark(self) -> str:
        """What serials and logins of this history begin with."""
        return f"GEN{self.seed}"


def generate(work: Work, size: Size, advance: Callable[[int], None] = lambda _stacks: None) -> None:
    """Write the history; ``advance`` is told how many stacks more are written.

    All or nothing, one entry in the trail. Raises Refused for sizes below one or beyond what can
    be meant, and where this seed's stacks are there already.
    """
    need(work.by, Act.IMPORT)
    _refuse(work, size)
    stack_ends = work.now - timedelta(days=30)
    lab = stand_up(work.session, mark=size.mark, cells=size.cells, since=BEGAN, until=work.now)
    connection = work.session.connection()
    counters = {table: count(first) for table, first in next_ids(connection).items()}

    def new_id(table: str) -> int:
        return next(counters[table])

    dice = Random(size.seed)  # noqa: S311 - an invented history, no secret
    for group in _groups(size):
        histories = [
            _live(
                History(lab, dice, new_id, new_id("stack"), f"{size.mark}-{number + 1:05}"),
                size,
                stack_ends,
            )
            for number in group
        ]
        _write(work, connection, histories, size.builds)
        advance(len(group))
    count_on(connection)
    work.note(
        Event.LAB_GENERATED,
        ("laboratory", None, f"generated history {size.mark}"),
        [
            ("stacks", None, size.stacks),
            ("cells", None, size.cells),
            ("builds", None, size.builds),
            ("seed", None, size.seed),
        ],
    )


def _refuse(work: Work, size: Size) -> None:
    for name, value, most in (
        ("stacks", size.stacks, 100_000),
        ("cells", size.cells, 1_000),
        ("builds", size.builds, 500),
    ):
        if not 1 <= value <= most:
            raise Refused(name, value, "so many cannot be made.", f"Right would be 1 to {most}.")
    if not 0 <= size.seed <= 999_999:
        raise Refused("seed", size.seed, "this is no seed.", "Right would be 0 to 999999.")
    generated = (
        select(Stack.id).where(Stack.serial_key.startswith(f"{size.mark.lower()}-")).limit(1)
    )
    if work.session.scalar(generated) is not None:
        raise Refused("seed", size.seed, "its stacks are there already.", "Choose another seed.")


def _groups(size: Size) -> Iterator[range]:
    layers = (6 * size.cells + 5) * size.builds
    step = max(1, LAYERS_AT_ONCE // layers)
    for first in range(0, size.stacks, step):
        yield range(first, min(first + step, size.stacks))


def _live(history: History, size: Size, ends: datetime) -> History:
    dice = history.dice
    between = min(BETWEEN, (ends - BEGAN) / (size.builds + 1))
    first = BEGAN + timedelta(hours=dice.randint(24, 24 * 20))
    closings = [
        first + between * build + timedelta(minutes=dice.randint(0, 300))
        for build in range(size.builds)
    ]
    history.live(size.cells, closings)
    return history


def _write(work: Work, connection: Connection, histories: list[History], builds: int) -> None:
    for name in FIRST:
        _pour(connection, name, [history.first for history in histories])
    for number in range(builds):
        rounds = [history.rounds[number] for history in histories]
        for name in ROUND:
            _pour(connection, name, rounds)
        _freeze(work, connection, rounds)
    write_makeups(
        work.session,
        [row["id"] for history in histories for rows in history.rounds for row in rows["build"]],
        work.now,
    )


def _pour(connection: Connection, name: str, some: list[Rows]) -> None:
    rows = [row for rows in some for row in rows.get(name, ())]
    pour(connection, metadata.tables[name], rows)


def _freeze(work: Work, connection: Connection, rounds: list[Rows]) -> None:
    """Hash what each record says and approve it, as hand-in and approval do."""
    ids = [row["id"] for rows in rounds for row in rows["rebuild_record"]]
    contents = record_content(work.session, ids)
    for record_id, content in contents.items():
        connection.execute(
            update(RebuildRecord)
            .where(RebuildRecord.id == record_id)
            .values(
                state=RecordState.APPROVED,
                content=content.canonical,
                content_sha256=content.sha256,
            )
        )
    for rows in rounds:
        for decision in rows["decision"]:
            decision["content_sha256"] = contents[decision["record_id"]].sha256
    _pour(connection, "decision", rounds)
