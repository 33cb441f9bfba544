"""Undo: the last entry that stands, whoever made it; and accepting a departure from the design."""

from datetime import datetime

from sqlalchemy import select, update

from service.designs.arithmetic.grammar_findings import Severity
from service.people.tables import Person
from service.platform import changes
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Question, Refused
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import Answers
from service.records.changes import journal
from service.records.changes.eligibility import give_back_concessions
from service.records.queries.inserted import opened_since
from service.records.queries.lab_words import reason_said
from service.records.queries.pile_checks import pile_check
from service.records.tables import RebuildRecord, Step, StepKind, TorqueReading
from service.stacks.tables import HourReading
from service.store.arithmetic.identifiers import part_label
from service.store.changes.holds import PlacedBy, lift_holds_by_word
from service.store.changes.inspections import ask_no_more
from service.store.tables import Lot, Part

# Undo: in one press, whoever made the entry. It stays, struck out.

TOOK_OFF = (StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)
PUT_IN = (StepKind.PUT_ON, StepKind.FIXING_FITTED)
BACK_IN_REACH = (Whereabouts.LIFTED_OFF, Whereabouts.IN_STORE)


def undo_last(work: Work, record_id: int, version: int | None, *, because: str = "") -> int:
    """Undo the last standing entry of a record being written; give the undone entry's id.

    What it did to parts, readings and times is taken back; nothing is deleted. A counted item that
    was taken from its lot stays a part, in store. Raises Refused where nothing stands, or where a
    part lifted off here has been used elsewhere since; Question where somebody else made it and
    nobody says why it is undone.
    """
    record = journal.lock_record(work, record_id, version)
    step = work.session.scalar(
        select(Step)
        .where(Step.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence.desc())
        .limit(1)
        .with_for_update()
    )
    if step is None:
        raise Refused("record", f"record {record_id}", "there is no entry left to undo.")
    why = changes.optional_words("because", because, most=2000)
    if step.by_id != work.by.id and not why:
        raise _whose(work, step)
    step.undone_at, step.undone_by_id = work.now, work.by.id
    taken_back = _take_back(work, record, step)
    work.session.flush()
    give_back_concessions(work, record, step)
    undone = f"Entry {step.sequence} of record {record_id} was undone."
    lift_holds_by_word(work, PlacedBy(step_id=step.id, record_id=record_id), reason=undone)
    ask_no_more(work, record_id, step_id=step.id, reason=undone)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"entry {step.sequence} undone: {step.kind}",
            ((f"entry {step.sequence}", step.kind, "undone"), *taken_back),
            why,
            did=Event.RECORD_UNDONE,
        ),
    )
    return step.id


def _whose(work: Work, step: Step) -> Question:
    """Return the question why an entry of somebody else is undone."""
    name = work.session.scalars(select(Person.name).where(Person.id == step.by_id)).one()
    return Question(
        "because",
        "",
        f"entry {step.sequence}, {step.kind}, was made by {name}. Why is it undone?",
        "Say why; the trail keeps it.",
        answers={},
        facts={"made by": name, "entry": str(step.sequence)},
    )


def _take_back(work: Work, record: RebuildRecord, step: Step) -> tuple[Change, ...]:
    if step.kind in (*TOOK_OFF, *PUT_IN) and opened_since(work.session, record):
        return ()
    if step.kind in TOOK_OFF:
        return _fitted_again(work, record, step)
    if step.kind in PUT_IN:
        return _back_where_it_was(work, step)
    if step.kind is StepKind.OPENED:
        before, record.opened_at = record.opened_at, None
        _no_longer_known(work, step)
        return (("opened at", before, None),)
    if step.kind is StepKind.CLOSED:
        before, record.closed_at = record.closed_at, None
        _no_longer_known(work, step)
        return (("closed at", before, None),)
    _no_longer_known(work, step)
    return ()


def _no_longer_known(work: Work, step: Step) -> None:
    """Readings of an undone entry are closed out, not deleted."""
    for table in (TorqueReading, HourReading):
        work.session.execute(
            update(table)
            .where(table.step_id == step.id, table.known_until.is_(None))
            .values(known_until=work.now)
        )


def _fitted_again(work: Work, record: RebuildRecord, step: Step) -> tuple[Change, ...]:
    part = work.session.get_one(Part, step.part_id, with_for_update=True)
    label = _label(work, part)
    if part.whereabouts not in BACK_IN_REACH:
        place = "fitted elsewhere" if part.whereabouts is Whereabouts.FITTED else part.whereabouts
        raise Refused(
            "record",
            label,
            f"it was lifted off here and is {place} by now, so this cannot be undone.",
            "Take that back first.",
        )
    before = part.whereabouts
    part.whereabouts, part.stack_id = Whereabouts.FITTED, record.stack_id
    part.place = step.place_before
    put_on_here = work.session.scalar(
        select(Step)
        .where(
            Step.record_id == record.id,
            Step.part_id == part.id,
            Step.kind.in_(PUT_IN),
            Step.undone_at.is_(None),
        )
        .order_by(Step.sequence.desc())
        .limit(1)
    )
    if put_on_here is not None:
        put_on_here.standing = True
    return ((f"where {label} is", before, "fitted"),)


def _back_where_it_was(work: Work, step: Step) -> tuple[Change, ...]:
    part = work.session.get_one(Part, step.part_id, with_for_update=True)
    step.standing = False
    before = step.whereabouts_before or Whereabouts.IN_STORE
    part.whereabouts, part.stack_id, part.place = before, None, step.place_before
    return ((f"where {_label(work, part)} is", "fitted", before),)


def _label(work: Work, part: Part) -> str:
    lot = work.session.get(Lot, part.lot_id) if part.lot_id else None
    return part_label(part.serial, lot.label if lot else None, part.item_number)


# Accepting a departure from the design: one finding of the check, as it reads, with the reason.
#
# It is for findings which need a concession. Whoever may give concessions may accept one; having
# had a part in the record, they cannot approve it. What the finding says is kept as it read: once
# the pile is another, so that it reads otherwise, it has to be accepted anew.


def accept_departure(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    departs_from: str,
    reason: str,
    done_at: datetime | None = None,
) -> int:
    """Accept a finding that needs a concession; give the entry's id.

    ``departs_from`` is the finding as it reads. Raises Refused where the check does not say so,
    where the finding blocks the hand-in whatever the reason, or was accepted before.
    """
    need(work.by, Act.CONCESSION_GIVE)
    record = journal.lock_record(work, record_id, version)
    _refuse_unless_open_to_it(work, record_id, departs_from)
    why = reason_said(work.session, changes.reason(reason), Answers.DEPARTURE, "reason")
    at = journal.done_at_of(work, record, done_at)
    step = journal.add_step(
        work, record, StepKind.DEPARTURE, at, note=why, departs_from=departs_from
    )
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"departure accepted by {work.by.name}",
            (("departs from", None, departs_from), ("done at", None, at)),
            why,
        ),
    )
    return step.id


def _refuse_unless_open_to_it(work: Work, record_id: int, departs_from: str) -> None:
    by_sentence = {
        judgement.finding.sentence: judgement
        for judgement in pile_check(work.session, record_id).judged
    }
    judgement = by_sentence.get(departs_from)
    if judgement is None:
        raise Refused(
            "departs_from",
            departs_from,
            "the check of the pile does not say this as the pile stands now.",
            "Look at the list again.",
        )
    if judgement.departure is not None:
        raise Refused(
            "departs_from", departs_from, f"{judgement.departure.by} has accepted it already."
        )
    if judgement.severity is not Severity.CONCESSION:
        reason = (
            "no reason makes this right: it has to be mended."
            if judgement.severity is Severity.BLOCKS
            else "it is a remark and needs nobody's leave."
        )
        raise Refused("departs_from", departs_from, reason, judgement.finding.mend)
