"""One record: who had a part in it, its head, its entries with everything that hangs on them."""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select, union
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction
from service.designs.tables import Design
from service.people.queries.people import with_login
from service.people.tables import Person
from service.physics.arithmetic.conditions import NONE_SEEN, NOT_INSPECTED
from service.platform import permissions
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End, Facing, ReadingKind, Stage
from service.platform.audit import Event
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped_as, read_all, read_as
from service.platform.tables import Attachment, AuditEntry
from service.proof.tables import StackTest
from service.records.tables import (
    Finding,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordPerson,
    RecordPersonRemoved,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
    VoidProposal,
    WitnessConfirmation,
)
from service.stacks.tables import Build, HourReading, Moment, Stack
from service.store.queries.part_lists import PART_NAMED, PartNamed, part_named
from service.store.tables import Calibration, Concession, Instrument, Lot, Part, PartType

NOT_CONFIRMED = "named, not confirmed"
"""What stands beside a witness who has not confirmed with their own password."""
WRITING = (
    Event.RECORD_BEGUN,
    Event.RECORD_CHANGED,
    Event.RECORD_ENTRY,
    Event.RECORD_UNDONE,
    Event.RECORD_HANDED_IN,
    Event.RECORD_TAKEN_UP,
    Event.ATTACHMENT_ADDED,
    Event.ATTACHMENT_REMOVED,
)
"""Acts in the trail which make somebody one of those who wrote a record."""


def people_on(
    session: Session, record_ids: Collection[int], *, with_corrections: bool = True
) -> dict[int, frozenset[int]]:
    """Return who wrote, worked on, witnessed, conceded in or corrected each record. One statement.

    Counted in: who began it, is or was ever named in its head, made or undid any entry, accepted a
    departure, gave a concession it uses, took a reading, checked or witnessed a line of make-safe,
    added a file, handed it in, or (``with_corrections``) proposed a correction of it. Entries that
    were undone count as well.
    """
    entered: tuple[tuple[Any, Any], ...] = (
        (RecordPerson, RecordPerson.person_id),
        (RecordPersonRemoved, RecordPersonRemoved.person_id),
        (Step, Step.by_id),
        (Step, Step.undone_by_id),
        (MakeSafeLine, MakeSafeLine.person_id),
        (MakeSafeLine, MakeSafeLine.witness_id),
        (TorqueReading, TorqueReading.by_id),
        (HourReading, HourReading.by_id),
        (Attachment, Attachment.added_by_id),
    )
    if with_corrections:
        entered = (*entered, (Correction, Correction.written_by_id))
    parts: list[Select[*tuple[Any, ...]]] = [
        select(table.record_id, person).where(table.record_id.in_(record_ids))
        for table, person in entered
    ]
    parts += [
        select(RebuildRecord.id, person).where(RebuildRecord.id.in_(record_ids))
        for person in (RebuildRecord.written_by_id, RebuildRecord.handed_in_by_id)
    ]
    parts.append(
        select(Concession.used_in_record_id, Concession.given_by_id).where(
            Concession.used_in_record_id.in_(record_ids)
        )
    )
    parts.append(
        select(AuditEntry.record_id, AuditEntry.person_id).where(
            AuditEntry.record_id.in_(record_ids),
            AuditEntry.act.in_([act.value for act in WRITING]),
        )
    )
    people: dict[int, set[int]] = defaultdict(set)
    for record_id, person_id in session.execute(union(*parts)):
        if person_id is not None:
            people[record_id].add(person_id)
    return {record_id: frozenset(people[record_id]) for record_id in record_ids}


@dataclass(frozen=True, slots=True)
class Removed:
    """Somebody who was named in a record's head, and who took them out of it when."""

    person: str
    login: str
    involvement: Involvement
    removed_by: str
    removed_by_login: str
    removed_at: datetime


def removed_from(session: Session, record_id: int) -> tuple[Removed, ...]:
    """Return who was taken out of a record's head, in order. One statement."""
    remover = aliased(Person)
    rows = session.execute(
        select(
            *columns(
                Removed,
                RecordPersonRemoved,
                Person,
                person=Person.name,
                removed_by=remover.name,
                removed_by_login=remover.login,
            )
        )
        .join(Person, Person.id == RecordPersonRemoved.person_id)
        .join(remover, remover.id == RecordPersonRemoved.removed_by_id)
        .where(RecordPersonRemoved.record_id == record_id)
        .order_by(RecordPersonRemoved.id)
    )
    return read_all(Removed, rows)


@dataclass(frozen=True, slots=True)
class ToWitness:
    """A witness named in a record; ``lines`` of make-safe, or the whole, wait for their word."""

    person_id: int
    login: str
    name: str
    lines: tuple[int, ...]
    waits: bool

    @property
    def words(self) -> str:
        """What they are asked to confirm."""
        if not self.lines:
            return "that you witnessed the work"
        which = ", ".join(map(str, self.lines))
        return f"make-safe {'line' if len(self.lines) == 1 else 'lines'} {which}"


def confirmed_at(since: Any, record_id: Any, person_id: Any) -> Any:
    """Return the expression of when a witness first confirmed something written down then."""
    word = aliased(WitnessConfirmation)
    return (
        select(func.min(word.confirmed_at))
        .where(
            word.record_id == record_id,
            word.person_id == person_id,
            word.confirmed_at >= since,
        )
        .scalar_subquery()
    )


def to_witness(session: Session, record_id: int) -> tuple[ToWitness, ...]:
    """Return the witnesses named in a record, and whether they still have to confirm.

    Three statements.
    """
    people = session.execute(
        select(Person.id, Person.login, Person.name)
        .join(RecordPerson, RecordPerson.person_id == Person.id)
        .where(
            RecordPerson.record_id == record_id, RecordPerson.involvement == Involvement.WITNESSED
        )
        .order_by(Person.name, Person.id)
    ).all()
    rows = session.execute(
        select(WitnessConfirmation.person_id, func.max(WitnessConfirmation.confirmed_at))
        .where(WitnessConfirmation.record_id == record_id)
        .group_by(WitnessConfirmation.person_id)
    )
    last: dict[int, datetime] = {row[0]: row[1] for row in rows}
    lines = session.execute(
        select(MakeSafeLine.witness_id, MakeSafeLine.line_number, Step.written_at)
        .join(Step, Step.id == MakeSafeLine.step_id)
        .where(
            MakeSafeLine.record_id == record_id,
            MakeSafeLine.witness_id.is_not(None),
            Step.undone_at.is_(None),
        )
        .order_by(MakeSafeLine.line_number)
    ).all()
    witnesses = []
    for person in people:
        at = last.get(person.id)
        waiting = tuple(
            dict.fromkeys(
                line.line_number
                for line in lines
                if line.witness_id == person.id and (at is None or line.written_at > at)
            )
        )
        witnesses.append(
            ToWitness(person.id, person.login, person.name, waiting, bool(waiting) or at is None)
        )
    return tuple(witnesses)


# Making void: by its author alone while there are no entries, else proposed by one and confirmed
# by another.


@dataclass(frozen=True, slots=True)
class VoidProposed:
    """The proposal that stands, by name and login."""

    by_id: int
    by: str
    at: datetime
    reason: str


def void_proposed(session: Session, record_id: int) -> VoidProposed | None:
    """Return the proposal to make a record void that stands; None: none, or it lapsed."""
    row = session.execute(
        select(
            *columns(
                VoidProposed,
                VoidProposal,
                by_id=VoidProposal.proposed_by_id,
                by=with_login(Person),
                at=VoidProposal.proposed_at,
            )
        )
        .join(Person, Person.id == VoidProposal.proposed_by_id)
        .join(RebuildRecord, RebuildRecord.id == VoidProposal.record_id)
        .where(
            VoidProposal.record_id == record_id,
            VoidProposal.record_version == RebuildRecord.version,
        )
        .order_by(VoidProposal.id.desc())
        .limit(1)
    ).first()
    return None if row is None else read_as(VoidProposed, row)


def may_void_alone(session: Session, person: permissions.Person, record: Any) -> bool:
    """Say whether somebody may make a record void alone: its author, while it has no entries."""
    if record.written_by_id != person.id:
        return False
    return session.scalar(select(Step.id).where(Step.record_id == record.id).limit(1)) is None


@dataclass(frozen=True, slots=True)
class RecordHead:
    """What the head of a record says. Torque in N·m, tolerance in % of the target."""

    id: int
    stack_id: int
    stack: str
    design_id: int
    design: str
    revision: str
    target_nm: float
    tolerance_percent: float
    passes: int
    kind: RecordKind
    state: RecordState
    reason: str
    notes: str
    performed_from: datetime
    opened_at: datetime | None
    closed_at: datetime | None
    written_by_id: int
    written_by: str
    written_at: datetime
    version: int
    handed_in_at: datetime | None
    handed_in_by: str | None
    content_sha256: str | None
    base_build_id: int | None
    base_build: int | None
    build_id: int | None
    build: int | None

    @property
    def is_being_written(self) -> bool:
        """Say whether entries can be made."""
        return self.state is RecordState.OPEN

    @property
    def opens(self) -> bool:
        """Say whether a record began from a closed build."""
        return self.base_build_id is not None


def record_head(session: Session, record_id: int) -> RecordHead:
    """Return what the head of a record says: one statement. Raises NotFound."""
    writer, hander = aliased(Person), aliased(Person)
    base, own_build = aliased(Build), aliased(Build)
    row = session.execute(
        select(
            *columns(
                RecordHead,
                RebuildRecord,
                Design,
                stack_id=Stack.id,
                stack=Stack.serial,
                design_id=Design.id,
                design=Design.name,
                target_nm=Design.target_torque_nm,
                tolerance_percent=Design.torque_tolerance_percent,
                passes=Design.tightening_passes,
                written_by_id=writer.id,
                written_by=with_login(writer),
                handed_in_by=with_login(hander),
                base_build=base.number,
                build_id=own_build.id,
                build=own_build.number,
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(writer, writer.id == RebuildRecord.written_by_id)
        .outerjoin(hander, hander.id == RebuildRecord.handed_in_by_id)
        .outerjoin(base, base.id == RebuildRecord.base_build_id)
        .outerjoin(own_build, own_build.record_id == RebuildRecord.id)
        .where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    return read_as(RecordHead, row)


MOVED = (StepKind.LIFTED_OFF, StepKind.PUT_ON)
LATE_AFTER = timedelta(hours=24)
"""Written down more than this after it was done: an entry is called late."""


@dataclass(frozen=True, slots=True)
class FindingSeen:
    """One condition seen on a part; ``severity`` None where nobody judged it."""

    part_id: int
    condition: str
    severity: int | None
    where: str
    note: str

    @property
    def is_condition(self) -> bool:
        """Say whether something was seen."""
        return self.condition not in (NONE_SEEN, NOT_INSPECTED)


@dataclass(frozen=True, slots=True)
class Tool:
    """An instrument as it was used for an entry."""

    id: int
    label: str
    certificate: str | None
    due_at: datetime | None


@dataclass(frozen=True, slots=True)
class CheckRecorded:
    """One make-safe line as recorded."""

    line_number: int
    wording: str
    reading: float | None
    unit: str | None
    tool: Tool | None
    person: str
    witness: str | None
    witness_confirmed_at: datetime | None

    @property
    def witness_in_words(self) -> str:
        """The witness, and that they never confirmed where it is so; empty: none."""
        if self.witness is None or self.witness_confirmed_at is not None:
            return self.witness or ""
        return f"{self.witness} ({NOT_CONFIRMED})"


@dataclass(frozen=True, slots=True)
class TorqueRead:
    """One torque reading. ``corrected``: a correction put another value in its place."""

    id: int
    rod_number: int
    pass_number: int
    stage: Stage
    kind: ReadingKind
    torque_nm: float
    entered: str
    tool: Tool
    concession_id: int | None
    taken_at: datetime
    by: str
    correction_id: int | None
    corrected: bool


@dataclass(frozen=True, slots=True)
class HoursRead:
    """One reading of the hour meter in a record, in h. ``corrected`` as for torque."""

    id: int
    hours: float
    moment: Moment
    taken_at: datetime
    correction_id: int | None
    corrected: bool


@dataclass(frozen=True, slots=True)
class RecordEntry:
    """One entry of a record. Undone ones stay and are struck out."""

    step_id: int
    sequence: int
    kind: StepKind
    part: PartNamed | None
    exposed_part_id: int | None
    end: End | None
    facing: Facing | None
    rod_number: int | None
    scanned: str | None
    note: str
    done_at: datetime
    written_at: datetime
    by: str
    undone_at: datetime | None
    undone_by: str | None
    findings: tuple[FindingSeen, ...] = ()
    check: CheckRecorded | None = None
    torque: tuple[TorqueRead, ...] = ()
    hours: tuple[HoursRead, ...] = ()
    deviation: str | None = None
    """how it departs from what was set, kept because of ``deviation_because``"""
    deviation_because: str | None = None
    unloaded_first: bool | None = None
    """of a torque above the target: whether the stack was unloaded first"""
    departs_from: str | None = None
    """the finding of the check which a departure accepts; the note says why"""
    tested: Verdict | None = None
    """what a test of the closed stack gave"""

    @property
    def stands(self) -> bool:
        """Say whether it was not undone."""
        return self.undone_at is None

    @property
    def deviates(self) -> str:
        """How it departs and why it stands, in one line; empty where it does not."""
        if self.deviation is None:
            return ""
        unloaded = {None: "", True: " Unloaded first.", False: " Not unloaded first."}
        return f"{self.deviation}{unloaded[self.unloaded_first]} Kept: {self.deviation_because}"

    @property
    def is_late(self) -> bool:
        """Say whether it was written down long after it was done."""
        return self.written_at - self.done_at > LATE_AFTER

    @property
    def in_words(self) -> str:
        """What was done, in one line."""
        if self.part is not None:
            return _moved_in_words(self, self.part)
        if self.check is not None:
            return _checked_in_words(self, self.check)
        if self.torque:
            return _torque_in_words(self.torque[-1])
        meter_words = "".join(f", meter at {reading.hours:g}\u2009h" for reading in self.hours)
        if self.kind is StepKind.OPENED:
            return f"stack opened{meter_words or ', hours not known'}"
        if self.kind is StepKind.CLOSED:
            return f"stack closed{meter_words}"
        accepted = f" accepted: {self.departs_from}" if self.departs_from else ""
        tested = f": {self.tested}" if self.tested is not None else ""
        return f"{self.kind}{accepted}{tested}{meter_words}"


def _moved_in_words(entry: RecordEntry, part: PartNamed) -> str:
    name = f"{part.kind} {part.label}"
    at = f"rod {entry.rod_number}" if entry.rod_number else f"the {entry.end}"
    if entry.kind is StepKind.FINDING:
        return f"seen on {name}"
    if entry.kind in (StepKind.FIXING_FITTED, StepKind.FIXING_REMOVED):
        verb = "fitted" if entry.kind is StepKind.FIXING_FITTED else "taken off"
        return f"{name} {verb} at {at}"
    turned = ""
    if entry.kind is StepKind.PUT_ON and entry.facing not in (None, Facing.EITHER):
        turned = f", {part.marked_face or 'marked face'} to the {entry.facing}"
    return f"{name} {entry.kind} at {at}{turned}"


def _checked_in_words(entry: RecordEntry, check: CheckRecorded) -> str:
    value = "" if check.reading is None else f", {check.reading:g}\u2009{check.unit}"
    if entry.kind is StepKind.MAKE_SAFE:
        return f"make-safe line {check.line_number} recorded{value}"
    at_rod = f", rod {entry.rod_number}" if entry.rod_number else ""
    return f"closing check recorded: {check.wording}{at_rod}{value}"


def _torque_in_words(read: TorqueRead) -> str:
    return (
        f"rod {read.rod_number} {read.stage}, pass {read.pass_number}:"
        f" {read.torque_nm:.4g}\u2009N·m {read.kind}"
    )


def entries_of(
    session: Session, record_id: int, *, moved_most: int | None = None
) -> tuple[RecordEntry, ...]:
    """Return the entries of a record in their order, undone ones too. Five statements.

    With ``moved_most`` layers lifted off and put on come only if they are among the last so many
    entries: the bench needs no more of them.
    """
    condition: ColumnElement[bool] = Step.record_id == record_id
    if moved_most is not None:
        last = session.scalar(select(func.max(Step.sequence)).where(condition)) or 0
        condition = and_(condition, or_(Step.kind.not_in(MOVED), Step.sequence > last - moved_most))
    findings = _findings(session, condition)
    checks = _checks(session, record_id)
    torque = _torque(session, record_id)
    hours = _hours(session, record_id)
    by, undone_by = aliased(Person), aliased(Person)
    rows: Sequence[Any] = session.execute(
        select(
            Step.id.label("step_id"),
            Step.sequence,
            Step.kind.label("step"),
            Step.exposed_part_id,
            Step.end,
            Step.facing,
            Step.rod_number,
            Step.scanned,
            Step.note,
            Step.done_at,
            Step.written_at,
            by.name.label("by"),
            Step.undone_at,
            undone_by.name.label("undone_by"),
            Step.departs_from,
            Step.deviation,
            Step.deviation_because,
            Step.unloaded_first,
            StackTest.verdict.label("tested"),
            *PART_NAMED,
        )
        .join(by, by.id == Step.by_id)
        .outerjoin(undone_by, undone_by.id == Step.undone_by_id)
        .outerjoin(StackTest, StackTest.step_id == Step.id)
        .outerjoin(Part, Part.id == Step.part_id)
        .outerjoin(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(condition)
        .order_by(Step.sequence)
    ).all()
    return tuple(
        read_as(
            RecordEntry,
            row,
            kind=row.step,
            part=None if row.part_id is None else part_named(row),
            findings=tuple(findings.get(row.step_id, ())),
            check=checks.get(row.step_id),
            torque=tuple(torque.get(row.step_id, ())),
            hours=tuple(hours.get(row.step_id, ())),
        )
        for row in rows
    )


def _findings(session: Session, condition: ColumnElement[bool]) -> dict[int, list[FindingSeen]]:
    rows = session.execute(
        select(Finding.step_id, *columns(FindingSeen, Finding))
        .join(Step, Step.id == Finding.step_id)
        .where(condition)
        .order_by(Finding.id)
    )
    return grouped_as(rows, "step_id", lambda row: read_as(FindingSeen, row))


def _checks(session: Session, record_id: int) -> dict[int, CheckRecorded]:
    person, witness = aliased(Person), aliased(Person)
    rows = session.execute(
        select(
            MakeSafeLine.step_id,
            Instrument.id.label("instrument_id"),
            Instrument.label,
            Calibration.certificate,
            Calibration.due_at,
            *columns(
                CheckRecorded,
                MakeSafeLine,
                person=person.name,
                witness=witness.name,
                witness_confirmed_at=confirmed_at(
                    Step.written_at, MakeSafeLine.record_id, MakeSafeLine.witness_id
                ),
            ),
        )
        .join(Step, Step.id == MakeSafeLine.step_id)
        .join(person, person.id == MakeSafeLine.person_id)
        .outerjoin(witness, witness.id == MakeSafeLine.witness_id)
        .outerjoin(Instrument, Instrument.id == MakeSafeLine.instrument_id)
        .outerjoin(Calibration, Calibration.id == MakeSafeLine.calibration_id)
        .where(MakeSafeLine.record_id == record_id)
    )
    return {
        row.step_id: read_as(
            CheckRecorded, row, tool=None if row.instrument_id is None else _tool(row)
        )
        for row in rows
    }


def _torque(session: Session, record_id: int) -> dict[int, list[TorqueRead]]:
    """Readings by entry, each after those a correction has put it in place of."""
    rows: Sequence[Any] = session.execute(
        select(
            TorqueReading.step_id,
            Instrument.id.label("instrument_id"),
            Instrument.label,
            Calibration.certificate,
            Calibration.due_at,
            Person.name,
            TorqueReading.known_until,
            *columns(TorqueRead, TorqueReading),
        )
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .join(Person, Person.id == TorqueReading.by_id)
        .outerjoin(Calibration, Calibration.id == TorqueReading.calibration_id)
        .where(TorqueReading.record_id == record_id)
        .order_by(TorqueReading.id)
    ).all()
    return grouped_as(
        rows,
        "step_id",
        lambda row: read_as(
            TorqueRead, row, tool=_tool(row), by=row.name, corrected=row.known_until is not None
        ),
    )


def _hours(session: Session, record_id: int) -> dict[int | None, list[HoursRead]]:
    rows = session.execute(
        select(
            HourReading.step_id,
            *columns(HoursRead, HourReading, corrected=HourReading.known_until.is_not(None)),
        )
        .where(HourReading.record_id == record_id)
        .order_by(HourReading.id)
    )
    return grouped_as(rows, "step_id", lambda row: read_as(HoursRead, row))


def _tool(row: Any) -> Tool:
    return Tool(row.instrument_id, row.label, row.certificate, row.due_at)
