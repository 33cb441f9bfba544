"""Any sequence of entries and undos on two stacks: no part in two places, no layer lost.

The oracle is a pair of lists and a tray, moved by the rules of the trade in a few lines; after
every step the database must say the same.
"""

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import lift_off, put_on
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Facing, Whereabouts
from service.platform.database import changing, make_engine, reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.records.changes.bench_opening import open_stack
from service.records.changes.make_safe import record_exception
from service.records.changes.rebuild_records import begin_record
from service.records.queries.working_piles import working_pile
from service.records.tables import RecordKind, Step, StepKind
from service.stacks.tables import Layer
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import NOW, WORK_BEGAN, known

STACKS = st.sampled_from([0, 1])
ENDS = st.sampled_from([End.FIXED, End.FREE])
FACINGS = st.sampled_from([Facing.FIXED_END, Facing.FREE_END])
SPARES = 3


@dataclass(frozen=True)
class Prepared:
    """A laboratory with two records begun, to be copied for each sequence."""

    path: Path
    builder: Person
    stacks: list[int]
    records: list[int]
    spares: list[int]
    facing_matters: set[int]
    lot_id: int


def prepare(path: Path) -> Prepared:
    """Two stacks of one cell, a record begun on each, a few parts in store."""
    engine = make_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        builder = known(session, builders.a_person(session, "builder"))
        stacks = [builders.a_stack(session, cells=1).id for _ in range(2)]
        types = builders.the_part_types(session)
        spares = [builders.a_part(session, types.mea_directional).id for _ in range(SPARES)]
        lot_id = builders.a_lot(session, types.coolant_gasket, quantity=3).id
        marked = builders.PartType.marked_face.is_not(None)
        facing_matters = set(session.scalars(select(Part.id).join(builders.PartType).where(marked)))
        session.commit()
    records = []
    for stack_id in stacks:
        with changing(engine, builder, now=NOW) as work:
            records.append(
                begin_record(
                    work,
                    stack_id=stack_id,
                    kind=RecordKind.REBUILD,
                    reason="a sequence",
                    performed_from=WORK_BEGAN,
                )
            )
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    engine.dispose()
    return Prepared(path, builder, stacks, records, spares, facing_matters, lot_id)


class TwoStacks(RuleBasedStateMachine):
    """Two small stacks open at once, with spare parts and a lot of gaskets between them."""

    prepared: "Prepared"
    runs = 0

    @initialize()
    def begin(self) -> None:
        """A copy of the prepared laboratory."""
        TwoStacks.runs += 1
        path = self.prepared.path.with_name(f"{TwoStacks.runs}.sqlite")
        shutil.copyfile(self.prepared.path, path)
        self.engine = make_engine(f"sqlite:///{path}")
        self.builder, self.lot_id = self.prepared.builder, self.prepared.lot_id
        self.stacks, self.records = self.prepared.stacks, self.prepared.records
        self.facing_matters = self.prepared.facing_matters
        self.tray = dict.fromkeys(self.prepared.spares, "in store")
        self.piles: list[list[int]] = [
            [layer.part for layer in self.folded(at).base] for at in (0, 1)
        ]
        self.all_parts = {*self.piles[0], *self.piles[1], *self.tray}
        self.past: list[list[tuple[Any, ...]]] = [[], []]

    def do(self, change: Any, *args: Any, **facts: Any) -> Any:
        """One change in a transaction of its own."""
        with changing(self.engine, self.builder, now=NOW) as work:
            return change(work, *args, **facts)

    def folded(self, at: int) -> Any:
        """What the database says of a pile."""
        with reading(self.engine) as session:
            return working_pile(session, self.records[at])

    def is_opened(self, at: int) -> bool:
        """Whether an opening stands."""
        return ("opened",) in self.past[at]

    def enter(self, at: int, change: Any, **facts: Any) -> bool:
        """Make an entry; False where it was refused, which changes nothing."""
        try:
            self.do(change, self.records[at], None, **facts)
        except Refused:
            return False
        return True

    @precondition(lambda self: not (self.is_opened(0) and self.is_opened(1)))
    @rule(at=STACKS)
    def open(self, at: int) -> None:
        """Open by exception; refused the second time."""
        was_opened = self.is_opened(at)
        if not was_opened:
            assert self.enter(at, record_exception, reason="a sequence")
            self.past[at].append(("exception",))
        opened = self.enter(at, open_stack, hours_unknown_because="no meter")
        assert opened is not was_opened
        if opened:
            self.past[at].append(("opened",))

    @rule(at=STACKS, end=ENDS)
    def lift_off(self, at: int, end: End) -> None:
        """The outermost goes to the tray."""
        pile = self.piles[at]
        done = self.enter(at, lift_off, end=end, findings=[FindingEntry("none seen")])
        assert done is (self.is_opened(at) and bool(pile))
        if done:
            part = pile.pop(0 if end is End.FIXED else -1)
            self.tray[part] = "lifted off"
            self.past[at].append(("lifted", end, part))

    @rule(at=STACKS, end=ENDS, pick=st.integers(0, 50), facing=FACINGS)
    def put_on_what_is_fitted(self, at: int, end: End, pick: int, facing: Facing) -> None:
        """A part that sits in either pile is refused."""
        fitted = [*self.piles[0], *self.piles[1]]
        if fitted:
            self._put(at, end, fitted[pick % len(fitted)], facing)

    @rule(at=STACKS, end=ENDS, pick=st.integers(0, 50), facing=FACINGS)
    def put_on(self, at: int, end: End, pick: int, facing: Facing) -> None:
        """A part of the tray: lately lifted off, or in store."""
        if self.tray:
            self._put(at, end, list(self.tray)[-1 - pick % len(self.tray)], facing)

    def _put(self, at: int, end: End, part: int, facing: Facing) -> None:
        matters = part in self.facing_matters
        done = self.enter(at, put_on, end=end, part_id=part, facing=facing if matters else None)
        assert done is (self.is_opened(at) and part in self.tray)
        if done:
            before = self.tray.pop(part)
            self.piles[at].insert(0 if end is End.FIXED else len(self.piles[at]), part)
            self.past[at].append(("put", end, part, before))

    @rule(at=STACKS, end=ENDS)
    def put_on_item(self, at: int, end: End) -> None:
        """A gasket of the lot, while there is one that was never used."""
        done = self.enter(at, put_on, end=end, lot_id=self.lot_id)
        if done:
            folded = self.folded(at).layers
            part = folded[0 if end is End.FIXED else -1].part
            self.all_parts.add(part)
            before = self.tray.pop(part, "in store")
            assert before == "in store"
            self.piles[at].insert(0 if end is End.FIXED else len(self.piles[at]), part)
            self.past[at].append(("put", end, part, before))

    @rule(at=STACKS)
    def undo(self, at: int) -> None:
        """The last entry is taken back, unless its part has gone into the other pile since."""
        last = self.past[at][-1] if self.past[at] else None
        gone = bool(last and last[0] == "lifted" and last[2] not in self.tray)
        done = self.enter(at, undo_last)
        assert done is (last is not None and not gone)
        if not done or last is None:
            return
        self.past[at].pop()
        if last[0] == "lifted":
            _, end, part = last
            del self.tray[part]
            self.piles[at].insert(0 if end is End.FIXED else len(self.piles[at]), part)
        elif last[0] == "put":
            _, end, part, before = last
            assert self.piles[at].pop(0 if end is End.FIXED else -1) == part
            self.tray[part] = before

    @invariant()
    def the_database_says_the_same(self) -> None:
        """Fold of the entries = oracle; every part in one place; none lost."""
        if not hasattr(self, "past"):
            return
        folded = [self.folded(at) for at in (0, 1)]
        assert [[layer.part for layer in pile.layers] for pile in folded] == self.piles
        with Session(self.engine) as session:
            ids = [*self.piles[0], *self.piles[1], *self.tray]
            rows = session.execute(
                select(Part.id, Part.whereabouts, Part.stack_id).where(Part.id.in_(ids))
            ).all()
            standing = session.execute(
                select(Step.part_id, func.count()).where(Step.standing).group_by(Step.part_id)
            ).all()
            layers = session.scalar(select(func.count(Layer.id)).where(Layer.present))
            entries = session.scalar(
                select(func.count(Step.id)).where(
                    Step.undone_at.is_(None),
                    Step.record_id.in_(self.records),
                    Step.kind.in_([StepKind.LIFTED_OFF, StepKind.PUT_ON]),
                )
            )
        assert len(set(ids)) == len(ids) == len(rows)
        assert self.all_parts == set(ids)
        for part_id, whereabouts, stack_id in rows:
            for at in (0, 1):
                assert (part_id in self.piles[at]) is (stack_id == self.stacks[at])
            if part_id in self.tray:
                assert whereabouts.value == self.tray[part_id]
            else:
                assert whereabouts is Whereabouts.FITTED
        assert all(count == 1 for _part, count in standing)
        assert layers == sum(len(pile.base) for pile in folded)
        assert entries == sum(
            1 for past in self.past for step in past if step[0] in ("lifted", "put")
        )

    def teardown(self) -> None:
        """Let go of the file."""
        if hasattr(self, "engine"):
            self.engine.dispose()


@pytest.mark.slow
def test_no_sequence_of_entries_puts_a_part_in_two_places_or_loses_a_layer(
    sqlite_template: Path, tmp_path: Path
) -> None:
    path = tmp_path / "prepared.sqlite"
    shutil.copyfile(sqlite_template, path)
    TwoStacks.prepared = prepare(path)

    run_state_machine_as_test(
        TwoStacks,
        settings=settings(
            max_examples=settings.default.max_examples // 4,
            stateful_step_count=30,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        ),
    )
