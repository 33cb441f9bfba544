"""What waits for somebody's decision and belongs to no stack alone: proposals, roles, people.

Records and corrections that wait stand with their stacks.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from sqlalchemy import Integer, String, cast, literal, null, select, union_all
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.limits.queries import limits_wait
from service.limits.tables import LimitSet
from service.people.queries.passwords import newest_password
from service.people.tables import PasswordMade, RoleRequest
from service.people.tables import Person as PersonRow
from service.platform.permissions import Act, Person, RecordFacts, may
from service.platform.tables import BigKey
from service.records.queries.records import people_on
from service.records.tables import RebuildRecord, RecordState, VoidProposal
from service.stacks.tables import Stack
from service.store.queries.proposals import proposal_waits
from service.store.tables import ProposedChange

PROPOSAL, LIMITS, ROLE, PERSON, VOID = range(5)
ASKING = {
    PROPOSAL: (Act.CHANGE_APPROVE, "Proposed: {what} of {name}", "/proposals/{id}"),
    LIMITS: (
        Act.LIMITS_APPROVE,
        "Limits of {name}, version {what}, wait to be put in force",
        "/limits/{id}",
    ),
    ROLE: (Act.ROLE_DECIDE, "The role {what} is asked for {name}", "/people/{login}"),
    PERSON: (
        Act.PERSON_CONFIRM,
        "{name} waits to be confirmed: an admin made their password",
        "/people/{login}",
    ),
    VOID: (
        Act.RECORD_VOID,
        "Record {id} of {name} is proposed to be made void",
        "/records/{id}/approval#making-void",
    ),
}
"""Of each kind what deciding on it asks for, its sentence, and the address where it is decided."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """One thing that waits, where it is decided, and since when it waits."""

    sentence: str
    address: str
    since: datetime


def decisions_for(session: Session, person: Person, now: datetime) -> tuple[Waiting, ...]:
    """Return what this person may decide, the longest-waiting first. Two statements."""
    rows = session.execute(DECISIONS).all()
    involved = people_on(session, {row.subject_id for row in rows if row.kind == VOID})
    return tuple(_of_this_person(rows, involved, person, now))


def _of_this_person(
    rows: Any, involved: dict[int, frozenset[int]], person: Person, now: datetime
) -> Iterator[Waiting]:
    for row in rows:
        had_a_part = involved.get(row.subject_id, frozenset()) if row.kind == VOID else frozenset()
        facts = RecordFacts(written_by=row.by_id, involved=had_a_part)
        if row.kind == ROLE:  # after a day whoever asked may decide on it, too
            facts = RecordFacts()
            is_own = person.id in (row.by_id, row.other_id) and now < row.alone_from
        else:
            is_own = person.id == row.other_id
        act, sentence, address = ASKING[row.kind]
        if not is_own and may(person, act, facts):
            values = {
                "id": row.subject_id,
                "what": row.what,
                "name": row.name,
                "login": quote(row.login or "", safe=""),
            }
            yield Waiting(sentence.format(**values), address.format(**values), row.since)


def _columns(
    kind: int, subject_id: Any, *, what: Any, name: Any, by_id: Any, since: Any, **more: Any
) -> Any:
    return select(
        cast(literal(kind), Integer).label("kind"),
        cast(subject_id, BigKey).label("subject_id"),
        cast(what, String).label("what"),
        name.label("name"),
        by_id.label("by_id"),
        since.label("since"),
        cast(more.get("other_id", null()), BigKey).label("other_id"),
        cast(more.get("login", null()), String).label("login"),
        more.get("alone_from", since).label("alone_from"),
    )


def _proposals() -> Any:
    return _columns(
        PROPOSAL,
        ProposedChange.id,
        what=ProposedChange.kind,
        name=ProposedChange.subject_label,
        by_id=ProposedChange.made_by_id,
        since=ProposedChange.made_at,
    ).where(proposal_waits())


def _limits() -> Any:
    return (
        _columns(
            LIMITS,
            LimitSet.id,
            what=LimitSet.version,
            name=Design.name + " " + Design.revision,
            by_id=LimitSet.made_by_id,
            since=LimitSet.made_at,
        )
        .join(Design, Design.id == LimitSet.design_id)
        .where(limits_wait())
    )


def _roles() -> Any:
    return (
        _columns(
            ROLE,
            RoleRequest.id,
            what=RoleRequest.role,
            name=PersonRow.name,
            by_id=RoleRequest.asked_by_id,
            since=RoleRequest.asked_at,
            other_id=RoleRequest.person_id,
            login=PersonRow.login,
            alone_from=RoleRequest.alone_from,
        )
        .join(PersonRow, PersonRow.id == RoleRequest.person_id)
        .where(RoleRequest.decided_at.is_(None))
    )


def _people() -> Any:
    """Those who chose their own password since, so that a code stands on their screen."""
    return (
        _columns(
            PERSON,
            PersonRow.id,
            what=null(),
            name=PersonRow.name,
            by_id=PasswordMade.made_by_id,
            since=PasswordMade.made_at,
            other_id=PersonRow.id,
            login=PersonRow.login,
        )
        .join(PasswordMade, PasswordMade.id == newest_password())
        .where(
            PersonRow.active,
            PasswordMade.made_by_id.is_not(None),
            PasswordMade.changed_at.is_not(None),
            PasswordMade.confirmed_at.is_(None),
        )
    )


def _voids() -> Any:
    return (
        _columns(
            VOID,
            RebuildRecord.id,
            what=null(),
            name=Stack.serial,
            by_id=VoidProposal.proposed_by_id,
            since=VoidProposal.proposed_at,
        )
        .join(RebuildRecord, RebuildRecord.id == VoidProposal.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
            VoidProposal.record_version == RebuildRecord.version,
        )
    )


DECISIONS = union_all(_proposals(), _limits(), _roles(), _people(), _voids()).order_by("since")
