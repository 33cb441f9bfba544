"""What must not be used and why, and the concessions which allow it once."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotFound
from service.store.tables.holds import Concession, Hold
from service.store.tables.instruments import Instrument
from service.store.tables.parts import Lot, Part

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
        """Be true where a concession allows one use in spite of it."""
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
    """Why must this part, lot or instrument not be used now? Empty where nothing forbids it.

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
    """Which concession allows this use: one not used yet, or already used in ``record_id``?

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
