"""Holds on parts, lots, part types, designs, instruments, stacks; concessions in spite of them.

A hold on a part sets what may be done with it to “on hold” and remembers what it was; lifting the
last hold gives that back, or says what the part is from now on. Any other hold is read by the
queries (store/queries/forbids.py); no row of its parts changes. A hold on a stack ends its release.
A concession allows uses in one record; a stack has none, its parts may.

A finding that a part must not be used again, and the word that an MEA is failing, place a hold of
their own; undoing the one and withdrawing the other lift that hold and no other.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields

from sqlalchemy import select

from service.designs.tables import Design
from service.platform import changes as given
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import Answers
from service.records.queries.lab_words import reason_said
from service.records.tables import Step
from service.stacks.queries.release_standing import release_ends, released_builds
from service.stacks.tables import Stack
from service.store.arithmetic.acceptance import Acceptance
from service.store.changes import part_axes, parts
from service.store.changes.inspections import decided
from service.store.tables import Concession, Hold, Instrument, Lot, Part, PartType

MOST_TOGETHER = 2000
"""Holds placed at once, at most."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a hold or concession is about: exactly one of these."""

    part_id: int | None = None
    lot_id: int | None = None
    instrument_id: int | None = None
    part_type_id: int | None = None
    design_id: int | None = None
    stack_id: int | None = None

    def __post_init__(self) -> None:
        """Refuse none or several."""
        if sum(key is not None for key in asdict(self).values()) != 1:
            expected = "one part, lot, part type, design, instrument or stack is to be named."
            raise Refused("subject", "", expected)


SUBJECTS = tuple(field.name for field in fields(Subject))


def place_hold(work: Work, subject: Subject, *, reason: str) -> int:
    """Place a hold, with the reason. Gives its id. A fitted part may be held: that is shown."""
    need(work.by, Act.HOLD_WRITE)
    why = given.reason(reason)
    trail_subject = _named(work, subject)
    hold = Hold(**asdict(subject), reason=why, placed_by_id=work.by.id, placed_at=work.now)
    changes: list[Change] = [("hold", None, "placed")]
    if subject.part_id is not None:
        changes.append(_hold_part(work, subject.part_id, hold))
    if subject.stack_id is not None:
        stack = work.session.get_one(Stack, subject.stack_id, with_for_update=True)
        for number in released_builds(work.session, stack.id).values():
            label, was, _ = release_ends(number, stack.serial)
            changes.append((label, was, "ended by this hold"))
    work.session.add(hold)
    work.session.flush()
    work.note(Event.HOLD_PLACED, trail_subject, changes, reason=why, stack_id=subject.stack_id)
    return hold.id


@dataclass(frozen=True, slots=True)
class Placed:
    """Holds placed together, and by name what stood on hold already and was passed over."""

    hold_ids: tuple[int, ...]
    held_before: tuple[str, ...]


def place_holds(
    work: Work, subjects: Sequence[Subject], *, reason: str, about: tuple[str, int, str]
) -> Placed:
    """Place a hold on each of these with one reason: all or none, one entry in the trail.

    ``about``: what they are held for, as the trail names it (kind, id, label). What has a hold of
    its own already is passed over. Raises Refused where nothing is named or all is held, NotFound.
    """
    need(work.by, Act.HOLD_WRITE)
    why = given.reason(reason)
    distinct = list(dict.fromkeys(subjects))
    if not distinct:
        raise Refused("chosen", "", "nothing is chosen.", "Choose at least one, or hold all of it.")
    if len(distinct) > MOST_TOGETHER:
        right = f"At most {MOST_TOGETHER} would be right; a lot is held by one hold."
        raise Refused("chosen", len(distinct), "these are too many at once.", right)
    trail_subjects = {subject: _named(work, subject) for subject in distinct}
    held = _held_already(work, distinct)
    before = tuple(trail_subjects[subject][2] for subject in distinct if subject in held)
    new = [subject for subject in distinct if subject not in held]
    if not new:
        raise Refused("chosen", ", ".join(before), "all of it is on hold already.")
    changes: list[Change] = []
    rows = []
    for subject in new:
        hold = Hold(**asdict(subject), reason=why, placed_by_id=work.by.id, placed_at=work.now)
        kind, _, label = trail_subjects[subject]
        changes.append((f"hold on {kind} {label}", None, "placed"))
        if subject.part_id is not None:
            _, was, now = _hold_part(work, subject.part_id, hold)
            changes.append((f"whether {label} may be used", was, now))
        rows.append(hold)
    work.session.add_all(rows)
    work.session.flush()
    work.note(Event.HOLDS_PLACED, about, changes, reason=why)
    return Placed(tuple(hold.id for hold in rows), before)


def _held_already(work: Work, subjects: Sequence[Subject]) -> set[Subject]:
    """Those of the subjects that have a standing hold of their own."""
    held: set[Subject] = set()
    for name in SUBJECTS:
        ids = [key for subject in subjects if (key := getattr(subject, name)) is not None]
        column = getattr(Hold, name)
        standing = work.session.scalars(
            select(column).where(column.in_(ids), Hold.lifted_at.is_(None))
        )
        held |= {Subject(**{name: key}) for key in standing}
    return held


@dataclass(frozen=True, slots=True)
class PlacedBy:
    """The word that placed a hold: the entry of a finding, or the mark of a failing MEA."""

    step_id: int | None = None
    failing_mark_id: int | None = None
    record_id: int | None = None


def hold_by_word(work: Work, part_id: int, by: PlacedBy, *, reason: str) -> None:
    """Place a hold on a part with the word that asks for it, in the transaction of that word.

    What is scrapped is gone; no hold is needed.
    """
    need(work.by, Act.HOLD_WRITE)
    if work.session.get_one(Part, part_id).whereabouts is Whereabouts.SCRAPPED:
        return
    hold = Hold(
        part_id=part_id,
        reason=reason,
        placed_by_id=work.by.id,
        placed_at=work.now,
        step_id=by.step_id,
        failing_mark_id=by.failing_mark_id,
    )
    changes: list[Change] = [("hold", None, "placed"), _hold_part(work, part_id, hold)]
    work.session.add(hold)
    work.session.flush()
    trail_subject = _named(work, Subject(part_id))
    work.note(Event.HOLD_PLACED, trail_subject, changes, reason=reason, record_id=by.record_id)


def lift_holds_by_word(work: Work, by: PlacedBy, *, reason: str) -> None:
    """Lift what a word placed and nobody has lifted since; ``by`` with a record alone: all its."""
    placed = select(Hold).where(Hold.lifted_at.is_(None), Hold.part_id.is_not(None))
    if by.failing_mark_id is not None:
        placed = placed.where(Hold.failing_mark_id == by.failing_mark_id)
    elif by.step_id is not None:
        placed = placed.where(Hold.step_id == by.step_id)
    else:
        of_record = select(Step.id).where(Step.record_id == by.record_id)
        placed = placed.where(Hold.step_id.in_(of_record))
    for hold in work.session.scalars(placed.order_by(Hold.id).with_for_update()).all():
        _lift(work, hold, reason, None, record_id=by.record_id)


def lift_hold(
    work: Work,
    hold_id: int,
    *,
    reason: str,
    judged: Usability | None = None,
    acceptance: Acceptance | None = None,
) -> None:
    """Lift a hold, with the reason; what is “accepted used” then says on what, and how far.

    With the last hold of a part, it becomes what it was before the first, or what ``judged``
    says. Raises Refused where the hold was lifted before, or another one of the part still stands
    and something was judged.
    """
    need(work.by, Act.HOLD_LIFT)
    why = given.reason(reason)
    hold = work.locked(Hold, hold_id, "hold")
    if hold.lifted_at is not None:
        raise Refused("hold", hold_id, f"it was lifted on {hold.lifted_at:%Y-%m-%d}.")
    _lift(work, hold, why, judged, acceptance)


def _lift(
    work: Work,
    hold: Hold,
    why: str,
    judged: Usability | None,
    acceptance: Acceptance | None = None,
    *,
    record_id: int | None = None,
) -> None:
    hold.lifted_at, hold.lifted_by_id, hold.lift_reason = work.now, work.by.id, why
    work.session.flush()
    changes: list[Change] = [("hold", "placed", "lifted")]
    if hold.part_id is not None:
        changes += _free_part(work, hold, judged, acceptance)
    elif judged is not None:
        raise Refused("judged", judged.value, "only a hold on a part says what it is afterwards.")
    subject = Subject(**{name: getattr(hold, name) for name in SUBJECTS})
    work.note(
        Event.HOLD_LIFTED,
        _named(work, subject),
        changes,
        reason=why,
        stack_id=subject.stack_id,
        record_id=record_id,
    )


def move_holds(work: Work, holds: Sequence[Hold], part_id: int) -> None:
    """Let standing holds of one part stand on another from now on: a part of other changes."""
    for hold in holds:
        _hold_part(work, part_id, hold)
        hold.part_id = part_id
        work.session.flush()


def give_concession(work: Work, subject: Subject, *, reason: str) -> int:
    """Allow uses in one record in spite of a hold, a judgement or a missing calibration.

    Gives its id. A held or rejected part is under concession from then on.
    """
    need(work.by, Act.CONCESSION_GIVE)
    why = reason_said(work.session, given.reason(reason), Answers.CONCESSION, "reason")
    trail_subject = _named(work, subject)
    if subject.stack_id is not None:
        right = "Lift its hold, or give a concession for the part that is to be used elsewhere."
        raise Refused("subject", trail_subject[2], "a stack is not used by concession.", right)
    changes: list[Change] = [("concession", None, "for one record")]
    if subject.part_id is not None:
        part = work.session.get_one(Part, subject.part_id, with_for_update=True)
        if part.whereabouts is Whereabouts.SCRAPPED:
            raise Refused(
                "subject", trail_subject[2], "it is scrapped.", "No concession brings it back."
            )
        if part.usability in {Usability.ON_HOLD, Usability.REJECTED, Usability.NOT_INSPECTED}:
            before, part.usability = part.usability, Usability.UNDER_CONCESSION
            decided(work, part.id)
            changes.append(("whether it may be used", before, part.usability))
    about = {name: key for name, key in asdict(subject).items() if key is not None}
    row = Concession(**about, reason=why, given_by_id=work.by.id, given_at=work.now)
    work.session.add(row)
    work.session.flush()
    work.note(Event.CONCESSION_GIVEN, trail_subject, changes, reason=why)
    return row.id


def _hold_part(work: Work, part_id: int, hold: Hold) -> Change:
    part = work.session.get_one(Part, part_id, with_for_update=True)
    standing = work.session.scalar(
        select(Hold)
        .where(Hold.part_id == part_id, Hold.lifted_at.is_(None))
        .order_by(Hold.id)
        .limit(1)
    )
    before = part.usability
    hold.usability_before = before if standing is None else standing.usability_before
    part.usability = Usability.ON_HOLD
    return ("whether it may be used", before, part.usability)


def _free_part(
    work: Work, hold: Hold, judged: Usability | None, acceptance: Acceptance | None
) -> list[Change]:
    part = work.session.get_one(Part, hold.part_id, with_for_update=True)
    another = work.session.scalar(
        select(Hold.id).where(Hold.part_id == part.id, Hold.lifted_at.is_(None)).limit(1)
    )
    if another is not None:
        if judged is not None:
            raise Refused(
                "judged",
                judged.value,
                "another hold still stands on this part.",
                "“As before” here; what it is, is said with the last hold.",
            )
        return []
    if part.temporary_number is not None and part.is_part_id is None:
        raise Refused(
            "hold",
            part.serial,
            "it has no readable serial and is not identified.",
            "Say which part it is, or give a concession for one use.",
        )
    usability = judged or hold.usability_before or Usability.NOT_INSPECTED
    if judged is not None:
        need(work.by, Act.PART_JUDGE)
        if judged not in parts.JUDGEMENTS:
            allowed = ", ".join(parts.JUDGEMENTS)
            raise Refused("judged", judged.value, "that is no judgement.", f"Right: {allowed}.")
        part_axes.refuse_new_for_used(work, part.id, judged)
    before, part.usability = part.usability, usability
    if usability is not Usability.NOT_INSPECTED:
        decided(work, part.id)
    accepted: list[Change] = []
    if judged is Usability.ACCEPTED_USED:
        accepted = part_axes.accept_used(work, part.id, acceptance, limited=True)
    return [("whether it may be used", before, usability), *accepted]


def _named(work: Work, subject: Subject) -> tuple[str, int, str]:
    """What the trail calls it; NotFound where there is none."""
    if subject.part_id is not None:
        part = work.row(Part, subject.part_id, "part")
        return ("part", part.id, parts.label(work, part))
    if subject.lot_id is not None:
        lot = work.row(Lot, subject.lot_id, "lot")
        return ("lot", lot.id, lot.label)
    if subject.part_type_id is not None:
        part_type = work.row(PartType, subject.part_type_id, "part type")
        return ("part type", part_type.id, part_type.name)
    if subject.design_id is not None:
        design = work.row(Design, subject.design_id, "design")
        return ("design", design.id, f"{design.name} {design.revision}")
    if subject.stack_id is not None:
        stack = work.row(Stack, subject.stack_id, "stack")
        return ("stack", stack.id, stack.serial)
    instrument = work.row(Instrument, subject.instrument_id, "instrument")
    return ("instrument", instrument.id, instrument.label)
