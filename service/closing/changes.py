"""At the bench: the checks of a closing, measured and looked at before the record is handed in."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_checks import ClosingCheck, check_reading_mm
from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_as_data
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_as_data
from service.closing.arithmetic.torque_bands import torque_band
from service.closing.queries.closed_heights import computed_height
from service.closing.queries.closing_inputs import closing_ground
from service.closing.queries.closing_results import closings_anew
from service.closing.tables import ClosingResult
from service.designs.tables import Design
from service.limits.queries import limits_in_force
from service.physics.arithmetic.clamping import likely_units, read_torque_text, torque_unit
from service.physics.arithmetic.tightening import PASS_BAND_PERCENT
from service.platform import changes
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import Question, Refused
from service.records.changes import journal
from service.records.changes.deviations import (
    UNLOADED,
    Answered,
    Deviation,
    Stands,
    Unloaded,
    ask_whether_it_stands,
)
from service.records.changes.eligibility import (
    instrument_to_use,
    refuse_beyond_range,
    refuse_no_rod,
)
from service.records.changes.rebuild_records import BEGINS_A_STACK, NEEDS_A_BUILD, involve
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import (
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.queries.release_standing import builds_corrected
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind

OPENS_NOTHING = (RecordKind.RE_TORQUE, RecordKind.INSPECTION)
LENGTH = (InstrumentKind.HEIGHT_GAUGE,)
ELECTRICAL = (InstrumentKind.MULTIMETER, InstrumentKind.INSULATION_TESTER)


def record_closing_check(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    check: ClosingCheck,
    rod_number: int | None = None,
    reading_mm: float | None = None,
    instrument_id: int | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record one check of the closing; give the entry's id. ``reading_mm`` in mm.

    A check recorded again counts as it was recorded last. Raises Refused for a reading that is
    missing, cannot be or lies beyond the gauge's range, a closed height without its gauge, a height
    outside the tolerance without a note that says why, and a stack not opened in this record.
    """
    record = journal.lock_record(work, record_id, version)
    _refuse_unopened(record)
    at = journal.done_at_of(work, record, done_at)
    if check is ClosingCheck.PROTRUSION:
        refuse_no_rod(work, record, rod_number or 0)
    elif rod_number is not None:
        raise Refused("rod_number", rod_number, f"{check} is checked of the whole stack.")
    _check_reading(check, reading_mm)
    if check is ClosingCheck.HEIGHT and instrument_id is None:
        raise Refused("instrument_id", "", "a closed height asks for the height gauge.")
    text = changes.optional_words("note", note, most=4000)
    if check is ClosingCheck.HEIGHT and reading_mm is not None and not text:
        _refuse_height(work, record_id, reading_mm)
    tools = LENGTH if check.is_measured else ELECTRICAL
    used = instrument_to_use(work, record, instrument_id, at, tools) if instrument_id else None
    if used is not None and reading_mm is not None:
        refuse_beyond_range(used.instrument, "reading_mm", reading_mm, "mm")
    step = journal.add_step(
        work, record, StepKind.CLOSING_CHECK, at, rod_number=rod_number, note=text
    )
    work.session.add(
        MakeSafeLine(
            record_id=record_id,
            step_id=step.id,
            line_number=check.number,
            wording=check.wording,
            reading=reading_mm,
            unit="mm" if check.is_measured else None,
            instrument_id=used.instrument.id if used else None,
            calibration_id=used.calibration_id if used else None,
            person_id=work.by.id,
            witness_id=None,
        )
    )
    involve(work, record_id, work.by.id, Involvement.WORKED)
    subject = f"{check}, rod {rod_number}" if rod_number else str(check)
    value = "done" if reading_mm is None else f"{reading_mm:g} mm"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"closing check recorded, {subject}: {value}",
            (
                (subject, None, value),
                ("instrument", None, used.instrument.label if used else None),
                ("done at", None, at),
                ("note", None, text or None),
            ),
        ),
    )
    return step.id


def _refuse_unopened(record: RebuildRecord) -> None:
    begins = record.kind in BEGINS_A_STACK
    if record.opened_at is None and not begins and record.kind not in OPENS_NOTHING:
        raise Refused(
            "record",
            f"record {record.id}",
            "the stack is not opened yet.",
            "A closing is checked after the opening.",
        )


def _check_reading(check: ClosingCheck, reading_mm: float | None) -> None:
    if not check.is_measured:
        if reading_mm is not None:
            raise Refused("reading_mm", f"{reading_mm:g}", f"{check} have no reading in mm.")
        return
    if reading_mm is None:
        raise Refused("reading_mm", "", "nothing is measured.", "A length in mm.")
    try:
        check_reading_mm(check, reading_mm)
    except TradeError as trouble:
        raise Refused("reading_mm", f"{reading_mm:g}", str(trouble)) from trouble


def _refuse_height(work: Work, record_id: int, reading_mm: float) -> None:
    computed = computed_height(work.session, record_id, working_pile(work.session, record_id))
    expected = computed.expected
    if expected is not None and expected.is_outside(reading_mm):
        raise Refused(
            "reading_mm",
            f"{reading_mm:g}",
            f"closed height over both compression plates, {computed.includes}:"
            f" {expected.height_mm:.1f} mm \u00b1 {expected.tolerance_mm:.1f} mm.",
            "Count the layers and measure again, or say in the note why it stays so.",
        )


# At the bench: torque readings, as found before loosening and while closing.
#
# A nut read again in the same pass is a second reading of the same nut: both are kept, the one
# entered last counts. A reading which was never taken is undone, not overwritten.


PASSES_MOST = 50
UNLIKELY_TIMES_TARGET = 5.0
"""A reading so far above the design's target may be a mistake of unit."""


ROUNDING = 0.005


def read_torque(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    rod_number: int,
    pass_number: int,
    stage: Stage,
    kind: ReadingKind,
    instrument_id: int,
    torque_nm: float | None = None,
    entered: str = "",
    unit: str = "N·m",
    stands: Stands | None = None,
    outside_because: str = "",
    unloaded_first: Unloaded | None = None,
    taken_at: datetime | None = None,
) -> int:
    """Enter one reading on one nut in one pass; give the entry's id.

    ``entered`` is the text as typed, with or without a unit (``unit`` holds where none is written);
    ``torque_nm`` in N·m alone will do. As found, only residual and breakaway torque can be read.
    Raises Question for a torque outside the band of its pass, above the last target with its
    tolerance or after one above it, or so far above it that it may be another unit: with ``stands``
    and ``outside_because`` it is kept as a deviation, with ``unloaded_first`` where over-tightened.
    Raises Refused for a torque that cannot be or outside the driver's range; for a driver out of
    calibration or on hold without a concession; and for a time on the wrong side of the opening.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_no_rod(work, record, rod_number)
    if not 1 <= pass_number <= PASSES_MOST:
        raise Refused("pass_number", pass_number, "passes count from 1.", f"1 to {PASSES_MOST}.")
    at = _taken_at(work, record, stage, taken_at)
    if stage is Stage.AS_FOUND and kind is ReadingKind.SET:
        raise Refused(
            "kind",
            kind,
            "nothing is set before loosening.",
            f"“{ReadingKind.RESIDUAL}” or “{ReadingKind.BREAKAWAY}” would be right.",
        )
    value, text_typed = _torque(torque_nm, entered, unit)
    used = instrument_to_use(work, record, instrument_id, at, (InstrumentKind.TORQUE_DRIVER,))
    refuse_beyond_range(used.instrument, "entered", value, "N·m", typed=text_typed)
    answered = Answered(stands, outside_because, "outside_because")
    read = TorqueAsRead(pass_number, stage, kind, value, text_typed)
    after_nm = _read_last(work, record, rod_number) if stage is Stage.CLOSING else None
    deviation = torque_deviation(work, record, read, answered, unloaded_first, after_nm=after_nm)
    before = _read_before(work, record, rod_number, pass_number, stage)
    text = changes.optional_words("outside_because", outside_because, most=4000)
    columns_kept: dict[str, object] = deviation.as_columns if deviation else {"note": text}
    step = journal.add_step(
        work, record, StepKind.TORQUE, at, rod_number=rod_number, **columns_kept
    )
    work.session.add(
        TorqueReading(
            record_id=record_id,
            step_id=step.id,
            rod_number=rod_number,
            pass_number=pass_number,
            stage=stage,
            kind=kind,
            torque_nm=value,
            entered=text_typed,
            instrument_id=instrument_id,
            calibration_id=used.calibration_id,
            concession_id=used.concession_id,
            taken_at=at,
            by_id=work.by.id,
            known_from=work.now,
        )
    )
    again = " again" if before is not None else ""
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"rod {rod_number} read{again} {stage}, pass {pass_number}: {value:.4g} N·m {kind}",
            (
                (f"rod {rod_number}, pass {pass_number}, {stage}", before, f"{text_typed}, {kind}"),
                ("instrument", None, used.instrument.label),
                ("taken at", None, at),
                *(deviation.as_changes if deviation else (("note", None, text or None),)),
            ),
            deviation.because if deviation else "",
        ),
    )
    return step.id


def _taken_at(
    work: Work, record: RebuildRecord, stage: Stage, taken_at: datetime | None
) -> datetime:
    at = journal.done_at_of(work, record, taken_at, field="taken_at")
    if stage is Stage.AS_FOUND:
        if record.base_build_id is None:
            raise Refused("stage", stage, "there was no closed stack to find anything on.")
        if record.opened_at is not None and at > record.opened_at:
            raise Refused(
                "taken_at",
                "" if taken_at is None else journal.shown(at),
                f"the stack was opened at {journal.shown(record.opened_at)}.",
                "As found means before that: give the time it was read.",
            )
        return at
    if record.opened_at is not None and at < record.opened_at:
        raise Refused(
            "taken_at",
            journal.shown(at),
            f"the stack was opened later, at {journal.shown(record.opened_at)}.",
            "A closing reading is taken after that.",
        )
    opens_nothing = record.kind in NEEDS_A_BUILD and record.kind is not RecordKind.TEARDOWN
    if record.opened_at is None and record.base_build_id is not None and not opens_nothing:
        raise Refused(
            "stage",
            stage,
            "the stack is not opened yet.",
            f"“{Stage.AS_FOUND}” would be right, or record the opening first.",
        )
    return at


def _torque(torque_nm: float | None, entered: str, unit: str) -> tuple[float, str]:
    """The torque in N·m and how it was written, with its unit."""
    if torque_nm is None and not entered.strip():
        raise Refused("torque_nm", "", "no torque is given.", "A number such as 8.5.")
    field = "torque_nm" if torque_nm is not None else "entered"
    try:
        if not entered.strip():
            written = f"{torque_nm:.10g} N·m"
            value, _unit = read_torque_text(written)
            return value, written
        value, read_unit = read_torque_text(entered, unit)
        text = entered.strip()
        if text[-1].isdigit() or text[-1] in ".,":
            text = f"{text} {torque_unit(unit)}"
    except TradeError as trouble:
        raise Refused(field, entered or torque_nm, f"{trouble}") from trouble
    if torque_nm is not None and abs(torque_nm - value) > ROUNDING * value:
        raise Refused(
            "entered",
            text,
            f"this is {value:.4g} N·m ({read_unit}), but {torque_nm:.4g} N·m is given too.",
            "One of the two is wrong.",
        )
    return value, text


@dataclass(frozen=True, slots=True)
class TorqueAsRead:
    """A torque as it was read: in which pass and stage, how, in N·m and as typed."""

    pass_number: int
    stage: Stage
    kind: ReadingKind
    torque_nm: float
    typed: str


def torque_deviation(
    work: Work,
    record: RebuildRecord,
    read: TorqueAsRead,
    answered: Answered,
    unloaded_first: Unloaded | None,
    *,
    after_nm: float | None = None,
) -> Deviation | None:
    """Return what a torque departs from and why it stands; None for one as it should be.

    What a nut is set to has a narrow band in the last pass; what it still holds may be less, and
    breaks away at more. ``after_nm`` is what the same nut read before: an over-tightened one is not
    mended by backing it off.
    Raises Question, or RefusedTogether, until it is answered.
    """
    design = work.session.execute(
        select(
            Design.id,
            Design.target_torque_nm,
            Design.torque_tolerance_percent,
            Design.tightening_passes,
        )
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == record.stack_id)
    ).one()
    target_nm, tolerance = design.target_torque_nm, design.torque_tolerance_percent
    hint = _other_unit(read, target_nm)
    facts, is_over = {"value": f"{read.torque_nm:.4g} N·m"}, False
    if read.stage is Stage.CLOSING:
        limits = limits_in_force(work.session, design.id)
        clamp = limits.figures.clamp if limits else None
        band = torque_band(
            target_nm,
            tolerance,
            pass_number=read.pass_number,
            passes=1 if record.kind in OPENS_NOTHING else design.tightening_passes,
            band_percent=clamp.pass_band_percent if clamp else PASS_BAND_PERCENT,
            kind=read.kind,
        )
        is_backed_off = after_nm is not None and band.is_over(after_nm)
        if not (is_backed_off or band.is_outside(read.torque_nm)):
            return None
        is_over = is_backed_off or band.is_over(read.torque_nm)
        facts |= {
            "target": f"{band.target_nm:.4g} N·m",
            "band": f"{band.least_nm:.4g} to {band.most_nm:.4g} N·m",
            "last target": f"{target_nm:.4g} N·m ± {tolerance:g} %",
        }
        text = (
            f"{facts['value']} in pass {read.pass_number}: its target is {facts['target']}, its"
            f" band {facts['band']}, the last target {facts['last target']}."
        )
        if is_backed_off:
            facts |= {"read before": f"{after_nm:.4g} N·m"}
            text = f"{text} The same nut read {facts['read before']} before."
    elif hint:
        facts |= {"target": f"{target_nm:.4g} N·m"}
        text = (
            f"{facts['value']}, {read.stage}: more than {UNLIKELY_TIMES_TARGET:g} times the target"
            f" of {facts['target']}."
        )
    else:
        return None
    because = ask_whether_it_stands(
        answered,
        value="",
        reason=" ".join(filter(None, (text, hint))),
        right="Look at the driver and read the nut again.",
        words="It stands: keep it as a deviation",
        facts=facts,
        others=[_was_unloaded(read.typed)] if is_over and unloaded_first is None else [],
    )
    return Deviation(text, because, unloaded_first is Unloaded.YES if is_over else None)


def _was_unloaded(text: str) -> Question:
    return Question(
        "unloaded_first",
        text,
        "is above the last target, or was before: say whether the stack was unloaded first.",
        "Backing the nut off does not undo it: unload evenly, then run all passes again.",
        answers=UNLOADED,
        facts={"value": text},
    )


def _other_unit(read: TorqueAsRead, target_nm: float) -> str:
    """Which unit was more likely meant; empty for a torque that can be."""
    if read.torque_nm <= UNLIKELY_TIMES_TARGET * target_nm:
        return ""
    words = read.typed.replace(",", ".").split()
    number = next((word for word in words if word[0].isdigit()), "")
    try:
        likely = [unit for unit in likely_units(float(number), target_nm) if unit not in read.typed]
    except ValueError:
        likely = []
    near = f" {number} {' or '.join(likely)} would be near it." if likely else ""
    return f"Look at the unit on the driver.{near}"


def _read_last(work: Work, record: RebuildRecord, rod_number: int) -> float | None:
    """What a nut was tightened to last in this record, N·m, whatever the pass."""
    return work.session.scalar(
        select(TorqueReading.torque_nm)
        .join(Step, Step.id == TorqueReading.step_id)
        .where(
            TorqueReading.record_id == record.id,
            TorqueReading.rod_number == rod_number,
            TorqueReading.stage == Stage.CLOSING,
            TorqueReading.kind != ReadingKind.BREAKAWAY,
            TorqueReading.known_until.is_(None),
        )
        .order_by(Step.sequence.desc())
        .limit(1)
    )


def _read_before(
    work: Work, record: RebuildRecord, rod_number: int, pass_number: int, stage: Stage
) -> str | None:
    return work.session.scalar(
        select(TorqueReading.entered)
        .join(Step, Step.id == TorqueReading.step_id)
        .where(
            TorqueReading.record_id == record.id,
            TorqueReading.rod_number == rod_number,
            TorqueReading.pass_number == pass_number,
            TorqueReading.stage == stage,
            TorqueReading.known_until.is_(None),
        )
        .order_by(Step.sequence.desc())
        .limit(1)
    )


# What a closing gave, kept beside its record at the moment the record is handed in.
#
# It is written once and never changed: a record that comes back and is handed in again gets another
# row, and a later version of a formula or of the limits is computed beside it, not in its place.


def keep_closing_result(work: Work, record: RebuildRecord, pile: WorkingPile) -> list[Change]:
    """Compute a closing or a re-torque and keep it, inside the hand-in that gave it its time.

    Nothing is kept where no limits are in force, or no nut was read in the record itself.
    """
    stands_open = record.opened_at is not None and record.closed_at is None
    if record.handed_in_at is None or stands_open or not pile.layers:
        return []
    ground = closing_ground(work.session, record.id, pile)
    if ground.limits is None or not ground.is_read:
        return []
    row = _result(ground.inputs, closing(ground.inputs))
    row.record_id, row.limit_set_id = record.id, ground.limits.id
    row.computed_at = record.handed_in_at
    work.session.add(row)
    return [("result of the closing", None, row.results_sha256)]


def _result(inputs: ClosingInputs, outcome: ClosingOutcome) -> ClosingResult:
    computed_from = canonical_json(inputs_as_data(inputs))
    gave = canonical_json(outcome_as_data(outcome))
    return ClosingResult(
        inputs=computed_from,
        inputs_sha256=sha256_of(computed_from),
        results=gave,
        results_sha256=sha256_of(gave),
        formulas=", ".join(FORMULAS),
    )


def keep_closings_anew(work: Work, stack_id: int, correction_id: int) -> list[Change]:
    """Compute anew every closing a correction reaches, inside its approval; give what changed.

    With the limits it was kept with, so that the correction alone makes the difference; then each
    later closing that rests on one of them. What was kept before stays beside it.
    """
    changes: list[Change] = []
    builds = builds_corrected(work.session, correction_id)
    for anew in list(closings_anew(work.session, stack_id, builds)):
        result = _result(anew.inputs, anew.outcome)
        result.record_id, result.limit_set_id = anew.kept.record_id, anew.kept.limit_set_id
        result.computed_at, result.correction_id = work.now, correction_id
        work.session.add(result)
        changes += anew.rows
    work.session.flush()
    return changes
