"""Lists of parts, filtered along their three axes, and what the forms about one part begin with."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import Select, and_, case, exists, func, literal, or_, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.people.tables import Person
from service.physics.arithmetic.part_stiffness import free_mm
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import param
from service.records.tables import Step
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.tables import Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label, serial_key
from service.store.arithmetic.part_fields import MEASURED, remarks_on
from service.store.queries.forbids import bears_on
from service.store.queries.lots import HELD_BY_LOT
from service.store.queries.part_types import read_stiffness
from service.store.queries.shelf_lives import PART_ENDS
from service.store.tables import Hold, Lot, Part, PartType

ReservedFor = aliased(Stack, name="reserved_for")


@dataclass(frozen=True, slots=True)
class PartSaid:
    """What lists and pages say of a part."""

    id: int
    serial: str | None
    item_number: int | None
    maker: str
    kind: Kind
    type_id: int
    type_name: str
    drawing_number: str
    revision: str
    lot_id: int | None
    lot: str | None
    whereabouts: Whereabouts
    stack_serial: str | None
    place: str
    usability: Usability
    reserved_for: str | None
    hours_before: float
    notes: str
    added_at: datetime
    measured_thickness_mm: float | None
    """of the free part, by incoming inspection; None: not measured"""


@dataclass(frozen=True, slots=True)
class PartRow(PartSaid):
    """One part in a list. ``usability`` is what counts: a hold on its lot holds it too."""

    held_by_lot: bool
    held_by_type: bool
    own_usability: Usability
    shares_serial: bool

    @property
    def label(self) -> str:
        """What a person reads for it, with its maker where another gave that serial too."""
        maker = self.maker if self.shares_serial else ""
        return part_label(self.serial, self.lot, self.item_number, maker)


@dataclass(frozen=True, slots=True)
class PartFilter:
    """Which parts a list shows.

    ``begins_with`` is of the serial, ``stack`` the serial of the one they sit in; ``items`` takes
    in the counted items of lots.
    """

    kind: Kind | None = None
    part_type_id: int | None = None
    lot_id: int | None = None
    begins_with: str = ""
    whereabouts: Whereabouts | None = None
    usability: Usability | None = None
    reserved_for: str = ""
    stack: str = ""
    items: bool = False


@dataclass(frozen=True, slots=True)
class PartInForms:
    """What the forms about one part need to know."""

    row: PartRow
    counted: bool
    in_a_record: bool
    was_fitted: bool
    own_hold: bool
    reserved_for_stack_id: int | None


LATEST = Order((Part.id,), descending=True)
BY_SERIAL = Order((Part.serial_key, Part.id))


def parts(session: Session, part_filter: PartFilter, turn: Turn = FIRST) -> Listing[PartRow]:
    """Return the parts of a filter.

    The latest first; by their serials where the filter says how those begin. One statement.
    """
    order = BY_SERIAL if part_filter.begins_with else LATEST
    statement = _rows().where(*_conditions(part_filter))
    return listing(session, statement, order, turn, partial(read_all, PartRow))


def part_in_forms(session: Session, part_id: int) -> PartInForms:
    """Return one part as the forms about it need it. One statement. Raises NotFound."""
    fitted = or_(
        exists().where(Layer.part_id == Part.id), exists().where(Fixing.part_id == Part.id)
    )
    row = session.execute(
        _rows()
        .add_columns(
            *columns(
                PartInForms,
                Part,
                PartType,
                in_a_record=or_(fitted, exists().where(Step.part_id == Part.id)),
                was_fitted=fitted,
                own_hold=exists().where(Hold.part_id == Part.id, Hold.lifted_at.is_(None)),
            )
        )
        .where(Part.id == part_id)
    ).first()
    if row is None:
        raise NotFound("part", part_id)
    return read_as(PartInForms, row, row=read_as(PartRow, row))


def stacks_to_choose(session: Session) -> tuple[tuple[int, str], ...]:
    """Return id and serial of the stacks, by serial, to choose from."""
    rows = session.execute(select(Stack.id, Stack.serial).order_by(Stack.serial_key).limit(2000))
    return tuple((row.id, row.serial) for row in rows)


def designs_to_choose(session: Session) -> tuple[tuple[int, str], ...]:
    """Return id and name with revision of the designs, to choose from."""
    rows = session.execute(
        select(Design.id, Design.name, Design.revision).order_by(Design.name, Design.revision)
    )
    return tuple((row.id, f"{row.name} {row.revision}") for row in rows)


def shares_serial() -> Any:
    """Say whether another part of its type bears its serial: of another maker."""
    other = aliased(Part)
    return exists().where(
        other.serial_key == Part.serial_key,
        other.part_type_id == Part.part_type_id,
        other.id != Part.id,
    )


def shown_serial() -> Any:
    """Return the serial of a part as lists show it, with its maker where that tells it apart."""
    named = and_(Part.maker != "", shares_serial())
    return case((named, Part.serial + " (" + Part.maker + ")"), else_=Part.serial).label("serial")


def _held_with(**of: Any) -> Any:
    return exists().where(bears_on(**of))


def _counts_as() -> Any:
    """What may be done with a part, holds on its lot and its type taken into account."""
    of_more = _held_with(lot=Part.lot_id, part_type=Part.part_type_id)
    held = and_(Part.usability.in_(sorted(HELD_BY_LOT)), of_more)
    on_hold = literal(Usability.ON_HOLD, Part.usability.type)
    return case((held, on_hold), else_=Part.usability)


def _rows() -> Select[*tuple[Any, ...]]:
    return (
        select(
            *columns(
                PartRow,
                Part,
                PartType,
                type_id=PartType.id,
                type_name=PartType.name,
                lot=Lot.label,
                stack_serial=Stack.serial,
                usability=_counts_as(),
                held_by_lot=_held_with(lot=Part.lot_id),
                held_by_type=_held_with(part_type=Part.part_type_id),
                reserved_for=ReservedFor.serial,
                own_usability=Part.usability,
                shares_serial=shares_serial(),
            )
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .outerjoin(ReservedFor, ReservedFor.id == Part.reserved_for_stack_id)
    )


def _conditions(part_filter: PartFilter) -> list[Any]:
    conditions: list[Any] = [Part.is_part_id.is_(None)]
    if part_filter.kind is not None:
        conditions.append(PartType.kind == part_filter.kind)
    if part_filter.part_type_id is not None:
        conditions.append(Part.part_type_id == part_filter.part_type_id)
    if part_filter.lot_id is not None:
        conditions.append(Part.lot_id == part_filter.lot_id)
    if part_filter.begins_with:
        begin = serial_key(part_filter.begins_with)
        conditions += [Part.serial_key >= begin, Part.serial_key < begin + "\U0010ffff"]
    if part_filter.whereabouts is not None:
        conditions.append(Part.whereabouts == part_filter.whereabouts)
    if part_filter.usability is not None:
        conditions.append(_counts_as() == part_filter.usability)
    if part_filter.reserved_for:
        conditions.append(ReservedFor.serial_key == serial_key(part_filter.reserved_for))
    if part_filter.stack:
        conditions.append(Stack.serial_key == serial_key(part_filter.stack))
    if not part_filter.items and part_filter.lot_id is None:
        conditions.append(Part.serial.is_not(None))
    return conditions


# What a part is, and how it stands on its three axes.


RESERVED = aliased(Stack)
OPENER = aliased(Person)
IS_PART, WAS = aliased(Part), aliased(Part)


@dataclass(frozen=True, slots=True)
class PartFacts(PartSaid):
    """What a part is and how it stands on its three axes."""

    label: str
    hours_before_unknown: bool | None
    """nobody knows how long it ran before it came; None: nothing was said of it"""
    supplier: str
    expires_at: datetime | None
    bag_opened_at: datetime | None
    bag_opened_by: str | None
    extended_to: datetime | None
    ends_at: datetime | None
    """the last day of its shelf life, by its lot, opened bag and extension"""
    stack_id: int | None
    reserved_for_stack_id: int | None
    openings_most: int | None
    hours_most: float | None
    marked_face: str | None
    temporary_number: int | None
    is_part_id: int | None
    is_part: str | None
    """serial of the part a temporary one was found to be"""
    was_id: int | None
    """a temporary part that was found to be this one"""
    remarks: Mapping[str, str]
    """what is striking about what was measured against its type, by field"""

    @property
    def measured(self) -> tuple[tuple[Field, float | None], ...]:
        """What was measured of it; None: not measured."""
        return tuple((field, getattr(self, field.name)) for field in MEASURED)

    @property
    def came_with(self) -> Hours:
        """The hours it came with."""
        return Hours(self.hours_before, bool(self.hours_before_unknown))


FACTS = (
    select(
        PartType.name,
        Lot.supplier,
        PartType.thickness_mm,
        PartType.stiffness,
        shares_serial().label("shares_serial"),
        *columns(
            PartFacts,
            Part,
            PartType,
            type_id=PartType.id,
            lot=Lot.label,
            stack_serial=Stack.serial,
            reserved_for=RESERVED.serial,
            expires_at=Lot.expires_at,
            bag_opened_by=OPENER.name,
            ends_at=PART_ENDS,
            is_part=IS_PART.serial,
            was_id=select(func.max(WAS.id)).where(WAS.is_part_id == Part.id).scalar_subquery(),
        ),
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(Stack, Stack.id == Part.stack_id)
    .outerjoin(RESERVED, RESERVED.id == Part.reserved_for_stack_id)
    .outerjoin(IS_PART, IS_PART.id == Part.is_part_id)
    .outerjoin(OPENER, OPENER.id == Part.bag_opened_by_id)
    .where(Part.id == param("part_id"))
)


def part_facts(session: Session, part_id: int) -> PartFacts:
    """Return what a part is and how it stands now. Raises NotFound."""
    row: Any = session.execute(FACTS, {"part_id": part_id}).first()
    if row is None:
        raise NotFound("part", part_id)
    return read_as(
        PartFacts,
        row,
        label=part_label(
            row.serial, row.lot, row.item_number, row.maker if row.shares_serial else ""
        ),
        type_name=row.name,
        supplier=row.supplier or "",
        remarks=remarks_on(
            row._mapping, free_mm(row.thickness_mm, read_stiffness(row.kind, row.stiffness))
        ),
    )


# A part as an entry of a record names it: columns to select, and what is made of them.


PART_NAMED = (
    Part.id.label("part_id"),
    Part.serial,
    Part.item_number,
    PartType.kind.label("part_kind"),
    PartType.name.label("part_type"),
    PartType.marked_face,
    Part.maker,
    Lot.label.label("lot"),
    Lot.id.label("lot_id"),
    Part.whereabouts,
    Part.place,
)


@dataclass(frozen=True, slots=True)
class PartNamed:
    """A part as an entry names it, with where it is by now."""

    id: int
    label: str
    kind: Kind
    part_type: str
    lot: str | None
    lot_id: int | None
    marked_face: str | None
    maker: str
    whereabouts: Whereabouts
    place: str


def part_named(row: Any) -> PartNamed:
    """Make a part's name of a row with `PART_NAMED`."""
    return read_as(
        PartNamed,
        row,
        id=row.part_id,
        label=part_label(row.serial, row.lot, row.item_number),
        kind=row.part_kind,
    )


def part_by_number(session: Session, part_id: int) -> PartNamed:
    """Return how one part is named. One statement. Raises NotFound."""
    row = session.execute(
        select(*PART_NAMED)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id == part_id)
    ).first()
    if row is None:
        raise NotFound("part", part_id)
    return part_named(row)
