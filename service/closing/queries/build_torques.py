"""The torque a build was closed with or re-tightened to, and how far its readings are trusted."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, or_, select, union
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Press, ReadingKind, Stage
from service.platform.queries.answers import columns, grouped, read_all, read_as
from service.platform.queries.statements import (
    as_of_param,
    known,
    param,
    param_list,
    params,
    statement,
)
from service.records.queries.entries import RecordEntry, ToolSet, TorqueRead, torque_in_words
from service.records.queries.inserted import came_before
from service.records.tables import (
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    ToolCheck,
    TorqueReading,
)
from service.stacks.tables import Build, Stack
from service.store.arithmetic.instrument_errors import Coverage
from service.store.queries.calibrations import Histories, histories
from service.store.tables import Calibration, Instrument

UNOPENED = (RecordKind.RE_TORQUE, RecordKind.INSPECTION)
LEFT_CLOSED = (
    RebuildRecord.kind.in_(UNOPENED),
    RebuildRecord.opened_at.is_(None),
    RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
)
"""A record handed in of an event which did not open the stack."""


@dataclass(frozen=True, slots=True)
class RodTorque:
    """The last reading on one rod's nut, in N·m; of a pressed nut what its tool was set to."""

    rod_number: int
    torque_nm: float
    pass_number: int
    kind: ReadingKind
    taken_at: datetime
    record_id: int
    instrument_id: int
    out_of_tolerance: bool
    correction_id: int | None
    press: Press | None

    @property
    def in_words(self) -> str:
        """What was read, or how the nut answered a click tool."""
        return torque_in_words(self.torque_nm, self.press)


@dataclass(frozen=True, slots=True)
class InstrumentTrust:
    """One instrument as it stood when a build's readings were taken with it.

    ``found_out_at``: the next calibration after the readings found it out of tolerance, by
    ``error_percent`` of the reading; ``last_good_at`` is the last good calibration before them.
    """

    instrument_id: int
    label: str
    first_at: datetime
    last_at: datetime
    last_good_at: datetime | None
    was_valid: bool
    found_out_at: datetime | None
    error_percent: float | None
    by_concession: bool
    accuracy_percent: float | None
    """± % of the reading; with the other parts None: as is usual for its kind"""
    resolution: float | None
    """smallest step shown, in the instrument's unit"""


@dataclass(frozen=True, slots=True)
class BuildTorques:
    """The final reading of each rod of one build, by rod number."""

    target_nm: float
    tolerance_percent: float
    rods: tuple[RodTorque, ...]
    instruments: tuple[InstrumentTrust, ...]

    @property
    def mean_nm(self) -> float | None:
        """Mean of the final readings, N·m; None where they are of different kinds."""
        values = self._comparable
        return sum(values) / len(values) if values else None

    @property
    def spread_nm(self) -> float | None:
        """Greatest less least of the final readings, N·m; None where kinds differ.

        None too where a nut was not read, but tightened by a click tool.
        """
        values = [] if any(rod.press for rod in self.rods) else self._comparable
        return max(values) - min(values) if values else None

    @property
    def out_of_tolerance(self) -> tuple[RodTorque, ...]:
        """Readings further from the design's target than its tolerance."""
        return tuple(rod for rod in self.rods if rod.out_of_tolerance)

    @property
    def _comparable(self) -> list[float]:
        if len({rod.kind for rod in self.rods}) != 1:
            return []
        return [rod.torque_nm for rod in self.rods]


@statement
def _final_readings(is_then: bool) -> Any:
    return (
        select(
            Build.id.label("build_id"),
            Design.target_torque_nm,
            Design.torque_tolerance_percent,
            TorqueReading.rod_number,
            TorqueReading.torque_nm,
            TorqueReading.pass_number,
            TorqueReading.kind,
            TorqueReading.taken_at,
            TorqueReading.record_id,
            TorqueReading.instrument_id,
            TorqueReading.correction_id,
            TorqueReading.press,
            TorqueReading.concession_id,
            Instrument.label,
            Instrument.accuracy_percent,
            Instrument.resolution,
        )
        .select_from(Build)
        .join(Stack, Stack.id == Build.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .join(
            RebuildRecord,
            or_(
                RebuildRecord.id == Build.record_id,
                and_(
                    RebuildRecord.stack_id == Build.stack_id,
                    RebuildRecord.base_build_id == Build.id,
                    *LEFT_CLOSED,
                ),
            ),
        )
        .join(TorqueReading, TorqueReading.record_id == RebuildRecord.id)
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .where(
            Build.id.in_(param_list("build_ids")),
            TorqueReading.stage == Stage.CLOSING,
            known(TorqueReading, as_of_param(is_then)),
        )
        .order_by(
            RebuildRecord.performed_from,
            RebuildRecord.id,
            TorqueReading.pass_number,
            TorqueReading.taken_at,
            TorqueReading.id,
        )
    )


def build_torques(
    session: Session, build_ids: Collection[int], known_at: datetime | None = None
) -> dict[int, BuildTorques]:
    """Return the final torque each rod of these builds was left with. Two statements.

    Read at the closing, or in a later event which did not open the stack (re-torque, inspection).
    """
    rows: Sequence[Any] = session.execute(
        _final_readings(known_at is not None), params(known_at, build_ids=build_ids)
    ).all()
    of_build = grouped(rows, "build_id")
    calibrations = histories(session, {row.instrument_id for row in rows})
    return {build_id: _summed_up(torques, calibrations) for build_id, torques in of_build.items()}


def _summed_up(rows: Sequence[Any], calibrations: Histories) -> BuildTorques:
    target, tolerance = rows[0].target_torque_nm, rows[0].torque_tolerance_percent
    final = {row.rod_number: row for row in rows}
    by_instrument = grouped(final.values(), "instrument_id")
    return BuildTorques(
        target_nm=target,
        tolerance_percent=tolerance,
        rods=tuple(
            read_as(
                RodTorque,
                row,
                out_of_tolerance=abs(row.torque_nm - target)
                > target * tolerance / 100 * (1 + 1e-9),
            )
            for _, row in sorted(final.items())
        ),
        instruments=tuple(
            _trust(torques, calibrations)
            for _instrument_id, torques in sorted(by_instrument.items())
        ),
    )


def _trust(rows: Sequence[Any], calibrations: Histories) -> InstrumentTrust:
    times, instrument_id = sorted(row.taken_at for row in rows), rows[0].instrument_id
    found = calibrations.finding(instrument_id, times[-1])
    good = calibrations.last_good(instrument_id, times[-1])
    return InstrumentTrust(
        instrument_id=instrument_id,
        label=rows[0].label,
        first_at=times[0],
        last_at=times[-1],
        last_good_at=good.done_at if good else None,
        was_valid=calibrations.state(instrument_id, times[-1]) == "valid",
        found_out_at=found.done_at if found else None,
        error_percent=found.error_percent if found else None,
        by_concession=any(row.concession_id is not None for row in rows),
        accuracy_percent=rows[0].accuracy_percent,
        resolution=rows[0].resolution,
    )


# Torque readings of one record as a table: rods in tightening order, passes side by side.


@dataclass(frozen=True, slots=True)
class TorqueCell:
    """The readings of one rod in one pass: the one that counts, and those it came after."""

    counts: TorqueRead | None
    before: tuple[TorqueRead, ...]


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """Readings of one stage: one row a rod in tightening order, one column a pass."""

    stage: Stage
    passes: tuple[int, ...]
    rows: tuple[tuple[int, tuple[TorqueCell, ...]], ...]

    @property
    def counting(self) -> dict[tuple[int, int], TorqueRead]:
        """The reading that counts, by pass and rod; nothing where none was taken."""
        return {
            (number, rod): cell.counts
            for rod, cells in self.rows
            for number, cell in zip(self.passes, cells, strict=True)
            if cell.counts is not None
        }

    @property
    def moved(self) -> tuple[int, ...]:
        """Rods of which nothing says that they did not move in the last pass of a click tool."""
        number = self.passes[-1] if self.passes else 0
        presses = {rod: read.press for (at, rod), read in self.counting.items() if at == number}
        if not any(presses.values()):
            return ()
        return tuple(rod for rod, press in presses.items() if press in (Press.CLICKED, Press.MOVED))

    def circular_pass(self, passes: int) -> int | None:
        """Return the further pass a click tool needs until no nut moves; None where none is due.

        From the last of a design's ``passes`` on, and while it is not complete.
        """
        number = self.passes[-1] if self.passes else 0
        counts = [cells[-1].counts for _rod, cells in self.rows if cells]
        if number < passes or not any(read and read.press for read in counts):
            return None
        if not all(counts):
            return number
        return number + 1 if self.moved else None

    @property
    def last(self) -> tuple[TorqueRead, ...]:
        """The last reading of each rod that has one."""
        last_ones = []
        for _rod, cells in self.rows:
            counting = [cell.counts for cell in cells if cell.counts is not None]
            if counting:
                last_ones.append(counting[-1])
        return tuple(last_ones)


def torque_table(reads: Iterable[TorqueRead], rods: Sequence[int], stage: Stage) -> TorqueTable:
    """Return the readings of one stage, given in the order they were entered.

    The last one counts.

    Rods no longer in the design come after those of ``rods``.
    """
    by_place: dict[tuple[int, int], list[TorqueRead]] = {}
    for read in reads:
        if read.stage is stage:
            by_place.setdefault((read.rod_number, read.pass_number), []).append(read)
    passes = tuple(sorted({number for _rod, number in by_place}))
    strange = sorted({rod for rod, _number in by_place} - set(rods))
    rows = tuple(
        (rod, tuple(_cell(by_place.get((rod, number), ())) for number in passes))
        for rod in (*rods, *strange)
    )
    return TorqueTable(stage, passes, rows)


def _cell(reads: Sequence[TorqueRead]) -> TorqueCell:
    counting = [read for read in reads if not read.corrected]
    last = counting[-1] if counting else None
    return TorqueCell(last, tuple(read for read in reads if read is not last))


@dataclass(frozen=True, slots=True)
class PassSetting:
    """A click tool in one pass: what it is set to, and the checks before and after the nuts."""

    before: ToolSet | None
    after: ToolSet | None

    @property
    def in_words(self) -> str:
        """“TD-5 set to 4.6 N·m, checked before: …, after: …”, as far as it is entered."""
        setting = self.before or self.after
        if setting is None:
            return ""
        before = self.before.checked_in_words if self.before else "not checked"
        after = self.after.checked_in_words if self.after else "not checked"
        return (
            f"{setting.tool.label} set to {setting.set_nm:.4g}\u2009N·m,"
            f" checked before: {before}; after: {after}"
        )


def pass_settings(settings: Iterable[ToolSet]) -> dict[int, PassSetting]:
    """Return the settings of each pass, given in the order they were entered; the last counts."""
    passes: dict[int, PassSetting] = {}
    for setting in settings:
        was = passes.get(setting.pass_number, PassSetting(None, None))
        if setting.moment is ToolCheck.BEFORE:
            passes[setting.pass_number] = PassSetting(setting, None)
        else:
            passes[setting.pass_number] = PassSetting(was.before, setting)
    return passes


# What was read while a stack was closed: torque on each nut with its driver, the closed height.


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    """One closing reading in N·m with what is known of its driver, in its ``unit`` and in %."""

    reading_id: int
    record_id: int
    rod_number: int
    pass_number: int
    kind: ReadingKind
    torque_nm: float
    press: Press | None
    taken_at: datetime
    instrument_id: int
    instrument: str
    unit: str
    range_most: float | None
    accuracy_percent: float | None
    accuracy_offset: float | None
    accuracy_full_scale_percent: float | None
    accuracy_coverage: Coverage
    resolution: float | None
    error_percent: float | None
    error_offset: float | None
    error_full_scale_percent: float | None


def readings_taken(session: Session, record_id: int) -> tuple[ReadingTaken, ...]:
    """Return the closing readings of a record, in their order; one statement.

    Of a record that opened nothing, those the build stood closed with come before: of the record
    that closed it, and of other events which did not open it.
    """
    rows: Any = session.execute(_readings(), {"record_id": record_id})
    return read_all(ReadingTaken, rows)


@statement
def _readings() -> Any:
    record = aliased(RebuildRecord)
    is_this = record.id == param("record_id")
    opens_nothing = and_(is_this, record.kind.in_(UNOPENED), record.opened_at.is_(None))
    records = union(
        select(record.id).where(is_this),
        select(Build.record_id).join(record, record.base_build_id == Build.id).where(opens_nothing),
        select(RebuildRecord.id)
        .join(record, record.base_build_id == RebuildRecord.base_build_id)
        .where(opens_nothing, came_before(RebuildRecord, record), *LEFT_CLOSED),
    ).subquery()
    of = aliased(RebuildRecord)
    return (
        select(
            *columns(
                ReadingTaken,
                TorqueReading,
                Instrument,
                Calibration,
                reading_id=TorqueReading.id,
                instrument_id=Instrument.id,
                instrument=Instrument.label,
            )
        )
        .select_from(records)
        .join(of, of.id == records.c.id)
        .join(TorqueReading, TorqueReading.record_id == of.id)
        .join(Instrument, Instrument.id == TorqueReading.instrument_id)
        .outerjoin(Calibration, Calibration.id == TorqueReading.calibration_id)
        .where(TorqueReading.stage == Stage.CLOSING, known(TorqueReading))
        .order_by(
            of.performed_from,
            of.id,
            TorqueReading.pass_number,
            TorqueReading.step_id,  # a corrected reading keeps its place
            TorqueReading.id,
        )
    )


HEIGHT = (
    select(MakeSafeLine.reading)
    .join(Step, Step.id == MakeSafeLine.step_id)
    .where(
        Step.record_id == param("record_id"),
        Step.kind == StepKind.CLOSING_CHECK,
        Step.undone_at.is_(None),
        MakeSafeLine.wording == ClosingCheck.HEIGHT.wording,
    )
    .order_by(Step.sequence.desc())
    .limit(1)
)


def measured_height_mm(session: Session, record_id: int) -> float | None:
    """Return the closed height a record's checks measured last; None where none did.

    One statement.
    """
    height: float | None = session.scalar(HEIGHT, {"record_id": record_id})
    return height


@dataclass(frozen=True, slots=True)
class CheckAsked:
    """One check of the closing, for one rod where it is asked of each; ``entry`` recorded it.

    ``by_tests``: the tests of insulation and of shorts stand, which say more than a tick.
    """

    check: ClosingCheck
    rod_number: int | None
    entry: RecordEntry | None
    by_tests: bool = False

    @property
    def is_done(self) -> bool:
        """Say whether it is recorded, or tests stand for it."""
        return self.entry is not None or self.by_tests

    @property
    def words(self) -> str:
        """What a person calls it."""
        return f"{self.check}, rod {self.rod_number}" if self.rod_number else str(self.check)


def checks_asked(entries: Sequence[RecordEntry], rods: Sequence[int]) -> tuple[CheckAsked, ...]:
    """Return the checks a closing asks for with those recorded; the last entry counts."""
    recorded = {
        (entry.check.wording, entry.rod_number): entry
        for entry in entries
        if entry.stands and entry.kind is StepKind.CLOSING_CHECK and entry.check is not None
    }
    places: list[tuple[ClosingCheck, int | None]] = [(ClosingCheck.HEIGHT, None)]
    places += [(ClosingCheck.PROTRUSION, rod) for rod in sorted(rods)]
    places += [(ClosingCheck.SLEEVES, None), (ClosingCheck.SHORTS, None)]
    by_tests = done_by_tests(entry.kind for entry in entries if entry.stands)
    return tuple(
        CheckAsked(
            check,
            rod,
            recorded.get((check.wording, rod)),
            by_tests and check is ClosingCheck.SHORTS,
        )
        for check, rod in places
    )


def done_by_tests(kinds: Iterable[StepKind]) -> bool:
    """Say whether a test of insulation and a check of the cells stand among the entries."""
    return {StepKind.INSULATION_TEST, StepKind.SHORT_CHECK} <= set(kinds)
