"""Leave to do without a witness: what a record was done with, and what allows a line."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.queries.answers import columns, read_all
from service.platform.queries.statements import param, statement
from service.records.tables import MakeSafeLine, WaiverWhy, WitnessWaiver


@dataclass(frozen=True, slots=True)
class WaiverOfRecord:
    """One waiver of a record, or of who worked in it; ``person`` empty: of the record alone."""

    id: int
    why: WaiverWhy
    reason: str
    person: str | None
    until_at: datetime | None
    given_by: str
    given_at: datetime

    @property
    def in_short(self) -> str:
        """For one line of a printed sheet."""
        return f"No witness ({self.why}): {self.reason.rstrip('.')}; given by {self.given_by}"


@statement
def _waivers() -> Select[*tuple[object, ...]]:
    giver = aliased(Person)
    used = select(MakeSafeLine.waiver_id).where(MakeSafeLine.record_id == param("record_id"))
    return (
        select(
            *columns(
                WaiverOfRecord,
                WitnessWaiver,
                person=with_login(Person),
                given_by=with_login(giver),
            )
        )
        .outerjoin(Person, Person.id == WitnessWaiver.person_id)
        .join(giver, giver.id == WitnessWaiver.given_by_id)
        .where(or_(WitnessWaiver.record_id == param("record_id"), WitnessWaiver.id.in_(used)))
        .order_by(WitnessWaiver.id)
    )


def waivers_of(session: Session, record_id: int) -> tuple[WaiverOfRecord, ...]:
    """Return the waivers given for a record or used in it, the oldest first. One statement."""
    return read_all(WaiverOfRecord, session.execute(_waivers(), {"record_id": record_id}))


def waiver_for(session: Session, record_id: int, person_id: int, at: datetime) -> int | None:
    """Return the waiver that lets a person do without a witness in a record at a time.

    Nobody works by a waiver they gave.
    """
    of_person = and_(
        WitnessWaiver.person_id == person_id,
        WitnessWaiver.given_at <= at,
        WitnessWaiver.until_at >= at,
    )
    return session.scalar(
        select(WitnessWaiver.id)
        .where(
            or_(WitnessWaiver.record_id == record_id, of_person),
            WitnessWaiver.given_by_id != person_id,
        )
        .order_by(WitnessWaiver.record_id.is_(None), WitnessWaiver.id.desc())
        .limit(1)
    )
