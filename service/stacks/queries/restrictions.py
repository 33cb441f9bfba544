"""What a stack may be run with only by leave, or not at all: concessions, departures, its holds.

They travel with the stack: every page and printed sheet of it says them. A concession for parts
stands while a part it allows is fitted; one for the design or an instrument, and a departure from
the design, while the build stands in whose records they were used.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, cast, null, or_, select, true, union_all
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.queries.answers import read_as
from service.platform.queries.statements import param, statement
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Concession, Hold, Instrument, Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class Restriction:
    """One concession or departure: what it allows, its reason, who gave it and in which record.

    Or a hold on the whole stack, which allows nothing.
    """

    allows: str
    reason: str
    given_by: str
    given_at: datetime
    record_id: int | None
    hold_id: int | None

    @property
    def heading(self) -> str:
        """What it is, as a heading over its like."""
        return "On hold" if self.hold_id else "Under concession"

    @property
    def in_short(self) -> str:
        """For one line of a printed sheet."""
        return f"{self.allows}: {self.reason}" if self.allows else self.reason


@statement
def _restrictions() -> Any:
    of_part, of_lot = aliased(Lot), aliased(Lot)
    last = (
        select(BuildPeriod.build_id)
        .where(BuildPeriod.stack_id == Stack.id, BuildPeriod.known_until.is_(None))
        .order_by(BuildPeriod.closed_at.desc())
        .limit(1)
        .correlate(Stack)
        .scalar_subquery()
    )
    of_build = and_(
        RebuildRecord.stack_id == Stack.id,
        RebuildRecord.state != RecordState.VOID,
        or_(
            Build.id.is_(None),
            RebuildRecord.id == Build.record_id,
            RebuildRecord.base_build_id == Build.id,
        ),
    )
    of_stack = select(Stack.id).outerjoin(Build, Build.id == last)
    fitted = and_(
        Part.stack_id == Stack.id,
        Part.whereabouts == Whereabouts.FITTED,
        or_(
            Part.id == Concession.part_id,
            Part.lot_id == Concession.lot_id,
            Part.part_type_id == Concession.part_type_id,
        ),
        or_(RebuildRecord.id.is_(None), RebuildRecord.stack_id == Stack.id),
    )
    conceded = (
        of_stack.join(Concession, true())
        .outerjoin(RebuildRecord, RebuildRecord.id == Concession.used_in_record_id)
        .join(Person, Person.id == Concession.given_by_id)
        .outerjoin(Part, fitted)
        .outerjoin(of_part, of_part.id == Part.lot_id)
        .outerjoin(Layer, and_(Layer.part_id == Part.id, Layer.present == true()))
        .outerjoin(of_lot, of_lot.id == Concession.lot_id)
        .outerjoin(PartType, PartType.id == Concession.part_type_id)
        .outerjoin(Design, Design.id == Concession.design_id)
        .outerjoin(Instrument, Instrument.id == Concession.instrument_id)
        .where(
            Stack.serial == param("serial"),
            or_(
                Part.id.is_not(None),
                and_(
                    or_(Concession.design_id.is_not(None), Concession.instrument_id.is_not(None)),
                    of_build,
                ),
            ),
        )
        .with_only_columns(
            Concession.given_at,
            Concession.id,
            Person.name.label("given_by"),
            Concession.reason,
            RebuildRecord.id.label("record_id"),
            Part.id.label("part_id"),
            Part.serial,
            Part.item_number,
            of_part.label.label("lot"),
            Layer.cell,
            of_lot.label.label("of_lot"),
            PartType.name.label("type_name"),
            (Design.name + " " + Design.revision).label("design"),
            Instrument.label.label("instrument"),
            null().label("departs_from"),
            cast(null(), Hold.id.type).label("hold_id"),
            maintain_column_froms=True,
        )
    )
    records = (
        of_stack.join(RebuildRecord, of_build)
        .where(Stack.serial == param("serial"))
        .with_only_columns(RebuildRecord.id, maintain_column_froms=True)
    )
    departed = (
        select(
            Step.done_at,
            Step.id,
            Person.name,
            Step.note,
            Step.record_id,
            *(null() for _ in range(9)),
            Step.departs_from,
            null(),
        )
        .join(Person, Person.id == Step.by_id)
        .where(
            Step.record_id.in_(records),
            Step.kind == StepKind.DEPARTURE,
            Step.undone_at.is_(None),
        )
    )
    held = (
        select(
            Hold.placed_at, Hold.id, Person.name, Hold.reason, *(null() for _ in range(11)), Hold.id
        )
        .join(Person, Person.id == Hold.placed_by_id)
        .join(Stack, Stack.id == Hold.stack_id)
        .where(Stack.serial == param("serial"), Hold.lifted_at.is_(None))
    )
    rows = union_all(conceded, departed, held).subquery()
    return select(rows).order_by(rows.c.given_at, rows.c.id, rows.c.cell)


def restrictions_of(session: Session, serial: str) -> tuple[Restriction, ...]:
    """Return the concessions and departures that stand in a stack and its holds, the oldest first.

    One statement. Nothing for an unknown serial.
    """
    rows: Any = session.execute(_restrictions(), {"serial": serial})
    together: dict[tuple[bool, int | None, int], list[Any]] = defaultdict(list)
    for row in rows:
        together[row.departs_from is None, row.hold_id, row.id].append(row)
    return tuple(
        read_as(Restriction, fitted[0], allows=_allows(fitted)) for fitted in together.values()
    )


def _allows(fitted: Sequence[Any]) -> str:
    row = fitted[0]
    if row.hold_id:
        return ""
    if row.of_lot or row.type_name:
        kind = f"lot {row.of_lot}" if row.of_lot else row.type_name
        parts = len({each.part_id for each in fitted})
        return f"{kind}, {parts} {'part' if parts == 1 else 'parts'} fitted"
    if row.part_id:
        label = part_label(row.serial, row.lot, row.item_number)
        return f"{label}, cell {row.cell}" if row.cell else label
    if row.departs_from:
        return str(row.departs_from)
    return f"design {row.design}" if row.design else f"instrument {row.instrument}"
