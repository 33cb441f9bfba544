"""What must not be used and why, and the concessions which allow it once."""

from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any, Literal

from sqlalchemy import ColumnElement, Row, Select, and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Concession, Hold, Instrument, Lot, Part, PartType

Cause = Literal["hold", "lot hold", "usability", "gone"]


@dataclass(frozen=True, slots=True)
class Forbids:
    """One reason why a part, lot or instrument must not be used.

    ``cause``: a hold of its own, a hold on its lot, what was judged of it, or that it is gone
    (scrapped, withdrawn from use). A concession cannot bring back what is gone.
    """

    cause: Cause
    sentence: str
    hold_id: int | None = None
    reason: str = ""
    since: datetime | None = None

    @property
    def concession_may(self) -> bool:
        """Say whether a concession allows one use in spite of it."""
        return self.cause != "gone"


JUDGED = {
    Usability.NOT_INSPECTED: "It has not been inspected: it may be used once it is accepted.",
    Usability.REJECTED: "It is rejected.",
    Usability.UNDER_CONCESSION: "It may be used only under a concession.",
}


def what_forbids(
    session: Session,
    part_id: int | None = None,
    *,
    lot_id: int | None = None,
    instrument_id: int | None = None,
) -> tuple[Forbids, ...]:
    """Return why this part, lot or instrument must not be used now.

    Empty where nothing forbids it.

    Give exactly one of the three. A hold on a lot holds all its parts. Raises NotFound.
    """
    if part_id is not None:
        return _of_part(session, part_id)
    if lot_id is not None:
        label = session.scalar(select(Lot.label).where(Lot.id == lot_id))
        if label is None:
            raise NotFound("lot", lot_id)
        return _standing(session, Hold.lot_id == lot_id, f"Lot {label}", "hold")
    row = session.execute(
        select(Instrument.label, Instrument.in_use).where(Instrument.id == instrument_id)
    ).first()
    if row is None:
        raise NotFound("instrument", instrument_id)
    held = _standing(session, Hold.instrument_id == instrument_id, row.label, "hold")
    if row.in_use:
        return held
    return (Forbids("gone", f"{row.label} was withdrawn from use."), *held)


def _standing(
    session: Session, condition: ColumnElement[bool], named: str, cause: Cause
) -> tuple[Forbids, ...]:
    rows = session.execute(
        select(Hold.id, Hold.reason, Hold.placed_at, Person.name)
        .join(Person, Person.id == Hold.placed_by_id)
        .where(Hold.lifted_at.is_(None), condition)
        .order_by(Hold.placed_at)
    ).all()
    return tuple(
        Forbids(
            cause,
            f"{named} is on hold since {row.placed_at:%Y-%m-%d}, by {row.name}: {row.reason}",
            row.id,
            row.reason,
            row.placed_at,
        )
        for row in rows
    )


def _of_part(session: Session, part_id: int) -> tuple[Forbids, ...]:
    rows = session.execute(
        select(
            Part.usability,
            Part.whereabouts,
            Lot.label.label("lot"),
            Hold.id.label("hold_id"),
            Hold.lot_id.label("held_lot_id"),
            Hold.reason,
            Hold.placed_at,
            Person.name,
        )
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(
            Hold,
            and_(
                Hold.lifted_at.is_(None),
                or_(Hold.part_id == Part.id, Hold.lot_id == Part.lot_id),
            ),
        )
        .outerjoin(Person, Person.id == Hold.placed_by_id)
        .where(Part.id == part_id)
        .order_by(Hold.placed_at)
    ).all()
    if not rows:
        raise NotFound("part", part_id)
    found: list[Forbids] = []
    if rows[0].whereabouts is Whereabouts.SCRAPPED:
        found.append(Forbids("gone", "It is scrapped."))
    for row in rows:
        if row.hold_id is None:
            continue
        of_lot = row.held_lot_id is not None
        named = f"Its lot {row.lot}" if of_lot else "It"
        sentence = f"{named} is on hold since {row.placed_at:%Y-%m-%d}, by {row.name}: {row.reason}"
        cause: Cause = "lot hold" if of_lot else "hold"
        found.append(Forbids(cause, sentence, row.hold_id, row.reason, row.placed_at))
    judged = JUDGED.get(rows[0].usability)
    held = any(forbids.cause == "hold" for forbids in found)
    if judged and not (held and rows[0].usability is Usability.UNDER_CONCESSION):
        found.append(Forbids("usability", judged))
    return tuple(found)


def unused_concession(
    session: Session,
    *,
    part_id: int | None = None,
    lot_id: int | None = None,
    instrument_id: int | None = None,
    record_id: int | None = None,
    since: datetime | None = None,
) -> int | None:
    """Return a concession that allows this use, unused or already used in ``record_id``.

    A concession allows uses in one record. For a part, one given for its lot counts as well.
    ``since``: only one given then or later, for whoever gave an earlier one knew of no hold.
    The caller writes ``used_in_record_id`` when it is used.
    """
    subject: ColumnElement[bool]
    if part_id is not None:
        lot_of_part = select(Part.lot_id).where(Part.id == part_id).scalar_subquery()
        subject = or_(Concession.part_id == part_id, Concession.lot_id == lot_of_part)
    elif lot_id is not None:
        subject = Concession.lot_id == lot_id
    else:
        subject = Concession.instrument_id == instrument_id
    free: ColumnElement[bool] = Concession.used_in_record_id.is_(None)
    if record_id is not None:
        free = or_(free, Concession.used_in_record_id == record_id)
    return session.scalar(
        select(Concession.id)
        .where(subject, free, *(() if since is None else (Concession.given_at >= since,)))
        .order_by(
            (Concession.used_in_record_id == record_id).desc().nulls_last(),
            Concession.part_id.is_(None),
            Concession.id,
        )
        .limit(1)
    )


# Holds and concessions: listed, one by one, and those of one part, lot or instrument.


SubjectKind = Literal["part", "lot", "instrument"]


PLURALS: dict[str, str] = {"part": "parts", "lot": "lots", "instrument": "instruments"}


@dataclass(frozen=True, slots=True)
class HeldSubject:
    """What a hold or concession is about."""

    kind: SubjectKind
    id: int
    label: str
    more: str
    """its part type, or the kind of instrument"""
    where: str = ""
    """where the part is now"""

    @property
    def address(self) -> str:
        """The address of its page."""
        return f"/{PLURALS[self.kind]}/{self.id}"


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
    instrument_id: int | None = None


EVERYTHING = About()


MOST = 500
"""As many as the page of one subject shows."""
LATEST_HOLD = Order((Hold.id,), descending=True)
LATEST_CONCESSION = Order((Concession.id,), descending=True)
Lifter = aliased(Person, name="lifter")


def holds(
    session: Session,
    about: About = EVERYTHING,
    turn: Turn = FIRST,
    *,
    lifted_too: bool = False,
) -> Listing[HoldRow]:
    """Return holds, the latest first. One statement."""
    statement = _of(_holds(), Hold, about)
    if not lifted_too:
        statement = statement.where(Hold.lifted_at.is_(None))
    return listing(session, statement, LATEST_HOLD, turn, partial(map, _hold))


def hold(session: Session, hold_id: int) -> HoldRow:
    """Return one hold. Raises NotFound."""
    row = session.execute(_holds().where(Hold.id == hold_id)).first()
    if row is None:
        raise NotFound("hold", hold_id)
    return _hold(row)


def concessions(
    session: Session,
    about: About = EVERYTHING,
    turn: Turn = FIRST,
    *,
    used_too: bool = False,
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
    """Return the part, lot or instrument a form is about. One statement. Raises NotFound."""
    columns = _subject_columns()
    statement: Select[Any]
    if about.part_id is not None:
        statement = (
            select(*columns)
            .select_from(Part)
            .join(PartType, PartType.id == Part.part_type_id)
            .outerjoin(Lot, Lot.id == Part.lot_id)
            .outerjoin(Stack, Stack.id == Part.stack_id)
            .outerjoin(Instrument, Instrument.id.is_(None))
            .where(Part.id == about.part_id)
        )
        kind, key = "part", about.part_id
    elif about.lot_id is not None:
        statement = (
            select(*columns)
            .select_from(Lot)
            .join(PartType, PartType.id == Lot.part_type_id)
            .outerjoin(Part, Part.id.is_(None))
            .outerjoin(Stack, Stack.id.is_(None))
            .outerjoin(Instrument, Instrument.id.is_(None))
            .where(Lot.id == about.lot_id)
        )
        kind, key = "lot", about.lot_id
    else:
        statement = (
            select(*columns)
            .select_from(Instrument)
            .outerjoin(Part, Part.id.is_(None))
            .outerjoin(PartType, PartType.id.is_(None))
            .outerjoin(Lot, Lot.id.is_(None))
            .outerjoin(Stack, Stack.id.is_(None))
            .where(Instrument.id == about.instrument_id)
        )
        kind, key = "instrument", about.instrument_id or 0
    row = session.execute(statement).first()
    if row is None:
        raise NotFound(kind, key)
    return _subject(row)


def _subject_columns() -> tuple[Any, ...]:
    return (
        Part.id.label("part_id"),
        Part.serial,
        Part.item_number,
        Part.whereabouts,
        Stack.serial.label("stack"),
        PartType.name.label("type_name"),
        Lot.id.label("lot_id"),
        Lot.label.label("lot"),
        Instrument.id.label("instrument_id"),
        Instrument.label.label("instrument"),
        Instrument.kind.label("instrument_kind"),
    )


def _with_subject(table: type[Hold] | type[Concession]) -> Select[Any]:
    """The row's subject: its part with the part's lot, its lot, or its instrument."""
    return (
        select(*_subject_columns())
        .select_from(table)
        .outerjoin(Part, Part.id == table.part_id)
        .outerjoin(Lot, (Lot.id == table.lot_id) | (Lot.id == Part.lot_id))
        .outerjoin(PartType, (PartType.id == Part.part_type_id) | (PartType.id == Lot.part_type_id))
        .outerjoin(Stack, Stack.id == Part.stack_id)
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
    if about.part_id is not None:
        return statement.where(table.part_id == about.part_id)
    if about.lot_id is not None:
        return statement.where(table.lot_id == about.lot_id)
    if about.instrument_id is not None:
        return statement.where(table.instrument_id == about.instrument_id)
    return statement


def _subject(row: Row[Any]) -> HeldSubject:
    if row.instrument_id is not None:
        return HeldSubject("instrument", row.instrument_id, row.instrument, row.instrument_kind)
    if row.part_id is None:
        return HeldSubject("lot", row.lot_id, row.lot, row.type_name)
    fitted = row.whereabouts is Whereabouts.FITTED
    where = f"fitted in {row.stack}" if fitted else str(row.whereabouts)
    label = part_label(row.serial, row.lot, row.item_number)
    return HeldSubject("part", row.part_id, label, row.type_name, where)


def _hold(row: Row[Any]) -> HoldRow:
    return read_as(
        HoldRow, row, id=row.own_id, subject=_subject(row), placed_by=row.by, lifted_by=row.lifter
    )
