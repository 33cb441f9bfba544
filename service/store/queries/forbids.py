"""Whether a part may go into a stack, and if not why; the same of lots and instruments.

One rule for one part and for many: the bench, its lists, the changeover plan, the imports, the API
and the check before hand-in ask here. A concession allows one use in spite of what it says, but
brings nothing back that is gone, fitted elsewhere or kept for another stack.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, exists, false, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.people.tables import Person
from service.platform.arithmetic.dates import span_of
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all
from service.platform.queries.statements import param, param_list
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.calibrations import THROUGH_THE_DAY
from service.store.queries.acceptances import WORD_FORBIDS, accepted_elsewhere
from service.store.queries.lot_trees import REACHED, reaches
from service.store.queries.shelf_lives import LOT_ENDS, PART_ENDS, have_run
from service.store.queries.stack_holds import parts_of_held_stacks
from service.store.queries.words_on_use import MANY, asked_about, rejected_at
from service.store.tables import (
    Concession,
    Hold,
    Instrument,
    Lot,
    Part,
    PartType,
)


class Cause(StrEnum):
    """What forbids a use; the value is its shortest name."""

    GONE = "gone"
    FITTED = "fitted"
    RESERVED = "reserved"
    HOLD = "on hold"
    LOT_HOLD = "lot on hold"
    TYPE_HOLD = "part type on hold"
    DESIGN_HOLD = "design on hold"
    STACK_HOLD = "stack on hold"
    FAILED = "failed"
    SUSPECTED = "suspected"
    END_OF_LIFE = "end of life"
    RULE_MET = "failing by the rule"
    JUDGED = "not accepted"
    EXPIRED = "past its shelf life"
    OTHER_DESIGN = "accepted for another design"
    CALIBRATION = "out of calibration"


OF_PLACE = frozenset({Cause.GONE, Cause.FITTED, Cause.RESERVED})
"""Told of a part by where it is: no concession helps."""
WORDS = frozenset({Cause.FAILED, Cause.SUSPECTED, Cause.END_OF_LIFE})
HOLDS = frozenset(
    {Cause.HOLD, Cause.LOT_HOLD, Cause.TYPE_HOLD, Cause.DESIGN_HOLD, Cause.STACK_HOLD}
)


@dataclass(frozen=True, slots=True)
class Forbids:
    """One reason why a part, lot or instrument must not be used.

    ``word`` names it briefly, ``mend`` says what would be right. ``since`` is when somebody said
    so, where somebody did.
    """

    cause: Cause
    sentence: str
    hold_id: int | None = None
    reason: str = ""
    since: datetime | None = None
    mend: str = ""
    judged: Usability | None = None

    @property
    def concession_may(self) -> bool:
        """Say whether a concession allows one use in spite of it."""
        return self.cause not in OF_PLACE

    @property
    def word(self) -> str:
        """The reason in a word or two, with what was said of it."""
        if self.judged is not None:
            return str(self.judged)
        name = Cause.HOLD if self.cause in HOLDS else self.cause
        return f"{name}: {self.reason.rstrip('.')}" if self.reason else str(name)


JUDGED = {
    Usability.NOT_INSPECTED: "It has not been inspected: it may be used once it is accepted.",
    Usability.REJECTED: "It is rejected.",
    Usability.ON_HOLD: "It is on hold.",
    Usability.UNDER_CONCESSION: "It may be used only under a concession.",
}
NOT_AT_HAND = {
    Whereabouts.EXPECTED: "It is expected and has not been received.",
    Whereabouts.AWAY: "It is away.",
    Whereabouts.SCRAPPED: "It is scrapped.",
    Whereabouts.MISSING: "It cannot be found, so the records say.",
}

Held = Mapping[tuple[Cause, int], list[Any]]
"""Standing holds by what they are on."""

Wanted = Collection[int] | ColumnElement[bool]
"""Parts or lots by their ids, or by a condition of `Part` with its `PartType`, or of `Lot`."""


MANY_OF = (set, frozenset, list, tuple, Select)


def bears_on(
    *,
    part: Any = None,
    lot: Any = None,
    part_type: Any = None,
    design: Any = None,
    stack: Any = None,
    at: datetime | None = None,
) -> ColumnElement[bool]:
    """Say which holds forbid the use of something of this part, lot, type, design and stack.

    Each is a column, a value, a collection or a select of values; None: not asked. Those that
    stand, or stood ``at`` a time.
    """
    pairs = (
        (Hold.part_id, part),
        (Hold.part_type_id, part_type),
        (Hold.design_id, design),
        (Hold.stack_id, stack),
    )
    any_of = [
        column.in_(value) if isinstance(value, MANY_OF) else column == value
        for column, value in pairs
        if value is not None
    ]
    if lot is not None:
        any_of.append(reaches(lot))
    return and_(_standing(at), or_(false(), *any_of))


def _standing(at: datetime | None) -> ColumnElement[bool]:
    if at is None:
        return Hold.lifted_at.is_(None)
    return and_(Hold.placed_at <= at, or_(Hold.lifted_at.is_(None), Hold.lifted_at > at))


def design_of_stack(stack_id: Any) -> Any:
    """Select the design of a stack, to compare holds with."""
    return select(Stack.design_id).where(Stack.id == stack_id).scalar_subquery()


def forbids_of_parts(
    session: Session,
    part_choice: Wanted,
    *,
    stack_id: int | None = None,
    on: datetime | None = None,
    held_at: datetime | None = None,
) -> dict[int, tuple[Forbids, ...]]:
    """Return what forbids each of these parts to go into a stack; nothing: it may.

    Every part there is has an answer. Two statements, one more each where some wait to be looked
    at, where some are rejected and where some are past their shelf life.
    ``stack_id`` None: into any stack, wherever the part is. ``on``: when; a shelf life counts until
    the part first runs, None: not looked at. ``held_at``: holds as they stood then, not now.
    """
    rows = _parts(session, part_choice)
    held = _holds(session, rows, stack_id, held_at)
    inspections = asked_about(
        session, [x.id for x in rows if x.usability is Usability.NOT_INSPECTED]
    )
    rejected = rejected_at(session, [x.id for x in rows if x.usability is Usability.REJECTED])
    used = [x.id for x in rows if x.usability is Usability.ACCEPTED_USED]
    elsewhere = _accepted_elsewhere(session, used, stack_id)
    aged = {x.id for x in rows if _of_age(x, on)}
    aged -= have_run(session, aged)
    judged = {
        x.id: [
            *_of_judgement(x.usability, inspections.get(x.id), rejected.get(x.id)),
            *elsewhere.get(x.id, ()),
        ]
        for x in rows
    }
    return {
        row.id: (
            *_of_part(row, held, judged[row.id], stack_id),
            *(_of_age(row, on) if row.id in aged else ()),
        )
        for row in rows
    }


def forbids_of_lots(
    session: Session,
    lot_ids: Collection[int],
    *,
    design_id: int | None = None,
    on: datetime | None = None,
) -> dict[int, tuple[Forbids, ...]]:
    """Return what forbids taking items of each of these lots into a stack of a design.

    Two statements. ``on``: when, None: no shelf life is looked at.
    """
    rows = session.execute(
        select(
            Lot.id,
            Lot.label.label("lot"),
            Lot.part_type_id,
            Lot.expires_at,
            Lot.bag_opened_at,
            Lot.extended_to,
            LOT_ENDS.label("ends_at"),
            PartType.name,
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(Lot.id.in_(lot_ids))
    ).all()
    types = {row.part_type_id for row in rows}
    held = _by_subject(session, bears_on(lot=set(lot_ids), part_type=types, design=design_id))
    return {row.id: tuple(_of_lot(row, held, on)) for row in rows}


@dataclass(frozen=True, slots=True)
class NewItem:
    """A part nobody keeps yet; ``id`` is none of a part there is, ``lot_id`` None: of no lot."""

    id: int
    part_type_id: int
    part_type: str
    lot_id: int | None
    lot: str


def forbids_of_new_items(
    session: Session, items: Collection[NewItem]
) -> dict[int, tuple[Forbids, ...]]:
    """Return which holds on its lot and part type forbid to use each item. One statement."""
    lots = {item.lot_id for item in items} - {None}
    types = {item.part_type_id for item in items}
    held = _by_subject(session, bears_on(lot=lots, part_type=types))
    return {
        item.id: (
            *_all_of(
                held, (Cause.LOT_HOLD, item.lot_id or 0), Cause.LOT_HOLD, f"Its lot {item.lot}"
            ),
            *_all_of(
                held,
                (Cause.TYPE_HOLD, item.part_type_id),
                Cause.TYPE_HOLD,
                f"Its part type “{item.part_type}”",
            ),
        )
        for item in items
    }


def _of_lot(row: Any, held: Held, on: datetime | None) -> list[Forbids]:
    subjects = {
        (Cause.LOT_HOLD, row.id): f"Lot {row.lot}",
        (Cause.TYPE_HOLD, row.part_type_id): f"Its part type “{row.name}”",
        (Cause.DESIGN_HOLD, 0): "",
    }
    forbids = [
        _of_hold(hold, key[0], subject)
        for key, subject in subjects.items()
        for hold in held.get(key, ())
    ]
    return [*forbids, *_of_age(row, on)]


def _of_age(row: Any, on: datetime | None) -> list[Forbids]:
    if on is None or row.ends_at is None or row.ends_at + THROUGH_THE_DAY >= span_of(on).begins:
        return []
    day = f"{row.ends_at:%Y-%m-%d}"
    if row.ends_at == row.extended_to:
        sentence = f"Its shelf life was extended after inspection, and ended on {day}."
    elif row.ends_at == row.expires_at:
        sentence = f"Lot {row.lot} expired on {day}."
    else:
        opened = f"{row.bag_opened_at:%Y-%m-%d}"
        sentence = f"Its shelf life ended on {day}: its bag was opened on {opened}."
    return [Forbids(Cause.EXPIRED, sentence, reason=f"ended on {day}")]


ELSEWHERE, KEPT_FOR, PRESENT = aliased(Stack), aliased(Stack), aliased(Layer)
HELD_LOT = aliased(Lot)


_NEWER = aliased(FailingRule)
_RULE_IN_FORCE = ~exists().where(
    _NEWER.design_id == FailingRule.design_id, _NEWER.version > FailingRule.version
)
_PARTS = (
    select(
        Part.id,
        Part.usability,
        Part.whereabouts,
        Part.stack_id,
        Part.lot_id,
        Part.part_type_id,
        Part.reserved_for_stack_id,
        PartType.name.label("type_name"),
        Lot.label.label("lot"),
        Lot.expires_at,
        func.coalesce(Part.bag_opened_at, Lot.bag_opened_at).label("bag_opened_at"),
        func.coalesce(Part.extended_to, Lot.extended_to).label("extended_to"),
        PART_ENDS.label("ends_at"),
        ELSEWHERE.serial.label("stack"),
        KEPT_FOR.serial.label("reserved_for"),
        PRESENT.position,
        RebuildRecord.id.label("written_id"),
        FailingMark.id.label("mark_id"),
        FailingMark.says,
        FailingMark.reason.label("failing_reason"),
        FailingMark.confirmed_at,
        Person.name.label("confirmed_by"),
        and_(RuleVerdict.answer == RuleAnswer.MET, _RULE_IN_FORCE).label("rule_met"),
        RuleVerdict.reasons,
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(ELSEWHERE, ELSEWHERE.id == Part.stack_id)
    .outerjoin(KEPT_FOR, KEPT_FOR.id == Part.reserved_for_stack_id)
    .outerjoin(PRESENT, and_(PRESENT.part_id == Part.id, PRESENT.present))
    .outerjoin(
        RebuildRecord,
        and_(
            RebuildRecord.stack_id == Part.stack_id,
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
        ),
    )
    .outerjoin(FailingMark, WORD_FORBIDS)
    .outerjoin(Person, Person.id == FailingMark.confirmed_by_id)
    .outerjoin(RuleVerdict, RuleVerdict.part_id == Part.id)
    .outerjoin(FailingRule, FailingRule.id == RuleVerdict.rule_id)
)


_PARTS_NAMED = _PARTS.where(Part.id.in_(param_list("ids")))


def _parts(session: Session, part_choice: Wanted) -> list[Any]:
    if isinstance(part_choice, ColumnElement):
        return list(session.execute(_PARTS.where(part_choice)).all())
    return list(session.execute(_PARTS_NAMED, {"ids": list(part_choice)}).all())


def _holds(
    session: Session, rows: Collection[Any], stack_id: int | None, at: datetime | None
) -> Held:
    """Standing holds by what they are on, the earliest first.

    One more statement where another stack is on hold: its parts stand with their ids.
    """
    parts = {row.id for row in rows}
    bears = bears_on(
        part=parts,
        lot={row.lot_id for row in rows if row.lot_id is not None},
        part_type={row.part_type_id for row in rows},
        design=None if stack_id is None else design_of_stack(stack_id),
        at=at,
    )
    if len(parts) > MANY:
        bears = and_(_standing(at), Hold.instrument_id.is_(None))
        if stack_id is not None:
            of_design = Hold.design_id == design_of_stack(stack_id)
            bears = and_(bears, or_(Hold.design_id.is_(None), of_design))
    held = _by_subject(session, or_(bears, and_(_standing(at), Hold.stack_id.is_not(None))))
    of_stacks = {x.id: x for x in held.pop(ANY_STACK, ()) if x.stack_id != stack_id}
    if of_stacks:
        some = parts if len(parts) <= MANY else None
        for hold_id, part_id in parts_of_held_stacks(session, of_stacks, some):
            held[Cause.STACK_HOLD, part_id].append(of_stacks[hold_id])
    return held


_HOLDS = (
    select(
        Hold.id,
        Hold.part_id,
        Hold.lot_id,
        REACHED.c.lot_id.label("reached"),
        HELD_LOT.label.label("held_lot"),
        Hold.part_type_id,
        Hold.design_id,
        Hold.stack_id,
        Hold.failing_mark_id,
        Hold.reason,
        Hold.placed_at,
        Person.name.label("by"),
        Design.name.label("design"),
        Design.revision,
        Stack.serial.label("stack"),
    )
    .join(Person, Person.id == Hold.placed_by_id)
    .outerjoin(Design, Design.id == Hold.design_id)
    .outerjoin(Stack, Stack.id == Hold.stack_id)
    .outerjoin(HELD_LOT, HELD_LOT.id == Hold.lot_id)
    .outerjoin(REACHED, REACHED.c.hold_id == Hold.id)
    .order_by(Hold.placed_at, Hold.id)
)


ANY_STACK = (Cause.STACK_HOLD, 0)


def _by_subject(
    session: Session, bears: ColumnElement[bool]
) -> defaultdict[tuple[Cause, int], list[Any]]:
    held = defaultdict(list)
    for row in session.execute(_HOLDS.where(bears)):
        held[_subject_of(row)].append(row)
    return held


def _subject_of(row: Any) -> tuple[Cause, int]:
    if row.part_id is not None:
        return Cause.HOLD, row.part_id
    if row.lot_id is not None:
        return Cause.LOT_HOLD, row.reached
    if row.part_type_id is not None:
        return Cause.TYPE_HOLD, row.part_type_id
    return ANY_STACK if row.stack_id is not None else (Cause.DESIGN_HOLD, 0)


def _accepted_elsewhere(
    session: Session, part_ids: Collection[int], stack_id: int | None
) -> dict[int, list[Forbids]]:
    """Which used parts were accepted for another design than that of the stack."""
    if not part_ids or stack_id is None:
        return {}
    ids = part_ids if len(part_ids) <= MANY else None
    return {
        part_id: [
            Forbids(
                Cause.OTHER_DESIGN,
                f"It is accepted used for {design} only.",
                reason=f"for {design} only",
                since=at,
            )
        ]
        for part_id, design, at in accepted_elsewhere(session, ids, design_of_stack(stack_id))
    }


def _of_part(
    row: Any, held: Held, judged: Sequence[Forbids], stack_id: int | None
) -> list[Forbids]:
    forbids = _of_place(row, stack_id)
    subjects = {
        (Cause.HOLD, row.id): "It",
        (Cause.LOT_HOLD, row.lot_id): f"Its lot {row.lot}",
        (Cause.TYPE_HOLD, row.part_type_id): f"Its part type “{row.type_name}”",
        (Cause.DESIGN_HOLD, 0): "",
        (Cause.STACK_HOLD, row.id): "",
    }
    for (cause, key), subject in subjects.items():
        forbids += [_of_hold(hold, cause, subject) for hold in held.get((cause, key), ())]
    holds_of_part = held.get((Cause.HOLD, row.id), ())
    if row.mark_id is not None and all(
        hold.failing_mark_id != row.mark_id for hold in holds_of_part
    ):
        sentence = (
            f"{row.says.capitalize()}, by {row.confirmed_by} on {row.confirmed_at:%Y-%m-%d}:"
            f" {row.failing_reason}"
        )
        said = Forbids(Cause(row.says), sentence, reason=row.failing_reason, since=row.confirmed_at)
        forbids.append(said)
    if row.rule_met and row.mark_id is None:
        why = _rule_reasons(row.reasons)
        forbids.append(
            Forbids(Cause.RULE_MET, f"It meets the rule for failing: {why}.", reason=why)
        )
    if not holds_of_part or row.usability not in (Usability.UNDER_CONCESSION, Usability.ON_HOLD):
        forbids += judged
    return forbids


def _of_place(row: Any, stack_id: int | None) -> list[Forbids]:
    if row.whereabouts is Whereabouts.SCRAPPED or (
        stack_id is not None and row.whereabouts in NOT_AT_HAND
    ):
        mend = "If it lies here, say so on the part's page first."
        return [Forbids(Cause.GONE, NOT_AT_HAND[row.whereabouts], mend=mend)]
    if stack_id is None:
        return []
    if row.stack_id == stack_id:
        mend = "Lift it off first, or use another part."
        return [Forbids(Cause.FITTED, "It is in this stack already.", mend=mend)]
    if row.stack_id is not None:
        layer = f", layer {row.position}" if row.position else ""
        sentence = f"It is fitted in {row.stack}{layer}."
        record = f"record {row.written_id}" if row.written_id else "a record"
        mend = f"Lift it off there first, in {record} of {row.stack}."
        return [Forbids(Cause.FITTED, sentence, mend=mend)]
    if row.reserved_for_stack_id not in (None, stack_id):
        sentence = f"It is reserved for {row.reserved_for}."
        mend = "Another part, or lift the reservation."
        return [Forbids(Cause.RESERVED, sentence, reason=f"for {row.reserved_for}", mend=mend)]
    return []


def _of_hold(hold: Any, cause: Cause, subject: str) -> Forbids:
    if not subject:
        of_stack = f"The stack it was in, {hold.stack}," if hold.stack else ""
        subject = of_stack or f"The design {hold.design} {hold.revision}"
    if cause is Cause.LOT_HOLD and hold.reached != hold.lot_id:
        subject += f" is made of lot {hold.held_lot}, which"
    sentence = f"{subject} is on hold since {hold.placed_at:%Y-%m-%d}, by {hold.by}: {hold.reason}"
    return Forbids(cause, sentence, hold.id, hold.reason, hold.placed_at)


def _of_judgement(
    usability: Usability, inspection: Any, rejected_at: datetime | None
) -> list[Forbids]:
    if inspection is not None and usability is Usability.NOT_INSPECTED:
        sentence = (
            f"It is to be looked at since {inspection.asked_at:%Y-%m-%d}, by {inspection.by} in"
            f" record {inspection.record_id}: {inspection.seen}. It may be used once somebody"
            " accepts it."
        )
        return [Forbids(Cause.JUDGED, sentence, since=inspection.asked_at, judged=usability)]
    sentence = JUDGED.get(usability, "")
    if not sentence:
        return []
    return [Forbids(Cause.JUDGED, sentence, since=rejected_at, judged=usability)]


def _rule_reasons(reasons: str) -> str:
    met = [x["words"] for x in json.loads(reasons) if x["answer"] == RuleAnswer.MET]
    return "; ".join(met).rstrip(".")


def what_forbids(
    session: Session,
    part_id: int | None = None,
    *,
    lot_id: int | None = None,
    part_type_id: int | None = None,
    design_id: int | None = None,
    instrument_id: int | None = None,
    stack_id: int | None = None,
) -> tuple[Forbids, ...]:
    """Return why this must not be used now, wherever it is. Empty where nothing forbids it.

    Give exactly one. A hold on a lot, part type, design or stack holds its parts. Raises NotFound.
    """
    if part_id is not None:
        of_parts = forbids_of_parts(session, [part_id])
        if part_id not in of_parts:
            raise NotFound("part", part_id)
        return of_parts[part_id]
    if instrument_id is not None:
        return _of_instrument(session, instrument_id)
    if lot_id is not None:
        of_lots = forbids_of_lots(session, [lot_id])
        if lot_id not in of_lots:
            raise NotFound("lot", lot_id)
        return of_lots[lot_id]
    of_many = (
        ("part type", part_type_id, PartType.name, "Part type “{}”"),
        ("design", design_id, Design.name, ""),
        ("stack", stack_id, Stack.serial, "Stack {}"),
    )
    what, key, name, words = next(row for row in of_many if row[1] is not None)
    label = session.scalar(select(name).where(name.class_.id == key))
    if label is None:
        raise NotFound(what, key)
    of: dict[str, Any] = {what.replace(" ", "_"): key}
    held = _by_subject(session, bears_on(**of))
    (holds,) = held.values() or ((),)
    return tuple(_of_hold(hold, Cause.HOLD, words.format(label)) for hold in holds)


def _all_of(held: Held, key: tuple[Cause, int], cause: Cause, subject: str) -> tuple[Forbids, ...]:
    return tuple(_of_hold(hold, cause, subject) for hold in held.get(key, ()))


_INSTRUMENT = select(Instrument.label, Instrument.in_use).where(Instrument.id == param("id"))
_HOLDS_ON_INSTRUMENT = (
    select(Hold.id, Hold.reason, Hold.placed_at, Person.name.label("by"))
    .join(Person, Person.id == Hold.placed_by_id)
    .where(Hold.lifted_at.is_(None), Hold.instrument_id == param("id"))
    .order_by(Hold.placed_at)
)


def _of_instrument(session: Session, instrument_id: int) -> tuple[Forbids, ...]:
    row = session.execute(_INSTRUMENT, {"id": instrument_id}).first()
    if row is None:
        raise NotFound("instrument", instrument_id)
    held = session.execute(_HOLDS_ON_INSTRUMENT, {"id": instrument_id})
    forbids = tuple(_of_hold(hold, Cause.HOLD, row.label) for hold in held)
    if row.in_use:
        return forbids
    return (Forbids(Cause.GONE, f"{row.label} was withdrawn from use."), *forbids)


@dataclass(frozen=True, slots=True)
class Leave:
    """A concession as it was given: for what, and when."""

    id: int
    part_id: int | None
    lot_id: int | None
    part_type_id: int | None
    design_id: int | None
    given_at: datetime

    def is_of(self, part: Any) -> bool:
        """Say whether it is not for another part or lot."""
        return (self.part_id is None or self.part_id == part.id) and (
            self.lot_id is None or self.lot_id == part.lot_id
        )


def allowing(leaves: Iterable[Leave], forbids: Collection[Forbids], part: Any) -> tuple[int, ...]:
    """Return which of these concessions together allow a part in spite of what forbids it.

    Empty where they do not. A concession counts only where it was given after all it is to allow
    was said: whoever gave an earlier one knew nothing of it. One for the part or its lot allows
    whatever forbids; one for its type, or for the design, what is held with that type or design
    and nothing else. ``part``: with its id, lot and type; None: an instrument.
    """
    latest = max((x.since for x in forbids if x.since is not None), default=None)
    by_hold: dict[Cause, list[Leave]] = {Cause.TYPE_HOLD: [], Cause.DESIGN_HOLD: []}
    for leave in leaves:
        if leave.design_id is not None:
            by_hold[Cause.DESIGN_HOLD].append(leave)
        elif leave.part_type_id is not None:
            if leave.part_type_id == part.part_type_id:
                by_hold[Cause.TYPE_HOLD].append(leave)
        elif leave.is_of(part) and (latest is None or leave.given_at >= latest):
            return (leave.id,)
    used = set()
    for forbid in forbids:
        since = forbid.since or datetime.min.replace(tzinfo=UTC)
        fitting = [x.id for x in by_hold.get(forbid.cause, ()) if x.given_at >= since]
        if not fitting:
            return ()
        used.add(fitting[0])
    return tuple(sorted(used))


LEAVES = select(*columns(Leave, Concession))


def concessions_used(session: Session, record_id: int) -> tuple[Leave, ...]:
    """Return the concessions for parts, lots, types and designs used in a record. One statement."""
    rows = session.execute(
        LEAVES.where(
            Concession.used_in_record_id == record_id, Concession.instrument_id.is_(None)
        ).order_by(Concession.id)
    )
    return read_all(Leave, rows)


def concessions_left(
    session: Session, about: ColumnElement[bool], *, record_id: int | None = None
) -> tuple[Leave, ...]:
    """Return concessions about something that are unused, or used in ``record_id`` already.

    One statement. The caller writes ``used_in_record_id`` of those it needs.
    """
    free: ColumnElement[bool] = Concession.used_in_record_id.is_(None)
    if record_id is not None:
        free = or_(free, Concession.used_in_record_id == record_id)
    rows = session.execute(
        LEAVES.where(about, free).order_by(
            (Concession.used_in_record_id == record_id).desc().nulls_last(),
            Concession.part_id.is_(None),
            Concession.id,
        )
    )
    return read_all(Leave, rows)


def for_parts(parts: Collection[Any], stack_id: int | None = None) -> ColumnElement[bool]:
    """Say which concessions are about these parts, their lots, types or the stack's design."""
    return or_(
        Concession.part_id.in_({part.id for part in parts}),
        Concession.lot_id.in_({part.lot_id for part in parts} - {None}),
        Concession.part_type_id.in_({part.part_type_id for part in parts}),
        Concession.design_id == design_of_stack(stack_id),
    )


def for_instrument(instrument_id: int) -> ColumnElement[bool]:
    """Say which concessions are about an instrument."""
    return Concession.instrument_id == instrument_id
