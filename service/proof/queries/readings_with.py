"""Everything that was read with one instrument: as shown, and with the error it was found with."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.designs.tables import ChecklistLine, Design
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.leak_figures import LeakFigures, PathLimit
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.queries.answers import read_as
from service.platform.queries.statements import known
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.stack_tests import TestKind, test_from_data
from service.proof.arithmetic.with_the_error import (
    Bounds,
    ErrorInUnit,
    Still,
    bounds_of,
    force_bounds,
    judged_with_the_error,
    line_bounds,
    still_within,
    test_still,
    within_percent,
)
from service.proof.queries.part_leak_tests import (
    MadePartTest,
    part_leak_tests_with,
    used_in_part_test,
)
from service.proof.tables import PartLeakTest, StackTest
from service.records.tables import (
    CornerHeightRead,
    HeldClosing,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordMakeSafeList,
    RecordState,
    Step,
    StepKind,
    ToolSetting,
    TorqueReading,
)
from service.stacks.queries.release_standing import rules_at
from service.stacks.tables import Build, Stack
from service.store.arithmetic.calibrations import FoundError
from service.store.arithmetic.instrument_errors import NOT_STATED
from service.store.arithmetic.instruments import InstrumentKind, driver_percent
from service.store.arithmetic.make_safe import LineAsked, SafeAct, lines_from_data
from service.store.queries.instrument_columns import USED_BY
from service.store.tables import Instrument, ProposedChange


@dataclass(frozen=True, slots=True)
class Use:
    """One reading or test taken with the instrument, as it was and with the error found.

    ``part_test_id``: a leak test of parts alone, of no stack; it may be of no record.
    """

    record_id: int | None
    record_kind: RecordKind | None
    record_state: RecordState | None
    stack_serial: str
    build_id: int | None
    taken_at: datetime
    what: str
    shown: str
    corrected: str
    still: Still
    part_test_id: int | None = None


def uses_of(session: Session, instrument_id: int) -> list[Use]:
    """Return everything that was read with an instrument, without an error. 13 statements."""
    kind = session.scalar(select(Instrument.kind).where(Instrument.id == instrument_id))
    unknown = ErrorInUnit(FoundError(NOT_STATED), "")
    return list(readings_with(session, instrument_id, kind, unknown)) if kind else []


_OPENED = RebuildRecord.opened_at
_RECORD = (
    RebuildRecord.id.label("record_id"),
    RebuildRecord.kind.label("record_kind"),
    RebuildRecord.state.label("record_state"),
    Stack.serial.label("stack_serial"),
)


def _build_of(at: Any) -> Any:
    """Select the build a reading was taken of: made by its record, or found closed by it."""
    build = aliased(Build)
    return (
        select(func.max(build.id))
        .where(
            or_(
                and_(build.record_id == RebuildRecord.id, or_(_OPENED.is_(None), at >= _OPENED)),
                and_(build.id == RebuildRecord.base_build_id, or_(_OPENED.is_(None), at < _OPENED)),
            )
        )
        .correlate(RebuildRecord, TorqueReading, Step)
        .scalar_subquery()
    )


def readings_with(
    session: Session, instrument_id: int, kind: InstrumentKind, error: ErrorInUnit
) -> Iterator[Use]:
    """Return all readings and tests with the instrument, in their order. 12 statements at most."""
    found = [
        *_nuts(session, instrument_id, error),
        *_settings(session, instrument_id, error),
        *_corners(session, instrument_id, error),
        *_held(session, instrument_id, error),
        *_lines(session, instrument_id, error),
        *_tests(session, instrument_id, kind, error),
        *_part_tests(session, instrument_id, kind, error),
    ]
    return iter(sorted(found, key=lambda use: (use.taken_at, use.record_id or 0)))


def _nuts(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    later = aliased(TorqueReading)
    is_last = ~(
        select(later.id)
        .where(
            later.record_id == TorqueReading.record_id,
            later.rod_number == TorqueReading.rod_number,
            later.stage == Stage.CLOSING,
            known(later),
            or_(
                later.taken_at > TorqueReading.taken_at,
                and_(later.taken_at == TorqueReading.taken_at, later.id > TorqueReading.id),
            ),
        )
        .correlate(TorqueReading)
        .exists()
    )
    rows = session.execute(
        select(
            *_RECORD,
            TorqueReading.taken_at,
            TorqueReading.rod_number,
            TorqueReading.pass_number,
            TorqueReading.stage,
            TorqueReading.torque_nm,
            Design.target_torque_nm,
            Design.torque_tolerance_percent,
            is_last.label("is_last"),
            _build_of(TorqueReading.taken_at).label("build_id"),
        )
        .join(RebuildRecord, RebuildRecord.id == TorqueReading.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .join(Design, Design.id == Stack.design_id)
        .where(TorqueReading.instrument_id == instrument_id, known(TorqueReading))
        .where(RebuildRecord.state != RecordState.VOID)
        .order_by(TorqueReading.taken_at, TorqueReading.id)
    )
    for row in rows:
        true = error.corrected(row.torque_nm, "N·m")
        still = Still.DECIDES_NOTHING
        if row.stage is Stage.CLOSING and row.is_last:
            target, tolerance = row.target_torque_nm, row.torque_tolerance_percent
            still = still_within(row.torque_nm, true, [within_percent(target, tolerance)])
        what = f"rod {row.rod_number} pass {row.pass_number}, {row.stage}"
        yield _use(row, what, row.torque_nm, true, unit="N·m", still=still)


def _entered_with(of: Any, instrument_id: int, facts: Sequence[Any]) -> Any:
    """Select what was entered with an instrument and not undone, in its order."""
    return (
        select(
            *_RECORD,
            Step.done_at.label("taken_at"),
            *facts,
            _build_of(Step.done_at).label("build_id"),
        )
        .join(Step, Step.id == of.step_id)
        .join(RebuildRecord, RebuildRecord.id == of.record_id)
        .join(Stack, Stack.id == RebuildRecord.stack_id)
        .where(
            or_(*(tool == instrument_id for tool in USED_BY[of])),
            Step.undone_at.is_(None),
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(Step.done_at, Step.id)
    )


def _settings(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    """What a click tool was set to, or what a tester read of such a setting."""
    of = ToolSetting
    facts = (of.pass_number, of.moment, of.set_nm, of.checked_nm, of.tester_id, Instrument)
    rows = _entered_with(of, instrument_id, facts)
    for row in session.execute(rows.join(Instrument, Instrument.id == of.instrument_id)):
        shown, what, bounds = row.set_nm, f"click tool set, pass {row.pass_number}", []
        if row.tester_id == instrument_id:
            shown, what = row.checked_nm, f"click tool checked {row.moment} pass {row.pass_number}"
            bounds = [within_percent(row.set_nm, driver_percent(row.Instrument, row.set_nm))]
        true = error.corrected(shown, "N·m")
        yield _use(row, what, shown, true, unit="N·m", still=still_within(shown, true, bounds))


def _corners(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    of = CornerHeightRead
    facts = (of.pass_number, of.corner, of.height_mm)
    for row in session.execute(_entered_with(of, instrument_id, facts)):
        what = f"height at corner {row.corner}, pass {row.pass_number}"
        true = error.corrected(row.height_mm, "mm")
        yield _use(row, what, row.height_mm, true, unit="mm", still=Still.EVIDENCE)


def _held(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    """The heights and the press force of closings to height or by press force."""
    of = HeldClosing
    facts = (
        *(of.mode, of.gauge_id, of.height_before_mm, of.height_after_mm, of.force_kn),
        LimitSet.content.label("limits"),
    )
    for row in session.execute(_by_the_limits(_entered_with(of, instrument_id, facts))):
        figures = _figures(row)
        read: list[tuple[str, float | None, str, Sequence[Bounds]]] = [
            ("press force", row.force_kn, "kN", force_bounds(figures))
        ]
        if row.gauge_id == instrument_id:
            read = [
                ("height under the press", row.height_before_mm, "mm", ()),
                (
                    "height once the press was let off",
                    row.height_after_mm,
                    "mm",
                    bounds_of(ClosingCheck.HEIGHT, figures),
                ),
            ]
        for what, shown, unit, bounds in read:
            if shown is not None:
                true = error.corrected(shown, unit)
                still = still_within(shown, true, bounds)
                yield _use(row, f"{what}, closed {row.mode}", shown, true, unit=unit, still=still)


def _lines(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    """Lines of make-safe by the limits of their list, checks of the closing by the design's."""
    of = MakeSafeLine
    facts = (
        *(Step.kind.label("step"), Step.act, of.line_number, of.wording, of.reading, of.unit),
        *(ProposedChange.content.label("asked"), ChecklistLine.reading_most),
        LimitSet.content.label("limits"),
    )
    act = func.coalesce(Step.act, SafeAct.OPENING)
    rows = (
        _by_the_limits(_entered_with(of, instrument_id, facts))
        .outerjoin(
            RecordMakeSafeList,
            and_(RecordMakeSafeList.record_id == of.record_id, RecordMakeSafeList.act == act),
        )
        .outerjoin(ProposedChange, ProposedChange.id == RecordMakeSafeList.proposal_id)
        .outerjoin(
            ChecklistLine,
            and_(
                ChecklistLine.design_id == Stack.design_id, ChecklistLine.number == of.line_number
            ),
        )
    )
    for row in session.execute(rows):
        is_line = row.step is StepKind.MAKE_SAFE
        what = f"make-safe line {row.line_number}" if is_line else row.wording.lower()
        if row.reading is None:
            yield _use(row, what, None, None, unit="", still=Still.EVIDENCE)
            continue
        bounds = line_bounds(_line(row)) if is_line else bounds_of(_check(row), _figures(row))
        true = error.corrected(row.reading, row.unit or "")
        still = still_within(row.reading, true, bounds)
        yield _use(row, what, row.reading, true, unit=row.unit or "", still=still)


def _line(row: Any) -> LineAsked:
    """The line as the record's list asked for it, else the design's."""
    if row.asked is None:
        return LineAsked(row.line_number, row.wording, row.unit, row.reading_most)
    lines = lines_from_data(json.loads(row.asked))
    return next(line for line in lines if line.number == row.line_number)


def _check(row: Any) -> ClosingCheck:
    number: int = row.line_number
    return list(ClosingCheck)[number - 1]


def _by_the_limits(rows: Any) -> Any:
    """Join the limits of the design that were in force when an entry was done."""
    at = rules_at(RebuildRecord.stack_id, Step.done_at)
    return rows.outerjoin(LimitSet, LimitSet.id == at)


def _figures(row: Any) -> DesignFigures:
    return read_figures(row.limits) if row.limits else DesignFigures()


def _tests(
    session: Session, instrument_id: int, kind: InstrumentKind, error: ErrorInUnit
) -> Iterator[Use]:
    facts = (
        Step.kind.label("step"),
        StackTest.verdict,
        StackTest.content,
        LimitSet.content.label("limits"),
    )
    rows = _entered_with(StackTest, instrument_id, facts)
    for row in session.execute(rows.outerjoin(LimitSet, LimitSet.id == StackTest.limit_set_id)):
        again = _judged_again(row, kind, error)
        words = str(again) if again else "not known"
        yield read_as(
            Use,
            row,
            what=str(row.step),
            shown=str(row.verdict),
            corrected=words,
            still=test_still(row.verdict, again),
            part_test_id=None,
        )


def _part_tests(
    session: Session, instrument_id: int, kind: InstrumentKind, error: ErrorInUnit
) -> Iterator[Use]:
    """Leak tests of parts alone, but for those entered wrongly."""
    limits: Any = select(PartLeakTest.id, LimitSet.content).join(
        LimitSet, LimitSet.id == PartLeakTest.limit_set_id
    )
    content = dict(session.execute(limits.where(used_in_part_test(instrument_id))).all())
    for made in reversed(part_leak_tests_with(session, instrument_id)):
        test = test_from_data(TestKind.LEAK, json.loads(made.content))
        assert isinstance(test, LeakTest)  # noqa: S101
        figures, is_own = _figures_of_parts(made, test, content.get(made.id))
        again = judged_with_the_error(
            test, DesignFigures(leak=figures), kind, error, as_tested=is_own
        )
        yield Use(
            made.record_id,
            None,
            None,
            "",
            None,
            made.done_at,
            f"leak test of {made.label}",
            str(made.verdict),
            str(again) if again else "not known",
            test_still(made.verdict, again),
            made.id,
        )


def _figures_of_parts(
    made: MadePartTest, test: LeakTest, limits: str | None
) -> tuple[LeakFigures | None, bool]:
    """What a test of parts was judged by, and whether its limit was given with it."""
    if limits is not None:
        leak = read_figures(limits).leak
        return leak and leak.of_object(made.leak_object, test.cells), False
    given = tuple(
        PathLimit(found.path, found.limit_mbar_l_s, found.source)
        for found in made.result.paths
        if found.limit_mbar_l_s is not None
    )
    return (LeakFigures(test.gas, (), given), True) if given else (None, False)


def _judged_again(row: Any, kind: InstrumentKind, error: ErrorInUnit) -> Verdict | None:
    test = test_from_data(TestKind(row.step.value), json.loads(row.content))
    return judged_with_the_error(test, _figures(row), kind, error)


def _use(
    row: Any, what: str, shown: float | None, true: float | None, *, unit: str, still: Still
) -> Use:
    return read_as(
        Use,
        row,
        what=what,
        shown="no reading" if shown is None else f"{shown:g}\u2009{unit}",
        corrected="not known" if true is None else f"{true:.4g}\u2009{unit}",
        still=still,
        part_test_id=None,
    )
