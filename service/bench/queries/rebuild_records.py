"""Rebuild records: everything about one, and the list of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from zoneinfo import ZoneInfo

from sqlalchemy import exists, or_, select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.queries.build_torques import (
    PassSetting,
    TorqueTable,
    pass_settings,
    torque_table,
)
from service.designs.tables import DesignRod
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.dates import PRESENT, AsOf, span_of
from service.platform.arithmetic.vocabulary import End, Stage, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import known
from service.records.queries.attachments import Attached, attachments_of_record
from service.records.queries.content import record_content
from service.records.queries.donations import PartsMoved, parts_moved
from service.records.queries.entries import FindingSeen, RecordEntry, TorqueRead, entries_of
from service.records.queries.make_safe import ListKept, asked_of
from service.records.queries.records import NOT_CONFIRMED, RecordHead, record_head
from service.records.tables import (
    Decision,
    Involvement,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordPerson,
    RecordState,
    Step,
    StepKind,
    WitnessConfirmation,
)
from service.stacks.queries.work_began import began_at
from service.stacks.tables import Build, Layer, Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.make_safe import (
    LineAsked,
    SafeAct,
    StaleLine,
    gone_stale,
    read_again,
    recorded_complete,
    stands,
)
from service.store.queries.part_lists import PartNamed

MOVED_MOST = 12
"""Layers moved last which the bench is told of."""


@dataclass(frozen=True, slots=True)
class Involved:
    """Somebody who worked on or witnessed the event."""

    person_id: int
    name: str
    login: str
    involvement: Involvement
    confirmed: bool

    @property
    def in_words(self) -> str:
        """Name and login, and of a witness that they never confirmed where it is so."""
        called = f"{self.name} ({self.login})"
        waits = self.involvement is Involvement.WITNESSED and not self.confirmed
        return f"{called}, {NOT_CONFIRMED}" if waits else called


@dataclass(frozen=True, slots=True)
class ChecklistRow:
    """One line a list asks for, the entry that recorded it last, and those before it."""

    act: SafeAct
    asked: LineAsked
    entry: RecordEntry | None
    earlier: tuple[RecordEntry, ...] = ()

    def stale_at(self, at: datetime) -> StaleLine | None:
        """Return how old it is where it is to be recorded again at a time."""
        recorded = {self.asked.number: self.entry.done_at} if self.entry else {}
        return next(iter(gone_stale((self.asked,), recorded, at)), None)


@dataclass(frozen=True, slots=True)
class Was:
    """Where a layer lay in the build a record began from."""

    position: int
    cell: int | None


@dataclass(frozen=True, slots=True)
class LiftedRow:
    """One layer lifted off: where it lay, what was seen on it in this record, and if it is back."""

    entry: RecordEntry
    was: Was | None
    findings: tuple[FindingSeen, ...]
    put_back: bool


@dataclass(frozen=True, slots=True)
class DecisionMade:
    """A signature: who decided what on which content."""

    meaning: Meaning
    person: str
    roles: str
    at: datetime
    content_sha256: str | None
    reason: str
    remarks: str | None
    correction_id: int | None
    before_corrections: tuple[int, ...] = ()
    """corrections approved since: it was given for the version before them"""

    @property
    def version_in_words(self) -> str:
        """Which version of the record it was given for; empty where nothing was corrected since."""
        if not self.before_corrections:
            return ""
        numbers = ", ".join(map(str, self.before_corrections))
        several = "s" if len(self.before_corrections) > 1 else ""
        return f"on the version before correction{several} {numbers}"


@dataclass(frozen=True, slots=True)
class RecordView:
    """Everything about one record."""

    head: RecordHead
    people: tuple[Involved, ...]
    lists: Mapping[SafeAct, ListKept]
    """the make-safe lists it began with"""
    checklist: tuple[ChecklistRow, ...]
    entries: tuple[RecordEntry, ...]
    lifted: tuple[LiftedRow, ...]
    rods: tuple[int, ...]
    attachments: tuple[Attached, ...]
    decisions: tuple[DecisionMade, ...]
    moved: tuple[PartsMoved, ...] = ()
    """parts from and to other stacks"""

    @property
    def standing(self) -> tuple[RecordEntry, ...]:
        """The entries that were not undone."""
        return tuple(entry for entry in self.entries if entry.stands)

    @property
    def last(self) -> RecordEntry | None:
        """The entry one press of undo would take back."""
        return self.standing[-1] if self.standing else None

    @property
    def exceptions(self) -> tuple[RecordEntry, ...]:
        """Exceptions to make-safe that stand."""
        return self.of(StepKind.EXCEPTION)

    @property
    def beside_the_pile(self) -> tuple[RecordEntry, ...]:
        """Bump tests, handovers and other stacks named, in their order."""
        return self.of(StepKind.BUMP_TEST, StepKind.HANDOVER, StepKind.DONOR)

    @property
    def still_lifted(self) -> tuple[PartNamed, ...]:
        """Parts taken off here of which nobody has said where they went."""
        layers = {
            entry.part.id: entry.part
            for entry in self.of(StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)
            if entry.part is not None and entry.part.whereabouts is Whereabouts.LIFTED_OFF
        }
        return tuple(layers.values())

    @property
    def put_on(self) -> tuple[RecordEntry, ...]:
        """Layers put on, in their order."""
        return self.of(StepKind.PUT_ON)

    @property
    def fixings(self) -> tuple[RecordEntry, ...]:
        """Fixings taken off and fitted, in their order."""
        return self.of(StepKind.FIXING_REMOVED, StepKind.FIXING_FITTED)

    @property
    def closing_checks(self) -> tuple[RecordEntry, ...]:
        """Checks of the closing that stand, in their order."""
        return self.of(StepKind.CLOSING_CHECK)

    @property
    def not_done(self) -> tuple[RecordEntry, ...]:
        """What was not done when the record was handed in, each with its reason."""
        return self.of(StepKind.NOT_DONE)

    @property
    def hours_unknown_because(self) -> str | None:
        """Why the hours at opening are not known; None where they are, or nothing was opened."""
        opened = self.of(StepKind.OPENED)
        if not opened or any(not reading.corrected for reading in opened[-1].hours):
            return None
        return opened[-1].note

    @property
    def is_late(self) -> bool:
        """Say whether something was written down more than a day after it was done."""
        return any(entry.is_late for entry in self.standing)

    def acts_at(self, now: datetime) -> datetime:
        """Return when the next act is done: now, or where a record is caught up, after the last."""
        return self.caught_up_at or now

    @property
    def caught_up_at(self) -> datetime | None:
        """When a record that is caught up goes on: at its last entry, else when it began."""
        if span_of(self.head.performed_from).known:
            return self.head.performed_from
        last = self.standing[-1] if self.standing else None
        if last is None:
            return self.head.performed_from if self.head.inserted_before else None
        return last.done_at if last.is_late or self.head.inserted_before else None

    @property
    def is_made_safe(self) -> bool:
        """Say whether every line before the opening is recorded. It says nothing of the stack."""
        return all(row.entry is not None for row in self.checklist_of(SafeAct.OPENING))

    @property
    def checklist_acts(self) -> tuple[SafeAct, ...]:
        """The acts whose lines say something: done here, still possible, or with lines recorded."""
        done = {
            SafeAct.OPENING: self.head.opened_at,
            SafeAct.RE_TORQUE: self.of(StepKind.TORQUE),
            SafeAct.LEAK_TEST: self.of(StepKind.LEAK_TEST),
        }
        always = self.head.is_being_written or self.exceptions
        return tuple(
            act
            for act in SafeAct
            if (rows := self.checklist_of(act))
            and (always or done[act] or any(row.entry for row in rows))
        )

    def checklist_of(self, act: SafeAct) -> tuple[ChecklistRow, ...]:
        """Return the lines of the list for one act."""
        return tuple(row for row in self.checklist if row.act == act)

    def is_excepted(self, act: SafeAct, at: datetime) -> bool:
        """Say whether an exception stands in place of the list for an act at a time."""
        return any(
            stands(entry.done_at, at) and (entry.act or SafeAct.OPENING) == act
            for entry in self.exceptions
        )

    def stale(self, act: SafeAct, at: datetime) -> tuple[StaleLine, ...]:
        """Return the lines of the list for an act that are to be recorded again at a time."""
        if self.is_excepted(act, at):
            return ()
        return tuple(filter(None, (row.stale_at(at) for row in self.checklist_of(act))))

    def wanted_before(self, act: SafeAct, at: datetime) -> str:
        """Say what of the list for an act is to be recorded before it; empty: nothing."""
        rows = self.checklist_of(act)
        if any(row.entry is None for row in rows) and not self.is_excepted(act, at):
            return f"Before the {act}: record each line of the make-safe list."
        return read_again(self.stale(act, at))

    def recorded_complete(self, zone: str) -> str:
        """Return the sentence about a complete checklist, its time in a zone.

        Empty while it is not.
        """
        rows = self.checklist_of(SafeAct.OPENING)
        entries = [row.entry for row in rows if row.entry is not None]
        if not self.is_made_safe or not entries:
            return ""
        at = max(entry.done_at for entry in entries).astimezone(ZoneInfo(zone))
        names = dict.fromkeys(entry.check.person for entry in entries if entry.check is not None)
        return recorded_complete(f"{at:%Y-%m-%d %H:%M}", tuple(names))

    @property
    def approval(self) -> DecisionMade | None:
        """The approval that holds."""
        if self.head.state is not RecordState.APPROVED:
            return None
        approvals = [
            decision for decision in self.decisions if decision.meaning is Meaning.APPROVED
        ]
        return approvals[-1] if approvals else None

    @property
    def measured_height_mm(self) -> float | None:
        """The closed height as it was measured last; None where it was not."""
        read = [
            entry.check.reading
            for entry in self.of(StepKind.CLOSING_CHECK)
            if entry.check is not None and entry.check.wording == ClosingCheck.HEIGHT.wording
        ]
        return read[-1] if read else None

    def of(self, *kinds: StepKind) -> tuple[RecordEntry, ...]:
        """Return the standing entries of these kinds, in their order."""
        return tuple(entry for entry in self.entries if entry.stands and entry.kind in kinds)

    def torque(self, stage: Stage) -> TorqueTable:
        """Return the readings of one stage by rod and pass; what was entered last counts."""
        reads = [read for entry in self.standing for read in entry.torque]
        return torque_table(reads, self.rods, stage)

    @property
    def settings(self) -> dict[int, PassSetting]:
        """What click tools are set to, by pass."""
        return pass_settings(entry.setting for entry in self.standing if entry.setting is not None)

    @property
    def tool_to_check(self) -> int | None:
        """The first pass whose nuts are all tightened and whose click tool is not checked after."""
        read = self.torque(Stage.CLOSING).counting
        return next(
            (
                number
                for number, setting in sorted(self.settings.items())
                if setting.after is None and all((number, rod) in read for rod in self.rods)
            ),
            None,
        )

    @property
    def corners_due(self) -> tuple[int, ...]:
        """Passes whose nuts are all tightened and after which no corner was measured."""
        table = self.torque(Stage.CLOSING)
        read, measured = table.counting, {entry.heights[0].pass_number for entry in self.corners}
        return tuple(
            number
            for number in table.passes
            if number not in measured and all((number, rod) in read for rod in self.rods)
        )

    @property
    def corners(self) -> tuple[RecordEntry, ...]:
        """The heights at the corners, in their order."""
        return tuple(entry for entry in self.standing if entry.heights)

    def is_outside(self, read: TorqueRead) -> bool:
        """Say whether a torque is further from the design's target than its tolerance."""
        off = abs(read.torque_nm - self.head.target_nm)
        return off > self.head.tolerance_percent / 100 * self.head.target_nm * (1 + 1e-9)


def record_view(session: Session, record_id: int) -> RecordView:
    """Return everything about one record, in a constant number of statements. Raises NotFound."""
    head = record_head(session, record_id)
    entries = entries_of(session, record_id)
    lists = asked_of(session, record_id)
    return RecordView(
        head,
        _people(session, record_id),
        lists,
        _checklist(head, lists, entries),
        entries,
        _lifted(session, head, entries),
        tuple(
            session.scalars(
                select(DesignRod.number)
                .where(DesignRod.design_id == head.design_id)
                .order_by(DesignRod.turn, DesignRod.number)
            )
        ),
        attachments_of_record(session, record_id),
        decisions_of(session, record_id),
        parts_moved(session, record_id),
    )


def bench_view(session: Session, record_id: int) -> RecordView:
    """Return what the bench needs of a record, however many layers were moved in it.

    Raises NotFound.

    Of the layers moved only the last ones are told, and nothing of pictures and decisions.
    """
    head = record_head(session, record_id)
    entries = entries_of(session, record_id, moved_most=MOVED_MOST)
    rods = session.scalars(
        select(DesignRod.number)
        .where(DesignRod.design_id == head.design_id)
        .order_by(DesignRod.turn, DesignRod.number)
    )
    lists = asked_of(session, record_id)
    checklist = _checklist(head, lists, entries)
    return RecordView(head, (), lists, checklist, entries, (), tuple(rods), (), ())


@dataclass(frozen=True, slots=True)
class EnteredLast:
    """The last entry that stands: what was scanned for it, by whom it was written down, when."""

    kind: StepKind
    scanned: str | None
    rod_number: int | None
    end: End | None
    by_id: int
    written_at: datetime


def entered_last(session: Session, record_id: int) -> EnteredLast | None:
    """Return the last entry of a record that stands; None where there is none. One statement."""
    row = session.execute(
        select(*columns(EnteredLast, Step))
        .where(Step.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence.desc())
        .limit(1)
    ).first()
    return read_as(EnteredLast, row) if row else None


def _people(session: Session, record_id: int) -> tuple[Involved, ...]:
    rows = session.execute(
        select(
            *columns(
                Involved,
                RecordPerson,
                Person,
                confirmed=exists().where(
                    WitnessConfirmation.record_id == RecordPerson.record_id,
                    WitnessConfirmation.person_id == RecordPerson.person_id,
                ),
            )
        )
        .join(Person, Person.id == RecordPerson.person_id)
        .where(RecordPerson.record_id == record_id, known(RecordPerson))
        .order_by(RecordPerson.involvement.desc(), Person.name)
    )
    return read_all(Involved, rows)


def _checklist(
    head: RecordHead, lists: Mapping[SafeAct, ListKept], entries: Sequence[RecordEntry]
) -> tuple[ChecklistRow, ...]:
    """The lines the lists ask for; lines of nobody's asking are left to the entries."""
    recorded: dict[tuple[SafeAct, int], list[RecordEntry]] = {}
    for entry in entries:
        if entry.stands and entry.kind is StepKind.MAKE_SAFE and entry.check is not None:
            place = (entry.act or SafeAct.OPENING, entry.check.line_number)
            recorded.setdefault(place, []).append(entry)
    rows = []
    for act in SafeAct:
        asked = lists[act].lines if act in lists and is_asked(act, head) else ()
        for line in asked:
            *earlier, last = recorded.get((act, line.number), [None])
            rows.append(ChecklistRow(act, line, last, tuple(filter(None, earlier))))
    return tuple(rows)


def is_asked(act: SafeAct, head: RecordHead) -> bool:
    """Say whether a record of this kind can have the act."""
    if act is SafeAct.OPENING:
        return head.opens
    return act is SafeAct.LEAK_TEST or head.kind is RecordKind.RE_TORQUE


def _lifted(
    session: Session, head: RecordHead, entries: Sequence[RecordEntry]
) -> tuple[LiftedRow, ...]:
    was = {}
    if head.base_build_id is not None:
        rows = session.execute(
            select(Layer.part_id, Layer.position, Layer.cell).where(
                Layer.build_id == head.base_build_id, known(Layer)
            )
        )
        was = {row.part_id: Was(row.position, row.cell) for row in rows}
    findings: dict[int, list[FindingSeen]] = {}
    last: dict[int, StepKind] = {}
    for entry in entries:
        if entry.stands and entry.part is not None:
            findings.setdefault(entry.part.id, []).extend(entry.findings)
            if entry.kind in (StepKind.LIFTED_OFF, StepKind.PUT_ON):
                last[entry.part.id] = entry.kind
    return tuple(
        LiftedRow(
            entry,
            was.get(entry.part.id),
            tuple(findings.get(entry.part.id, ())),
            last[entry.part.id] is StepKind.PUT_ON,
        )
        for entry in entries
        if entry.stands and entry.kind is StepKind.LIFTED_OFF and entry.part is not None
    )


def decisions_of(
    session: Session, record_id: int, as_of: AsOf = PRESENT
) -> tuple[DecisionMade, ...]:
    """Return what was signed of a record and its corrections, in order. One statement."""
    rows = session.execute(
        select(
            *columns(
                DecisionMade,
                Decision,
                person=with_login(Person, Decision.person_name),
                roles=Decision.person_roles,
            )
        )
        .join(Person, Person.id == Decision.person_id)
        .where(Decision.record_id == record_id)
        .order_by(Decision.id)
    )
    decisions = [
        decision
        for decision in (read_as(DecisionMade, row, before_corrections=()) for row in rows)
        if as_of.has(happened_at=decision.at)
    ]
    return tuple(
        replace(decision, before_corrections=_corrected_after(decisions[at:]))
        if decision.meaning is Meaning.APPROVED
        else decision
        for at, decision in enumerate(decisions)
    )


def _corrected_after(decisions: Sequence[DecisionMade]) -> tuple[int, ...]:
    return tuple(
        decision.correction_id
        for decision in decisions
        if decision.meaning is Meaning.CORRECTION_APPROVED and decision.correction_id
    )


@dataclass(frozen=True, slots=True)
class ListedRecord:
    """One record in the list."""

    id: int
    stack: str
    kind: RecordKind
    state: RecordState
    reason: str
    performed_from: datetime
    written_at: datetime
    written_by: str
    handed_in_at: datetime | None
    build: int | None


NEWEST = Order((RebuildRecord.id,), descending=True)


def record_list(
    session: Session,
    turn: Turn = FIRST,
    *,
    state: RecordState | None = None,
    kind: RecordKind | None = None,
    stack: str = "",
    person_id: int | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> Listing[ListedRecord]:
    """Return the records, newest first; ``stack`` is the beginning of a serial.

    ``since`` and ``until`` say when the work began; ``person_id`` wrote it, worked on it or
    witnessed it. One statement.
    """
    statement = (
        select(
            *columns(
                ListedRecord,
                RebuildRecord,
                performed_from=began_at(),
                stack=Stack.serial,
                written_by=Person.name,
                build=Build.number,
            )
        )
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Person, Person.id == RebuildRecord.written_by_id)
        .outerjoin(Build, Build.record_id == RebuildRecord.id)
    )
    if state is not None:
        statement = statement.where(RebuildRecord.state == state)
    if kind is not None:
        statement = statement.where(RebuildRecord.kind == kind)
    if stack.strip():
        statement = statement.where(Stack.serial_key.startswith(serial_key(stack), autoescape=True))
    if person_id is not None:
        is_named = exists().where(
            RecordPerson.record_id == RebuildRecord.id, RecordPerson.person_id == person_id
        )
        statement = statement.where(or_(RebuildRecord.written_by_id == person_id, is_named))
    if since is not None:
        statement = statement.where(began_at() >= since)
    if until is not None:
        statement = statement.where(began_at() < until)
    return listing(session, statement, NEWEST, turn, partial(read_all, ListedRecord))


# What a record says, as canonical JSON.


@dataclass(frozen=True, slots=True)
class RecordAsText:
    """A record's canonical JSON: as frozen at hand-in, else as its rows stand now."""

    id: int
    state: RecordState
    version: int
    content_sha256: str | None
    canonical: str


def record_as_text(session: Session, record_id: int) -> RecordAsText:
    """Return what a record says, as text. Raises NotFound."""
    row = session.execute(
        select(
            RebuildRecord.state,
            RebuildRecord.version,
            RebuildRecord.content_sha256,
            RebuildRecord.content,
        ).where(RebuildRecord.id == record_id)
    ).first()
    if row is None:
        raise NotFound("record", record_id)
    canonical = row.content or record_content(session, [record_id])[record_id].canonical
    return RecordAsText(record_id, row.state, row.version, row.content_sha256, canonical)
