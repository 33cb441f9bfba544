"""At the bench: torque readings, as found before loosening and while closing.

A nut read again in the same pass is a second reading of the same nut: both are kept, the one
entered last counts. A reading which was never taken is undone, not overwritten.
"""

from datetime import datetime

from sqlalchemy import select

from service.designs.tables import Design
from service.physics.arithmetic.torque_units import (
    IN_NEWTON_METRES,
    likely_units,
    read_torque_text,
    torque_unit,
)
from service.platform import changes
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes.bench_fixings import refuse_no_rod
from service.records.changes.eligibility import InstrumentUsed, instrument_to_use
from service.records.changes.rebuild_records import NEEDS_A_BUILD
from service.records.changes.record_journal import (
    Said,
    add_step,
    done_at_of,
    hold_record,
    let_go,
    shown,
)
from service.records.tables import RebuildRecord, RecordKind, Step, StepKind, TorqueReading
from service.stacks.tables.stacks import Stack
from service.store.tables.instruments import InstrumentKind

PASSES_MOST = 50
UNLIKELY_TIMES_TARGET = 5.0
"""A reading so far above the design's target is taken for a mistake of unit."""
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
    note: str = "",
    taken_at: datetime | None = None,
) -> int:
    """Enter one reading on one nut in one pass; give the entry's id.

    ``entered`` is the text as typed, with or without a unit (``unit`` holds where none is written);
    ``torque_nm`` in N·m alone will do. ``note`` says why a torque outside the tolerance stays.
    As found, only residual and breakaway torque can be read.
    Raises Refused for a torque that cannot be, outside the driver's range, or so far above the
    design's target that it must be another unit; for a driver out of calibration or on hold
    without a concession; and for a time on the wrong side of the opening.
    """
    record = hold_record(work, record_id, version)
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
    value, typed = _torque(torque_nm, entered, unit)
    used = instrument_to_use(work, record, instrument_id, at, (InstrumentKind.TORQUE_DRIVER,))
    _refuse_outside_range(used, value, typed)
    _refuse_unlikely(work, record, value, typed)
    before = _read_before(work, record, rod_number, pass_number, stage)
    text = changes.optional_words("outside_because", note, most=4000)
    step = add_step(work, record, StepKind.TORQUE, at, rod_number=rod_number, note=text)
    work.session.add(
        TorqueReading(
            record_id=record_id,
            step_id=step.id,
            rod_number=rod_number,
            pass_number=pass_number,
            stage=stage,
            kind=kind,
            torque_nm=value,
            entered=typed,
            instrument_id=instrument_id,
            calibration_id=used.calibration_id,
            concession_id=used.concession_id,
            taken_at=at,
            by_id=work.by.id,
            known_from=work.now,
        )
    )
    again = " again" if before is not None else ""
    let_go(
        work,
        record,
        Said(
            f"rod {rod_number} read{again} {stage}, pass {pass_number}: {value:.4g} N·m {kind}",
            (
                (f"rod {rod_number}, pass {pass_number}, {stage}", before, f"{typed}, {kind}"),
                ("instrument", None, used.instrument.label),
                ("taken at", None, at),
                ("note", None, text or None),
            ),
        ),
    )
    return step.id


def _taken_at(
    work: Work, record: RebuildRecord, stage: Stage, taken_at: datetime | None
) -> datetime:
    at = done_at_of(work, record, taken_at, field="taken_at")
    if stage is Stage.AS_FOUND:
        if record.base_build_id is None:
            raise Refused("stage", stage, "there was no closed stack to find anything on.")
        if record.opened_at is not None and at > record.opened_at:
            raise Refused(
                "taken_at",
                "" if taken_at is None else shown(at),
                f"the stack was opened at {shown(record.opened_at)}.",
                "As found means before that: give the time it was read.",
            )
        return at
    if record.opened_at is not None and at < record.opened_at:
        raise Refused(
            "taken_at",
            shown(at),
            f"the stack was opened later, at {shown(record.opened_at)}.",
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
        typed = entered.strip()
        if typed[-1].isdigit() or typed[-1] in ".,":
            typed = f"{typed} {torque_unit(unit)}"
    except TradeError as trouble:
        raise Refused(field, entered or torque_nm, f"{trouble}") from trouble
    if torque_nm is not None and abs(torque_nm - value) > ROUNDING * value:
        raise Refused(
            "entered",
            typed,
            f"this is {value:.4g} N·m ({read_unit}), but {torque_nm:.4g} N·m is given too.",
            "One of the two is wrong.",
        )
    return value, typed


def _refuse_outside_range(used: InstrumentUsed, value: float, typed: str) -> None:
    tool = used.instrument
    try:
        factor = IN_NEWTON_METRES[torque_unit(tool.unit or "N·m")]
    except TradeError:
        return  # a range in a unit that is no torque says nothing about this reading
    least, most = tool.range_least, tool.range_most
    below = least is not None and value < least * factor * (1 - 1e-9)
    above = most is not None and value > most * factor * (1 + 1e-9)
    if below or above:
        raise Refused(
            "entered",
            typed,
            f"{tool.label} reads {'' if least is None else f'{least:g}'} to"
            f" {'…' if most is None else f'{most:g}'} {tool.unit or 'N·m'}.",
            "A torque in its range, or the instrument that was really used.",
        )


def _refuse_unlikely(work: Work, record: RebuildRecord, value: float, typed: str) -> None:
    target = work.session.scalars(
        select(Design.target_torque_nm)
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == record.stack_id)
    ).one()
    if value <= UNLIKELY_TIMES_TARGET * target:
        return
    number = next((part for part in typed.replace(",", ".").split() if part[0].isdigit()), "")
    try:
        likely = [unit for unit in likely_units(float(number), target) if unit not in typed]
    except ValueError:
        likely = []
    hint = f" {number} {' or '.join(likely)} would be near it." if likely else ""
    raise Refused(
        "entered",
        typed,
        f"this is {value:.4g} N·m, more than {UNLIKELY_TIMES_TARGET:g} times the target of"
        f" {target:g} N·m.{hint}",
        "Look at the unit on the driver.",
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
