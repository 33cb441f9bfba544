"""At the bench: torque readings, as found before loosening and while closing.

A nut read again in the same pass is a second reading of the same nut: both are kept, the one
entered last counts. A reading which was never taken is undone, not overwritten.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from service.closing.arithmetic.torque_bands import torque_band
from service.closing.queries.build_torques import UNOPENED
from service.designs.tables import Design
from service.limits.arithmetic.closing_modes import ClosingMode
from service.limits.queries import limits_in_force
from service.physics.arithmetic.clamping import likely_units, read_torque_text, torque_unit
from service.physics.arithmetic.tightening import PASS_BAND_PERCENT
from service.platform import changes
from service.platform.arithmetic.dates import in_utc
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.database import Work
from service.platform.errors import Question, Refused
from service.platform.queries.statements import param
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
from service.records.changes.make_safe import refuse_unless_made_safe
from service.records.changes.rebuild_records import NEEDS_A_BUILD
from service.records.tables import (
    RebuildRecord,
    RecordKind,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.arithmetic.make_safe import SafeAct
from service.store.tables import Instrument

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
    calibration or on hold without a concession; for one that shows no reading; and for a time on
    the wrong side of the opening.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_no_rod(work, record, rod_number)
    if not 1 <= pass_number <= PASSES_MOST:
        raise Refused("pass_number", pass_number, "passes count from 1.", f"1 to {PASSES_MOST}.")
    at = closing_time(work, record, stage, taken_at)
    if stage is Stage.AS_FOUND and kind is ReadingKind.SET:
        raise Refused(
            "kind",
            kind,
            "nothing is set before loosening.",
            f"“{ReadingKind.RESIDUAL}” or “{ReadingKind.BREAKAWAY}” would be right.",
        )
    value, text_typed = torque_typed(torque_nm, entered, unit)
    used = instrument_to_use(work, record, instrument_id, at, (InstrumentKind.TORQUE_DRIVER,))
    _refuse_no_reading(used.instrument)
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


def _refuse_no_reading(driver: Instrument) -> None:
    if driver.tool is not None and not driver.tool.reads:
        raise Refused(
            "instrument_id",
            driver.label,
            f"it is a {driver.tool} tool and shows no reading.",
            "Enter what it is set to, then each nut as clicked, moved or not moved; or read the nut"
            " with a dial or electronic driver.",
        )


def closing_time(
    work: Work, record: RebuildRecord, stage: Stage, taken_at: datetime | None
) -> datetime:
    """Return when a nut was turned or read, on the right side of the opening.

    A re-torque waits for what the site asks to be recorded before it.
    """
    at = journal.done_at_of(work, record, taken_at, field="taken_at")
    if stage is Stage.AS_FOUND:
        if record.base_build_id is None:
            raise Refused("stage", stage, "there was no closed stack to find anything on.")
        if record.opened_at is not None and at > record.opened_at:
            raise Refused(
                "taken_at",
                "" if taken_at is None else in_utc(at),
                f"the stack was opened at {in_utc(record.opened_at)}.",
                "As found means before that: give the time it was read.",
            )
        return at
    if record.opened_at is not None and at < record.opened_at:
        raise Refused(
            "taken_at",
            in_utc(at),
            f"the stack was opened later, at {in_utc(record.opened_at)}.",
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
    if record.kind is RecordKind.RE_TORQUE:
        refuse_unless_made_safe(work, record, SafeAct.RE_TORQUE, at, field="taken_at")
    return at


def torque_typed(torque_nm: float | None, entered: str, unit: str) -> tuple[float, str]:
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


@dataclass(frozen=True, slots=True)
class TorqueDeparture:
    """How a torque departs from what its pass asks for; ``hint``: another unit may be meant.

    ``is_over``: it is above what any pass may be tightened to; ``is_backed_off``: what was before.
    """

    text: str
    facts: Mapping[str, str]
    hint: str = ""
    is_over: bool = False
    is_backed_off: bool = False


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

    Raises Question, or RefusedTogether, until it is answered.
    """
    departs = torque_departure(work, record, read, after_nm=after_nm)
    if departs is None:
        return None
    is_over = departs.is_over or departs.is_backed_off
    because = ask_whether_it_stands(
        work.session,
        answered,
        value="",
        reason=" ".join(filter(None, (departs.text, departs.hint))),
        right="Look at the driver and read the nut again.",
        words="It stands: keep it as a deviation",
        facts=departs.facts,
        others=[was_unloaded(read.typed)] if is_over and unloaded_first is None else [],
    )
    return Deviation(departs.text, because, unloaded_first is Unloaded.YES if is_over else None)


def torque_departure(
    work: Work, record: RebuildRecord, read: TorqueAsRead, *, after_nm: float | None = None
) -> TorqueDeparture | None:
    """Return how a torque departs from what its pass asks for; None for one as it should be.

    What a nut is set to has a narrow band in the last pass; what it still holds may be less, and
    breaks away at more. ``after_nm`` is what the same nut read before: an over-tightened one is not
    mended by backing it off.
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
    facts = {"value": f"{read.torque_nm:.4g} N·m"}
    if read.stage is Stage.CLOSING:
        limits = limits_in_force(work.session, design.id)
        clamp = limits.figures.clamp if limits else None
        if clamp is not None and clamp.mode is not ClosingMode.TORQUE:
            return TorqueDeparture(hint, facts) if hint else None
        band = torque_band(
            target_nm,
            tolerance,
            pass_number=read.pass_number,
            passes=1 if record.kind in UNOPENED else design.tightening_passes,
            band_percent=clamp.pass_band_percent if clamp else PASS_BAND_PERCENT,
            kind=read.kind,
        )
        is_backed_off = after_nm is not None and band.is_over(after_nm)
        if not (is_backed_off or band.is_outside(read.torque_nm)):
            return None
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
        return TorqueDeparture(text, facts, hint, band.is_over(read.torque_nm), is_backed_off)
    if not hint:
        return None
    facts |= {"target": f"{target_nm:.4g} N·m"}
    text = (
        f"{facts['value']}, {read.stage}: more than {UNLIKELY_TIMES_TARGET:g} times the target"
        f" of {facts['target']}."
    )
    return TorqueDeparture(text, facts, hint)


def was_unloaded(text: str) -> Question:
    """Ask whether the stack was unloaded before a nut that was over-tightened."""
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


LAST_OF_NUT = (
    select(TorqueReading.torque_nm)
    .join(Step, Step.id == TorqueReading.step_id)
    .where(
        TorqueReading.record_id == param("record_id"),
        TorqueReading.rod_number == param("rod_number"),
        TorqueReading.stage == Stage.CLOSING,
        TorqueReading.kind != ReadingKind.BREAKAWAY,
        TorqueReading.known_until.is_(None),
    )
    .order_by(Step.sequence.desc())
    .limit(1)
)


def _read_last(work: Work, record: RebuildRecord, rod_number: int) -> float | None:
    """What a nut was tightened to last in this record, N·m, whatever the pass."""
    return work.session.scalar(LAST_OF_NUT, {"record_id": record.id, "rod_number": rod_number})


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
