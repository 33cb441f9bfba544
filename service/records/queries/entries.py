"""The entries of a record in order, with everything that hangs on them."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.people.tables import Person
from service.physics.arithmetic.conditions import NONE_SEEN, NOT_INSPECTED, place_in_words
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End, Facing, Press, ReadingKind, Stage
from service.platform.queries.answers import columns, grouped_as, read_as
from service.platform.queries.statements import known, param, statement
from service.proof.tables import StackTest
from service.records.queries.records import NOT_CONFIRMED, confirmed_at
from service.records.tables import (
    BumpTest,
    CornerHeightRead,
    Finding,
    Handover,
    HeldClosing,
    MakeSafeLine,
    Step,
    StepKind,
    ToolCheck,
    ToolSetting,
    TorqueReading,
)
from service.stacks.tables import HourReading, Moment
from service.store.arithmetic.make_safe import SafeAct
from service.store.queries.part_lists import PART_NAMED, PartNamed, part_named
from service.store.tables import Calibration, Instrument, Lot, Part, PartType

MOVED = (StepKind.LIFTED_OFF, StepKind.PUT_ON)
LAST_STEP = select(func.max(Step.sequence)).where(Step.record_id == param("record_id"))
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
    face: str | None
    places: str | None
    area_percent: float | None

    @property
    def at(self) -> str:
        """Where on the part it is, by its face and squares."""
        return place_in_words(self.face or "", (self.places or "").split(), self.area_percent)

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
class ToolSet:
    """What a click tool was set to in a pass, and what a tester read of it before or after, N·m."""

    pass_number: int
    moment: ToolCheck
    set_nm: float
    entered: str
    tool: Tool
    checked_nm: float | None
    checked_entered: str
    tester: Tool | None

    @property
    def checked_in_words(self) -> str:
        """What the tester read, with its mark; “not checked”."""
        if self.checked_nm is None or self.tester is None:
            return "not checked"
        return f"{self.checked_nm:.4g}\u2009N·m on {self.tester.label}"


@dataclass(frozen=True, slots=True)
class BumpTested:
    """One try of an instrument with a test gas."""

    tool: str
    gas: str
    reading: float | None
    unit: str
    passed: bool
    person: str

    @property
    def in_words(self) -> str:
        """What came of it, in one line."""
        shown = "" if self.reading is None else f", showed {self.reading:g}\u2009{self.unit}"
        outcome = "passed" if self.passed else "not passed"
        return f"bump test of {self.tool} with {self.gas}: {outcome}{shown}"


@dataclass(frozen=True, slots=True)
class HandedOver:
    """Work left by one person and taken on by another."""

    left_by: str
    taken_on_by: str
    pile: str
    covers: str

    @property
    def in_words(self) -> str:
        """Who hands over to whom, and the state, in one line."""
        return (
            f"handed over by {self.left_by} to {self.taken_on_by}: {self.pile.rstrip('.')};"
            f" covers: {self.covers.rstrip('.')}"
        )


@dataclass(frozen=True, slots=True)
class HeldRead:
    """How a stack was held while its nuts were run down: mm, kN."""

    mode: ClosingMode
    held_by: HeldBy | None
    press: str
    force_kn: float | None
    height_before_mm: float | None
    height_after_mm: float
    gauge: str
    load_cell: str | None

    @property
    def in_words(self) -> str:
        """How it was closed, in one line."""
        by = f", {self.held_by}" if self.held_by else ""
        press = f", press {self.press}" if self.press else ""
        force = "" if self.force_kn is None else f", {self.force_kn:g}\u2009kN by {self.load_cell}"
        height = f"{self.height_after_mm:g}\u2009mm by {self.gauge}"
        if self.height_before_mm is not None:
            back = self.height_after_mm - self.height_before_mm
            height += (
                f" ({self.height_before_mm:g}\u2009mm under the press, springs back"
                f" {back:.2f}\u2009mm)"
            )
        return f"closed {self.mode}{by}{press}{force}: {height}"


@dataclass(frozen=True, slots=True)
class CornerRead:
    """The height at one corner after a pass, mm."""

    pass_number: int
    corner: str
    height_mm: float
    gauge: str


@dataclass(frozen=True, slots=True)
class TorqueRead:
    """One torque reading. ``corrected``: a correction put another value in its place.

    Of a nut that answered a click tool (``press``) the torque is what the tool was set to.
    """

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
    press: Press | None = None

    @property
    def in_words(self) -> str:
        """What was read, or how the nut answered."""
        return torque_in_words(self.torque_nm, self.press)


def torque_in_words(torque_nm: float, press: Press | None) -> str:
    """Return a reading with its unit, or how a nut answered and what the tool was set to.

    >>> torque_in_words(4.6, Press.NOT_MOVED)
    'not moved at 4.60\u2009N·m'
    """
    torque = f"{torque_nm:.2f}\u2009N·m"
    return f"{press} at {torque}" if press else torque


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
    setting: ToolSet | None = None
    heights: tuple[CornerRead, ...] = ()
    held: HeldRead | None = None
    tested: Verdict | None = None
    """what a test of the closed stack gave"""
    correction_id: int | None = None
    """the correction that wrote it in place of another, or added it"""
    corrected_in: int | None = None
    """the correction that wrote another in its place"""
    act: SafeAct | None = None
    """of make-safe: what it was done for; None: the opening"""
    bump: BumpTested | None = None
    handover: HandedOver | None = None

    @property
    def stands(self) -> bool:
        """Say whether it was not undone."""
        return self.undone_at is None

    @property
    def deviates(self) -> str:
        """How it departs and why it stands, in one line; empty where it does not."""
        if self.deviation is None or self.kind is StepKind.NOT_DONE:
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
        if beside := self.bump or self.handover or self.held:
            return beside.in_words
        closing = self.setting or self.heights or (self.torque[-1] if self.torque else None)
        if closing:
            return _closing_in_words(closing)
        return self._in_few_words

    @property
    def _in_few_words(self) -> str:
        meter_words = "".join(f", meter at {reading.hours:g}\u2009h" for reading in self.hours)
        if self.kind is StepKind.OPENED:
            return f"stack opened{meter_words or ', hours not known'}"
        if self.kind is StepKind.CLOSED:
            return f"stack closed{meter_words}"
        accepted = f" accepted: {self.departs_from}" if self.departs_from else ""
        tested = f": {self.tested}" if self.tested is not None else ""
        missing = f": {self.deviation}" if self.kind is StepKind.NOT_DONE else ""
        return f"{self.kind}{accepted}{missing}{tested}{meter_words}"


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
        of_act = f" for the {entry.act}" if entry.act else ""
        return f"make-safe line {check.line_number}{of_act} recorded{value}"
    at_rod = f", rod {entry.rod_number}" if entry.rod_number else ""
    return f"closing check recorded: {check.wording}{at_rod}{value}"


def _closing_in_words(entry: ToolSet | tuple[CornerRead, ...] | TorqueRead) -> str:
    if isinstance(entry, tuple):
        values = ", ".join(f"{each.corner} {each.height_mm:g}" for each in entry)
        return f"corners after pass {entry[0].pass_number}: {values}\u2009mm"
    if isinstance(entry, ToolSet):
        checked = "" if entry.checked_nm is None else f"checked {entry.moment}: "
        return (
            f"pass {entry.pass_number}, {entry.tool.label} set to {entry.set_nm:.4g}\u2009N·m,"
            f" {checked}{entry.checked_in_words}"
        )
    if entry.press is not None:
        return f"rod {entry.rod_number}, pass {entry.pass_number}: {entry.in_words}"
    return (
        f"rod {entry.rod_number} {entry.stage}, pass {entry.pass_number}:"
        f" {entry.torque_nm:.4g}\u2009N·m {entry.kind}"
    )


def entries_of(
    session: Session, record_id: int, *, moved_most: int | None = None
) -> tuple[RecordEntry, ...]:
    """Return the entries of a record in their order, undone ones too. Ten statements.

    With ``moved_most`` layers lifted off and put on come only if they are among the last so many
    entries: the bench needs no more of them.
    """
    wanted = {"record_id": record_id}
    if moved_most is not None:
        wanted["moved_after"] = (session.scalar(LAST_STEP, wanted) or 0) - moved_most
    findings = _findings(session, wanted)
    checks = _checks(session, record_id)
    bumps = _bumps(session, record_id)
    handovers = _handovers(session, record_id)
    torque = _torque(session, record_id)
    hours = _hours(session, record_id)
    settings = _settings(session, record_id)
    heights = _heights(session, record_id)
    held = _held(session, record_id)
    rows = session.execute(_entries(moved_most is None), wanted).all()
    return tuple(
        read_as(
            RecordEntry,
            row,
            kind=row.step,
            part=None if row.part_id is None else part_named(row),
            findings=tuple(findings.get(row.step_id, ())),
            check=checks.get(row.step_id),
            bump=bumps.get(row.step_id),
            handover=handovers.get(row.step_id),
            torque=tuple(torque.get(row.step_id, ())),
            hours=tuple(hours.get(row.step_id, ())),
            setting=settings.get(row.step_id),
            heights=tuple(heights.get(row.step_id, ())),
            held=held.get(row.step_id),
        )
        for row in rows
    )


@statement
def _entries(is_whole: bool) -> Any:
    by, undone_by, right = aliased(Person), aliased(Person), aliased(Step)
    return (
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
            Step.correction_id,
            right.correction_id.label("corrected_in"),
            Step.act,
            StackTest.verdict.label("tested"),
            *PART_NAMED,
        )
        .join(by, by.id == Step.by_id)
        .outerjoin(undone_by, undone_by.id == Step.undone_by_id)
        .outerjoin(right, right.replaces_id == Step.id)
        .outerjoin(StackTest, StackTest.step_id == Step.id)
        .outerjoin(Part, Part.id == Step.part_id)
        .outerjoin(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(*_which(is_whole))
        .order_by(Step.sequence)
    )


def _which(is_whole: bool) -> tuple[ColumnElement[bool], ...]:
    of_record = Step.record_id == param("record_id")
    if is_whole:
        return (of_record,)
    return of_record, or_(Step.kind.not_in(MOVED), Step.sequence > param("moved_after"))


@statement
def _findings_of(is_whole: bool) -> Any:
    return (
        select(Finding.step_id, *columns(FindingSeen, Finding))
        .join(Step, Step.id == Finding.step_id)
        .where(*_which(is_whole), known(Finding))
        .order_by(Finding.id)
    )


def _findings(session: Session, wanted: Mapping[str, int]) -> dict[int, list[FindingSeen]]:
    rows = session.execute(_findings_of("moved_after" not in wanted), wanted)
    return grouped_as(rows, "step_id", lambda row: read_as(FindingSeen, row))


@statement
def _checks_of() -> Any:
    person, witness = aliased(Person), aliased(Person)
    return (
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
        .where(MakeSafeLine.record_id == param("record_id"))
    )


def _checks(session: Session, record_id: int) -> dict[int, CheckRecorded]:
    rows = session.execute(_checks_of(), {"record_id": record_id})
    return {
        row.step_id: read_as(
            CheckRecorded, row, tool=None if row.instrument_id is None else _tool(row)
        )
        for row in rows
    }


@statement
def _bumps_of() -> Any:
    return (
        select(
            BumpTest.step_id,
            *columns(BumpTested, BumpTest, tool=Instrument.label, person=Person.name),
        )
        .join(Instrument, Instrument.id == BumpTest.instrument_id)
        .join(Person, Person.id == BumpTest.person_id)
        .where(BumpTest.record_id == param("record_id"))
    )


def _bumps(session: Session, record_id: int) -> dict[int, BumpTested]:
    rows = session.execute(_bumps_of(), {"record_id": record_id})
    return {row.step_id: read_as(BumpTested, row) for row in rows}


@statement
def _handovers_of() -> Any:
    left, taken_on = aliased(Person), aliased(Person)
    return (
        select(
            Handover.step_id,
            *columns(HandedOver, Handover, left_by=left.name, taken_on_by=taken_on.name),
        )
        .join(left, left.id == Handover.from_person_id)
        .join(taken_on, taken_on.id == Handover.to_person_id)
        .where(Handover.record_id == param("record_id"))
    )


def _handovers(session: Session, record_id: int) -> dict[int, HandedOver]:
    rows = session.execute(_handovers_of(), {"record_id": record_id})
    return {row.step_id: read_as(HandedOver, row) for row in rows}


@statement
def _torque_of() -> Any:
    return (
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
        .where(TorqueReading.record_id == param("record_id"))
        .order_by(TorqueReading.id)
    )


def _torque(session: Session, record_id: int) -> dict[int, list[TorqueRead]]:
    """Readings by entry, each after those a correction has put it in place of."""
    rows = session.execute(_torque_of(), {"record_id": record_id})
    return grouped_as(
        rows,
        "step_id",
        lambda row: read_as(
            TorqueRead, row, tool=_tool(row), by=row.name, corrected=row.known_until is not None
        ),
    )


@statement
def _settings_of() -> Any:
    tester, valid = aliased(Instrument), aliased(Calibration)
    return (
        select(
            ToolSetting.step_id,
            Instrument.id.label("instrument_id"),
            Instrument.label,
            Calibration.certificate,
            Calibration.due_at,
            tester.id.label("tester_id"),
            tester.label.label("tester_label"),
            valid.certificate.label("tester_certificate"),
            valid.due_at.label("tester_due_at"),
            *columns(ToolSet, ToolSetting),
        )
        .join(Instrument, Instrument.id == ToolSetting.instrument_id)
        .outerjoin(Calibration, Calibration.id == ToolSetting.calibration_id)
        .outerjoin(tester, tester.id == ToolSetting.tester_id)
        .outerjoin(valid, valid.id == ToolSetting.tester_calibration_id)
        .where(ToolSetting.record_id == param("record_id"))
    )


def _settings(session: Session, record_id: int) -> dict[int, ToolSet]:
    rows = session.execute(_settings_of(), {"record_id": record_id})
    return {
        row.step_id: read_as(
            ToolSet,
            row,
            tool=_tool(row),
            tester=None
            if row.tester_id is None
            else Tool(row.tester_id, row.tester_label, row.tester_certificate, row.tester_due_at),
        )
        for row in rows
    }


@statement
def _heights_of() -> Any:
    return (
        select(
            CornerHeightRead.step_id, *columns(CornerRead, CornerHeightRead, gauge=Instrument.label)
        )
        .join(Instrument, Instrument.id == CornerHeightRead.instrument_id)
        .where(CornerHeightRead.record_id == param("record_id"))
        .order_by(CornerHeightRead.id)
    )


def _heights(session: Session, record_id: int) -> dict[int, list[CornerRead]]:
    rows = session.execute(_heights_of(), {"record_id": record_id})
    return grouped_as(rows, "step_id", lambda row: read_as(CornerRead, row))


@statement
def _held_of() -> Any:
    gauge, cell = aliased(Instrument), aliased(Instrument)
    return (
        select(
            HeldClosing.step_id,
            *columns(HeldRead, HeldClosing, gauge=gauge.label, load_cell=cell.label),
        )
        .join(gauge, gauge.id == HeldClosing.gauge_id)
        .outerjoin(cell, cell.id == HeldClosing.load_cell_id)
        .where(HeldClosing.record_id == param("record_id"))
    )


def _held(session: Session, record_id: int) -> dict[int, HeldRead]:
    rows = session.execute(_held_of(), {"record_id": record_id})
    return {row.step_id: read_as(HeldRead, row) for row in rows}


@statement
def _hours_of() -> Any:
    return (
        select(
            HourReading.step_id,
            *columns(HoursRead, HourReading, corrected=HourReading.known_until.is_not(None)),
        )
        .where(HourReading.record_id == param("record_id"))
        .order_by(HourReading.id)
    )


def _hours(session: Session, record_id: int) -> dict[int | None, list[HoursRead]]:
    rows = session.execute(_hours_of(), {"record_id": record_id})
    return grouped_as(rows, "step_id", lambda row: read_as(HoursRead, row))


def _tool(row: Any) -> Tool:
    return Tool(row.instrument_id, row.label, row.certificate, row.due_at)
