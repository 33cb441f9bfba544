"""At the bench: the checks of a closing, measured and looked at before the record is handed in."""

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import select

from service.closing.arithmetic.closing_checks import ClosingCheck, check_reading_mm
from service.closing.changes.torque import PASSES_MOST
from service.closing.queries.build_torques import UNOPENED
from service.closing.queries.closed_heights import computed_height
from service.closing.queries.corner_heights import corners_to_measure
from service.limits.queries import limits_in_force
from service.platform import changes
from service.platform.arithmetic.errors import TradeError
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.eligibility import (
    instrument_to_use,
    refuse_beyond_range,
    refuse_no_rod,
)
from service.records.changes.rebuild_records import BEGINS_A_STACK, involve
from service.records.queries.working_piles import working_pile
from service.records.tables import (
    CornerHeightRead,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    StepKind,
)
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument

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
    refuse_unopened(record)
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


def record_corner_heights(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    pass_number: int,
    heights: Mapping[str, float | None],
    instrument_id: int,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record the height at each corner after a pass; give the entry's id. ``heights`` in mm.

    By the names the design's figures give the corners. Raises Refused for a corner that is missing
    or not known, a height that cannot be or lies beyond the gauge's range, and a stack not opened
    in this record.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_unopened(record)
    if not 1 <= pass_number <= PASSES_MOST:
        raise Refused("pass_number", pass_number, "passes count from 1.", f"1 to {PASSES_MOST}.")
    at = journal.done_at_of(work, record, done_at)
    design_id = work.session.scalars(
        select(Stack.design_id).where(Stack.id == record.stack_id)
    ).one()
    limits = limits_in_force(work.session, design_id)
    corners = corners_to_measure(work.session, design_id, limits)
    names = ", ".join(corner.name for corner in corners)
    for name in heights.keys() - {corner.name for corner in corners}:
        raise Refused("heights", name, "the design has no such corner.", f"{names}.")
    used = instrument_to_use(work, record, instrument_id, at, LENGTH)
    step = journal.add_step(
        work,
        record,
        StepKind.CORNERS,
        at,
        note=changes.optional_words("note", note, most=4000),
    )
    for corner in corners:
        field, height_mm = f"heights.{corner.name}", heights.get(corner.name)
        if height_mm is None:
            raise Refused(field, "", "nothing is measured.", f"A height at each of {names}.")
        refuse_height(used.instrument, field, height_mm)
        work.session.add(
            CornerHeightRead(
                record_id=record_id,
                step_id=step.id,
                pass_number=pass_number,
                corner=corner.name,
                x_mm=corner.x_mm,
                y_mm=corner.y_mm,
                height_mm=height_mm,
                instrument_id=used.instrument.id,
                calibration_id=used.calibration_id,
                concession_id=used.concession_id,
            )
        )
    involve(work, record_id, work.by.id, Involvement.WORKED)
    value = ", ".join(f"{corner.name} {heights[corner.name]:g} mm" for corner in corners)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"heights at the corners after pass {pass_number}: {value}",
            (
                (f"heights at the corners, pass {pass_number}", None, value),
                ("instrument", None, used.instrument.label),
                ("done at", None, at),
            ),
        ),
    )
    return step.id


def refuse_unopened(record: RebuildRecord) -> None:
    """Refuse a check of a stack that is not opened in this record."""
    begins = record.kind in BEGINS_A_STACK
    if record.opened_at is None and not begins and record.kind not in UNOPENED:
        raise Refused(
            "record",
            f"record {record.id}",
            "the stack is not opened yet.",
            "A closing is checked after the opening.",
        )


def refuse_height(gauge: Instrument, field: str, height_mm: float) -> None:
    """Refuse a height that cannot be, or that the gauge cannot have shown."""
    try:
        check_reading_mm(ClosingCheck.HEIGHT, height_mm)
    except TradeError as trouble:
        raise Refused(field, f"{height_mm:g}", str(trouble)) from trouble
    refuse_beyond_range(gauge, field, height_mm, "mm")


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
