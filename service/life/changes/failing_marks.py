"""A person's word on an MEA: failed, suspected or end of life; and its withdrawal.

“Failed” and “suspected” place a hold on the part, their withdrawal lifts it; comparisons and lives
count as failed only what failed. A suspicion ends with another word or its withdrawal.
"""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select

from service.life.arithmetic.grounds import MeaWord
from service.life.queries.failing import evidence_of
from service.life.queries.grounds import GroundSeen, grounds_offered
from service.life.tables import FailingGround, FailingMark
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


def confirm_failing(
    work: Work,
    part_id: int,
    *,
    failed_at: datetime,
    reason: str,
    grounds: Sequence[str],
    says: MeaWord = MeaWord.FAILED,
) -> int:
    """Say that an MEA failed, is suspected or at its end of life since a time. Gives the mark's id.

    ``grounds`` by their keys (`grounds_offered`); a suspicion may rest on its reason alone. What
    the rule said is kept beside it. Raises Refused for another part than an MEA, for one with
    a standing word that is no suspicion, for a time ahead, and for a ground that is not its own.
    """
    need(work.by, Act.FAILING_CONFIRM)
    work.refuse_nobody("signed by", "a person confirms this.")
    label, kind = _label_and_kind(work, part_id)
    if kind is not Kind.MEA:
        raise Refused(
            "part",
            label,
            f"it is a {kind}.",
            "Only an MEA can be failed, suspected or at its end of life.",
        )
    since = changes.not_ahead("failed_at", failed_at, work.now)
    why = changes.reason(reason)
    chosen = _chosen_grounds(work, part_id, label, says, grounds)
    standing = _standing(work, part_id)
    if standing is not None:
        if standing.says is not MeaWord.SUSPECTED or says is MeaWord.SUSPECTED:
            reason_not = f"somebody said “{standing.says}” of it already."
            raise Refused("part", label, reason_not, "Withdraw that word first.")
        withdraw_failing(work, part_id, reason=f"Decided: {says}. {why}")
    rule_id, evidence = evidence_of(work.session, part_id)
    mark = FailingMark(
        part_id=part_id,
        says=says,
        rule_id=rule_id,
        failed_at=since or failed_at,
        reason=why,
        evidence=canonical_json(evidence),
        confirmed_by_id=work.by.id,
        confirmed_at=work.now,
    )
    work.session.add(mark)
    work.session.flush()
    work.session.add_all(
        FailingGround(mark_id=mark.id, kind=of.kind, finding_id=of.finding_id, test_id=of.test_id)
        for of in chosen
    )
    work.session.flush()
    work.note(
        Event.FAILING_CONFIRMED,
        ("part", part_id, label),
        [
            ("it is", None, says),
            ("since", None, failed_at),
            *(("ground", None, of.words) for of in chosen),
            ("the rule said", None, evidence.get("answer")),
        ],
        reason=why,
    )
    if says.holds:
        hold_by_word(
            work, part_id, PlacedBy(failing_mark_id=mark.id), reason=f"{says.capitalize()}: {why}"
        )
    return mark.id


def withdraw_failing(work: Work, part_id: int, *, reason: str) -> int:
    """Withdraw the standing word on an MEA, with the reason. Gives the mark's id.

    The hold it placed is lifted, unless somebody has lifted it; any other hold stays.
    """
    need(work.by, Act.FAILING_CONFIRM)
    work.refuse_nobody("signed by", "a person confirms this.")
    label, _kind = _label_and_kind(work, part_id)
    why = changes.reason(reason)
    mark = _standing(work, part_id)
    if mark is None:
        raise Refused("part", label, "nobody's word on it stands.")
    mark.withdrawn_at, mark.withdrawn_by_id, mark.withdrawn_because = work.now, work.by.id, why
    work.session.flush()
    work.note(
        Event.FAILING_WITHDRAWN,
        ("part", part_id, label),
        [("it is", mark.says, None), ("since", mark.failed_at, None)],
        reason=why,
    )
    lift_holds_by_word(
        work, PlacedBy(failing_mark_id=mark.id), reason=f"No longer {mark.says}: {why}"
    )
    return mark.id


def _chosen_grounds(
    work: Work, part_id: int, label: str, says: MeaWord, keys: Sequence[str]
) -> list[GroundSeen]:
    if not keys and says is not MeaWord.SUSPECTED:
        right = "Its voltage or hours, a test of its stack, or a finding on it."
        raise Refused("grounds", "", f"“{says}” needs a ground.", right)
    offered = {of.key: of for of in grounds_offered(work.session, part_id)}
    for key in keys:
        if key not in offered:
            right = f"One of: {', '.join(offered)}."
            raise Refused("grounds", key, f"it is no ground of {label}.", right)
    return [offered[key] for key in dict.fromkeys(keys)]


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
