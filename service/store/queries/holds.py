"""Holds and concessions: listed, one by one, and those of one subject."""

from dataclasses import asdict, dataclass
from datetime import datetime
from functools import partial
from typing import Any, Literal
from urllib.parse import quote

from sqlalchemy import Row, Select, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Concession, Hold, Instrument, Lot, Part, PartType

SubjectKind = Literal["part", "lot", "part type", "design", "instrument", "stack"]
ADDRESSES: dict[str, str] = {
    "part": "/parts",
    "lot": "/lots",
    "part type": "/part-types",
    "design": "/designs",
    "instrument": "/instruments",
    "stack": "/stacks",
}


@dataclass(frozen=True, slots=True)
class HeldSubject:
    """What a hold or concession is about."""

    kind: SubjectKind
    id: int
    label: str
    more: str
    """its part type, the kind of part or instrument; empty for a design"""
    where: str = ""
    """where the part is now"""

    @property
    def address(self) -> str:
        """The address of its page."""
        name = quote(self.label, safe="") if self.kind == "stack" else self.id
        return f"{ADDRESSES[self.kind]}/{name}"

    @property
    def key(self) -> str:
        """The name of its kind in addresses and forms."""
        return self.kind.replace(" ", "_")


@dataclass(frozen=True, slots=True)
class HoldRow:
    """One hold, standing or lifted."""

    id: int
    subject: HeldSubject
    reason: str
    placed_by: str
    placed_at: datetime
    usability_before: Usability | None
    lifted_by: str | None
    lifted_at: datetime | None
    lift_reason: str


@dataclass(frozen=True, slots=True)
class ConcessionRow:
    """Leave for uses in one record."""

    id: int
    subject: HeldSubject
    reason: str
    given_by: str
    given_at: datetime
    used_in_record_id: int | None


@dataclass(frozen=True, slots=True)
class About:
    """Which holds or concessions: all, or those of one subject."""

    part_id: int | None = None
    lot_id: int | None = None
    part_type_id: int | None = None
    design_id: int | None = None
    instrument_id: int | None = None
    stack_id: int | None = None


EVERYTHING = About()


MOST = 500
"""As many as the page of one subject shows."""
LATEST_HOLD = Order((Hold.id,), descending=True)
LATEST_CONCESSION = Order((Concession.id,), descending=True)
Lifter = aliased(Person, name="lifter")


def holds(
    session: Session, about: About = EVERYTHING, turn: Turn = FIRST, *, lifted_too: bool = False
) -> Listing[HoldRow]:
    """Return holds, the latest first. One statement."""
    statement = _of(_holds(), Hold, about)
    if not lifted_too:
        statement = statement.where(Hold.lifted_at.is_(None))
    return listing(session, statement, LATEST_HOLD, turn, partial(map, _hold))


@dataclass(frozen=True, slots=True)
class HoldsOnIt:
    """All holds on one subject, lifted ones too, and the concessions given for it."""

    holds: tuple[HoldRow, ...]
    concessions: tuple[ConcessionRow, ...]

    @property
    def held(self) -> bool:
        """Say whether one stands."""
        return any(hold.lifted_at is None for hold in self.holds)


def holds_on(session: Session, about: About) -> HoldsOnIt:
    """Return what the page of one subject shows of holds. Two statements."""
    return HoldsOnIt(
        holds(session, about, Turn(MOST), lifted_too=True).rows,
        concessions(session, about, Turn(MOST), used_too=True).rows,
    )


def hold(session: Session, hold_id: int) -> HoldRow:
    """Return one hold. Raises NotFound."""
    row = session.execute(_holds().where(Hold.id == hold_id)).first()
    if row is None:
        raise NotFound("hold", hold_id)
    return _hold(row)


def concessions(
    session: Session, about: About = EVERYTHING, turn: Turn = FIRST, *, used_too: bool = False
) -> Listing[ConcessionRow]:
    """Return concessions, the latest first, as `holds` lists holds. One statement."""
    statement = (
        _of(_with_subject(Concession), Concession, about)
        .add_columns(
            Concession.id.label("own_id"),
            Concession.reason,
            Person.name.label("by"),
            Concession.given_at,
            Concession.used_in_record_id,
        )
        .join(Person, Person.id == Concession.given_by_id)
    )
    if not used_too:
        statement = statement.where(Concession.used_in_record_id.is_(None))
    return listing(session, statement, LATEST_CONCESSION, turn, partial(map, _concession))


def _concession(row: Any) -> ConcessionRow:
    return ConcessionRow(
        row.own_id, _subject(row), row.reason, row.by, row.given_at, row.used_in_record_id
    )


def subject(session: Session, about: About) -> HeldSubject:
    """Return what a form is about. One statement. Raises NotFound."""
    kind, key = next(
        (name.removesuffix("_id").replace("_", " "), key)
        for name, key in asdict(about).items()
        if key is not None
    )
    columns_by_kind = {
        "part": Part.id,
        "lot": Lot.id,
        "part type": PartType.id,
        "design": Design.id,
        "instrument": Instrument.id,
        "stack": Stack.id,
    }
    row = session.execute(
        _subjects(columns_by_kind[kind]).where(columns_by_kind[kind] == key)
    ).first()
    if row is None:
        raise NotFound(kind, key)
    return _subject(row)


def _subjects(id_column: Any) -> Select[Any]:
    """The columns of a subject, from the table it is in."""
    of_part = (
        (PartType, PartType.id == Part.part_type_id),
        (Lot, Lot.id == Part.lot_id),
        (Stack, Stack.id == Part.stack_id),
    )
    of_lot = ((PartType, PartType.id == Lot.part_type_id),)
    joins: dict[Any, Any] = {Part.id: of_part, Lot.id: of_lot}
    table = id_column.class_
    statement = select(*_subject_columns()).select_from(table)
    joined = {table}
    for joined_table, condition in joins.get(id_column, ()):
        statement = statement.outerjoin(joined_table, condition)
        joined.add(joined_table)
    for joined_table in (Part, Lot, PartType, Design, Instrument, Stack):
        if joined_table not in joined:
            statement = statement.outerjoin(joined_table, joined_table.id.is_(None))
    return statement


def _subject_columns() -> tuple[Any, ...]:
    return (
        Part.id.label("part_id"),
        Part.serial,
        Part.item_number,
        Part.whereabouts,
        Stack.id.label("stack_id"),
        Stack.serial.label("stack"),
        PartType.id.label("part_type_id"),
        PartType.name.label("type_name"),
        PartType.kind.label("part_kind"),
        Lot.id.label("lot_id"),
        Lot.label.label("lot"),
        Design.id.label("design_id"),
        Design.name.label("design"),
        Design.revision.label("revision"),
        Instrument.id.label("instrument_id"),
        Instrument.label.label("instrument"),
        Instrument.kind.label("instrument_kind"),
    )


def _with_subject(table: type[Hold] | type[Concession]) -> Select[Any]:
    """The row's subject: part with its lot, lot, type, design, tool or stack."""
    stack_id = func.coalesce(Part.stack_id, Hold.stack_id) if table is Hold else Part.stack_id
    return (
        select(*_subject_columns())
        .select_from(table)
        .outerjoin(Part, Part.id == table.part_id)
        .outerjoin(Lot, (Lot.id == table.lot_id) | (Lot.id == Part.lot_id))
        .outerjoin(
            PartType,
            or_(
                PartType.id == table.part_type_id,
                PartType.id == Part.part_type_id,
                PartType.id == Lot.part_type_id,
            ),
        )
        .outerjoin(Design, Design.id == table.design_id)
        .outerjoin(Stack, Stack.id == stack_id)
        .outerjoin(Instrument, Instrument.id == table.instrument_id)
    )


def _holds() -> Select[Any]:
    return (
        _with_subject(Hold)
        .add_columns(
            Hold.id.label("own_id"),
            Hold.reason,
            Person.name.label("by"),
            Hold.placed_at,
            Hold.usability_before,
            Lifter.name.label("lifter"),
            Hold.lifted_at,
            Hold.lift_reason,
        )
        .join(Person, Person.id == Hold.placed_by_id)
        .outerjoin(Lifter, Lifter.id == Hold.lifted_by_id)
    )


def _of(statement: Select[Any], table: type[Hold] | type[Concession], about: About) -> Select[Any]:
    for name, key in asdict(about).items():
        if key is not None:
            return statement.where(getattr(table, name) == key)
    return statement


def _subject(row: Row[Any]) -> HeldSubject:
    if row.instrument_id is not None:
        return HeldSubject("instrument", row.instrument_id, row.instrument, row.instrument_kind)
    if row.design_id is not None:
        return HeldSubject("design", row.design_id, f"{row.design} {row.revision}", "")
    if row.part_id is None and row.lot_id is not None:
        return HeldSubject("lot", row.lot_id, row.lot, row.type_name)
    if row.part_id is None and row.part_type_id is None:
        return HeldSubject("stack", row.stack_id, row.stack, "")
    if row.part_id is None:
        return HeldSubject("part type", row.part_type_id, row.type_name, str(row.part_kind))
    fitted = row.whereabouts is Whereabouts.FITTED
    place = f"fitted in {row.stack}" if fitted else str(row.whereabouts)
    label = part_label(row.serial, row.lot, row.item_number)
    return HeldSubject("part", row.part_id, label, row.type_name, place)


def _hold(row: Row[Any]) -> HoldRow:
    return read_as(
        HoldRow, row, id=row.own_id, subject=_subject(row), placed_by=row.by, lifted_by=row.lifter
    )
