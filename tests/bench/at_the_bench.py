"""Somebody at the bench: calls the changes of a record, each in a transaction of its own."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.approvals import make_void, propose_void
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off
from service.bench.queries.missing import Missing, to_be_reasoned
from service.designs.tables import ChecklistLine
from service.people import tables
from service.people.tables import PersonRole, Role
from service.physics.arithmetic.conditions import FindingEntry
from service.planning.queries.kits import missing_with_kit
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.permissions import Person
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.changes.bench_opening import open_stack
from service.records.changes.make_safe import record_make_safe
from service.records.changes.rebuild_records import begin_record
from service.records.queries.records import record_head
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import RebuildRecord, RecordKind
from service.stacks.tables import Stack
from service.store.tables import Part
from tests import builders
from tests.ready import Made, ready, retold

NOW = builders.FIRST_CLOSING + timedelta(days=20)
WORK_BEGAN = NOW - timedelta(hours=2)
SEEN_NOTHING = (FindingEntry("none seen"),)


def known(session: Session, row: tables.Person) -> Person:
    """The person as permissions know them."""
    roles = session.scalars(select(PersonRole.role).where(PersonRole.person_id == row.id))
    return Person(row.id, row.login, row.name, frozenset(roles))


@dataclass
class Lab:
    """A database with two people, a stack of ``cells`` cells and instruments."""

    engine: Engine
    builder: Person
    witness: Person
    stack_id: int
    multimeter_id: int
    detector_id: int
    driver_id: int
    now: datetime = NOW

    def do(self, change: Callable[..., Any], *args: Any, **facts: Any) -> Any:
        """Make one change as the builder."""
        by = facts.pop("by", self.builder)
        with changing(self.engine, by, now=self.now) as work:
            return change(work, *args, **facts)

    def rows(self, make: Callable[[Session], Any]) -> Any:
        """Make rows with the builders and keep them."""
        with Session(self.engine, expire_on_commit=False) as session:
            made = make(session)
            session.commit()
            return made

    def get(self, table: Any, row_id: int) -> Any:
        """One row as it stands."""
        with Session(self.engine, expire_on_commit=False) as session:
            return session.get_one(table, row_id)

    def begin(self, kind: RecordKind = RecordKind.REBUILD, **facts: Any) -> "Bench":
        """Begin a record of the stack."""
        given = {"reason": "cell 2 is weak", "performed_from": WORK_BEGAN, "people": ()}
        stack_id = facts.pop("stack_id", self.stack_id)
        number = self.do(begin_record, stack_id=stack_id, kind=kind, **(given | facts))
        return Bench(self, number)


def voided(lab: Lab, number: int, by: Person) -> None:
    """Make a record void: the builder proposes it, somebody else confirms."""
    lab.do(propose_void, number, reason="wrong stack")
    lab.do(make_void, number, password=builders.PASSWORD, by=by)


@dataclass
class Bench:
    """One record being written."""

    lab: Lab
    number: int

    def do(self, change: Callable[..., Any], version: int | None = None, **facts: Any) -> Any:
        """Make one entry; a hand-in says of everything that is not done why, unless told why."""
        if change is hand_in:
            facts.setdefault("not_done", self.reasons())
        return self.lab.do(change, self.number, version, **facts)

    def reasons(self) -> dict[str, str]:
        """A reason for each thing that is not done."""
        with reading(self.lab.engine) as session:
            return reasons_for(session, self.number)

    @property
    def record(self) -> RebuildRecord:
        """The record's row."""
        return self.lab.get(RebuildRecord, self.number)

    @property
    def pile(self) -> WorkingPile:
        """The pile as it stands."""
        with reading(self.lab.engine) as session:
            return working_pile(session, self.number)

    def make_safe(self) -> None:
        """Record every line of the checklist."""
        lab = self.lab
        with Session(lab.engine) as session:
            stack = session.get_one(Stack, lab.get(RebuildRecord, self.number).stack_id)
            lines = session.scalars(
                select(ChecklistLine)
                .where(ChecklistLine.design_id == stack.design_id)
                .order_by(ChecklistLine.number)
            ).all()
        reads = {"V": lab.multimeter_id, "% vol": lab.detector_id}
        for line in lines:
            self.do(
                record_make_safe,
                line_number=line.number,
                reading=None if line.unit is None else 0.1,
                instrument_id=reads[line.unit] if line.needs_instrument else None,
                witness_id=lab.witness.id if line.needs_witness else None,
                done_at=WORK_BEGAN + timedelta(minutes=10),
            )

    def open(self, hours: float | None = 120.0) -> int:
        """Make safe and open."""

        def tell() -> int:
            self.make_safe()
            step_id: int = self.do(
                open_stack, opened_at=WORK_BEGAN + timedelta(minutes=30), hours=hours
            )
            return step_id

        return self.retold(tell, "open", hours)

    def lift(self, end: End = End.FREE, count: int = 1) -> list[int]:
        """Lift off some layers, nothing seen on them; give the parts."""

        def tell() -> tuple[int, ...]:
            parts = []
            for _ in range(count):
                layer = self.pile.pile.outermost(end)
                assert layer is not None
                parts.append(layer.part)
                self.do(lift_off, end=end, findings=SEEN_NOTHING)
            return tuple(parts)

        return list(self.retold(tell, "lift", end, count))

    def retold(self, tell: Callable[[], Made], *given: Any) -> Made:
        """Do something of several entries, or copy what came of it."""
        as_of = (repr(replace(self.lab, engine=None)), self.number)  # type: ignore[arg-type]
        return retold(self.lab.engine, (*as_of, *given), tell)


def a_lab(engine: Engine, cells: int = 2, *, has_pattern: bool = False) -> Lab:
    """The laboratory all tests at the bench begin with; ``cells`` 0: the stack was never built."""
    with Session(engine) as session:
        made = ready(
            session,
            (a_lab, cells, has_pattern),
            lambda: _a_lab(session, cells, has_pattern=has_pattern),
        )
        session.commit()
    return Lab(engine, *made)


def _a_lab(session: Session, cells: int, *, has_pattern: bool) -> tuple[Any, ...]:
    pattern = builders.the_pattern(session) if has_pattern else None
    design = builders.a_design(session, pattern=pattern)
    builder = builders.a_person(session, Role.BUILDER, name="Mara Ilves")
    witness = builders.a_person(session, Role.BUILDER, name="Ben Orr")
    kinds = builders.InstrumentKind
    multimeter = builders.a_torque_instrument(session, kind=kinds.MULTIMETER, unit="V")
    detector = builders.a_torque_instrument(session, kind=kinds.GAS_DETECTOR, unit="% vol")
    driver = builders.a_torque_instrument(session, label="TD-9")
    stack = builders.a_stack(
        session, cells=cells, serial="TARN-001", design=design, meter_hours=100.0
    )
    people = known(session, builder), known(session, witness)
    return *people, stack.id, multimeter.id, detector.id, driver.id


def where(lab: Lab, part_id: int) -> tuple[str, int | None]:
    """Where a part is, and in which stack."""
    part = lab.get(Part, part_id)
    return part.whereabouts.value, part.stack_id


def what_is_missing(session: Session, record_id: int) -> tuple[Missing, ...]:
    """What the bench page and hand-in are told is missing."""
    head = record_head(session, record_id)
    pile = working_pile(session, record_id)
    return missing_with_kit(session, head, pile, verdicts_of_head(session, head))


def reasons_for(session: Session, record_id: int) -> dict[str, str]:
    """A reason for each thing that is not done in a record."""
    missing = to_be_reasoned(what_is_missing(session, record_id))
    return {
        each.key: next(iter(each.answers), f"{each.key}: left for another day") for each in missing
    }
