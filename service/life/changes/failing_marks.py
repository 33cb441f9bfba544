"""A person's word that an MEA is failing, and its withdrawal. Both with a reason.

It places a hold on the part, and its withdrawal lifts that hold; comparisons and lives count the
part as failed meanwhile.
"""

from datetime import datetime

from sqlalchemy import select

from service.life.queries.failing import evidence_of
from service.life.tables import FailingMark
from service.platform import changes
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.vocabulary import Kind
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.identifiers import part_label
from service.store.changes.holds import PlacedBy, hold_by_word, lift_holds_by_word
from service.store.tables import Lot, Part, PartType


def confirm_failing(work: Work, part_id: int, *, failed_at: datetime, reason: str) -> int:
    """Confirm that an MEA is failing since a time, with the reason. Gives the mark's id.

    What the rule said is kept beside it, and the MEA is on hold from now on. Raises Refused for
    another part than an MEA, for one that is confirmed already, and for a time ahead.
    """
    need(work.by, Act.FAILING_CONFIRM)
    work.refuse_nobody("signed by", "a person confirms this.")
    label, kind = _label_and_kind(work, part_id)
    if kind is not Kind.MEA:
        raise Refused("part", label, f"it is a {kind}.", "Only an MEA can be confirmed as failing.")
    since = changes.not_ahead("failed_at", failed_at, work.now)
    why = changes.reason(reason)
    if _standing(work, part_id) is not None:
        raise Refused(
            "part", label, "it is confirmed as failing already.", "Withdraw that word first."
        )
    rule_id, evidence = evidence_of(work.session, part_id)
    mark = FailingMark(
        part_id=part_id,
        rule_id=rule_id,
        failed_at=since or failed_at,
        reason=why,
        evidence=canonical_json(evidence),
        confirmed_by_id=work.by.id,
        confirmed_at=work.now,
    )
    work.session.add(mark)
    work.session.flush()
    work.note(
        Event.FAILING_CONFIRMED,
        ("part", part_id, label),
        [("failing since", None, failed_at), ("the rule said", None, evidence.get("answer"))],
        reason=why,
    )
    hold_by_word(
        work, part_id, PlacedBy(failing_mark_id=mark.id), reason=f"Confirmed as failing: {why}"
    )
    return mark.id


def withdraw_failing(work: Work, part_id: int, *, reason: str) -> int:
    """Withdraw the standing word that an MEA is failing, with the reason. Gives the mark's id.

    The hold it placed is lifted, unless somebody has lifted it; any other hold stays.
    """
    need(work.by, Act.FAILING_CONFIRM)
    work.refuse_nobody("signed by", "a person confirms this.")
    label, _kind = _label_and_kind(work, part_id)
    why = changes.reason(reason)
    mark = _standing(work, part_id)
    if mark is None:
        raise Refused("part", label, "nobody's word that it is failing stands.")
    mark.withdrawn_at, mark.withdrawn_by_id, mark.withdrawn_because = work.now, work.by.id, why
    work.session.flush()
    work.note(
        Event.FAILING_WITHDRAWN,
        ("part", part_id, label),
        [("failing since", mark.failed_at, None)],
        reason=why,
    )
    lift_holds_by_word(
        work, PlacedBy(failing_mark_id=mark.id), reason=f"No longer confirmed as failing: {why}"
    )
    return mark.id


def _standing(work: Work, part_id: int) -> FailingMark | None:
    return work.session.scalar(
        select(FailingMark).where(
            FailingMark.part_id == part_id, FailingMark.withdrawn_at.is_(None)
        )
    )


def _label_and_kind(work: Work, part_id: int) -> tuple[str, Kind]:
    """Label and kind of the part, its row locked: words on one MEA come one after another."""
    part = work.locked(Part, part_id, "part")
    kind = work.session.scalars(select(PartType.kind).where(PartType.id == part.part_type_id)).one()
    lot = work.session.scalar(select(Lot.label).where(Lot.id == part.lot_id))
    return part_label(part.serial, lot, part.item_number), kind
