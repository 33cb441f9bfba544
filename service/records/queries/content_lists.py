"""The lists of a record's content, each as a subquery which gives one JSON array."""

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    ScalarSelect,
    Select,
    Text,
    and_,
    case,
    cast,
    exists,
    func,
    literal,
    or_,
    select,
    union,
)
from sqlalchemy.orm import aliased

from service.closing.tables import ClosingResult
from service.designs.tables import Design
from service.limits.tables import LimitSet
from service.people.tables import Person
from service.platform.tables import Attachment, UtcDateTime
from service.proof.tables import StackTest
from service.records.tables import (
    BumpTest,
    CornerHeightRead,
    Finding,
    Handover,
    HeldClosing,
    MakeSafeLine,
    RebuildRecord,
    RecordMakeSafeList,
    RecordPerson,
    Step,
    ToolSetting,
    TorqueReading,
    WitnessConfirmation,
    WitnessWaiver,
)
from service.stacks.tables import Build, BuildPeriod, Fixing, HourMeter, HourReading, Layer, Stack
from service.store.queries.instrument_columns import USED_BY
from service.store.tables import (
    Calibration,
    Concession,
    Instrument,
    Lot,
    Part,
    PartType,
    ProposedChange,
)

R = RebuildRecord


THEN = func.coalesce(R.handed_in_at, literal(datetime(9999, 12, 31, tzinfo=UTC), UtcDateTime()))
"""When the record was handed in; later than any entry where it never was."""


def known_then(table: Any) -> ColumnElement[bool]:
    """Restrict rows to those known then."""
    return and_(
        table.known_from <= THEN, or_(table.known_until.is_(None), table.known_until > THEN)
    )


def attached_then() -> ColumnElement[bool]:
    """Restrict rows to those attached then."""
    return and_(
        Attachment.added_at <= THEN,
        or_(Attachment.removed_at.is_(None), Attachment.removed_at > THEN),
    )


def named_then() -> ColumnElement[bool]:
    """Restrict people to those named then."""
    return and_(
        or_(RecordPerson.known_from.is_(None), RecordPerson.known_from <= THEN),
        or_(RecordPerson.known_until.is_(None), RecordPerson.known_until > THEN),
    )


def of_record(table: Any, column: Any) -> Select[Any]:
    """Return what the rows of the record itself name."""
    return select(column).where(table.record_id == R.id).correlate(R)


def of_entries(table: Any, column: Any) -> Select[Any]:
    """Return what the rows beside the entries written by then name."""
    return of_record(table, column).where(
        exists().where(Step.id == table.step_id, Step.written_at <= THEN).correlate(table, R)
    )


def conceded_then(column: Any) -> Select[Any]:
    """Restrict rows to concessions used in the record and given then."""
    return (
        select(column)
        .where(Concession.used_in_record_id == R.id, Concession.given_at <= THEN)
        .correlate(R)
    )


LISTS = (
    "people",
    "entries",
    "make_safe",
    "findings",
    "torque_readings",
    "tool_settings",
    "corner_heights",
    "held_closings",
    "hour_readings",
    "attachments",
    "concessions",
    "builds",
    "layers",
    "fixings",
    "parts",
    "persons",
    "instruments",
    "closing_results",
    "stack_tests",
    "bump_tests",
    "handovers",
    "make_safe_lists",
)


class Gather:
    """The parts of the statement, in the words of one engine."""

    def __init__(self, lite: bool) -> None:
        self._lite = lite

    def head(self) -> ColumnElement[str]:
        """Return the record's own facts."""
        return cast(
            self._array(
                R.id,
                Stack.serial,
                Design.name,
                Design.revision,
                R.kind,
                R.reason,
                R.notes,
                R.performed_from,
                R.opened_at,
                R.closed_at,
                R.written_by_id,
                R.written_at,
                R.handed_in_by_id,
                R.handed_in_at,
                Build.number,
            ),
            Text,
        )

    def lists(self) -> tuple[ScalarSelect[Any], ...]:
        """Return one subquery for each of `LISTS`."""
        own_build = aliased(Build)
        is_own = own_build.record_id == R.id
        return (
            self._people(),
            self._entries(),
            self._make_safe(),
            self._findings(),
            self._torque(),
            self._tool_settings(),
            self._corner_heights(),
            self._held_closings(),
            self._hours(),
            self._attachments(),
            self._concessions(),
            self._builds(),
            self._all(
                select(self._array(Layer.position, Layer.part_id, Layer.facing, Layer.cell))
                .join(own_build, own_build.id == Layer.build_id)
                .where(is_own, known_then(Layer))
            ),
            self._all(
                select(
                    self._array(Fixing.kind, Fixing.rod_number, Fixing.end, Fixing.part_id).label(
                        "a"
                    )
                )
                .join(own_build, own_build.id == Fixing.build_id)
                .where(is_own, known_then(Fixing))
            ),
            self._parts(),
            self._persons(),
            self._instruments(),
            self._closing_results(),
            self._stack_tests(),
            self._bump_tests(),
            self._handovers(),
            self._make_safe_lists(),
        )

    def _people(self) -> ScalarSelect[Any]:
        return self._all(
            select(self._array(RecordPerson.person_id, RecordPerson.involvement)).where(
                RecordPerson.record_id == R.id, named_then()
            )
        )

    def _entries(self) -> ScalarSelect[Any]:
        was_undone = Step.undone_at <= THEN
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    Step.kind,
                    Step.end,
                    Step.part_id,
                    Step.exposed_part_id,
                    Step.facing,
                    Step.rod_number,
                    Step.scanned,
                    Step.note,
                    Step.done_at,
                    Step.written_at,
                    Step.by_id,
                    case((was_undone, Step.undone_at)),
                    case((was_undone, Step.undone_by_id)),
                    Step.departs_from,
                    Step.deviation,
                    Step.deviation_because,
                    Step.unloaded_first,
                    Step.act,
                )
            ).where(Step.record_id == R.id, Step.written_at <= THEN)
        )

    def _make_safe(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    MakeSafeLine.line_number,
                    MakeSafeLine.wording,
                    self._number(MakeSafeLine.reading),
                    MakeSafeLine.unit,
                    MakeSafeLine.instrument_id,
                    Calibration.certificate,
                    MakeSafeLine.person_id,
                    MakeSafeLine.witness_id,
                    select(func.min(WitnessConfirmation.confirmed_at))
                    .where(
                        WitnessConfirmation.record_id == R.id,
                        WitnessConfirmation.person_id == MakeSafeLine.witness_id,
                        WitnessConfirmation.confirmed_at >= Step.written_at,
                        WitnessConfirmation.confirmed_at <= THEN,
                    )
                    .correlate(R, MakeSafeLine, Step)
                    .scalar_subquery(),
                    MakeSafeLine.waiver_id,
                    WitnessWaiver.why,
                    WitnessWaiver.reason,
                    WitnessWaiver.given_by_id,
                )
            )
            .join(Step, Step.id == MakeSafeLine.step_id)
            .outerjoin(WitnessWaiver, WitnessWaiver.id == MakeSafeLine.waiver_id)
            .outerjoin(Calibration, Calibration.id == MakeSafeLine.calibration_id)
            .where(MakeSafeLine.record_id == R.id, Step.written_at <= THEN)
        )

    def _findings(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    Finding.id,
                    Finding.part_id,
                    Finding.condition,
                    Finding.severity,
                    Finding.where,
                    Finding.note,
                    Finding.face,
                    Finding.places,
                    Finding.area_percent,
                )
            )
            .join(Step, Step.id == Finding.step_id)
            .where(
                Finding.record_id == R.id,
                Step.written_at <= THEN,
                or_(Finding.known_until.is_(None), Finding.known_until > THEN),
            )
        )

    def _torque(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    TorqueReading.rod_number,
                    TorqueReading.pass_number,
                    TorqueReading.stage,
                    TorqueReading.kind,
                    self._number(TorqueReading.torque_nm),
                    TorqueReading.entered,
                    TorqueReading.instrument_id,
                    Calibration.certificate,
                    TorqueReading.concession_id,
                    TorqueReading.taken_at,
                    TorqueReading.by_id,
                    TorqueReading.press,
                )
            )
            .join(Step, Step.id == TorqueReading.step_id)
            .outerjoin(Calibration, Calibration.id == TorqueReading.calibration_id)
            .where(TorqueReading.record_id == R.id, known_then(TorqueReading))
        )

    def _tool_settings(self) -> ScalarSelect[Any]:
        of_tester = aliased(Calibration)
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    ToolSetting.pass_number,
                    ToolSetting.moment,
                    self._number(ToolSetting.set_nm),
                    ToolSetting.entered,
                    ToolSetting.instrument_id,
                    Calibration.certificate,
                    ToolSetting.concession_id,
                    self._number(ToolSetting.checked_nm),
                    ToolSetting.checked_entered,
                    ToolSetting.tester_id,
                    of_tester.certificate,
                    ToolSetting.tester_concession_id,
                )
            )
            .join(Step, Step.id == ToolSetting.step_id)
            .outerjoin(Calibration, Calibration.id == ToolSetting.calibration_id)
            .outerjoin(of_tester, of_tester.id == ToolSetting.tester_calibration_id)
            .where(ToolSetting.record_id == R.id, Step.written_at <= THEN)
        )

    def _corner_heights(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    CornerHeightRead.corner,
                    CornerHeightRead.pass_number,
                    self._number(CornerHeightRead.x_mm),
                    self._number(CornerHeightRead.y_mm),
                    self._number(CornerHeightRead.height_mm),
                    CornerHeightRead.instrument_id,
                    Calibration.certificate,
                )
            )
            .join(Step, Step.id == CornerHeightRead.step_id)
            .outerjoin(Calibration, Calibration.id == CornerHeightRead.calibration_id)
            .where(CornerHeightRead.record_id == R.id, Step.written_at <= THEN)
        )

    def _held_closings(self) -> ScalarSelect[Any]:
        of_cell = aliased(Calibration)
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    HeldClosing.mode,
                    HeldClosing.held_by,
                    HeldClosing.press,
                    self._number(HeldClosing.force_kn),
                    HeldClosing.load_cell_id,
                    of_cell.certificate,
                    self._number(HeldClosing.height_before_mm),
                    self._number(HeldClosing.height_after_mm),
                    HeldClosing.gauge_id,
                    Calibration.certificate,
                )
            )
            .join(Step, Step.id == HeldClosing.step_id)
            .outerjoin(Calibration, Calibration.id == HeldClosing.gauge_calibration_id)
            .outerjoin(of_cell, of_cell.id == HeldClosing.load_cell_calibration_id)
            .where(HeldClosing.record_id == R.id, Step.written_at <= THEN)
        )

    def _hours(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    HourMeter.number,
                    HourReading.moment,
                    self._number(HourReading.hours),
                    HourReading.taken_at,
                    HourReading.by_id,
                    HourReading.id,
                )
            )
            .join(HourMeter, HourMeter.id == HourReading.meter_id)
            .where(HourReading.record_id == R.id, known_then(HourReading))
        )

    def _attachments(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Attachment.id,
                    Attachment.content_sha256,
                    Attachment.media_type,
                    Attachment.size_bytes,
                    Attachment.name,
                    Attachment.part_id,
                    Attachment.added_by_id,
                    Attachment.added_at,
                )
            ).where(Attachment.record_id == R.id, attached_then())
        )

    def _concessions(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Concession.id,
                    Concession.part_id,
                    Lot.label,
                    Concession.instrument_id,
                    Concession.reason,
                    Concession.given_by_id,
                    Concession.given_at,
                )
            )
            .outerjoin(Lot, Lot.id == Concession.lot_id)
            .where(Concession.used_in_record_id == R.id, Concession.given_at <= THEN)
        )

    def _builds(self) -> ScalarSelect[Any]:
        touched = aliased(Build)
        return self._all(
            select(
                self._array(
                    touched.number,
                    BuildPeriod.closed_at,
                    case((BuildPeriod.opened_by_record_id == R.id, BuildPeriod.opened_at)),
                    case((touched.record_id == R.id, 1), else_=0),
                )
            )
            .join(touched, touched.id == BuildPeriod.build_id)
            .where(
                BuildPeriod.stack_id == R.stack_id,
                or_(touched.record_id == R.id, BuildPeriod.opened_by_record_id == R.id),
                known_then(BuildPeriod),
            )
        )

    def _parts(self) -> ScalarSelect[Any]:
        own_build, base_build = aliased(Build), aliased(Build)
        part_ids = union(
            of_record(Step, Step.part_id.label("id")).where(Step.written_at <= THEN),
            of_record(Step, Step.exposed_part_id).where(Step.written_at <= THEN),
            of_entries(Finding, Finding.part_id),
            of_record(Attachment, Attachment.part_id).where(attached_then()),
            conceded_then(Concession.part_id),
            select(Layer.part_id)
            .join(own_build, own_build.id == Layer.build_id)
            .where(own_build.record_id == R.id, known_then(Layer))
            .correlate(R),
            select(Fixing.part_id)
            .join(base_build, base_build.id == Fixing.build_id)
            .where(base_build.record_id == R.id, known_then(Fixing))
            .correlate(R),
        ).subquery()
        return self._all(
            select(
                self._array(
                    Part.id,
                    PartType.drawing_number,
                    PartType.revision,
                    Part.serial,
                    Lot.label,
                    Part.item_number,
                )
            )
            .join(part_ids, part_ids.c.id == Part.id)
            .join(PartType, PartType.id == Part.part_type_id)
            .outerjoin(Lot, Lot.id == Part.lot_id)
        )

    def _persons(self) -> ScalarSelect[Any]:
        itself = aliased(RebuildRecord)
        person_ids = union(
            select(itself.written_by_id.label("id")).where(itself.id == R.id).correlate(R),
            select(itself.handed_in_by_id).where(itself.id == R.id).correlate(R),
            of_record(RecordPerson, RecordPerson.person_id).where(named_then()),
            of_record(Step, Step.by_id).where(Step.written_at <= THEN),
            of_record(Step, Step.undone_by_id).where(Step.undone_at <= THEN),
            of_entries(MakeSafeLine, MakeSafeLine.person_id),
            of_entries(MakeSafeLine, MakeSafeLine.witness_id),
            of_entries(BumpTest, BumpTest.person_id),
            of_entries(Handover, Handover.from_person_id),
            of_entries(Handover, Handover.to_person_id),
            of_record(TorqueReading, TorqueReading.by_id).where(known_then(TorqueReading)),
            of_record(HourReading, HourReading.by_id).where(known_then(HourReading)),
            of_record(Attachment, Attachment.added_by_id).where(attached_then()),
            conceded_then(Concession.given_by_id),
        ).subquery()
        return self._all(
            select(self._array(Person.id, Person.login)).join(
                person_ids, person_ids.c.id == Person.id
            )
        )

    def _instruments(self) -> ScalarSelect[Any]:
        instrument_ids = union(
            conceded_then(Concession.instrument_id.label("id")),
            of_record(TorqueReading, TorqueReading.instrument_id).where(known_then(TorqueReading)),
            *(
                of_entries(of, tool)
                for of, tools in USED_BY.items()
                if of is not TorqueReading
                for tool in tools
            ),
        ).subquery()
        return self._all(
            select(self._array(Instrument.id, Instrument.label)).join(
                instrument_ids, instrument_ids.c.id == Instrument.id
            )
        )

    def _closing_results(self) -> ScalarSelect[Any]:
        """What was computed at this very hand-in; hashed anew from the kept texts."""
        return self._all(
            select(
                self._array(
                    ClosingResult.formulas,
                    LimitSet.version,
                    ClosingResult.inputs_sha256,
                    self._sha256(ClosingResult.inputs),
                    ClosingResult.results_sha256,
                    self._sha256(ClosingResult.results),
                )
            )
            .join(LimitSet, LimitSet.id == ClosingResult.limit_set_id)
            .where(
                ClosingResult.record_id == R.id,
                ClosingResult.computed_at == R.handed_in_at,
                ClosingResult.correction_id.is_(None),
            )
        )

    def _stack_tests(self) -> ScalarSelect[Any]:
        of, warm, meter = aliased(Calibration), aliased(Calibration), aliased(Calibration)
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    StackTest.content,
                    StackTest.result,
                    StackTest.formula,
                    StackTest.verdict,
                    LimitSet.version,
                    StackTest.instrument_id,
                    of.certificate,
                    StackTest.thermometer_id,
                    warm.certificate,
                    StackTest.meter_id,
                    meter.certificate,
                )
            )
            .join(Step, Step.id == StackTest.step_id)
            .outerjoin(LimitSet, LimitSet.id == StackTest.limit_set_id)
            .outerjoin(of, of.id == StackTest.calibration_id)
            .outerjoin(warm, warm.id == StackTest.thermometer_calibration_id)
            .outerjoin(meter, meter.id == StackTest.meter_calibration_id)
            .where(StackTest.record_id == R.id, Step.written_at <= THEN)
        )

    def _bump_tests(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    BumpTest.instrument_id,
                    BumpTest.gas,
                    self._number(BumpTest.reading),
                    BumpTest.unit,
                    case((BumpTest.passed, 1), else_=0),
                    BumpTest.person_id,
                )
            )
            .join(Step, Step.id == BumpTest.step_id)
            .where(BumpTest.record_id == R.id, Step.written_at <= THEN)
        )

    def _handovers(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    Step.sequence,
                    Handover.from_person_id,
                    Handover.to_person_id,
                    Handover.pile,
                    Handover.covers,
                )
            )
            .join(Step, Step.id == Handover.step_id)
            .where(Handover.record_id == R.id, Step.written_at <= THEN)
        )

    def _make_safe_lists(self) -> ScalarSelect[Any]:
        return self._all(
            select(
                self._array(
                    RecordMakeSafeList.act,
                    ProposedChange.subject_label,
                    ProposedChange.content_sha256,
                )
            )
            .join(ProposedChange, ProposedChange.id == RecordMakeSafeList.proposal_id)
            .where(RecordMakeSafeList.record_id == R.id)
        )

    def _array(self, *columns: Any) -> ColumnElement[Any]:
        return (func.json_array if self._lite else func.json_build_array)(*columns)

    def _number(self, column: Any) -> ColumnElement[Any]:
        return func.quote(column) if self._lite else column

    def _sha256(self, text: Any) -> ColumnElement[Any]:
        if self._lite:
            return func.sha256_hex(text)
        return func.encode(func.sha256(func.convert_to(text, "UTF8")), "hex")

    def _all(self, rows: Select[Any]) -> ScalarSelect[Any]:
        gather = func.json_group_array if self._lite else func.json_agg
        array = rows.selected_columns[0]
        gathered = cast(gather(array), Text)
        return (
            rows.with_only_columns(gathered, maintain_column_froms=True)
            .correlate(R)
            .scalar_subquery()
        )
