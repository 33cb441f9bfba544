"""At the bench: tightening with a click tool, which shows no reading.

What it is set to is entered once a pass, with what a tester read of it before and after; then each
nut with one press. What is known of a clicked nut is the setting with the tool's error.
"""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from service.closing.changes.torque import (
    PASSES_MOST,
    TorqueAsRead,
    closing_time,
    torque_departure,
    torque_typed,
    was_unloaded,
)
from service.platform import changes
from service.platform.arithmetic.vocabulary import Press, ReadingKind, Stage
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import journal
from service.records.changes.deviations import (
    Answered,
    Deviation,
    Stands,
    Unloaded,
    ask_whether_it_stands,
)
from service.records.changes.eligibility import (
    InstrumentUsed,
    instrument_to_use,
    refuse_beyond_range,
    refuse_no_rod,
)
from service.records.tables import (
    RebuildRecord,
    Step,
    StepKind,
    ToolCheck,
    ToolSetting,
    TorqueReading,
)
from service.store.arithmetic.instruments import InstrumentKind, driver_percent
from service.store.tables import Instrument


@dataclass(frozen=True, slots=True)
class ToolChecked:
    """A check of a setting as typed: when in the pass, what the tester read, which tester."""

    moment: ToolCheck
    typed: str
    tester_id: int | None


def set_tool(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    pass_number: int,
    moment: ToolCheck = ToolCheck.BEFORE,
    instrument_id: int,
    entered: str,
    checked: str = "",
    tester_id: int | None = None,
    stands: Stands | None = None,
    outside_because: str = "",
    unloaded_first: Unloaded | None = None,
    done_at: datetime | None = None,
) -> int:
    """Enter what a click tool is set to in a pass, and what a tester read of it; give the entry.

    ``entered`` and ``checked`` as typed, with or without a unit. Raises Question for a setting
    outside the band of its pass, or after a nut was over-tightened, and for a tester further off
    than the tool may be. Raises Refused for a driver that reads, a check without its tester, or one
    after the pass without a check, and as `read_torque` does.
    """
    record = journal.lock_record(work, record_id, version)
    if not 1 <= pass_number <= PASSES_MOST:
        raise Refused("pass_number", pass_number, "passes count from 1.", f"1 to {PASSES_MOST}.")
    at = closing_time(work, record, Stage.CLOSING, done_at)
    set_nm, set_text = torque_typed(None, entered, "N·m")
    used = instrument_to_use(work, record, instrument_id, at, (InstrumentKind.TORQUE_DRIVER,))
    tool = used.instrument
    if tool.tool is None or tool.tool.reads:
        raise Refused(
            "instrument_id",
            tool.label,
            f"it is a {tool.tool} driver: it is read, not set.",
            "Read each nut with it, or choose a click tool.",
        )
    refuse_beyond_range(tool, "entered", set_nm, "N·m", typed=set_text)
    checked_nm, checked_text, tester = _checked(
        work, record, ToolChecked(moment, checked, tester_id), at
    )
    read = TorqueAsRead(pass_number, Stage.CLOSING, ReadingKind.SET, set_nm, set_text)
    after_nm = _tightest(work, record) if moment is ToolCheck.BEFORE else None
    departs = torque_departure(work, record, read, after_nm=after_nm)
    off = "" if checked_nm is None else _off(tool, set_nm, checked_nm, moment)
    deviation = None
    if departs is not None or off:
        is_backed_off = departs is not None and departs.is_backed_off
        others = [was_unloaded(set_text)] if is_backed_off and unloaded_first is None else []
        text = " ".join(filter(None, (departs.text if departs else "", off)))
        because = ask_whether_it_stands(
            work.session,
            Answered(stands, outside_because, "outside_because"),
            value="",
            reason=" ".join(filter(None, (text, departs.hint if departs else ""))),
            right="Set the tool again and check it.",
            words="It stands: keep it as a deviation",
            facts=departs.facts if departs else {"value": checked_text},
            others=others,
        )
        first = unloaded_first is Unloaded.YES if is_backed_off else None
        deviation = Deviation(text, because, first)
    step = journal.add_step(
        work, record, StepKind.TOOL_SET, at, **(deviation.as_columns if deviation else {})
    )
    work.session.add(
        ToolSetting(
            record_id=record_id,
            step_id=step.id,
            pass_number=pass_number,
            moment=moment,
            set_nm=set_nm,
            entered=set_text,
            instrument_id=tool.id,
            calibration_id=used.calibration_id,
            concession_id=used.concession_id,
            checked_nm=checked_nm,
            checked_entered=checked_text,
            tester_id=tester.instrument.id if tester else None,
            tester_calibration_id=tester.calibration_id if tester else None,
            tester_concession_id=tester.concession_id if tester else None,
        )
    )
    noted: tuple[Change, ...] = (
        (f"tool set, pass {pass_number}", None, set_text),
        (f"checked {moment}", None, checked_text or None),
        ("instrument", None, tool.label),
        ("torque tester", None, tester.instrument.label if tester else None),
        ("done at", None, at),
        *(deviation.as_changes if deviation else ()),
    )
    words = f"{tool.label} set to {set_text} in pass {pass_number}"
    words += f", checked {moment}: {checked_text}" if checked_text else ", not checked"
    journal.finish_entry(
        work, record, journal.TrailNote(words, noted, deviation.because if deviation else "")
    )
    return step.id


def press_nut(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    rod_number: int,
    pass_number: int,
    press: Press,
    scanned: str = "",
    taken_at: datetime | None = None,
) -> int:
    """Enter how a nut answered the click tool that is set in this pass; give the entry's id.

    Raises Refused where no tool is set in the pass, or it was checked after it already, and as
    `read_torque` does of the tool, the rod and the time.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_no_rod(work, record, rod_number)
    at = closing_time(work, record, Stage.CLOSING, taken_at)
    setting = _setting(work, record, pass_number, at)
    if setting is None or setting.moment is ToolCheck.AFTER:
        reason = (
            "no click tool is set in this pass."
            if setting is None
            else ("the tool was checked after this pass already.")
        )
        raise Refused("pass_number", pass_number, reason, "Enter what the tool is set to first.")
    drivers = (InstrumentKind.TORQUE_DRIVER,)
    used = instrument_to_use(work, record, setting.instrument_id, at, drivers)
    step = journal.add_step(
        work,
        record,
        StepKind.NUT_PRESSED,
        at,
        rod_number=rod_number,
        scanned=changes.optional_words("scanned", scanned) or None,
    )
    work.session.add(
        TorqueReading(
            record_id=record_id,
            step_id=step.id,
            rod_number=rod_number,
            pass_number=pass_number,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            torque_nm=setting.set_nm,
            entered=press.value,
            press=press,
            setting_id=setting.id,
            instrument_id=used.instrument.id,
            calibration_id=used.calibration_id,
            concession_id=used.concession_id,
            taken_at=at,
            by_id=work.by.id,
            known_from=work.now,
        )
    )
    at_setting = f"{press}, tool set to {setting.entered}"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"rod {rod_number} {at_setting}, pass {pass_number}",
            (
                (f"rod {rod_number}, pass {pass_number}, {Stage.CLOSING}", None, at_setting),
                ("instrument", None, used.instrument.label),
                ("taken at", None, at),
            ),
        ),
    )
    return step.id


def _checked(
    work: Work, record: RebuildRecord, check: ToolChecked, at: datetime
) -> tuple[float | None, str, InstrumentUsed | None]:
    """What the tester read, N·m and as typed, and the tester."""
    if not check.typed.strip():
        if check.moment is ToolCheck.AFTER:
            raise Refused("checked", "", "nothing was read after the pass.", "Such as 4.6.")
        if check.tester_id is not None:
            raise Refused("checked", "", "a tester is named and no reading.", "Such as 4.6.")
        return None, "", None
    try:
        value, text = torque_typed(None, check.typed, "N·m")
    except Refused as refusal:
        refusal.field = "checked"
        raise
    if check.tester_id is None:
        raise Refused("tester_id", "", "a check asks for its tester.", "Choose from the list.")
    kinds = (InstrumentKind.TORQUE_TESTER,)
    tester = instrument_to_use(work, record, check.tester_id, at, kinds, field="tester_id")
    refuse_beyond_range(tester.instrument, "checked", value, "N·m", typed=text)
    return value, text, tester


def _off(tool: Instrument, set_nm: float, checked_nm: float, moment: ToolCheck) -> str:
    """How far a tester read from the setting, where that is more than the tool may be off."""
    percent = driver_percent(tool, set_nm)
    off = 100 * (checked_nm - set_nm) / set_nm
    if abs(off) <= percent + 1e-9:
        return ""
    return (
        f"Set to {set_nm:.4g} N·m, checked {moment} the pass: {checked_nm:.4g} N·m, {off:+.1f} %."
        f" {tool.label} may be ± {percent:.3g} % off."
    )


def _setting(
    work: Work, record: RebuildRecord, pass_number: int, at: datetime
) -> ToolSetting | None:
    """The setting or check of a pass that was the newest at a time."""
    return work.session.scalar(
        select(ToolSetting)
        .join(Step, Step.id == ToolSetting.step_id)
        .where(
            ToolSetting.record_id == record.id,
            ToolSetting.pass_number == pass_number,
            Step.undone_at.is_(None),
            Step.done_at <= at,
        )
        .order_by(Step.done_at.desc(), Step.sequence.desc())
        .limit(1)
    )


def _tightest(work: Work, record: RebuildRecord) -> float | None:
    """The most any nut was tightened to in this record, N·m."""
    return work.session.scalar(
        select(TorqueReading.torque_nm)
        .where(
            TorqueReading.record_id == record.id,
            TorqueReading.stage == Stage.CLOSING,
            TorqueReading.kind != ReadingKind.BREAKAWAY,
            TorqueReading.known_until.is_(None),
        )
        .order_by(TorqueReading.torque_nm.desc())
        .limit(1)
    )
