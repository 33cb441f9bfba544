"""Changes that were proposed: one with what it would change, and all that wait."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from sqlalchemy import Select, and_, exists, select
from sqlalchemy.orm import Session, aliased

from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import sha256_of
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.store.tables import ChangeKind, ProposedChange

ADDRESSES = {
    ChangeKind.STIFFNESS: "/part-types",
    ChangeKind.CALIBRATION: "/instruments/calibrations",
    ChangeKind.MAKE_SAFE_LIST: "/make-safe",
    ChangeKind.LOT_SHELF_LIFE: "/lots",
    ChangeKind.PART_SHELF_LIFE: "/parts",
    ChangeKind.IDENTITY: "/parts",
}
MADE, APPROVED = aliased(Person), aliased(Person)


@dataclass(frozen=True, slots=True)
class Proposal:
    """One proposed change. ``holds``: its content is what was hashed when it was written."""

    id: int
    kind: ChangeKind
    subject_id: int
    subject_label: str
    content: str
    """plain data as canonical JSON: what is wanted"""
    content_sha256: str
    source: str
    reason: str
    made_by_id: int | None
    """none: carried over, written by nobody"""
    made_by: str | None
    made_at: datetime
    approved_by: str | None
    approved_at: datetime | None
    remarks: str | None
    is_newest: bool
    holds: bool
    changes: tuple[tuple[str, Any, Any], ...]

    @property
    def waits(self) -> bool:
        """Say whether it can be approved."""
        return self.is_newest and self.approved_at is None

    @property
    def name(self) -> str:
        """What people call it."""
        return f"{self.kind} of {self.subject_label}"

    @property
    def about(self) -> str:
        """The page of what it changes."""
        if self.kind is ChangeKind.LAB_WORDS:
            return f"/words?list={self.subject_label}"
        if self.kind is ChangeKind.TAP_MAP:
            return f"/stacks/{quote(self.subject_label, safe='')}/taps"
        return f"{ADDRESSES.get(self.kind, '/designs')}/{self.subject_id}"


def proposal(session: Session, proposal_id: int) -> Proposal:
    """Return one proposal. One statement. Raises NotFound."""
    row = session.execute(_rows().where(ProposedChange.id == proposal_id)).one_or_none()
    if row is None:
        raise NotFound("proposal", proposal_id)
    return _proposal(row)


def proposals_waiting(
    session: Session, kind: ChangeKind | None = None, subject_id: int | None = None
) -> tuple[Proposal, ...]:
    """Return what waits for an approval, the longest-waiting first. One statement."""
    statement = _rows().where(proposal_waits())
    if kind is not None:
        statement = statement.where(ProposedChange.kind == kind)
    if subject_id is not None:
        statement = statement.where(ProposedChange.subject_id == subject_id)
    rows: Sequence[Any] = session.execute(statement.order_by(ProposedChange.id)).all()
    return tuple(map(_proposal, rows))


def proposals_of(
    session: Session, kind: ChangeKind, subject_id: int | None = None
) -> tuple[Proposal, ...]:
    """Return everything that was proposed of a kind, the newest first. One statement."""
    statement = _rows().where(ProposedChange.kind == kind)
    if subject_id is not None:
        statement = statement.where(ProposedChange.subject_id == subject_id)
    rows: Sequence[Any] = session.execute(statement.order_by(ProposedChange.id.desc())).all()
    return tuple(map(_proposal, rows))


def proposal_waits() -> Any:
    """Restrict proposals to those somebody can approve: the newest of a thing, not yet in force."""
    return and_(ProposedChange.approved_at.is_(None), ~_newer())


def _newer() -> Any:
    later = aliased(ProposedChange)
    return exists().where(
        later.kind == ProposedChange.kind,
        later.subject_id == ProposedChange.subject_id,
        later.id > ProposedChange.id,
    )


def _rows() -> Select[*tuple[Any, ...]]:
    return (
        select(
            ProposedChange.changes.label("changes_text"),
            *(
                column
                for column in columns(
                    Proposal,
                    ProposedChange,
                    made_by=with_login(MADE),
                    approved_by=with_login(APPROVED),
                    is_newest=~_newer(),
                )
                if column.key != "changes"
            ),
        )
        .outerjoin(MADE, MADE.id == ProposedChange.made_by_id)
        .outerjoin(APPROVED, APPROVED.id == ProposedChange.approved_by_id)
    )


def _proposal(row: Any) -> Proposal:
    return read_as(
        Proposal,
        row,
        holds=sha256_of(row.content) == row.content_sha256,
        changes=tuple(tuple(change) for change in json.loads(row.changes_text)),
    )
