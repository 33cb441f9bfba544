"""Corrections: what each changes, who wrote and decided it, and whether it still says so."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.people.tables import Person
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped_as, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.records.tables import Decision, RebuildRecord, RecordState
from service.stacks.tables import Stack

FORM = "layerbook correction 1"


@dataclass(frozen=True, slots=True)
class CorrectionView:
    """One correction with its decision, if there is one; ``holds``: it still says what was hashed.

    ``old_value`` and ``new_value`` are as a person reads them, times in ISO 8601 UTC.
    """

    id: int
    record_id: int
    record_state: RecordState
    stack_id: int
    stack: str
    of: CorrectionOf
    subject_id: int | None
    subject_label: str
    old_value: str
    new_value: str
    new_part_id: int | None
    new_number: float | None
    new_time: datetime | None
    reason: str
    state: CorrectionState
    written_by_id: int
    written_by: str
    written_at: datetime
    content_sha256: str
    decided_by: str | None
    decided_at: datetime | None
    decided_roles: str | None
    decided_reason: str | None
    signed_sha256: str | None
    record_content_sha256: str | None

    @property
    def computed_sha256(self) -> str:
        """The hash of what the row says now."""
        return sha256_of(canonical_json(document_of(self)))

    @property
    def holds(self) -> bool:
        """Say whether the row, its hash and the signature agree."""
        signed = self.signed_sha256 is None or self.signed_sha256 == self.content_sha256
        decided = self.state is CorrectionState.WAITING or self.signed_sha256 is not None
        return signed and decided and self.computed_sha256 == self.content_sha256

    @property
    def is_time(self) -> bool:
        """Say whether the values are times."""
        return self.new_time is not None

    @property
    def old_time(self) -> datetime | None:
        """The old value, where the values are times."""
        return datetime.fromisoformat(self.old_value) if self.is_time else None


def document_of(correction: Any) -> dict[str, object]:
    """Return what of a correction is hashed and signed; of the row or the view of it."""
    return {
        "form": FORM,
        "record": correction.record_id,
        "of": correction.of.value,
        "subject": correction.subject_id,
        "subject_label": correction.subject_label,
        "old_value": correction.old_value,
        "new_value": correction.new_value,
        "new_part": correction.new_part_id,
        "new_number": correction.new_number,
        "new_time": _written(correction.new_time),
        "reason": correction.reason,
        "written": {
            "by": correction.written_by_id,
            "at": _written(correction.written_at),
        },
    }


def correction(session: Session, correction_id: int) -> CorrectionView:
    """Return one correction. Raises NotFound."""
    row = session.execute(_views().where(Correction.id == correction_id)).first()
    if row is None:
        raise NotFound("correction", correction_id)
    return read_as(CorrectionView, row)


def corrections_of_records(
    session: Session, record_ids: Collection[int]
) -> dict[int, tuple[CorrectionView, ...]]:
    """Return all corrections of each of these records, in the order they were written.

    One statement.
    """
    rows = session.execute(
        _views().where(Correction.record_id.in_(record_ids)).order_by(Correction.id)
    )
    found = grouped_as(rows, "record_id", lambda row: read_as(CorrectionView, row))
    return {record_id: tuple(found[record_id]) for record_id in record_ids}


OLDEST = Order((Correction.id,))


def corrections_waiting(session: Session, turn: Turn = FIRST) -> Listing[CorrectionView]:
    """Return corrections nobody has decided on yet, the oldest first. One statement."""
    statement = _views().where(Correction.state == CorrectionState.WAITING)
    return listing(session, statement, OLDEST, turn, partial(read_all, CorrectionView))


def _views() -> Select[*tuple[Any, ...]]:
    decision = aliased(Decision)
    return (
        select(
            *columns(
                CorrectionView,
                Correction,
                record_state=RebuildRecord.state,
                stack_id=Stack.id,
                stack=Stack.serial,
                written_by=Person.name,
                decided_by=decision.person_name,
                decided_at=decision.at,
                decided_roles=decision.person_roles,
                decided_reason=decision.reason,
                signed_sha256=decision.content_sha256,
                record_content_sha256=RebuildRecord.content_sha256,
            )
        )
        .join(RebuildRecord, RebuildRecord.id == Correction.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Person, Person.id == Correction.written_by_id)
        .outerjoin(decision, decision.correction_id == Correction.id)
    )


def _written(at: datetime | None) -> str | None:
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%f}Z"
