"""At the bench: a closing to height or by press force, its nuts run down to hold."""

from datetime import datetime
from types import SimpleNamespace
from typing import Any

from sqlalchemy import select

from service.closing.changes.checks import LENGTH, refuse_height, refuse_unopened
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.limits.queries import limits_in_force
from service.platform import changes
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.deviations import (
    Answered,
    Deviation,
    Stands,
    ask_whether_it_stands,
)
from service.records.changes.eligibility import instrument_to_use, refuse_beyond_range
from service.records.changes.rebuild_records import involve
from service.records.tables import HeldClosing, Involvement, RebuildRecord, StepKind
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Instrument

FORCE = (InstrumentKind.LOAD_CELL,)


def record_held_closing(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    mode: ClosingMode,
    height_after_mm: float,
    gauge_id: int,
    held_by: HeldBy | None = None,
    press: str = "",
    force_kn: float | None = None,
    load_cell_id: int | None = None,
    height_before_mm: float | None = None,
    stands: Stands | None = None,
    outside_because: str = "",
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record how the stack was held while its nuts were run down; give the entry's id.

    Heights over both compression plates in mm, under the press and once it is let off; the press
    force in kN. Raises Question for another mode than the design's, a height or a force outside its
    tolerance. Raises Refused for what the mode asks and is missing, or beyond its instrument's
    range, and a stack not opened in this record.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_unopened(record)
    at = journal.done_at_of(work, record, done_at)
    _refuse_missing(mode, held_by, force_kn, height_before_mm)
    gauge = instrument_to_use(work, record, gauge_id, at, LENGTH, field="gauge_id")
    heights = {"height_after_mm": height_after_mm, "height_before_mm": height_before_mm}
    for field, value in heights.items():
        if value is not None:
            refuse_height(gauge.instrument, field, value)
    cell = None
    if force_kn is not None:
        if load_cell_id is None:
            raise Refused("load_cell_id", "", "a press force asks for its load cell.")
        cell = instrument_to_use(work, record, load_cell_id, at, FORCE, field="load_cell_id")
        refuse_beyond_range(cell.instrument, "force_kn", force_kn, "kN")
    departs = _departs(_clamp(work, record), mode, height_after_mm, force_kn)
    deviation = None
    if departs:
        because = ask_whether_it_stands(
            work.session,
            Answered(stands, outside_because, "outside_because"),
            value="",
            reason=departs,
            right="Press again and measure, or say why it stays so.",
            words="It stands: keep it as a deviation",
            facts={"value": f"{height_after_mm:g} mm"},
        )
        deviation = Deviation(departs, because)
    step = journal.add_step(
        work,
        record,
        StepKind.HELD,
        at,
        note=changes.optional_words("note", note, most=4000),
        **(deviation.as_columns if deviation else {}),
    )
    work.session.add(
        HeldClosing(
            record_id=record_id,
            step_id=step.id,
            mode=mode,
            held_by=held_by,
            press=changes.optional_words("press", press),
            force_kn=force_kn,
            load_cell_id=cell.instrument.id if cell else None,
            load_cell_calibration_id=cell.calibration_id if cell else None,
            load_cell_concession_id=cell.concession_id if cell else None,
            height_before_mm=height_before_mm,
            height_after_mm=height_after_mm,
            gauge_id=gauge.instrument.id,
            gauge_calibration_id=gauge.calibration_id,
            gauge_concession_id=gauge.concession_id,
        )
    )
    involve(work, record_id, work.by.id, Involvement.WORKED)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"closed {mode}: {height_after_mm:g} mm",
            (
                ("closed", None, mode),
                ("held by", None, held_by),
                ("press", None, press or None),
                ("press force", None, None if force_kn is None else f"{force_kn:g} kN"),
                ("height under the press", None, height_before_mm),
                ("height after", None, height_after_mm),
                ("height gauge", None, gauge.instrument.label),
                ("load cell", None, cell.instrument.label if cell else None),
                ("done at", None, at),
                *(deviation.as_changes if deviation else ()),
            ),
            deviation.because if deviation else "",
        ),
    )
    return step.id


def held_departs(work: Work, step_id: int, *, field: str, **right: Any) -> str:
    """Return how a held closing departs once a value of it is another; empty: it does not.

    Raises Refused, at ``field``, for a value that its mode or its instrument cannot have.
    """
    row = work.session.scalars(select(HeldClosing).where(HeldClosing.step_id == step_id)).one()
    names = [column.key for column in HeldClosing.__table__.columns]
    then: Any = SimpleNamespace(**({name: getattr(row, name) for name in names} | right))
    mode = ClosingMode(then.mode)
    try:
        _refuse_missing(mode, then.held_by, then.force_kn, then.height_before_mm)
        gauge = work.session.get_one(Instrument, int(then.gauge_id))
        for name in ("height_after_mm", "height_before_mm"):
            if (value := getattr(then, name)) is not None:
                refuse_height(gauge, name, value)
        if then.force_kn is not None:
            cell = work.session.get_one(Instrument, int(then.load_cell_id))
            refuse_beyond_range(cell, "force_kn", then.force_kn, "kN")
    except Refused as refused:
        raise Refused(field, refused.value, refused.reason, refused.right_would_be) from refused
    record = work.session.get_one(RebuildRecord, row.record_id)
    return _departs(_clamp(work, record), mode, then.height_after_mm, then.force_kn)


def _clamp(work: Work, record: RebuildRecord) -> ClampFigures | None:
    design_id = work.session.scalars(
        select(Stack.design_id).where(Stack.id == record.stack_id)
    ).one()
    limits = limits_in_force(work.session, design_id)
    return limits.figures.clamp if limits else None


def _refuse_missing(
    mode: ClosingMode,
    held_by: HeldBy | None,
    force_kn: float | None,
    height_before_mm: float | None,
) -> None:
    if mode is ClosingMode.TORQUE:
        right = f"“{ClosingMode.HEIGHT}” or “{ClosingMode.FORCE}”; torques are entered nut by nut."
        raise Refused("mode", mode, "a closing to torque is not held.", right)
    if mode is ClosingMode.HEIGHT and held_by is None:
        raise Refused("held_by", "", "nothing says what ended the pressing.", "A stop or a gauge.")
    if mode is ClosingMode.FORCE:
        if force_kn is None:
            raise Refused("force_kn", "", "the press force was not read.", "Such as 24.5 kN.")
        if height_before_mm is None:
            reason = "without the height under the press no spring-back is known."
            raise Refused("height_before_mm", "", reason, "A height in mm.")


def _departs(
    clamp: ClampFigures | None, mode: ClosingMode, height_mm: float, force_kn: float | None
) -> str:
    """Say how a closing departs from what the design's figures ask for; empty where it does not."""
    if clamp is None:
        return ""
    sentences = []
    if clamp.mode is not mode:
        sentences.append(f"The design closes {clamp.mode}; this one was closed {mode}.")
    target, off = clamp.target_height_mm, clamp.height_tolerance_mm
    if target is not None and off is not None and abs(height_mm - target) > off + 1e-9:
        sentences.append(f"{height_mm:g} mm: the height aimed at is {target:g} ± {off:g} mm.")
    wanted, percent = clamp.press_force_kn, clamp.press_tolerance_percent
    if force_kn is None or wanted is None or percent is None:
        return " ".join(sentences)
    if abs(force_kn - wanted) > wanted * percent / 100 + 1e-9:
        sentences.append(
            f"{force_kn:g} kN: the press force aimed at is {wanted:g} kN ± {percent:g} %."
        )
    return " ".join(sentences)
