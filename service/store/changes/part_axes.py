"""A part's three axes, each changed by its own function with the reason.

Where a part is (``move_part``, ``bring_back``), whether it may be used (``judge_part``, and holds
in store/changes/holds.py), what it is reserved for (``reserve_part``). Fitting and lifting
off belong to rebuild records.
"""

from collections.abc import Collection
from dataclasses import asdict

from sqlalchemy import exists, select

from service.designs.tables import Design
from service.life.queries.grounds import findings_to_rest_on
from service.platform import changes as given
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Facing, Usability, Whereabouts
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.proof.queries.part_leak_tests import leak_tests_of_part
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.tables import Fixing, Layer, Stack
from service.store.arithmetic.acceptance import CHOSEN, FIELDS, Acceptance, Basis
from service.store.changes.inspections import decided
from service.store.changes.parts import (
    PLACES_BY_HAND,
    label,
    locked_part,
    refuse_no_judgement,
    refuse_place_by_record,
)
from service.store.tables import AcceptedUsed, Hold, Part


def move_part(
    work: Work, part_id: int, *, whereabouts: Whereabouts, place: str, reason: str
) -> None:
    """Say where a part is now, with the reason.

    Refused: fitted or lifted off (a rebuild record does that), out of a stack, out of an opening
    whose record is still being written, back from being scrapped (``bring_back``).
    """
    need(work.by, Act.PART_WRITE)
    row, _ = locked_part(work, part_id)
    why = given.reason(reason)
    refuse_place_by_record(whereabouts, PLACES_BY_HAND)
    if row.whereabouts is Whereabouts.SCRAPPED:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            "it is scrapped, and what is scrapped does not come back by moving it.",
            "Reversing the scrapping, with its reason, would be right.",
        )
    _refuse_held_by_record(work, row, whereabouts)
    _moved(work, row, whereabouts, place, why)


def bring_back(
    work: Work, part_id: int, *, whereabouts: Whereabouts, place: str, reason: str
) -> None:
    """Reverse the scrapping of a part that was written down in error, with the reason.

    It comes back not inspected and needs leave to judge parts.
    """
    need(work.by, Act.PART_JUDGE)
    row, _ = locked_part(work, part_id)
    why = given.reason(reason)
    refuse_place_by_record(whereabouts, PLACES_BY_HAND)
    if row.whereabouts is not Whereabouts.SCRAPPED:
        raise Refused("whereabouts", row.whereabouts.value, "it is not scrapped.", "Moving it.")
    if whereabouts is Whereabouts.SCRAPPED:
        raise Refused("whereabouts", whereabouts.value, "that is where it is.", "In store.")
    before = row.usability
    if before is not Usability.ON_HOLD and row.temporary_number is None:
        row.usability = Usability.NOT_INSPECTED
    used: Change = ("whether it may be used", before, row.usability)
    _moved(work, row, whereabouts, place, f"Scrapping reversed: {why}", used)


def find_again(work: Work, part_id: int, *, place: str) -> None:
    """Say that a part which could not be found is there again, and where.

    Nobody knows how it lay meanwhile: it is not inspected, unless a hold stands on it.
    """
    need(work.by, Act.PART_WRITE)
    row, _ = locked_part(work, part_id)
    where = given.words("place", place, "The shelf or tray it lies on now.", most=200)
    if row.whereabouts is not Whereabouts.MISSING:
        raise Refused("whereabouts", row.whereabouts.value, "it is not missing.", "Moving it.")
    before = row.usability
    if before in JUDGED:
        row.usability = Usability.NOT_INSPECTED
    used: Change = ("whether it may be used", before, row.usability)
    _moved(work, row, Whereabouts.IN_STORE, where, "Found again.", used)


JUDGED = (Usability.ACCEPTED, Usability.ACCEPTED_USED)


def judge_part(
    work: Work,
    part_id: int,
    *,
    usability: Usability,
    reason: str,
    acceptance: Acceptance | None = None,
) -> None:
    """Say whether a part may be used, with the reason; what is accepted used says on what.

    Refused: while a hold of its own stands (lifting it says what the part is afterwards),
    “accepted” for a part that was fitted before, holds and concessions, which have their own pages.
    """
    need(work.by, Act.PART_JUDGE)
    row, _ = locked_part(work, part_id)
    why = given.reason(reason)
    refuse_no_judgement(usability)
    held = exists().where(Hold.part_id == part_id, Hold.lifted_at.is_(None))
    if work.session.scalar(select(held)):
        raise Refused(
            "usability",
            usability.value,
            "a hold stands on it.",
            "Lifting the hold, which asks what it is afterwards, would be right.",
        )
    if row.whereabouts is Whereabouts.SCRAPPED:
        raise Refused("usability", usability.value, "it is scrapped.", "Nothing is to be judged.")
    refuse_new_for_used(work, part_id, usability)
    changes: list[Change] = [("whether it may be used", row.usability, usability)]
    if usability is Usability.ACCEPTED_USED:
        changes += accept_used(work, part_id, acceptance)
    row.usability = usability
    decided(work, part_id)
    work.note(
        Event.PART_JUDGED,
        ("part", part_id, label(work, row)),
        changes,
        reason=why,
    )


def accept_used(
    work: Work, part_id: int, acceptance: Acceptance | None, *, limited: bool = False
) -> list[Change]:
    """Keep what a used part is accepted on and how far: a part of other changes.

    ``limited``: it was on hold, so that a limit has to be said. Raises Refused.
    """
    if acceptance is None or acceptance.basis is Basis.NOT_RECORDED:
        raise Refused("basis", "", "nobody said what it rests on.", f"One of: {', '.join(CHOSEN)}.")
    kept = given.checked(acceptance, FIELDS[1:-1], work.now)
    if kept.cell_to is not None and kept.cell_to < (kept.cell_from or 1):
        raise Refused("cell_to", kept.cell_to, "it lies before the first cell.", "A later cell.")
    if limited and not kept.limits and kept.design_id is None:
        right = "Hours or openings in all, a design, cells, or the same face as before."
        raise Refused("until_hours_h", "", "no limit is said for a part that was on hold.", right)
    _refuse_finding(work, part_id, kept)
    _refuse_leak_test(work, part_id, kept.leak_test_id)
    measured = (kept.thickness_mm, kept.leak_test_id, kept.leak or None)
    if kept.basis is Basis.MEASUREMENT and measured == (None, None, None):
        right = "The thickness, the leak, or another basis."
        raise Refused("thickness_mm", "", "nothing measured is given.", right)
    design = None if kept.design_id is None else work.row(Design, kept.design_id, "design")
    facing = work.session.scalar(
        select(Layer.facing)
        .where(Layer.part_id == part_id, Layer.known_until.is_(None))
        .order_by(Layer.id.desc())
        .limit(1)
    )
    facing_before = None if facing is Facing.EITHER else facing
    if kept.same_anode_side and facing_before is None:
        reason = "which way it lay before is not known."
        raise Refused("same_anode_side", "yes", reason, "Leave it out.")
    work.session.add(
        AcceptedUsed(
            part_id=part_id,
            facing_before=facing_before,
            by_id=work.by.id or None,
            at=work.now,
            **asdict(kept),
        )
    )
    return [
        *(
            (f"accepted used: {field.label}", None, getattr(kept, field.name) or None)
            for field in FIELDS
        ),
        ("accepted used: for design", None, design and f"{design.name} {design.revision}"),
    ]


def _refuse_finding(work: Work, part_id: int, kept: Acceptance) -> None:
    """Refuse a basis “finding” that names none of the part's, and a finding for another basis."""
    if (kept.basis is Basis.FINDING) != (kept.finding_id is not None):
        right = "A finding on this part with the basis “finding”, none with another."
        raise Refused("finding_id", kept.finding_id or "", "basis and finding differ.", right)
    offered = {seen.finding_id for seen in findings_to_rest_on(work.session, part_id)}
    if kept.finding_id is not None and kept.finding_id not in offered:
        right = f"Of this part: {', '.join(map(str, sorted(filter(None, offered)))) or 'none'}."
        raise Refused("finding_id", kept.finding_id, "it is no finding on this part.", right)


def _refuse_leak_test(work: Work, part_id: int, test_id: int | None) -> None:
    """Refuse to rest on a leak test of other parts, that has ended, or did not pass."""
    if test_id is None:
        return
    tests = {test.id: test for test in leak_tests_of_part(work.session, part_id)}
    test = tests.get(test_id)
    if test is None or test.now is not Verdict.PASS:
        why = "it is of other parts." if test is None else f"it is worth: {test.now}."
        passed = [str(each.id) for each in tests.values() if each.now is Verdict.PASS]
        right = (
            f"Of this part pass: {', '.join(passed)}." if passed else "None passes of this part."
        )
        raise Refused("leak_test_id", test_id, why, right)


MOST_JUDGED = 2000
"""Parts judged at once, at most."""


def judge_parts(
    work: Work,
    part_ids: Collection[int],
    *,
    usability: Usability,
    reason: str,
    acceptance: Acceptance | None = None,
) -> None:
    """Say of several parts at once whether they may be used, with one reason: all or none.

    Each has its entry in the trail, as `judge_part` writes it. Raises Refused where nothing is
    chosen, or for the first part that cannot be judged so.
    """
    need(work.by, Act.PART_JUDGE)
    distinct = list(dict.fromkeys(part_ids))
    if not distinct:
        raise Refused("chosen", "", "nothing is chosen.", "Choose at least one.")
    if len(distinct) > MOST_JUDGED:
        right = f"At most {MOST_JUDGED} would be right."
        raise Refused("chosen", len(distinct), "these are too many at once.", right)
    for part_id in distinct:
        judge_part(work, part_id, usability=usability, reason=reason, acceptance=acceptance)


def reserve_part(work: Work, part_id: int, *, stack_id: int | None, reason: str) -> None:
    """Reserve a part for a change of a stack, or free it (``stack_id`` None), with the reason."""
    need(work.by, Act.PART_WRITE)
    row, _ = locked_part(work, part_id)
    why = given.reason(reason)
    before = _stack_serial(work, row.reserved_for_stack_id)
    serial = _stack_serial(work, stack_id)
    if stack_id is not None and serial is None:
        raise NotFound("stack", stack_id)
    if stack_id is not None and row.reserved_for_stack_id not in {None, stack_id}:
        raise Refused(
            "stack",
            serial,
            f"it is reserved for stack {before} already.",
            "Freeing it first, with the reason, would be right.",
        )
    if stack_id is not None and row.whereabouts in {
        Whereabouts.SCRAPPED,
        Whereabouts.FITTED,
        Whereabouts.MISSING,
    }:
        raise Refused(
            "stack",
            serial,
            f"the part is {row.whereabouts}.",
            "A part in store, expected, away or lifted off can be reserved.",
        )
    row.reserved_for_stack_id = stack_id
    work.note(
        Event.PART_RESERVED,
        ("part", part_id, label(work, row)),
        [("reserved for", before, serial)],
        reason=why,
        stack_id=stack_id,
    )


def refuse_new_for_used(work: Work, part_id: int, usability: Usability) -> None:
    """Refuse to accept a part as new that was in a build: it is accepted as used."""
    if usability is not Usability.ACCEPTED:
        return
    fitted = exists().where(Layer.part_id == part_id) | exists().where(Fixing.part_id == part_id)
    if work.session.scalar(select(fitted)):
        raise Refused(
            "usability",
            usability.value,
            "it was fitted before, so it is not as new.",
            f"“{Usability.ACCEPTED_USED}” would be right.",
        )


def _moved(
    work: Work, row: Part, whereabouts: Whereabouts, place: str, why: str, *more: Change
) -> None:
    place = given.optional_words("place", place)
    changes: list[Change] = [
        ("where it is", row.whereabouts, whereabouts),
        ("place", row.place, place),
        *more,
    ]
    row.whereabouts, row.place = whereabouts, place
    if whereabouts is Whereabouts.SCRAPPED and row.reserved_for_stack_id is not None:
        before = _stack_serial(work, row.reserved_for_stack_id)
        changes.append(("reserved for", before, None))
        row.reserved_for_stack_id = None
    work.note(Event.PART_MOVED, ("part", row.id, label(work, row)), changes, reason=why)


def _refuse_held_by_record(work: Work, row: Part, whereabouts: Whereabouts) -> None:
    if row.whereabouts is Whereabouts.FITTED:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            f"it is fitted in stack {_stack_serial(work, row.stack_id)}.",
            "Lifting it off in a rebuild record of that stack would be right.",
        )
    if row.whereabouts is not Whereabouts.LIFTED_OFF:
        return
    record_id = work.session.scalar(
        select(RebuildRecord.id)
        .join(Step, Step.record_id == RebuildRecord.id)
        .where(
            Step.part_id == row.id,
            Step.kind.in_((StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)),
            Step.undone_at.is_(None),
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
        )
    )
    if record_id is not None:
        raise Refused(
            "whereabouts",
            whereabouts.value,
            f"it was lifted off in record {record_id}, which is still being written.",
            f"Handing in record {record_id} first would be right.",
        )


def _stack_serial(work: Work, stack_id: int | None) -> str | None:
    if stack_id is None:
        return None
    return work.session.scalar(select(Stack.serial).where(Stack.id == stack_id))
