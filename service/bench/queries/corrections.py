"""Corrections: what can be corrected, what each changes, who wrote and decided it."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from typing import Any

from sqlalchemy import Select, and_, exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.bench.queries.correctable_values import (
    ADDED,
    OVERLAID,
    Asks,
    ValueFacts,
    value_facts,
    written_time,
)
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.dates import PRESENT, AsOf, parse_partial
from service.platform.arithmetic.vocabulary import End, Facing, Kind, Press, ReadingKind, Stage
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped_as, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import known, param, statement
from service.records.queries.inserted import came_before
from service.records.tables import (
    Decision,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables import (
    Build,
    BuildPeriod,
    Fixing,
    HourMeter,
    HourReading,
    Layer,
    Moment,
    Stack,
)
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Instrument, Lot, Part, PartType

FORM = "layerbook correction 1"
THERE, NOTHING = "there", "nothing between"


@dataclass(frozen=True, slots=True)
class CorrectionView:
    """One correction with its decision, if there is one; ``holds``: it still says what was hashed.

    ``old_value`` and ``new_value`` are as a person reads them, times in ISO 8601 UTC.
    """

    id: int
    record_id: int
    record_state: RecordState
    stack_id: int
    stack: str
    of: CorrectionOf
    subject_id: int | None
    field: str
    subject_label: str
    old_value: str
    new_value: str
    new_part_id: int | None
    new_number: float | None
    new_time: datetime | None
    new_facts: str | None
    reason: str
    state: CorrectionState
    written_by_id: int
    written_by: str
    written_at: datetime
    content_sha256: str
    deviation: str | None
    deviation_because: str | None
    unloaded_first: bool | None
    decided_by: str | None
    decided_at: datetime | None
    decided_roles: str | None
    decided_reason: str | None
    remarks: str | None
    signed_sha256: str | None
    record_content_sha256: str | None

    @property
    def computed_sha256(self) -> str:
        """The hash of what the row says now."""
        return sha256_of(canonical_json(document_of(self)))

    @property
    def holds(self) -> bool:
        """Say whether the row, its hash and the signature agree."""
        signed = self.signed_sha256 is None or self.signed_sha256 == self.content_sha256
        decided = self.state is CorrectionState.WAITING or self.signed_sha256 is not None
        return signed and decided and self.computed_sha256 == self.content_sha256

    @property
    def is_time(self) -> bool:
        """Say whether the values are times."""
        return self.new_time is not None

    @property
    def old_time(self) -> datetime | None:
        """The old value, where the values are times."""
        if not self.is_time:
            return None
        return parse_partial(self.old_value) or datetime.fromisoformat(self.old_value)


def document_of(correction: Any) -> dict[str, object]:
    """Return what of a correction is hashed and signed; of the row or the view of it."""
    departs = {
        "deviation": correction.deviation,
        "deviation_because": correction.deviation_because,
        "unloaded_first": correction.unloaded_first,
    }
    more = {"field": correction.field or None, "new_facts": correction.new_facts}
    return {
        "form": FORM,
        "record": correction.record_id,
        "of": correction.of.value,
        "subject": correction.subject_id,
        "subject_label": correction.subject_label,
        "old_value": correction.old_value,
        "new_value": correction.new_value,
        "new_part": correction.new_part_id,
        "new_number": correction.new_number,
        "new_time": _written(correction.new_time),
        "reason": correction.reason,
        "written": {"by": correction.written_by_id, "at": _written(correction.written_at)},
        **(departs if correction.deviation is not None else {}),
        **{name: value for name, value in more.items() if value is not None},
    }


def correction(session: Session, correction_id: int) -> CorrectionView:
    """Return one correction. Raises NotFound."""
    row = session.execute(_views().where(Correction.id == correction_id)).first()
    if row is None:
        raise NotFound("correction", correction_id)
    return read_as(CorrectionView, row)


def corrections_of_records(
    session: Session, record_ids: Collection[int], as_of: AsOf = PRESENT
) -> dict[int, tuple[CorrectionView, ...]]:
    """Return all corrections of each of these records, in the order they were written.

    One decided on later than the time of knowing waits still. One statement.
    """
    rows = session.execute(
        _views().where(Correction.record_id.in_(record_ids)).order_by(Correction.id)
    )
    by_record = grouped_as(rows, "record_id", lambda row: read_as(CorrectionView, row))
    return {
        record_id: tuple(
            view
            if view.decided_at is None or as_of.has(happened_at=view.decided_at)
            else replace(
                view,
                state=CorrectionState.WAITING,
                decided_by=None,
                decided_at=None,
                decided_reason=None,
            )
            for view in by_record[record_id]
            if as_of.has(happened_at=view.written_at)
        )
        for record_id in record_ids
    }


OLDEST = Order((Correction.id,))
LATEST = Order((Correction.id,), descending=True)


def corrections_listed(
    session: Session,
    turn: Turn = FIRST,
    *,
    state: CorrectionState | None = None,
    record_id: int | None = None,
) -> Listing[CorrectionView]:
    """Return all corrections, the newest first. One statement."""
    statement = _views()
    if state is not None:
        statement = statement.where(Correction.state == state)
    if record_id is not None:
        statement = statement.where(Correction.record_id == record_id)
    return listing(session, statement, LATEST, turn, partial(read_all, CorrectionView))


def corrections_waiting(session: Session, turn: Turn = FIRST) -> Listing[CorrectionView]:
    """Return corrections nobody has decided on yet, the oldest first. One statement."""
    statement = _views().where(Correction.state == CorrectionState.WAITING)
    return listing(session, statement, OLDEST, turn, partial(read_all, CorrectionView))


def _views() -> Select[*tuple[Any, ...]]:
    decision, decider = aliased(Decision), aliased(Person)
    return (
        select(
            *columns(
                CorrectionView,
                Correction,
                record_state=RebuildRecord.state,
                stack_id=Stack.id,
                stack=Stack.serial,
                written_by=with_login(Person),
                decided_by=with_login(decider, decision.person_name),
                decided_at=decision.at,
                decided_roles=decision.person_roles,
                decided_reason=decision.reason,
                remarks=decision.remarks,
                signed_sha256=decision.content_sha256,
                record_content_sha256=RebuildRecord.content_sha256,
            )
        )
        .join(RebuildRecord, RebuildRecord.id == Correction.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Person, Person.id == Correction.written_by_id)
        .outerjoin(decision, decision.correction_id == Correction.id)
        .outerjoin(decider, decider.id == decision.person_id)
    )


def _written(at: datetime | None) -> str | None:
    return None if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%f}Z"


# Facts of a record handed in which a correction can change, each with what is known of it now.
#
# A layer is corrected in the record in which its part was put on, a reading in the record it was
# taken in, a time in the record that opened or closed the stack.


CAN_BE_CORRECTED = (RecordState.HANDED_IN, RecordState.APPROVED)


TURNS = (Facing.FIXED_END, Facing.FREE_END)


@dataclass(frozen=True, slots=True)
class PartFacts:
    """A part where it sits in a build, as known now, and what its type says."""

    build_id: int
    build_number: int
    part_id: int
    kind: Kind
    part_type_id: int
    counted: bool
    lot_id: int | None


@dataclass(frozen=True, slots=True)
class LayerFacts(PartFacts):
    """One layer as known now."""

    position: int
    cell: int | None
    marked_face: str | None
    facing: Facing


@dataclass(frozen=True, slots=True)
class FixingFacts(PartFacts):
    """One fixing as known now, at a rod or at an end."""

    rod_number: int | None
    end: End | None


@dataclass(frozen=True, slots=True)
class TorqueFacts:
    """One torque reading as known now, in N·m."""

    torque_nm: float
    instrument_id: int
    taken_at: datetime
    stage: Stage
    pass_number: int
    kind: ReadingKind
    entered: str
    press: Press | None


@dataclass(frozen=True, slots=True)
class HourFacts:
    """One reading of an hour meter as known now, in h."""

    meter_id: int
    moment: Moment
    hours: float
    taken_at: datetime
    record_id: int | None


@dataclass(frozen=True, slots=True)
class PeriodFacts:
    """From when to when a build was true, as known now."""

    build_id: int
    build_number: int
    closed_at: datetime
    opened_at: datetime | None
    opened_by_record_id: int | None


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact; ``subject_id`` is the row that tells it now, ``old_value`` as a person reads it.

    Times in ``old_value`` are ISO 8601 in UTC; ``at`` gives them as a time.
    """

    of: CorrectionOf
    subject_id: int
    label: str
    old_value: str
    details: LayerFacts | FixingFacts | TorqueFacts | HourFacts | PeriodFacts | ValueFacts
    at: datetime | None = None
    field: str = ""
    """which of the row's facts, where it has several"""

    @property
    def is_time(self) -> bool:
        """Say whether a time is corrected, not something read at one."""
        times = (CorrectionOf.OPENED_AT, CorrectionOf.CLOSED_AT)
        return self.of in times or getattr(self.details, "asks", None) is Asks.TIME

    @property
    def key(self) -> tuple[CorrectionOf, int, str]:
        """What a correction of it names."""
        return self.of, self.subject_id, self.field


@dataclass(frozen=True, slots=True)
class Correctable:
    """A record and its facts which can be corrected; none where it is not handed in."""

    record_id: int
    stack_id: int
    stack: str
    state: RecordState
    version: int
    handed_in_at: datetime | None
    base_build_id: int | None
    content_sha256: str | None
    facts: tuple[Fact, ...]
    waiting: frozenset[tuple[str, int, str]]
    """Facts with a correction which is not decided yet, as (table, subject_id, text)."""

    def fact(self, of: CorrectionOf, subject_id: int, field: str = "") -> Fact | None:
        """Return one of the facts."""
        return next((fact for fact in self.facts if fact.key == (of, subject_id, field)), None)

    def is_waiting(self, of: CorrectionOf, subject_id: int, field: str = "") -> bool:
        """Say whether a correction of this fact waits for a decision."""
        return _row_of(of, subject_id, field) in self.waiting


def _row_of(of: CorrectionOf, subject_id: int, field: str) -> tuple[str, int, str]:
    """The row a correction puts another in place of; beside it what only corrections say."""
    only_field = of is CorrectionOf.PERSON or field == ADDED or (of, field) in OVERLAID
    return table_of(of), subject_id, field if only_field else ""


TABLE_OF = {
    CorrectionOf.LAYER_PART: "layer",
    CorrectionOf.LAYER_FACING: "layer",
    CorrectionOf.LAYER_TOO_FEW: "layer",
    CorrectionOf.LAYER_TOO_MANY: "layer",
    CorrectionOf.FIXING: "fixing",
    CorrectionOf.FIXING_TOO_FEW: "fixing",
    CorrectionOf.FIXING_TOO_MANY: "fixing",
    CorrectionOf.TORQUE: "torque_reading",
    CorrectionOf.TORQUE_INSTRUMENT: "torque_reading",
    CorrectionOf.HOURS: "hour_reading",
    CorrectionOf.OPENED_AT: "build_period",
    CorrectionOf.CLOSED_AT: "build_period",
    CorrectionOf.ENTRY: "step",
    CorrectionOf.FINDING: "finding",
    CorrectionOf.PERSON: "record_person",
    CorrectionOf.HEAD: "rebuild_record",
}
"""Which table's row a correction of each kind names."""


def table_of(of: CorrectionOf) -> str:
    """Say which table's row a correction of this kind names."""
    return TABLE_OF[of]


def correctable(session: Session, record_id: int) -> Correctable:
    """Return the facts of this record a correction can change.

    A constant number of statements; raises NotFound.
    """
    head = session.execute(_head(), {"record_id": record_id}).first()
    if head is None:
        raise NotFound("record", record_id)
    facts: tuple[Fact, ...] = ()
    if head.state in CAN_BE_CORRECTED:
        facts = (
            *_periods(session, record_id),
            *_hours(session, head),
            *_torques(session, record_id),
            *_layers(session, head),
            *_fixings(session, head),
            *_values(session, head),
        )
    waiting = session.execute(_WAITING, {"record_id": record_id})
    of_facts = frozenset(_row_of(row.of, row.subject_id or 0, row.field) for row in waiting)
    return read_as(Correctable, head, facts=facts, waiting=of_facts)


_WAITING = select(Correction.of, Correction.subject_id, Correction.field).where(
    Correction.record_id == param("record_id"), Correction.state == CorrectionState.WAITING
)


@statement
def _head() -> Any:
    return (
        select(
            RebuildRecord.id,
            RebuildRecord.performed_from,
            RebuildRecord.reason,
            RebuildRecord.notes,
            *columns(Correctable, RebuildRecord, record_id=RebuildRecord.id, stack=Stack.serial),
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(RebuildRecord.id == param("record_id"))
    )


@statement
def _periods_known() -> Any:
    record_id = param("record_id")
    return (
        select(
            BuildPeriod.id,
            Build.record_id,
            *columns(PeriodFacts, BuildPeriod, build_id=Build.id, build_number=Build.number),
        )
        .join(Build, Build.id == BuildPeriod.build_id)
        .where(
            or_(Build.record_id == record_id, BuildPeriod.opened_by_record_id == record_id),
            known(BuildPeriod),
        )
        .order_by(BuildPeriod.closed_at)
    )


def _periods(session: Session, record_id: int) -> Iterator[Fact]:
    for row in session.execute(_periods_known(), {"record_id": record_id}):
        details = read_as(PeriodFacts, row)
        if row.opened_by_record_id == record_id and row.opened_at is not None:
            label = f"opening of build {row.build_number}"
            yield Fact(
                CorrectionOf.OPENED_AT,
                row.id,
                label,
                written_time(row.opened_at),
                details,
                row.opened_at,
            )
        if row.record_id == record_id:
            label = f"closing of build {row.build_number}"
            yield Fact(
                CorrectionOf.CLOSED_AT,
                row.id,
                label,
                written_time(row.closed_at),
                details,
                row.closed_at,
            )


def _hours(session: Session, head: Any) -> Iterator[Fact]:
    """Readings of this event, and those of the stack in operation from it up to the next event."""
    of_record = {"stack_id": head.stack_id, "record_id": head.id, "began": head.performed_from}
    for row in session.execute(_hour_readings(), of_record):
        yield Fact(
            CorrectionOf.HOURS,
            row.id,
            f"hour meter {row.number}, {row.moment}",
            f"{row.hours:.10g} h",
            read_as(HourFacts, row),
            row.taken_at,
        )


@statement
def _hour_readings() -> Any:
    event, stack_id, record_id = aliased(RebuildRecord), param("stack_id"), param("record_id")
    of_stack = (event.stack_id == stack_id, event.state.in_(CAN_BE_CORRECTED))
    this, began = aliased(RebuildRecord), param("began")
    is_this = (this.id == record_id, *of_stack)
    next_at = (
        select(func.min(event.performed_from))
        .where(*is_this, came_before(this, event))
        .scalar_subquery()
    )
    is_first = ~exists().where(*is_this, came_before(event, this))
    between = and_(
        HourReading.record_id.is_(None),
        or_(HourReading.taken_at >= began, is_first),
        or_(next_at.is_(None), HourReading.taken_at < next_at),
    )
    return (
        select(HourReading.id, HourMeter.number, *columns(HourFacts, HourReading))
        .join(HourMeter, HourMeter.id == HourReading.meter_id)
        .where(
            HourReading.stack_id == stack_id,
            known(HourReading),
            or_(HourReading.record_id == record_id, between),
        )
        .order_by(HourReading.taken_at, HourReading.id)
    )


@statement
def _torque_readings() -> Any:
    return (
        select(
            TorqueReading.id,
            TorqueReading.rod_number,
            Instrument.label,
            *columns(TorqueFacts, TorqueReading),
        )
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .where(TorqueReading.record_id == param("record_id"), known(TorqueReading))
        .order_by(TorqueReading.stage, TorqueReading.pass_number, TorqueReading.rod_number)
    )


def _torques(session: Session, record_id: int) -> Iterator[Fact]:
    for row in session.execute(_torque_readings(), {"record_id": record_id}).all():
        label = f"rod {row.rod_number}, pass {row.pass_number}, {row.stage}, {row.kind}"
        details = read_as(TorqueFacts, row)
        value = row.press or f"{row.torque_nm:.10g} N·m"
        yield Fact(CorrectionOf.TORQUE, row.id, label, value, details)
        yield Fact(CorrectionOf.TORQUE_INSTRUMENT, row.id, label, row.label, details)


def _values(session: Session, head: Any) -> Iterator[Fact]:
    for each in value_facts(session, head):
        at = each.value if isinstance(each.value, datetime) else None
        yield Fact(each.of, each.subject_id, each.label, each.shown, each, at, each.field)


def _put_there(table: Any, entered: StepKind, facts: type[PartFacts]) -> Any:
    """Rows of layers or fixings whose part this record put there, or a correction of it.

    And those it kept, while an opening before it waits: that may have left another part there.
    """
    own_build, at_base, record_id = aliased(Build), aliased(table), param("record_id")
    stayed = exists().where(
        at_base.build_id == param("base_build_id"),
        at_base.part_id == table.part_id,
        known(at_base),
    )
    put_there = exists().where(
        Step.record_id == record_id,
        Step.part_id == table.part_id,
        Step.kind == entered,
        Step.undone_at.is_(None),
    )
    corrected_here = table.correction_id.in_(
        select(Correction.id).where(Correction.record_id == record_id)
    )
    waiting = aliased(RebuildRecord)
    opening_waits = exists().where(
        waiting.base_build_id == param("base_build_id"),
        waiting.id != record_id,
        waiting.closed_at.is_not(None),
        waiting.state == RecordState.HANDED_IN,
    )
    return (
        select(
            table.id,
            Part.serial,
            Lot.label.label("lot"),
            Part.item_number,
            *columns(facts, table, PartType, Part, build_number=own_build.number),
        )
        .join(own_build, own_build.id == table.build_id)
        .join(Part, Part.id == table.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(
            own_build.record_id == record_id,
            known(table),
            or_(~stayed, put_there, corrected_here, opening_waits),
        )
        .order_by(table.position if table is Layer else table.rod_number, table.id)
    )


_FITTED = _put_there(Fixing, StepKind.FIXING_FITTED, FixingFacts)
_PUT_ON = _put_there(Layer, StepKind.PUT_ON, LayerFacts)


def _record_and_base(head: Any) -> dict[str, int | None]:
    return {"record_id": head.id, "base_build_id": head.base_build_id}


def _fixings(session: Session, head: Any) -> Iterator[Fact]:
    rods: set[int | None] = set()
    for row in session.execute(_FITTED, _record_and_base(head)):
        details = read_as(FixingFacts, row)
        label = f"{row.kind} at {place_of(row.rod_number, row.end)} of build {row.build_number}"
        name = part_label(row.serial, row.lot, row.item_number)
        yield Fact(CorrectionOf.FIXING, row.id, label, name, details)
        yield Fact(CorrectionOf.FIXING_TOO_MANY, row.id, f"{label}, {name}", THERE, details)
        if details.rod_number not in rods:
            beside = f"another fixing at {place_of(row.rod_number, row.end)}"
            label = f"{beside} of build {row.build_number}"
            yield Fact(CorrectionOf.FIXING_TOO_FEW, row.id, label, NOTHING, details)
        rods.add(details.rod_number)


def place_of(rod_number: int | None, end: End | None) -> str:
    """Return where a fixing is, in words."""
    return f"rod {rod_number}" if rod_number is not None else f"the {end}"


def _layers(session: Session, head: Any) -> Iterator[Fact]:
    for row in session.execute(_PUT_ON, _record_and_base(head)):
        details = read_as(LayerFacts, row)
        cell = f", cell {row.cell}" if row.cell else ""
        label = f"layer {row.position}{cell} of build {row.build_number}, {row.kind}"
        name = part_label(row.serial, row.lot, row.item_number)
        yield Fact(CorrectionOf.LAYER_PART, row.id, label, name, details)
        yield Fact(CorrectionOf.LAYER_TOO_MANY, row.id, f"{label} {name}", THERE, details)
        on = f"on layer {row.position} of build {row.build_number}, {row.kind} {name}"
        yield Fact(CorrectionOf.LAYER_TOO_FEW, row.id, on, NOTHING, details)
        if row.marked_face is not None:
            face = f"{label} {name}, {row.marked_face}"
            yield Fact(CorrectionOf.LAYER_FACING, row.id, face, row.facing.value, details)
