"""Carrying out an approved correction: the old fact is closed out, the right one written.

Everything happens at one moment, so that "as thought on a day" is wholly before or wholly after.
"""

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import select, update

from service.bench.changes.correction_values import (
    NewValue,
    effects_on_layers,
    readings_at,
    refuse_hours_out_of_order,
    refuse_time,
)
from service.bench.queries.correctable import (
    Correctable,
    Fact,
    HourFacts,
    LayerFacts,
    PeriodFacts,
    TorqueFacts,
)
from service.bench.queries.correction_effects import LayerEffects, part_states
from service.bench.tables import Correction, CorrectionOf
from service.platform.arithmetic.vocabulary import Facing, Whereabouts
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes.eligibility import item_of
from service.records.tables import RebuildRecord, RecordState, Step, TorqueReading
from service.stacks.changes import supersede
from service.stacks.tables.hours import HourReading
from service.store.queries.instruments import calibration_on
from service.store.tables.parts import Part


def carry_out(work: Work, record: Correctable, fact: Fact, correction: Correction) -> list[Change]:
    """Make the correction's new value the fact known from now on; give what changed.

    Raises Refused where what has happened since it was written stands against it.
    """
    value = NewValue(
        correction.new_value, correction.new_part_id, correction.new_number, correction.new_time
    )
    details = fact.details
    if isinstance(details, LayerFacts):
        return _layers(work, record, fact, details, value, correction=correction)
    if isinstance(details, TorqueFacts):
        return _torque(work, fact, details, value, correction)
    if isinstance(details, HourFacts):
        refuse_hours_out_of_order(work, details, value.number or 0.0, details.taken_at)
        _new_hours(work, fact.subject_id, correction, hours=value.number)
        return [(fact.label, fact.old_value, value.text)]
    return _period(work, record, fact, details, value, correction=correction)


def _layers(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: LayerFacts,
    value: NewValue,
    *,
    correction: Correction,
) -> list[Change]:
    effects = effects_on_layers(work, record.stack_id, fact.of, details, value)
    new_part_id = value.part_id
    if fact.of is CorrectionOf.LAYER_PART and new_part_id is None:
        new_part_id = item_of(work, int(value.number or 0), "new_value").id
    changes: list[Change] = []
    by_build: dict[int, list[tuple[int, int, Facing]]] = {}
    for change in effects.replaced:
        part_id = change.part_id or new_part_id or 0
        by_build.setdefault(change.sitting.build_id, []).append(
            (change.sitting.position or 0, part_id, change.facing)
        )
        changes.append((change.sitting.where, fact.old_value, value.text))
    present = {change.sitting.build_id: change.sitting.present for change in effects.replaced}
    for build_id, rows in by_build.items():
        supersede.settle_layers(
            work,
            build_id,
            _with(supersede.layers_known_now(work, build_id), rows),
            present=present[build_id],
            correction_id=correction.id,
        )
    if fact.of is CorrectionOf.LAYER_PART:
        _expose_right_part(work, record.stack_id, details.part_id, new_part_id or 0)
        changes += _move_parts(work, effects, new_part_id or 0, correction)
    return changes


def _with(
    known: Sequence[supersede.LayerFact], rows: Sequence[tuple[int, int, Facing]]
) -> list[supersede.LayerFact]:
    right = {position: (part_id, facing) for position, part_id, facing in rows}
    return [
        replace(layer, part_id=right[layer.position][0], facing=right[layer.position][1])
        if layer.position in right
        else layer
        for layer in known
    ]


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
    work: Work, effects: LayerEffects, new_part_id: int, correction: Correction
) -> list[Change]:
    """Put the parts' rows where the corrected layers say they are."""
    wanted = {part_id or new_part_id: end for part_id, *end in effects.ends}
    before = part_states(work.session, wanted)
    parts = work.session.scalars(select(Part).where(Part.id.in_(wanted)).with_for_update()).all()
    for part in parts:
        part.whereabouts, part.stack_id, part.place = wanted[part.id]  # type: ignore[assignment]
        if part.whereabouts is Whereabouts.IN_STORE and not part.place:
            part.place = f"to be looked up (correction {correction.id})"
    work.session.flush()
    after = part_states(work.session, wanted)
    return [
        (f"where {state.label} is", before[part_id].where, state.where)
        for part_id, state in after.items()
    ]


def _torque(
    work: Work, fact: Fact, details: TorqueFacts, value: NewValue, correction: Correction
) -> list[Change]:
    old = work.session.get_one(TorqueReading, fact.subject_id)
    new = {
        name: getattr(old, name)
        for name in (
            *("record_id", "step_id", "rod_number", "pass_number", "stage", "kind", "torque_nm"),
            *("entered", "instrument_id", "calibration_id", "concession_id", "taken_at", "by_id"),
        )
    }
    changes: list[Change] = [(fact.label, fact.old_value, value.text)]
    if fact.of is CorrectionOf.TORQUE:
        new |= {"torque_nm": value.number, "entered": value.text}
    else:
        instrument_id = int(value.number or 0)
        calibration = calibration_on(work.session, instrument_id, details.taken_at)
        new |= {
            "instrument_id": instrument_id,
            "calibration_id": calibration.id if calibration.is_valid else None,
            "concession_id": None,
        }
        changes.append(("calibration", None, calibration.sentence))
    _close_out(work, TorqueReading, old.id)
    work.session.add(
        TorqueReading(**new, known_from=work.now, correction_id=correction.id, replaces_id=old.id)
    )
    work.session.flush()
    return changes


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
    new = {
        name: getattr(old, name)
        for name in (
            *("stack_id", "meter_id", "moment", "hours", "taken_at", "record_id"),
            *("step_id", "by_id"),
        )
    }
    _close_out(work, HourReading, old.id)
    work.session.add(
        HourReading(
            **(new | right),
            known_from=work.now,
            correction_id=correction.id,
            replaces_id=old.id,
        )
    )
    work.session.flush()


def _close_out(work: Work, table: type[TorqueReading] | type[HourReading], row_id: int) -> None:
    work.session.execute(
        update(table)
        .where(table.id == row_id)
        .values(known_until=supersede.now_or_later(work, table))
    )
