"""What follows a correction: before it is decided, as it would be; afterwards, as it was done."""

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import Session, aliased

from service.bench.queries.correctable_values import NOT_SAID, ValueFacts, written_time
from service.bench.queries.correction_effects import (
    TOO_FEW,
    TOO_MANY,
    PartEffects,
    edited_pile,
    effects_of_too_few,
    effects_of_too_many,
    facing_added,
    facing_with,
    layer_facing_effects,
    layer_of,
    part_effects,
    part_states,
)
from service.bench.queries.corrections import (
    Correctable,
    CorrectionView,
    Fact,
    HourFacts,
    LayerFacts,
    PartFacts,
    PeriodFacts,
    TorqueFacts,
    correctable,
)
from service.bench.tables import CorrectionOf, CorrectionState
from service.closing.queries.closing_inputs import Instead
from service.closing.queries.closing_results import ClosingAnew, closings_anew
from service.designs.tables import Design
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Facing, Stage
from service.platform.audit import Event
from service.platform.queries.statements import known, param
from service.platform.tables import AuditEntry
from service.proof.queries.retests import retested
from service.records.queries.make_safe import left_unsafe
from service.records.tables import RebuildRecord, StepKind, ToolSetting, TorqueReading
from service.stacks.queries.hours import build_hours
from service.stacks.queries.release_standing import TESTED, release_ends, released_builds
from service.stacks.tables import Build, BuildPeriod, HourReading, Moment, Stack
from service.store.queries.calibrations import calibration_on
from service.store.queries.forbids import what_forbids
from service.store.tables import Calibration, Instrument, Lot

LEAST_SAID_H = 0.05
READ_OF_STACK = select(
    HourReading.id,
    HourReading.meter_id,
    HourReading.record_id,
    HourReading.hours,
    HourReading.taken_at,
).where(HourReading.stack_id == param("stack_id"), known(HourReading))


@dataclass(frozen=True, slots=True)
class Follows:
    """One thing that changes with a correction. Values that are times are ISO 8601 in UTC."""

    what: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Preview:
    """What a correction changes; ``conflicts`` stand against carrying it out."""

    rows: tuple[Follows, ...] = ()
    notes: tuple[str, ...] = ()
    conflicts: tuple[str, ...] = ()


def preview(session: Session, view: CorrectionView) -> Preview:
    """Return what follows this correction.

    A constant number of statements, and some for each closing it computes anew.
    """
    if view.state is not CorrectionState.WAITING:
        return _as_done(session, view)
    return _as_it_would_be(session, view)


def _as_it_would_be(session: Session, view: CorrectionView) -> Preview:
    record = correctable(session, view.record_id)
    fact = record.fact(view.of, view.subject_id or 0, view.field)
    if fact is None or fact.old_value != view.old_value:
        gone = f"{view.subject_label} has been changed by another correction since."
        return Preview(conflicts=(gone,))
    details = fact.details
    if isinstance(details, ValueFacts) and details.of is not CorrectionOf.TORQUE:
        return _of_value(session, record, details, view)
    if isinstance(details, PartFacts):
        return _of_parts(session, record, fact, details, view)
    instead = Instead()
    if isinstance(details, ValueFacts):
        preview = Preview((Follows(view.subject_label, view.old_value, view.new_value),))
        right = view.new_value if view.new_number is None else view.new_number
        instead = Instead(readings={view.subject_id or 0: {details.field: right}})
    elif isinstance(details, TorqueFacts):
        preview = _of_torque(session, record, details, view)
    elif isinstance(details, HourFacts):
        preview = _of_hours(session, record, details, view)
    else:
        preview = _of_time(record, fact, details, view)
    if isinstance(details, HourFacts | PeriodFacts):
        ran = hours_while_open(session, record, details, view)
        preview = replace(preview, notes=(*preview.notes, *ran))
    as_found = isinstance(details, TorqueFacts) and details.stage is not Stage.CLOSING
    if as_found or fact.of is CorrectionOf.OPENED_AT:
        return preview
    if isinstance(details, TorqueFacts):
        instead = Instead(readings={view.subject_id or 0: _reading(session, details, view)})
    return _reaching(session, record, preview, _closed_by(session, record), instead)


def _closed_by(session: Session, record: Correctable) -> set[int]:
    """The build a record closed, or found closed and did not open. One statement."""
    found_closed = exists().where(
        RebuildRecord.id == record.record_id,
        RebuildRecord.base_build_id == Build.id,
        RebuildRecord.opened_at.is_(None),
    )
    of_record = or_(Build.record_id == record.record_id, found_closed)
    return set(session.scalars(select(Build.id).where(of_record)))


def _of_value(
    session: Session, record: Correctable, details: ValueFacts, view: CorrectionView
) -> Preview:
    """An entry, a finding, somebody named, or the head: what rests on it is computed anew."""
    rows = [Follows(view.subject_label, view.old_value, view.new_value)]
    preview = Preview(tuple(rows), FOLLOWS.get(details.of, ()))
    if details.kind in (StepKind.MAKE_SAFE, StepKind.EXCEPTION) and view.new_time is not None:
        unsafe = left_unsafe(session, details.step_id or 0, view.new_time)
        preview = replace(preview, notes=(*preview.notes, *unsafe))
    value: float | str | None = view.new_value if view.new_number is None else view.new_number
    instead = _instead(session, details, value)
    if instead is not None:
        return _reaching(session, record, preview, _closed_by(session, record), instead)
    if details.kind not in TESTS or details.field == "note":
        return preview
    if details.field == "done_at":
        return _ending(session, record, preview, _closed_by(session, record))
    if view.new_value == NOT_SAID:
        value = None
    try:
        again = retested(session, details.step_id or 0, details.path or details.field, value)
    except TradeError as trouble:
        return replace(preview, conflicts=(str(trouble),))
    rows += [Follows(*row) for row in again.rows]
    preview = replace(preview, rows=tuple(rows), notes=(JUDGED_ANEW,))
    if again.kept.verdict is again.result.verdict:
        return preview
    return _ending(session, record, preview, _closed_by(session, record))


def _instead(session: Session, details: ValueFacts, value: float | str | None) -> Instead | None:
    """What a closing would be computed from; None: no closing rests on the value."""
    if details.field == "unloaded_first":
        return Instead()
    if details.kind in HEIGHTS and details.field != "note":
        return Instead(entries={details.step_id or 0: {details.field: value}})
    if details.field in OF_THE_NUTS and details.kind is StepKind.TOOL_SET:
        nuts = session.scalars(
            select(TorqueReading.id)
            .join(ToolSetting, ToolSetting.id == TorqueReading.setting_id)
            .where(ToolSetting.step_id == details.step_id, known(TorqueReading))
        )
        return Instead(readings={key: {OF_THE_NUTS[details.field]: value} for key in nuts})
    return None


OF_THE_NUTS = {"set_nm": "torque_nm", "pass_number": "pass_number"}
"""What the nuts that answered a click tool say of it."""
HEIGHTS = (StepKind.CORNERS, StepKind.HELD)
TESTS = (*TESTED, StepKind.LEAK_SEARCH)
JUDGED_ANEW = (
    "The test is computed anew with the limits of then; the one handed in stays beside it,"
    " struck out."
)
FOLLOWS: Mapping[CorrectionOf, tuple[str, ...]] = {
    CorrectionOf.PERSON: (
        "Whoever was ever named still counts among those who had a part in the record.",
    ),
    CorrectionOf.FINDING: (
        "What was seen stays readable in the record.",
        "A part that must not be used again is on hold at once.",
        "A hold placed by what is withdrawn is lifted.",
    ),
    CorrectionOf.ENTRY: ("The entry handed in stays beside it, struck out.",),
}


OF_TOOL = (
    *("unit", "range_most", "resolution", "accuracy_percent", "accuracy_offset"),
    *("accuracy_full_scale_percent", "accuracy_coverage"),
)
OF_CALIBRATION = ("error_percent", "error_offset", "error_full_scale_percent")
"""What a reading says of its driver, by the names it has there."""


def _reading(session: Session, details: TorqueFacts, view: CorrectionView) -> dict[str, Any]:
    """What a reading would say. Three statements at most."""
    if view.of is CorrectionOf.TORQUE:
        return {"torque_nm": view.new_number}
    instrument_id = int(view.new_number or 0)
    then = calibration_on(session, instrument_id, details.taken_at)
    tool = session.execute(
        select(
            Instrument.id.label("instrument_id"),
            Instrument.label.label("instrument"),
            *(getattr(Instrument, name) for name in OF_TOOL),
            *(getattr(Calibration, name) for name in OF_CALIBRATION),
        )
        .outerjoin(Calibration, Calibration.id == (then.id if then.is_valid else None))
        .where(Instrument.id == instrument_id)
    ).one()
    return dict(tool._mapping)


def _right_parts(session: Session, effects: PartEffects, view: CorrectionView) -> Instead:
    """The parts that would be there. One statement at most."""
    parts: dict[int, dict[int, int]] = {}
    for change in effects.replaced:
        of_build = parts.setdefault(change.sitting.build_id, {})
        of_build[change.sitting.part_id] = change.part_id or view.new_part_id or 0
    lot_id = None if view.new_part_id is not None else int(view.new_number or 0)
    item_type = select(Lot.part_type_id).where(Lot.id == lot_id)
    return Instead(parts=parts, item_type_id=(lot_id and session.scalar(item_type)) or 0)


def _reaching(
    session: Session,
    record: Correctable,
    preview: Preview,
    reached: Collection[int],
    instead: Instead,
) -> Preview:
    """Add the closings that would be computed anew, and the releases that would end."""
    anew = list(closings_anew(session, record.stack_id, reached, instead))
    preview = _with_closings(preview, anew)
    return _ending(session, record, preview, {*reached, *(each.build_id for each in anew)})


def _ending(
    session: Session, record: Correctable, preview: Preview, reached: Collection[int]
) -> Preview:
    """Add the releases of these builds, which would end."""
    released = released_builds(session, record.stack_id)
    ending = [number for build_id, number in released.items() if build_id in reached]
    return replace(
        preview,
        rows=(*preview.rows, *(Follows(*release_ends(number, record.stack)) for number in ending)),
        notes=(
            *preview.notes,
            *(
                f"Build {number} of {record.stack} is released to hydrogen: approving this"
                " correction ends the release. It has to be released again before it runs."
                for number in ending
            ),
        ),
    )


def _with_closings(preview: Preview, anew: Sequence[ClosingAnew]) -> Preview:
    """Add what each closing concerned would give."""
    if not anew:
        none = "Nothing was kept of a closing it reaches: no verdict of the clamp changes."
        return replace(preview, notes=(*preview.notes, none))
    numbers = [each.kept.record_id for each in anew]
    records = ", ".join(str(number) for number in numbers)
    of = (
        f"closings of records {records} are"
        if len(numbers) > 1
        else f"closing of record {records} is"
    )
    carried = [str(each.kept.record_id) for each in anew if each.is_carried]
    later = (
        f" Of record {', '.join(carried)} nothing is corrected: it used soft parts again which the"
        " corrected closing pressed otherwise."
        if carried
        else ""
    )
    note = (
        f"The {of} computed anew with the limits of then and kept beside what was"
        f" handed in; verdicts are judged from the newest.{later} Tests of the closed stack keep"
        " their verdicts."
    )
    rows = [Follows(name, was, then) for each in anew for name, was, then in each.rows]
    return replace(preview, rows=(*preview.rows, *rows), notes=(*preview.notes, note))


def _as_done(session: Session, view: CorrectionView) -> Preview:
    """The entry of the trail which tells what was carried out."""
    text = session.scalar(
        select(AuditEntry.changes).where(
            AuditEntry.subject_kind == "correction",
            AuditEntry.subject_id == view.id,
            AuditEntry.act == Event.CORRECTION_APPROVED.value,
        )
    )
    rows = json.loads(text) if text else []
    return Preview(tuple(Follows(name, _said(was), _said(now)) for name, was, now in rows))


def _said(value: object) -> str:
    return "–" if value is None else str(value)


def _of_parts(
    session: Session, record: Correctable, fact: Fact, details: PartFacts, view: CorrectionView
) -> Preview:
    if view.of is CorrectionOf.LAYER_FACING and isinstance(details, LayerFacts):
        effects = layer_facing_effects(session, details, record.stack_id, Facing(view.new_value))
        rows = tuple(
            Follows(change.sitting.where, str(change.sitting.facing), view.new_value)
            for change in effects.replaced
        )
        return _reaching(
            session, record, Preview(rows, conflicts=effects.conflicts), _builds(effects), Instead()
        )
    if view.of in (*TOO_MANY, *TOO_FEW):
        return _of_count(session, record, details, view)
    lot_id = None if view.new_part_id is not None else int(view.new_number or 0)
    facing = Facing.EITHER
    if isinstance(details, LayerFacts):
        facing = facing_with(session, details, view.new_part_id, lot_id) or details.facing
    effects = part_effects(session, details, record.stack_id, view.new_part_id, new_facing=facing)
    preview = Preview(
        tuple(_part_rows(session, fact, effects, view)),
        (*_hour_notes(session, record, effects, view), *_bars(session, view, lot_id)),
        effects.conflicts,
    )
    if effects.conflicts:
        return preview
    right = _right_parts(session, effects, view)
    return _reaching(session, record, preview, _builds(effects), right)


def _of_count(
    session: Session, record: Correctable, details: PartFacts, view: CorrectionView
) -> Preview:
    """A layer or fixing more or fewer: each build it reaches is counted and numbered anew."""
    if view.of in TOO_MANY:
        effects = effects_of_too_many(session, details, record.stack_id)
    else:
        facing = facing_added(view.new_facts)
        effects = effects_of_too_few(session, details, record.stack_id, view.new_part_id, facing)
    rows = [Follows(c.sitting.where, view.old_value, view.new_value) for c in effects.replaced]
    notes = (
        "Recorded and found stand side by side: the record keeps what was handed in.",
        "Each of these builds is counted and numbered anew, and checked by its pattern again.",
    )
    preview = Preview((*rows, *_moves(session, effects, view)), notes, effects.conflicts)
    if effects.conflicts:
        return preview
    if not isinstance(details, LayerFacts):
        return _reaching(session, record, preview, _builds(effects), Instead())
    lot_id = None if view.new_part_id is not None else int(view.new_number or 0)
    added = None
    if view.of in TOO_FEW:
        added = layer_of(session, view.new_part_id, lot_id, facing_added(view.new_facts))
    piles = {
        change.sitting.build_id: edited_pile(session, change, view.of, added)
        for change in effects.replaced
    }
    item_type = select(Lot.part_type_id).where(Lot.id == lot_id)
    type_id = (lot_id and session.scalar(item_type)) or 0
    counts = [
        Follows(
            f"layers of build {change.sitting.build_number}",
            str(len(pile) + (1 if view.of in TOO_MANY else -1)),
            str(len(pile)),
        )
        for change, pile in zip(effects.replaced, piles.values(), strict=True)
    ]
    preview = replace(preview, rows=(*preview.rows, *counts))
    instead = Instead(piles=piles, item_type_id=type_id)
    return _reaching(session, record, preview, _builds(effects), instead)


def _builds(effects: PartEffects) -> set[int]:
    return {change.sitting.build_id for change in effects.replaced}


def _part_rows(
    session: Session, fact: Fact, effects: PartEffects, view: CorrectionView
) -> Iterator[Follows]:
    for change in effects.replaced:
        exchanged = change.part_id != view.new_part_id
        was, now = fact.old_value, view.new_value
        yield Follows(change.sitting.where, *((now, was) if exchanged else (was, now)))
    yield from _moves(session, effects, view)


def _moves(session: Session, effects: PartEffects, view: CorrectionView) -> Iterator[Follows]:
    """Where the parts concerned are then."""
    ids = {part_id for part_id, *_end in effects.ends if part_id is not None}
    states = part_states(session, ids)
    serial = session.scalar(select(Stack.serial).where(Stack.id == view.stack_id))
    for part_id, whereabouts, stack_id, _place in effects.ends:
        label = states[part_id].label if part_id else f"the item of {view.new_value}"
        before = states[part_id].where if part_id else "still in its lot"
        after = f"{whereabouts} in {serial}" if stack_id else str(whereabouts)
        if before != after:
            yield Follows(f"where {label} is", before, after)


def _bars(session: Session, view: CorrectionView, lot_id: int | None) -> Iterator[str]:
    """What forbids the right part to be used now. A build with it waits at the gate."""
    if view.new_part_id is not None:
        forbids = what_forbids(session, view.new_part_id)
    else:
        forbids = what_forbids(session, lot_id=lot_id)
    for forbid in forbids:
        if forbid.concession_may:
            yield f"{view.new_value} must not be used. {forbid.sentence}"


def _hour_notes(
    session: Session, record: Correctable, effects: PartEffects, view: CorrectionView
) -> Iterator[str]:
    hours = build_hours(session, [record.stack_id])
    builds = {change.sitting.build_id: change.sitting.build_number for change in effects.replaced}
    ran = [hours[build_id] for build_id in builds if build_id in hours]
    least = "at least " if any(span.at_least for span in ran) else ""
    numbers = ", ".join(str(number) for number in sorted(builds.values()))
    numbers = f"builds {numbers}" if len(builds) > 1 else f"build {numbers}"
    total = sum(span.hours for span in ran)
    if effects.exchanged_with is None:
        yield (
            f"{least}{total:.10g}\u2009h of operation ({numbers}) count for {view.new_value}"
            f" and no longer for {view.old_value}."
        )
    else:
        yield (
            f"The two parts are exchanged, with their hours in {numbers}:"
            " both were put on in this record."
        )
    yield (
        "Findings and entries stay as they were written, under the part they name, and lead to this"
        " correction."
    )


def _of_torque(
    session: Session, record: Correctable, details: TorqueFacts, view: CorrectionView
) -> Preview:
    if view.of is CorrectionOf.TORQUE_INSTRUMENT:
        then = calibration_on(session, int(view.new_number or 0), details.taken_at)
        row = Follows(view.subject_label, view.old_value, view.new_value)
        return Preview((row,), (then.sentence,))
    target, percent = session.execute(
        select(Design.target_torque_nm, Design.torque_tolerance_percent)
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == record.stack_id)
    ).one()

    def within(torque_nm: float) -> str:
        inside = abs(torque_nm - target) <= percent / 100 * target * (1 + 1e-9)
        return "inside" if inside else "outside"

    was, now = within(details.torque_nm), within(view.new_number or 0.0)
    against = f"Against the last pass's target of {target:g}\u2009N·m ±\u2009{percent:g}\u2009%:"
    return Preview(
        (Follows(view.subject_label, view.old_value, view.new_value),),
        (f"{against} it was {was} the tolerance, it would be {now}.",),
    )


def hours_while_open(
    session: Session, record: Correctable, details: HourFacts | PeriodFacts, view: CorrectionView
) -> tuple[str, ...]:
    """Say how many hours would have run while the stack lay open in this event. Two statements."""
    opened_at, closed_at = _lay_open(session, record)
    if isinstance(details, PeriodFacts) and view.new_time is not None:
        was, moved = details.opened_at or details.closed_at, view.new_time
        if view.of is CorrectionOf.OPENED_AT:
            opened_at = moved
        else:
            was, closed_at = details.closed_at, moved
    if opened_at is None or closed_at is None:
        return ()
    shown: dict[int, list[float]] = {}
    for reading in session.execute(READ_OF_STACK, {"stack_id": record.stack_id}):
        hours, at = reading.hours, reading.taken_at
        if isinstance(details, PeriodFacts):
            at = moved if reading.record_id == record.record_id and at == was else at
        elif reading.id == view.subject_id:
            hours = view.new_number or 0.0
        if opened_at <= at <= closed_at:
            shown.setdefault(reading.meter_id, []).append(hours)
    ran = sum(max(showings) - min(showings) for showings in shown.values())
    if ran < LEAST_SAID_H:
        return ()
    return (f"{ran:.6g} h would have run while the stack lay open: no part gets them.",)


def _lay_open(session: Session, record: Correctable) -> tuple[datetime | None, datetime | None]:
    """When the stack was opened and closed in an event; None: it was not."""
    base, built = aliased(BuildPeriod), aliased(BuildPeriod)
    row = session.execute(
        select(base.opened_at, built.closed_at)
        .select_from(Build)
        .join(built, (built.build_id == Build.id) & known(built))
        .join(base, (base.build_id == record.base_build_id) & known(base))
        .where(Build.record_id == record.record_id)
    ).first()
    return (row.opened_at, row.closed_at) if row else (None, None)


def _of_hours(
    session: Session, record: Correctable, details: HourFacts, view: CorrectionView
) -> Preview:
    """A reading ends one build's hours and begins the next one's."""
    more = (view.new_number or 0.0) - details.hours
    hours = build_hours(session, [record.stack_id])
    builds = session.execute(
        select(Build.id, Build.number).where(Build.record_id == record.record_id)
    ).first()
    base = session.execute(
        select(Build.id, Build.number).where(Build.id == record.base_build_id)
    ).first()
    present = session.execute(
        select(Build.id, Build.number)
        .join(BuildPeriod, BuildPeriod.build_id == Build.id)
        .where(
            Build.stack_id == record.stack_id,
            BuildPeriod.known_until.is_(None),
            BuildPeriod.opened_at.is_(None),
        )
    ).first()
    read_later = session.scalar(
        select(HourReading.id)
        .where(
            HourReading.stack_id == record.stack_id,
            HourReading.known_until.is_(None),
            HourReading.taken_at > details.taken_at,
        )
        .limit(1)
    )
    changed = {}
    if details.moment is Moment.OPENING and base is not None:
        changed[base.number] = (hours.get(base.id), more)
        if builds is not None:
            changed[builds.number] = (hours.get(builds.id), -more)
    elif details.moment is Moment.RUNNING and present is not None and not read_later:
        changed[present.number] = (hours.get(present.id), more)
    rows = [Follows(view.subject_label, view.old_value, view.new_value)]
    rows += [
        Follows(f"hours of build {number}", f"{ran.hours:.10g} h", f"{ran.hours + added:.10g} h")
        for number, (ran, added) in sorted(changed.items())
        if ran is not None
    ]
    note = "The hours of every part in these builds follow. Readings between may limit the change."
    return Preview(tuple(rows), (note,) if changed else ())


def _of_time(
    record: Correctable, fact: Fact, details: PeriodFacts, view: CorrectionView
) -> Preview:
    at = view.new_time
    new = written_time(at) if at else view.new_value
    closed, opened = written_time(details.closed_at), "still closed"
    if details.opened_at is not None:
        opened = written_time(details.opened_at)
    is_opening = fact.of is CorrectionOf.OPENED_AT
    name = f"build {details.build_number} of {record.stack}"
    row = (
        Follows(f"{name} opened", opened, new)
        if is_opening
        else Follows(f"{name} closed", closed, new)
    )
    return Preview((row,), ("A reading of the hour meter taken at that moment moves with it.",))
