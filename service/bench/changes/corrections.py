"""Corrections: proposed on what was handed in, decided by another person, carried out at once.

Nothing handed in is changed in place. A correction names the old value, the new one and the
reason; once approved, layer maps, hours, histories and traces follow it, and the old value stays
readable in the record and in every question about what was thought before.
"""

from collections.abc import Mapping
from dataclasses import replace

from sqlalchemy import select, update

from service.bench.changes.approvals import sign
from service.bench.changes.correction_deviations import deviation_of
from service.bench.changes.correction_entries import More, NewValue, carry_out_value, copy_row
from service.bench.changes.correction_values import (
    effects_on_parts,
    read_new_value,
    readings_at,
    refuse_hours_out_of_order,
    refuse_time,
)
from service.bench.queries.correctable_values import ValueFacts
from service.bench.queries.correction_effects import (
    TOO_FEW,
    TOO_MANY,
    PartEffects,
    Replaced,
    edited_pile,
    layer_of,
    part_states,
)
from service.bench.queries.corrections import (
    Correctable,
    Fact,
    HourFacts,
    LayerFacts,
    PartFacts,
    PeriodFacts,
    TorqueFacts,
    correctable,
    document_of,
)
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.closing.changes.results import keep_closings_anew
from service.people.changes.people import check_password
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.vocabulary import Facing, Press, ReadingKind, Whereabouts
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused, Stale
from service.platform.permissions import Act, RecordFacts, need
from service.records.changes.deviations import Answered, Stands, Unloaded
from service.records.changes.eligibility import item_of
from service.records.queries.records import people_on
from service.records.tables import (
    Meaning,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.changes import supersede
from service.stacks.changes.build_features import keep_makeups_of_stack
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.queries.release_standing import release_ends, released_builds
from service.stacks.tables import HourReading
from service.store.queries.calibrations import calibration_on
from service.store.tables import Part

# Carrying out an approved correction: the old fact is closed out, the right one written.
#
# Everything happens at one moment, so that "as thought on a day" is wholly before or wholly after.


def carry_out(work: Work, record: Correctable, fact: Fact, correction: Correction) -> list[Change]:
    """Make the correction's new value the fact known from now on; give what changed.

    Raises Refused where what has happened since it was written stands against it.
    """
    value = NewValue(
        correction.new_value,
        correction.new_part_id,
        correction.new_number,
        correction.new_time,
        correction.new_facts,
    )
    details = fact.details
    if isinstance(details, ValueFacts):
        if details.of is CorrectionOf.TORQUE:
            return _torque(work, fact, {details.field: _right_of_torque(correction)}, correction)
        return carry_out_value(work, record, fact, details, correction)
    if isinstance(details, PartFacts):
        change = _too_many_or_few if fact.of in (*TOO_MANY, *TOO_FEW) else _parts
        return change(work, record, fact, details, value, correction=correction)
    if isinstance(details, TorqueFacts):
        right, more = _right_torque(work, fact, details, value)
        return [*_torque(work, fact, right, correction), *more]
    if isinstance(details, HourFacts):
        refuse_hours_out_of_order(work, details, value.number or 0.0, details.taken_at)
        _new_hours(work, fact.subject_id, correction, hours=value.number)
        return [(fact.label, fact.old_value, value.text)]
    return _period(work, record, fact, details, value, correction=correction)


def _parts(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: PartFacts,
    value: NewValue,
    *,
    correction: Correction,
) -> list[Change]:
    effects = effects_on_parts(work, record.stack_id, fact.of, details, value)
    new_part_id = value.part_id
    if fact.of is not CorrectionOf.LAYER_FACING and new_part_id is None:
        new_part_id = item_of(work, int(value.number or 0), "new_value").id
    changes: list[Change] = []
    by_build: dict[int, dict[int, tuple[int, Facing]]] = {}
    for change in effects.replaced:
        right = change.part_id or new_part_id or 0, change.facing
        by_build.setdefault(change.sitting.build_id, {})[change.sitting.part_id] = right
        changes.append((change.sitting.where, fact.old_value, value.text))
    present = {change.sitting.build_id: change.sitting.present for change in effects.replaced}
    for build_id, right_parts in by_build.items():
        settle = _settle_layers if isinstance(details, LayerFacts) else _settle_fixings
        settle(work, build_id, right_parts, present=present[build_id], correction_id=correction.id)
    if fact.of is not CorrectionOf.LAYER_FACING:
        _expose_right_part(work, record.stack_id, details.part_id, new_part_id or 0)
        changes += _move_parts(work, effects, new_part_id or 0, correction)
    return changes


def _too_many_or_few(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: PartFacts,
    value: NewValue,
    *,
    correction: Correction,
) -> list[Change]:
    """Leave a part out of every build that carried it on, or put one in beside another."""
    effects = effects_on_parts(work, record.stack_id, fact.of, details, value)
    new_part_id = value.part_id
    if fact.of in TOO_FEW and new_part_id is None:
        new_part_id = item_of(work, int(value.number or 0), "new_value").id
    changes: list[Change] = []
    for change in effects.replaced:
        if isinstance(details, LayerFacts):
            settled = _settle_pile(work, fact.of, change, new_part_id, correction.id)
        else:
            settled = _settle_beside(work, fact.of, change, new_part_id, correction.id)
        changes += [(change.sitting.where, fact.old_value, value.text), settled]
    if fact.of is CorrectionOf.LAYER_TOO_MANY:
        _never_lifted(work, record.stack_id, details.part_id, correction)
    return [*changes, *_move_parts(work, effects, new_part_id or 0, correction)]


def _settle_pile(
    work: Work, of: CorrectionOf, change: Replaced, new_part_id: int | None, correction_id: int
) -> Change:
    layer = layer_of(work.session, new_part_id, None, change.facing) if new_part_id else None
    sitting = change.sitting
    before = len(supersede.layers_known_now(work, sitting.build_id))
    layers = [
        supersede.LayerFact(each.position, each.part, each.facing, each.cell)
        for each in edited_pile(work.session, change, of, layer)
    ]
    supersede.settle_layers(
        work, sitting.build_id, layers, present=sitting.present, correction_id=correction_id
    )
    return (f"layers of build {sitting.build_number}", before, len(layers))


def _settle_beside(
    work: Work, of: CorrectionOf, change: Replaced, new_part_id: int | None, correction_id: int
) -> Change:
    sitting = change.sitting
    before = supersede.fixings_known_now(work, sitting.build_id)
    fixings = list(before)
    if of is CorrectionOf.FIXING_TOO_MANY:
        fixings = [each for each in fixings if each.part_id != sitting.part_id]
    else:
        kind = layer_of(work.session, new_part_id, None, Facing.EITHER).kind
        added = supersede.FixingFact(kind, new_part_id or 0, sitting.rod_number, sitting.end)
        fixings.append(added)
    supersede.settle_fixings(
        work, sitting.build_id, fixings, present=sitting.present, correction_id=correction_id
    )
    return (f"fixings of build {sitting.build_number}", len(before), len(fixings))


def _never_lifted(work: Work, stack_id: int, part_id: int, correction: Correction) -> None:
    """What was never there was not lifted off either: those entries are undone."""
    of_stack = select(RebuildRecord.id).where(RebuildRecord.stack_id == stack_id)
    lifted = select(Step).where(
        Step.record_id.in_(of_stack),
        Step.part_id == part_id,
        Step.kind == StepKind.LIFTED_OFF,
        Step.undone_at.is_(None),
    )
    for step in work.session.scalars(lifted).all():
        step.undone_at, step.undone_by_id = work.now, correction.written_by_id
    work.session.flush()


Right = Mapping[int, tuple[int, Facing]]
"""The right part and facing, by the part that was thought to be there."""


def _settle_layers(
    work: Work, build_id: int, right: Right, *, present: bool, correction_id: int
) -> None:
    layers = [
        replace(layer, part_id=right[layer.part_id][0], facing=right[layer.part_id][1])
        if layer.part_id in right
        else layer
        for layer in supersede.layers_known_now(work, build_id)
    ]
    supersede.settle_layers(work, build_id, layers, present=present, correction_id=correction_id)


def _settle_fixings(
    work: Work, build_id: int, right: Right, *, present: bool, correction_id: int
) -> None:
    fixings = [
        replace(fixing, part_id=right[fixing.part_id][0]) if fixing.part_id in right else fixing
        for fixing in supersede.fixings_known_now(work, build_id)
    ]
    supersede.settle_fixings(work, build_id, fixings, present=present, correction_id=correction_id)


def _expose_right_part(work: Work, stack_id: int, old_id: int, new_id: int) -> None:
    """A record being written has noted by itself which part a lifting off left outermost."""
    writing = select(RebuildRecord.id).where(
        RebuildRecord.stack_id == stack_id,
        RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
    )
    rows = work.session.scalars(
        select(Step).where(Step.record_id.in_(writing), Step.exposed_part_id.in_((old_id, new_id)))
    ).all()
    for step in rows:
        step.exposed_part_id = new_id if step.exposed_part_id == old_id else old_id
    work.session.flush()


def _move_parts(
    work: Work, effects: PartEffects, new_part_id: int, correction: Correction
) -> list[Change]:
    """Put the parts' rows where the corrected layers say they are."""
    ends = {part_id or new_part_id: end for part_id, *end in effects.ends}
    before = part_states(work.session, ends)
    parts = work.session.scalars(select(Part).where(Part.id.in_(ends)).with_for_update()).all()
    for part in parts:
        part.whereabouts, part.stack_id, part.place = ends[part.id]  # type: ignore[assignment]
        if part.whereabouts is Whereabouts.IN_STORE and not part.place:
            part.place = f"to be looked up (correction {correction.id})"
    work.session.flush()
    after = part_states(work.session, ends)
    return [
        (f"where {state.label} is", before[part_id].where, state.where)
        for part_id, state in after.items()
    ]


def _right_of_torque(correction: Correction) -> object:
    """What a fact of a reading is instead: a rod or a pass by number, a kind by its word."""
    number = correction.new_number
    return ReadingKind(correction.new_value) if number is None else int(number)


def _right_torque(
    work: Work, fact: Fact, details: TorqueFacts, value: NewValue
) -> tuple[dict[str, object], list[Change]]:
    """What a reading says instead, and what the trail says besides."""
    if fact.of is CorrectionOf.TORQUE:
        press = {"press": Press(value.text)} if details.press else {}
        return {"torque_nm": value.number, "entered": value.text, **press}, []
    instrument_id = int(value.number or 0)
    calibration = calibration_on(work.session, instrument_id, details.taken_at)
    right: dict[str, object] = {
        "instrument_id": instrument_id,
        "calibration_id": calibration.id if calibration.is_valid else None,
        "concession_id": None,
    }
    return right, [("calibration", None, calibration.sentence)]


def _torque(
    work: Work, fact: Fact, right: Mapping[str, object], correction: Correction
) -> list[Change]:
    old = work.session.get_one(TorqueReading, fact.subject_id)
    _close_out(work, TorqueReading, old.id)
    copy_row(
        work,
        old,
        **right,
        known_from=work.now,
        known_until=None,
        correction_id=correction.id,
        replaces_id=old.id,
    )
    return [(fact.label, fact.old_value, correction.new_value)]


def _period(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: PeriodFacts,
    value: NewValue,
    *,
    correction: Correction,
) -> list[Change]:
    at = value.time
    if at is None or fact.at is None:
        raise Refused("new_value", value.text, "this is no time.")
    refuse_time(work, record, fact, details, at)
    is_opening = fact.of is CorrectionOf.OPENED_AT
    supersede.settle_period(
        work,
        details.build_id,
        details.closed_at if is_opening else at,
        at if is_opening else details.opened_at,
        details.opened_by_record_id,
        correction_id=correction.id,
    )
    changes: list[Change] = [(fact.label, fact.at, at)]
    for reading in readings_at(work, record.record_id, fact):
        _new_hours(work, reading.reading_id, correction, taken_at=at)
        changes.append((f"hour meter read {reading.details.moment}", fact.at, at))
    return changes


def _new_hours(work: Work, reading_id: int, correction: Correction, **right: object) -> None:
    old = work.session.get_one(HourReading, reading_id)
    _close_out(work, HourReading, old.id)
    copy_row(
        work,
        old,
        **right,
        known_from=work.now,
        known_until=None,
        correction_id=correction.id,
        replaces_id=old.id,
    )


def _close_out(work: Work, table: type[TorqueReading] | type[HourReading], row_id: int) -> None:
    work.session.execute(
        update(table)
        .where(table.id == row_id)
        .values(known_until=supersede.now_or_later(work, table))
    )


def propose(
    work: Work,
    record_id: int,
    *,
    of: CorrectionOf,
    subject_id: int,
    new_value: str,
    reason: str,
    part_id: int | None = None,
    stands: Stands | None = None,
    outside_because: str = "",
    unloaded_first: Unloaded | None = None,
    field: str = "",
    more: More | None = None,
) -> int:
    """Propose that one fact of a record handed in be changed; give the correction's number.

    ``new_value`` as typed: a serial, a lot or a scan; a facing; a torque with its unit; hours; a
    time in ISO 8601 with its zone. ``field`` names which of a row's facts it is, ``more`` what else
    is right of a finding added. ``part_id`` chooses where several parts bear a serial. Raises
    Question where a fresh entry of the new value would be asked about: with ``stands`` and
    ``outside_because`` it is kept as a deviation, a torque above the last target with
    ``unloaded_first``. Raises Refused where the fact is not this record's, waits for a decision
    already, or the new value cannot be true.
    """
    need(work.by, Act.CORRECTION_WRITE)
    work.refuse_nobody("written by", "a correction is written by a person.", "Sign in.")
    held = _held(work, record_id)
    record = correctable(work.session, record_id)
    fact = record.fact(of, subject_id, field)
    if fact is None:
        raise Refused(
            "subject_id",
            "",
            f"record {record_id} ({record.state}) has no such fact that could be corrected.",
            "Choose one from the list of the record.",
        )
    if record.is_waiting(of, subject_id, field):
        raise Refused(
            "subject_id",
            fact.label,
            "a correction of it waits for a decision already.",
            "Let that one be decided first.",
        )
    why = given.reason(reason)
    value = read_new_value(work, record, fact, new_value, part_id=part_id, more=more)
    answered = Answered(stands, outside_because, "outside_because")
    deviation = deviation_of(work, held, fact, value, answered, unloaded_first=unloaded_first)
    correction = Correction(
        record_id=record_id,
        of=of,
        subject_id=subject_id,
        field=field,
        subject_label=fact.label[:200],
        old_value=fact.old_value,
        new_value=value.text,
        new_part_id=value.part_id,
        new_number=value.number,
        new_time=value.time,
        new_facts=value.facts,
        reason=why,
        state=CorrectionState.WAITING,
        written_by_id=work.by.id,
        written_at=work.now,
        content_sha256="",
        **(deviation.as_columns if deviation else {}),
    )
    correction.content_sha256 = sha256_of(canonical_json(document_of(correction)))
    work.session.add(correction)
    held.version += 1
    work.session.flush()
    _note(
        work,
        held,
        correction,
        Event.CORRECTION_WRITTEN,
        changes=[
            (f"{of}, {fact.label}", fact.old_value, value.text),
            *(deviation.as_changes if deviation else ()),
        ],
        reason=why,
    )
    return correction.id


def decide(
    work: Work,
    correction_id: int,
    *,
    approve: bool,
    content_sha256: str,
    password: str,
    reason: str = "",
) -> int:
    """Approve or refuse a correction; give the decision's number.

    Whoever proposed it, or wrote, worked on or witnessed the record, does not decide. A refusal
    needs its reason. Raises NotAllowed, Refused, and Stale where another text was shown.
    """
    correction = work.locked(Correction, correction_id, "correction")
    held = _held(work, correction.record_id)
    involved = people_on(work.session, [held.id], with_corrections=False)[held.id]
    need(
        work.by,
        Act.CORRECTION_DECIDE,
        RecordFacts(correction.state, correction.written_by_id, involved),
    )
    work.refuse_nobody("signed by", "a decision is signed by a person.", "Sign in.")
    if correction.state is not CorrectionState.WAITING:
        raise Refused("correction", correction_id, f"it is {correction.state} already.")
    if content_sha256 != correction.content_sha256:
        raise Stale(f"correction {correction_id}", 0, 0, ["It says something else by now."])
    why = (
        given.reason(reason)
        if not approve
        else given.optional_words("reason", reason, most=given.LONG_MOST)
    )
    check_password(work, password)
    if sha256_of(canonical_json(document_of(correction))) != correction.content_sha256:
        raise Refused(
            "content", content_sha256, "it is no longer what was written; it cannot be signed."
        )
    released = released_builds(work.session, held.stack_id)
    meaning = Meaning.CORRECTION_APPROVED if approve else Meaning.CORRECTION_REFUSED
    decision_id = sign(work, held, meaning, content_sha256, why, correction_id=correction_id)
    changes: list[Change] = []
    if approve:
        record = correctable(work.session, held.id)
        changes = put_in_force(work, record, correction)
        still = released_builds(work.session, held.stack_id)
        changes += [
            release_ends(number, record.stack)
            for build_id, number in released.items()
            if build_id not in still
        ]
    correction.state = CorrectionState.APPROVED if approve else CorrectionState.REFUSED
    held.version += 1
    work.session.flush()
    did = Event.CORRECTION_APPROVED if approve else Event.CORRECTION_REFUSED
    _note(work, held, correction, did, changes=changes, reason=why or correction.reason)
    return decision_id


def put_in_force(work: Work, record: Correctable, correction: Correction) -> list[Change]:
    """Carry out a correction that is signed, with all that is computed of it; give what changed."""
    fact = record.fact(correction.of, correction.subject_id or 0, correction.field)
    if fact is None or fact.old_value != correction.old_value:
        raise Refused(
            "correction",
            correction.id,
            f"{correction.subject_label} has been changed by another correction since.",
            "Refuse this one; a new one starts from what is known now.",
        )
    changes = carry_out(work, record, fact, correction)
    changes += keep_closings_anew(work, record.stack_id, correction.id)
    keep_makeups_of_stack(work, record.stack_id)
    judge_stack(work, record.stack_id)
    return changes


def _held(work: Work, record_id: int) -> RebuildRecord:
    return work.locked(RebuildRecord, record_id, "record")


def _note(
    work: Work,
    record: RebuildRecord,
    correction: Correction,
    did: Event,
    *,
    changes: list[Change],
    reason: str,
) -> None:
    label = f"correction {correction.id} of record {record.id}: {correction.subject_label}"
    work.note(
        did,
        ("correction", correction.id, label),
        changes,
        reason=reason,
        stack_id=record.stack_id,
        record_id=record.id,
    )
