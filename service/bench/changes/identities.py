"""Saying which part a temporary one is, and taking that back: proposed, and approved by another.

What is known of the one becomes known of the other by corrections of the records in which it was
put there. Its entries, findings and photos keep its temporary name, as they were signed, and are
read with the part it is.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select, union

from service.bench.changes.approvals import sign
from service.bench.changes.correction_entries import copy_row
from service.bench.changes.corrections import put_in_force
from service.bench.queries.correction_effects import (
    Sitting,
    part_effects,
    part_states,
    sittings,
)
from service.bench.queries.corrections import Correctable, Fact, PartFacts, correctable, document_of
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.life.tables import FailingGround, FailingMark
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.audit import Change, Event, changes_text
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, RecordFacts, need
from service.platform.queries.statements import known
from service.records.queries.records import people_on
from service.records.tables import Finding, Meaning, RebuildRecord, Step
from service.stacks.queries.part_hours import part_hours
from service.stacks.queries.release_standing import release_ends, released_builds
from service.stacks.tables import Build, Fixing, Layer
from service.store.changes.holds import move_holds
from service.store.changes.identities import UNREAD, hold_unread
from service.store.changes.proposals import propose
from service.store.tables import ChangeKind, Hold, Inspection, Part, PartType, ProposedChange

NOT_KNOWN = "not identified"
PUT_THERE = (CorrectionOf.LAYER_PART, CorrectionOf.FIXING)


@dataclass(frozen=True, slots=True)
class _Merge:
    """A temporary part and the part it is, or was taken for; ``back``: it is taken back."""

    temporary: Part
    right: Part
    back: bool

    @property
    def leaves(self) -> Part:
        """The part that is not there any more."""
        return self.right if self.back else self.temporary

    @property
    def takes(self) -> Part:
        """The part that is there instead."""
        return self.temporary if self.back else self.right


@dataclass(frozen=True, slots=True)
class _Effects:
    """What changes with it, as the proposal shows it, and what stands against it."""

    changes: tuple[Change, ...]
    conflicts: tuple[str, ...]
    record_ids: tuple[int, ...]


def propose_identity(work: Work, temporary_id: int, part_id: int | None, *, reason: str) -> int:
    """Propose which part a temporary one is; ``part_id`` None: it is not the one it was taken for.

    Gives the proposal's number. Raises Refused naming every conflict: where the right part sat
    elsewhere at the same time, what is being written, what is waiting for a decision.
    """
    need(work.by, Act.CORRECTION_WRITE)
    why = given.reason(reason)
    merge = _merge(work, temporary_id, part_id)
    effects = _effects(work, merge)
    _refuse_conflicts(merge, effects)
    return propose(
        work,
        ChangeKind.IDENTITY,
        (temporary_id, merge.temporary.serial or ""),
        {"part": None if merge.back else merge.right.id},
        effects.changes,
        reason=why,
        act=Act.CORRECTION_WRITE,
    )


def put_identity_in_force(work: Work, approved: ProposedChange, content: Any) -> None:
    """Let the right part be known wherever the temporary one was, or the other way round.

    Whoever had a part in a record that is corrected does not approve it. Raises Refused where
    something else would change than was shown.
    """
    merge = _merge(work, approved.subject_id, content["part"])
    effects = _effects(work, merge)
    _refuse_conflicts(merge, effects)
    if _compared(changes_text(effects.changes)) != _compared(approved.changes):
        raise Refused(
            "proposal",
            merge.temporary.serial,
            "something else would change by now than was shown.",
            "Propose it anew: it shows what would change today.",
        )
    involved = people_on(work.session, effects.record_ids, with_corrections=False)
    for record_id in effects.record_ids:
        facts = RecordFacts(written_by=approved.made_by_id or 0, involved=involved[record_id])
        need(work.by, Act.CORRECTION_DECIDE, facts)
    where = {part.id: _where(part) for part in (merge.leaves, merge.takes)}
    more = _correct(work, merge, effects.record_ids, approved)
    _move_rest(work, merge, where, effects.record_ids)
    shown = {what for what, _before, _then in effects.changes}
    work.note(
        Event.PART_IDENTIFIED,
        ("part", merge.temporary.id, merge.temporary.serial or ""),
        [*effects.changes, *(change for change in more if change[0] not in shown)],
        reason=approved.reason,
    )


def _compared(changes: str) -> list[Any]:
    return [change for change in json.loads(changes) if not change[0].startswith(HOURS)]


def _merge(work: Work, temporary_id: int, part_id: int | None) -> _Merge:
    temporary = work.locked(Part, temporary_id, "part")
    name = temporary.serial or str(temporary_id)
    if temporary.temporary_number is None:
        raise Refused("part", name, "it has no temporary identity.", "A part without a serial.")
    if part_id is None:
        if temporary.is_part_id is None:
            raise Refused("part", name, "nobody said which part it is.", "Nothing to take back.")
        return _Merge(temporary, work.locked(Part, temporary.is_part_id, "part"), back=True)
    right = work.locked(Part, part_id, "part")
    if temporary.is_part_id is not None:
        raise Refused("part", name, "it is identified already.", "Take that back first.")
    if right.serial is None or right.temporary_number is not None:
        raise Refused("serial", right.serial, "it has no serial of a maker.", "The right part.")
    kinds = [work.session.get_one(PartType, part.part_type_id).kind for part in (temporary, right)]
    if kinds[0] is not kinds[1]:
        raise Refused("serial", right.serial, f"it is a {kinds[1]}.", f"A {kinds[0]}.")
    return _Merge(temporary, right, back=False)


def _refuse_conflicts(merge: _Merge, effects: _Effects) -> None:
    if effects.conflicts:
        right = "Another part; or correct first what is wrong there."
        raise Refused("serial", merge.right.serial, " ".join(effects.conflicts), right)


def _records(work: Work, merge: _Merge) -> tuple[int, ...]:
    """The records to be corrected: all that put the temporary part there, or were corrected so."""
    if merge.back:
        return tuple(json.loads(merge.temporary.came_over or "{}")["records"])
    builds = union(
        *(
            select(table.build_id).where(table.part_id == merge.temporary.id, known(table))
            for table in (Layer, Fixing)
        )
    )
    held = select(Build.record_id).where(Build.id.in_(builds)).order_by(Build.record_id)
    return tuple(
        record_id
        for record_id in work.session.scalars(held)
        if _facts(correctable(work.session, record_id), merge.temporary.id)
    )


def _facts(record: Correctable, part_id: int) -> list[tuple[Fact, PartFacts]]:
    return [
        (fact, fact.details)
        for fact in record.facts
        if fact.of in PUT_THERE
        and isinstance(fact.details, PartFacts)
        and fact.details.part_id == part_id
    ]


def _effects(work: Work, merge: _Merge) -> _Effects:
    session, leaves, takes = work.session, merge.leaves, merge.takes
    states = part_states(session, [leaves.id, takes.id])
    names = {part_id: state.label for part_id, state in states.items()}
    conflicts: list[str] = []
    moved: dict[int, Sitting] = {}
    record_ids = _records(work, merge)
    for record_id in record_ids:
        record = correctable(session, record_id)
        for fact, details in _facts(record, leaves.id):
            if record.is_waiting(fact.of, fact.subject_id):
                conflicts.append(f"A correction of {fact.label} waits for a decision.")
            effects = part_effects(session, details, record.stack_id, takes.id)
            conflicts += effects.conflicts
            sat = [each.sitting for each in effects.replaced]
            moved |= {s.row_id: s for s in sat if s.part_id == leaves.id}
    of_right = [s for s in sittings(session, [merge.right.id]) if s.row_id not in moved]
    if merge.back:
        last = max((s.closed_at for s in moved.values()), default=None)
        conflicts += [
            f"{names[leaves.id]} was put on in {s.where} since."
            for s in of_right
            if last is not None and s.closed_at > last
        ]
    else:
        conflicts += [
            f"{names[takes.id]} was in {s.where} at that time; a part is in one place only."
            for s in of_right
            if any(s.overlaps(m.closed_at, m.opened_at) for m in moved.values())
        ]
        if takes.whereabouts in {Whereabouts.FITTED, Whereabouts.SCRAPPED}:
            where = f"{states[takes.id].where}; {names[leaves.id]} is {states[leaves.id].where}"
            conflicts.append(f"{names[takes.id]} is {where}.")
    known_as = (NOT_KNOWN, names[merge.right.id])
    changes = (
        (f"what {merge.temporary.serial} is", *(reversed(known_as) if merge.back else known_as)),
        *((s.where, names[leaves.id], names[takes.id]) for s in moved.values()),
        *_hours(work, merge, {s.build_id for s in moved.values()}),
        (f"where {names[takes.id]} is", states[takes.id].where, states[leaves.id].where),
        *_releases(work, moved.values()),
        *_what_follows(work, merge),
    )
    return _Effects(changes, tuple(dict.fromkeys(conflicts)), record_ids)


HOURS = "hours of "
"""These go on while a proposal waits: they are shown, and not compared."""


def _hours(work: Work, merge: _Merge, build_ids: set[int]) -> Iterator[Change]:
    """What each part has run, before and then, in h."""
    hours = part_hours(work.session, [merge.leaves.id, merge.takes.id])
    of_builds = hours[merge.leaves.id].in_builds
    ran = sum(of_builds[build_id].hours for build_id in build_ids if build_id in of_builds)
    for part, change in ((merge.leaves, -ran), (merge.takes, ran)):
        before = hours[part.id].total.hours
        yield (f"{HOURS}{part.serial}", f"{before:.1f} h", f"{before + change:.1f} h")


def _releases(work: Work, moved: Iterable[Sitting]) -> Iterator[Change]:
    builds = {s.build_id for s in moved}
    for stack_id, stack in {s.stack_id: s.stack for s in moved}.items():
        for build_id, number in released_builds(work.session, stack_id).items():
            if build_id in builds:
                yield release_ends(number, stack)


def _what_follows(work: Work, merge: _Merge) -> Iterator[Change]:
    """The findings and holds that are read with the right part, or no more."""
    temporary, label = merge.temporary, merge.right.serial
    seen = work.session.scalar(
        select(func.count(Finding.id))
        .join(Step, Step.id == Finding.step_id)
        .where(Finding.part_id == temporary.id, Step.undone_at.is_(None), known(Finding))
    )
    words = f"{seen} with {temporary.serial}"
    if seen:
        yield (f"findings of {label}", *((words, None) if merge.back else (None, words)))
    if (word := _word_to_move(work, merge)) is not None:
        yield (f"somebody’s word “{word.says}”", merge.leaves.serial, merge.takes.serial)
    for hold in _holds_to_move(work, merge):
        yield (f"hold {hold.id}, {hold.reason}", merge.leaves.serial, merge.takes.serial)


def _holds_to_move(work: Work, merge: _Merge) -> Sequence[Hold]:
    """Standing holds that follow: all but for want of a serial; back, those that came over."""
    standing = select(Hold).where(Hold.part_id == merge.leaves.id, Hold.lifted_at.is_(None))
    if merge.back:
        came = json.loads(merge.temporary.came_over or "{}")["holds"]
        standing = standing.where(Hold.id.in_(came))
    else:
        standing = standing.where(~Hold.reason.startswith(UNREAD))
    return work.session.scalars(standing.order_by(Hold.id)).all()


def _correct(
    work: Work, merge: _Merge, record_ids: Iterable[int], approved: ProposedChange
) -> list[Change]:
    """Correct each record in which the part was put there, signed with the proposal."""
    changes: list[Change] = []
    for record_id in record_ids:
        held = work.locked(RebuildRecord, record_id, "record")
        record = correctable(work.session, record_id)
        for fact, _details in _facts(record, merge.leaves.id):
            correction = Correction(
                record_id=record_id,
                of=fact.of,
                subject_id=fact.subject_id,
                subject_label=fact.label[:200],
                old_value=fact.old_value,
                new_value=merge.takes.serial or "",
                new_part_id=merge.takes.id,
                reason=f"Proposal {approved.id}: {approved.reason}",
                state=CorrectionState.WAITING,
                written_by_id=approved.made_by_id or 0,
                written_at=approved.made_at,
                content_sha256="",
            )
            correction.content_sha256 = sha256_of(canonical_json(document_of(correction)))
            work.session.add(correction)
            work.session.flush()
            signed = correction.content_sha256
            sign(work, held, Meaning.CORRECTION_APPROVED, signed, correction_id=correction.id)
            changes += put_in_force(work, record, correction)
            correction.state = CorrectionState.APPROVED
            held.version += 1
    work.session.flush()
    return changes


Where = tuple[Whereabouts, int | None, str]


def _where(part: Part) -> Where:
    return part.whereabouts, part.stack_id, part.place


def _put(part: Part, where: Where) -> None:
    part.whereabouts, part.stack_id, part.place = where


def _move_rest(
    work: Work, merge: _Merge, where: Mapping[int, Where], record_ids: Sequence[int]
) -> None:
    """Let what stands on the one stand on the other, and say where each is."""
    temporary, right = merge.temporary, merge.right
    holds = _holds_to_move(work, merge)
    asked = select(Inspection).where(
        Inspection.part_id == merge.leaves.id, Inspection.decided_at.is_(None)
    )
    kept = json.loads(temporary.came_over or "{}")
    if merge.back:
        asked = asked.where(Inspection.id.in_(kept["inspections"]))
    inspections = work.session.scalars(asked).all()
    word_id = _move_word(work, merge, holds)
    if merge.back:
        whereabouts, stack_id, place, usability = kept["right"]
        _put(right, (Whereabouts(whereabouts), stack_id, place))
        others = select(Hold.id).where(Hold.part_id == right.id, Hold.lifted_at.is_(None))
        if holds and set(work.session.scalars(others)) == {hold.id for hold in holds}:
            right.usability = Usability(usability)
        temporary.is_part_id = temporary.came_over = None
        hold_unread(work, temporary, f"it is not {right.serial} after all")
    else:
        came_over = {
            "records": list(record_ids),
            "holds": [hold.id for hold in holds],
            "inspections": [inspection.id for inspection in inspections],
            "right": [*where[right.id], right.usability],
            "word": word_id,
        }
        temporary.is_part_id, temporary.came_over = right.id, canonical_json(came_over)
        _put(temporary, (Whereabouts.SCRAPPED, None, f"is {right.serial}"))
    move_holds(work, holds, merge.takes.id)
    for inspection in inspections:
        inspection.part_id = merge.takes.id
    if not merge.back:
        for hold in work.session.scalars(
            select(Hold).where(Hold.part_id == temporary.id, Hold.lifted_at.is_(None))
        ):
            hold.lifted_at, hold.lifted_by_id = work.now, work.by.id
            hold.lift_reason = f"Identified as {right.serial}"
        temporary.usability = Usability.REJECTED
    _put(merge.takes, where[merge.leaves.id])
    work.session.flush()


def _word_to_move(work: Work, merge: _Merge) -> FailingMark | None:
    """Return the word that the part is failing; back, only the one that came over."""
    standing = select(FailingMark).where(
        FailingMark.withdrawn_at.is_(None), FailingMark.part_id == merge.leaves.id
    )
    if merge.back:
        came = json.loads(merge.temporary.came_over or "{}")["word"]
        standing = standing.where(FailingMark.id == came)
    return work.session.scalar(standing)


def _move_word(work: Work, merge: _Merge, holds: Iterable[Hold]) -> int | None:
    """Say of the one part what somebody confirmed of the other; give the new word's id."""
    word = _word_to_move(work, merge)
    if word is None:
        return None
    word.withdrawn_at, word.withdrawn_by_id = work.now, work.by.id
    word.withdrawn_because = f"It is {merge.takes.serial}."
    work.session.flush()
    said_too = select(FailingMark.id).where(
        FailingMark.withdrawn_at.is_(None), FailingMark.part_id == merge.takes.id
    )
    if work.session.scalar(said_too) is not None:
        return None
    again = {"withdrawn_at": None, "withdrawn_by_id": None, "withdrawn_because": ""}
    said: FailingMark = copy_row(work, word, part_id=merge.takes.id, **again)
    grounds = select(FailingGround).where(FailingGround.mark_id == word.id)
    for ground in work.session.scalars(grounds).all():
        copy_row(work, ground, mark_id=said.id)
    for hold in holds:
        if hold.failing_mark_id == word.id:
            hold.failing_mark_id = said.id
    return said.id
