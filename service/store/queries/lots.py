"""Lots: listed, chosen from, and one of them with where everything taken from it is."""

from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import Select, exists, func, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Kind, Usability
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.stacks.tables import Stack
from service.store.arithmetic.calibrations import THROUGH_THE_DAY
from service.store.arithmetic.identifiers import serial_key
from service.store.queries.forbids import bears_on
from service.store.queries.part_types import PlacementCount
from service.store.queries.shelf_lives import LOT_ENDS
from service.store.tables import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class LotFacts:
    """Everything said of a lot, and whether a hold stands on it."""

    id: int
    part_type_id: int
    kind: Kind
    type_name: str
    drawing_number: str
    revision: str
    counted: bool
    label: str
    supplier: str
    received_at: datetime | None
    produced_at: datetime | None
    expires_at: datetime | None
    bag_opened_at: datetime | None
    bag_opened_by: str | None
    extended_to: datetime | None
    ends_at: datetime | None
    """the last day of its shelf life, by expiry, opened bag and extension"""
    quantity: int | None
    notes: str
    held: bool

    def is_expired(self, now: datetime) -> bool:
        """Say whether the day after the last of its shelf life has come."""
        return self.ends_at is not None and now > self.ends_at + THROUGH_THE_DAY


@dataclass(frozen=True, slots=True)
class InStack:
    """How many parts of a lot are fitted in one stack."""

    stack_id: int
    stack_serial: str
    parts: int


@dataclass(frozen=True, slots=True)
class LotOnPage:
    """A lot with where everything taken from it is today."""

    facts: LotFacts
    where: tuple[PlacementCount, ...]
    stacks: tuple[InStack, ...]

    @property
    def parts(self) -> int:
        """How many parts of the lot are known one by one."""
        return sum(place.parts for place in self.where)

    @property
    def not_taken(self) -> int | None:
        """Items still uncounted in the bag; None where the quantity is not known."""
        quantity = self.facts.quantity
        return None if quantity is None or not self.facts.counted else quantity - self.parts


LATEST = Order((Lot.id,), descending=True)


@dataclass(frozen=True, slots=True)
class LotFilter:
    """Which lots a list shows; ``begins_with`` is of the label."""

    part_type_id: int | None = None
    begins_with: str = ""
    held: bool = False


def types_of_lot(session: Session, label: str) -> tuple[int, ...]:
    """Return the part types that have a lot of this label. One statement."""
    return tuple(
        session.scalars(select(Lot.part_type_id).where(Lot.label_key == serial_key(label)))
    )


def lots(session: Session, lot_filter: LotFilter, turn: Turn = FIRST) -> Listing[LotFacts]:
    """Return the lots of a filter, the latest first. One statement."""
    statement = _facts()
    if lot_filter.part_type_id is not None:
        statement = statement.where(Lot.part_type_id == lot_filter.part_type_id)
    if lot_filter.begins_with:
        begin = serial_key(lot_filter.begins_with)
        statement = statement.where(Lot.label_key >= begin, Lot.label_key < begin + "\U0010ffff")
    if lot_filter.held:
        statement = statement.where(_held())
    return listing(session, statement, LATEST, turn, partial(read_all, LotFacts))


def lot(session: Session, lot_id: int) -> LotOnPage:
    """Return one lot and where everything of it is today. Three statements. Raises NotFound."""
    row = session.execute(_facts().where(Lot.id == lot_id)).first()
    if row is None:
        raise NotFound("lot", lot_id)
    placements = session.execute(
        select(Part.whereabouts, Part.usability, func.count())
        .where(Part.lot_id == lot_id)
        .group_by(Part.whereabouts, Part.usability)
        .order_by(Part.whereabouts, Part.usability)
    )
    stacks = session.execute(
        select(*columns(InStack, stack_id=Stack.id, stack_serial=Stack.serial, parts=func.count()))
        .join(Part, Part.stack_id == Stack.id)
        .where(Part.lot_id == lot_id)
        .group_by(Stack.id, Stack.serial)
        .order_by(Stack.serial)
    )
    facts = read_as(LotFacts, row)
    findings = tuple(
        PlacementCount(
            place, Usability.ON_HOLD if facts.held and used in HELD_BY_LOT else used, parts
        )
        for place, used, parts in placements
    )
    return LotOnPage(facts, findings, read_all(InStack, stacks))


HELD_BY_LOT = frozenset({Usability.NOT_INSPECTED, Usability.ACCEPTED, Usability.ACCEPTED_USED})
"""What a hold on the lot turns into “on hold”; rejected and conceded parts stay what they are."""


def lots_of_type(session: Session, part_type_id: int) -> tuple[tuple[int, str], ...]:
    """Return id and label of a type's lots, the latest first, to choose from."""
    rows = session.execute(
        select(Lot.id, Lot.label)
        .where(Lot.part_type_id == part_type_id)
        .order_by(Lot.id.desc())
        .limit(500)
    )
    return tuple((row.id, row.label) for row in rows)


def _held() -> Any:
    return exists().where(bears_on(lot=Lot.id, part_type=Lot.part_type_id))


def _facts() -> Select[*tuple[Any, ...]]:
    return (
        select(
            *columns(
                LotFacts,
                Lot,
                PartType,
                type_name=PartType.name,
                held=_held(),
                bag_opened_by=Person.name,
                ends_at=LOT_ENDS,
            )
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .outerjoin(Person, Person.id == Lot.bag_opened_by_id)
    )
