"""The new value of a correction: read as typed, and refused where it cannot be true."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select

from service.bench.changes.correction_entries import FIELD, More, NewValue, read_value
from service.bench.queries.correctable_values import ValueFacts, written_time
from service.bench.queries.correction_effects import (
    NOT_THERE,
    TOO_FEW,
    TOO_MANY,
    PartEffects,
    effects_of_too_few,
    effects_of_too_many,
    facing_added,
    facing_with,
    has_marked_face,
    layer_facing_effects,
    others_at_that_time,
    part_effects,
)
from service.bench.queries.corrections import (
    TURNS,
    Correctable,
    Fact,
    HourFacts,
    LayerFacts,
    PartFacts,
    PeriodFacts,
    TorqueFacts,
)
from service.bench.tables import CorrectionOf
from service.physics.arithmetic.clamping import read_torque_text
from service.platform import changes
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.dates import parse_when
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.vocabulary import FIXING_KINDS, LAYER_KINDS, Facing, Press
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.queries.answers import columns, read_as
from service.records.queries.inserted import event_before
from service.records.tables import RebuildRecord, RecordState
from service.runs.queries.run_checks import Shown, shown_around
from service.stacks.tables import Build, BuildPeriod, HourReading, Moment
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import InstrumentKind
from service.store.queries.scans import Hit, Resolved, resolve_to_fit
from service.store.tables import Instrument


def read_new_value(
    work: Work,
    record: Correctable,
    fact: Fact,
    text: str,
    *,
    part_id: int | None = None,
    more: More | None = None,
) -> NewValue:
    """Return what the typed text means for this fact. Raises Refused where it cannot be true.

    A part is scanned or typed (``part_id`` chooses where several bear the serial), a facing is one
    of the two ends, a torque carries its unit, a time its zone.
    """
    details = fact.details
    if isinstance(details, ValueFacts):
        return read_value(work, record, details, text, more or {})
    if isinstance(details, PartFacts):
        return _of_part(work, record, fact, details, text, part_id=part_id, more=more or {})
    if isinstance(details, TorqueFacts):
        is_tool = fact.of is CorrectionOf.TORQUE_INSTRUMENT
        return _instrument(work, details, text) if is_tool else _torque(details, text)
    if isinstance(details, HourFacts):
        return _hours(work, details, text)
    return _time(work, record, fact, details, text)


def _of_part(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: PartFacts,
    text: str,
    *,
    part_id: int | None,
    more: More,
) -> NewValue:
    if fact.of in TOO_MANY:
        return _too_many(work, record, fact, details, text)
    if fact.of in TOO_FEW:
        return _too_few(work, record, fact, details, text, more=more)
    if fact.of is CorrectionOf.LAYER_FACING and isinstance(details, LayerFacts):
        return _facing(work, record, fact, details, text)
    return _part(work, record, fact, details, text, part_id=part_id)


def effects_on_parts(
    work: Work, stack_id: int, of: CorrectionOf, details: PartFacts, value: NewValue
) -> PartEffects:
    """Return what a correction of a layer or fixing changes. Raises Refused where it cannot be."""
    session = work.session
    if of in TOO_MANY:
        effects = effects_of_too_many(session, details, stack_id)
    elif of in TOO_FEW:
        facing = facing_added(value.facts)
        effects = effects_of_too_few(session, details, stack_id, value.part_id, facing)
    elif not isinstance(details, LayerFacts):
        effects = part_effects(session, details, stack_id, value.part_id)
    elif of is CorrectionOf.LAYER_FACING:
        effects = layer_facing_effects(session, details, stack_id, Facing(value.text))
    else:
        facing = _facing_of(work, details, value)
        effects = part_effects(session, details, stack_id, value.part_id, new_facing=facing)
    if effects.conflicts:
        raise Refused(
            FIELD,
            value.text,
            " ".join(effects.conflicts),
            "Read it again; or correct first what is wrong there.",
        )
    return effects


def _too_many(
    work: Work, record: Correctable, fact: Fact, details: PartFacts, text: str
) -> NewValue:
    if text.strip().lower() != NOT_THERE:
        raise Refused(FIELD, text, "it is there or it is not.", f"“{NOT_THERE}”.")
    value = NewValue(NOT_THERE)
    effects_on_parts(work, record.stack_id, fact.of, details, value)
    return value


def _too_few(
    work: Work, record: Correctable, fact: Fact, details: PartFacts, text: str, *, more: More
) -> NewValue:
    """The part that was found: any kind of layer on a layer, any fixing beside a fixing."""
    kinds = FIXING_KINDS if fact.of is CorrectionOf.FIXING_TOO_FEW else LAYER_KINDS
    resolved = resolve_to_fit(work.session, text.strip(), kinds)
    hits = [hit for hit in resolved.hits if hit.part_kind in kinds]
    if len(hits) != 1:
        why = "several parts bear it." if hits else resolved.reason_unknown
        raise Refused(FIELD, text, why or "it is none.", "The serial or lot that was found there.")
    hit = hits[0]
    lot_id = int(hit.lot_id) if hit.lot_id else None
    facing = Facing.EITHER
    if fact.of is CorrectionOf.LAYER_TOO_FEW and has_marked_face(work.session, hit.part_id, lot_id):
        if more.get("facing", "") not in set(TURNS):
            raise Refused(
                "facing",
                "",
                "it matters which end its marked face looks at.",
                "The fixed end or the free end.",
            )
        facing = Facing(more["facing"])
    facts = canonical_json({"facing": facing.value})
    number = None if hit.part_id or lot_id is None else float(lot_id)
    value = NewValue(hit.label, hit.part_id, number, facts=facts)
    effects_on_parts(work, record.stack_id, fact.of, details, value)
    return value


def _part(
    work: Work,
    record: Correctable,
    fact: Fact,
    details: PartFacts,
    text: str,
    *,
    part_id: int | None,
) -> NewValue:
    hit = _one_of(details, text, part_id, _resolved(work, details, text))
    if hit.part_id == details.part_id or (hit.lot_id and hit.lot_id == details.lot_id):
        raise Refused(FIELD, text, "this is what the record says already.", "The right one.")
    lot = float(hit.lot_id) if hit.lot_id else None
    value = NewValue(hit.label, hit.part_id, lot)
    effects = effects_on_parts(work, record.stack_id, fact.of, details, value)
    exchanged = effects.exchanged_with
    if exchanged is not None and record.fact(fact.of, exchanged.row_id) is None:
        raise Refused(
            FIELD,
            text,
            f"it is in {exchanged.where}, and was not put on in this record.",
            "Correct it in the record in which it was put on.",
        )
    return value


def _resolved(work: Work, details: PartFacts, text: str) -> Resolved:
    if not text.strip():
        raise Refused(FIELD, "", "nothing is given.", "The serial or lot that was really put on.")
    return resolve_to_fit(work.session, text, (details.kind,))


def _one_of(details: PartFacts, text: str, part_id: int | None, resolved: Resolved) -> Hit:
    hits = resolved.hits
    if not hits:
        raise Refused(FIELD, text, resolved.reason_unknown, "Read it again, or add the part first.")
    fitting = [hit for hit in hits if hit.part_kind is details.kind]
    if not fitting:
        raise Refused(
            FIELD, text, f"it is a {hits[0].part_kind}.", f"A {details.kind} sits in this place."
        )
    if part_id is not None:
        fitting = [hit for hit in fitting if hit.part_id == part_id]
    if len(fitting) != 1:
        raise Refused(
            FIELD,
            text,
            "several parts bear it.",
            "Choose one: " + "; ".join(hit.in_words for hit in hits) + ".",
        )
    return fitting[0]


def _facing_of(work: Work, details: LayerFacts, value: NewValue) -> Facing:
    """A part whose faces are alike lies either way; else the facing must be known."""
    lot_id = None if value.part_id is not None else int(value.number or 0)
    facing = facing_with(work.session, details, value.part_id, lot_id)
    if facing is None:
        raise Refused(
            FIELD,
            value.text,
            "it matters which end its marked face looks at, and the record does not tell: the part"
            " recorded can lie either way.",
            "A part of a type that can lie either way.",
        )
    return facing


def _facing(
    work: Work, record: Correctable, fact: Fact, details: LayerFacts, text: str
) -> NewValue:
    turned = next((turn for turn in TURNS if turn.value == text.strip().lower()), None)
    if turned is None:
        raise Refused(
            FIELD,
            text,
            f"this does not say which end its {details.marked_face} looks at.",
            "The fixed end or the free end.",
        )
    if turned is details.facing:
        raise Refused(FIELD, text, "this is what the record says already.", "The other end.")
    value = NewValue(turned.value)
    effects_on_parts(work, record.stack_id, fact.of, details, value)
    return value


def _press(details: TorqueFacts, entered: str) -> NewValue:
    """How a nut answered a click tool: no reading was taken that could be another."""
    words = " ".join(entered.lower().split())
    if words == details.press:
        raise Refused(FIELD, entered, "this is what the record says already.", "The right answer.")
    if words not in tuple(Press):
        reason = "a click tool gives no reading: the record says how the nut answered."
        raise Refused(FIELD, entered, reason, f"One of: {', '.join(Press)}.")
    return NewValue(words, number=details.torque_nm)


def _torque(details: TorqueFacts, entered: str) -> NewValue:
    if details.press is not None:
        return _press(details, entered)
    try:
        torque_nm, unit = read_torque_text(entered)
    except TradeError as trouble:
        raise Refused(FIELD, entered, str(trouble)) from trouble
    if abs(torque_nm - details.torque_nm) < 1e-9:
        raise Refused(FIELD, entered, "this is what the record says already.", "The right torque.")
    text = f"{torque_nm:.10g} N·m"
    return NewValue(text if unit == "N·m" else f"{text} ({entered.strip()})", number=torque_nm)


def _instrument(work: Work, details: TorqueFacts, text: str) -> NewValue:
    row = work.session.execute(
        select(Instrument.id, Instrument.label, Instrument.kind, Instrument.tool).where(
            Instrument.label_key == serial_key(text)
        )
    ).first()
    if row is None:
        raise Refused(FIELD, text, "no instrument bears this mark.", "Read it again.")
    if row.kind is not InstrumentKind.TORQUE_DRIVER:
        raise Refused(
            FIELD, row.label, f"it is a {row.kind}.", f"A {InstrumentKind.TORQUE_DRIVER}."
        )
    if row.tool and row.tool.reads is (details.press is not None):
        reason = "it shows no reading." if details.press is None else "it is read, not set."
        right = "A dial or electronic driver." if details.press is None else "A click tool."
        raise Refused(FIELD, row.label, reason, right)
    if row.id == details.instrument_id:
        raise Refused(FIELD, row.label, "this is what the record says already.", "The right one.")
    return NewValue(row.label, number=float(row.id))


def _hours(work: Work, details: HourFacts, text: str) -> NewValue:
    number = text.strip().removesuffix("h").strip()
    try:
        hours = read_number(number)
    except TradeError as trouble:
        raise Refused(FIELD, text, str(trouble), "Hours as the meter showed.") from trouble
    if hours < 0:
        raise Refused(FIELD, text, "a meter shows no hours below zero.", "0\u2009h or more.")
    if hours == details.hours:
        raise Refused(FIELD, text, "this is what the record says already.", "The right reading.")
    refuse_hours_out_of_order(work, details, hours, details.taken_at)
    return NewValue(f"{hours:.10g} h", number=hours)


def other_showings(work: Work, details: HourFacts, taken_at: datetime) -> list[Shown]:
    """Return what else the meter showed, around the time of a reading and another time."""
    begin, end = min(details.taken_at, taken_at), max(details.taken_at, taken_at)
    read = (details.hours, details.taken_at, details.moment)
    return [
        row
        for row in shown_around(work.session, details.meter_id, begin, end)
        if (row.hours, row.taken_at, row.moment) != read
    ]


def refuse_hours_out_of_order(
    work: Work, details: HourFacts, hours: float, taken_at: datetime
) -> None:
    """Refuse a reading that does not lie between its neighbours: a meter never counts backwards."""
    others = other_showings(work, details, taken_at)

    def is_before(row: Shown) -> bool:
        if Moment.FITTED in (row.moment, details.moment):
            return row.moment is Moment.FITTED
        return row.taken_at < taken_at

    least = max((row for row in others if is_before(row)), key=lambda row: row.hours, default=None)
    after = [row for row in others if not is_before(row) and row.taken_at != taken_at]
    most = min(after, key=lambda row: row.hours, default=None)
    if least is not None and hours < least.hours:
        raise Refused(
            FIELD,
            f"{hours:.10g} h",
            f"the meter already showed {least.hours:g} h on {least.taken_at:%Y-%m-%d};"
            " it cannot count backwards.",
            "If that reading is wrong, correct it first.",
        )
    if most is not None and hours > most.hours:
        raise Refused(
            FIELD,
            f"{hours:.10g} h",
            f"the meter showed only {most.hours:g} h later, on {most.taken_at:%Y-%m-%d}.",
            "If that reading is wrong, correct it first.",
        )


def _time(work: Work, record: Correctable, fact: Fact, details: PeriodFacts, text: str) -> NewValue:
    at = _read_time(text)
    if at == fact.at:
        raise Refused(FIELD, text, "this is what the record says already.", "The right time.")
    refuse_time(work, record, fact, details, at)
    return NewValue(written_time(at), time=at)


def _read_time(text: str) -> datetime:
    try:
        return parse_when(text, None, needs_time=True)
    except OutOfRange as trouble:
        right = f"Right would be {trouble.allowed}."
        raise Refused(FIELD, text, "this is no time of a zone.", right) from trouble


def refuse_time(
    work: Work, record: Correctable, fact: Fact, details: PeriodFacts, at: datetime
) -> None:
    """Refuse a time out of order: closed, opened, closed again.

    And a part stays in one place.
    """
    time_words = f"{at:%Y-%m-%d %H:%M} UTC"
    changes.not_ahead(FIELD, at, record.handed_in_at or work.now)
    is_opening = fact.of is CorrectionOf.OPENED_AT
    closed_at, opened_at = details.closed_at, details.opened_at
    if is_opening:
        opened_at = at
        if at < closed_at:
            _refuse_order(time_words, f"build {details.build_number} was closed later", closed_at)
        again = _closing_of(work, record.record_id)
        if again is not None and at > again:
            _refuse_order(time_words, "the stack was closed again earlier", again)
    else:
        closed_at = at
        before = _opening_of(work, record.record_id)
        if before is not None and at < before:
            _refuse_order(time_words, "the stack was opened later", before)
        if opened_at is not None and at > opened_at:
            _refuse_order(time_words, f"build {details.build_number} was opened earlier", opened_at)
        begun = _being_written(work, record)
        if begun is not None and at > begun:
            _refuse_order(time_words, "the record being written now began earlier", begun)
    clashes = others_at_that_time(
        work.session, details.build_id, record.stack_id, closed_at, opened_at
    )
    if clashes:
        raise Refused(FIELD, time_words, " ".join(clashes), "A part is in one place only.")
    for reading in readings_at(work, record.record_id, fact):
        refuse_hours_out_of_order(work, reading.details, reading.details.hours, at)


@dataclass(frozen=True, slots=True)
class ReadingAt:
    """A reading of the hour meter which was taken at an opening or closing, and moves with it."""

    reading_id: int
    details: HourFacts


def readings_at(work: Work, record_id: int, fact: Fact) -> list[ReadingAt]:
    """Return the readings of the hour meter taken at this opening or closing."""
    moment = Moment.OPENING if fact.of is CorrectionOf.OPENED_AT else Moment.CLOSING
    rows: Any = work.session.execute(
        select(HourReading.id, *columns(HourFacts, HourReading)).where(
            HourReading.record_id == record_id,
            HourReading.moment == moment,
            HourReading.taken_at == fact.at,
            HourReading.known_until.is_(None),
        )
    )
    return [ReadingAt(row.id, read_as(HourFacts, row)) for row in rows]


def _refuse_order(time_words: str, limit_words: str, when: datetime) -> None:
    raise Refused(
        FIELD,
        time_words,
        f"{limit_words}, at {when:%Y-%m-%d %H:%M} UTC.",
        "A time that keeps the order; if that one is wrong, correct it first.",
    )


def _closing_of(work: Work, record_id: int) -> datetime | None:
    return work.session.scalar(
        select(BuildPeriod.closed_at)
        .join(Build, Build.id == BuildPeriod.build_id)
        .where(Build.record_id == record_id, BuildPeriod.known_until.is_(None))
    )


def _opening_of(work: Work, record_id: int) -> datetime | None:
    return work.session.scalar(
        select(BuildPeriod.opened_at).where(
            BuildPeriod.opened_by_record_id == record_id, BuildPeriod.known_until.is_(None)
        )
    )


def _being_written(work: Work, record: Correctable) -> datetime | None:
    """When the next event of the stack began, where its record is still being written."""
    return work.session.scalar(
        select(RebuildRecord.performed_from).where(
            RebuildRecord.stack_id == record.stack_id,
            RebuildRecord.state.in_((RecordState.OPEN, RecordState.SENT_BACK)),
            ~event_before(RebuildRecord.id, record.record_id, or_itself=True),
        )
    )
