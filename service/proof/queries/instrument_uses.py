"""What was read with an instrument that cannot be trusted, by build; what is judged of it.

Either a calibration found it out of tolerance, or no calibration held when it was used. Readings
stay as they were entered; beside each stands what it says with the error found.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import CompoundSelect, and_, func, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known, param
from service.proof.arithmetic.stack_tests import TestKind, test_from_data
from service.proof.arithmetic.with_the_error import (
    ErrorInUnit,
    Still,
    judged_with_the_error,
    nut_still,
    test_still,
)
from service.proof.queries.stack_tests import MadeTest
from service.proof.tables import StackTest
from service.records.queries.records import people_on
from service.records.tables import (
    CornerHeightRead,
    HeldClosing,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    ToolSetting,
    TorqueReading,
)
from service.stacks.tables import Build, Stack
from service.store.arithmetic.calibrations import FoundError, Point
from service.store.arithmetic.instrument_errors import found_error
from service.store.arithmetic.instruments import InstrumentKind
from service.store.queries.calibrations import Histories, KeptCalibration, histories
from service.store.queries.instrument_columns import USED_BY
from service.store.tables import CalibrationPoint, Instrument, UseDecision, UseJudgement


@dataclass(frozen=True, slots=True)
class Use:
    """One reading or test taken with the instrument, as it was and with the error found."""

    record_id: int
    record_kind: RecordKind
    record_state: RecordState
    stack_serial: str
    build_id: int | None
    taken_at: datetime
    what: str
    shown: str
    corrected: str
    still: Still


@dataclass(frozen=True, slots=True)
class Judged:
    """A judgement as it was signed; ``holds``: its content is what was hashed."""

    decision: UseDecision
    reason: str
    by: str
    signed_at: datetime
    remarks: str | None
    holds: bool


@dataclass(frozen=True, slots=True)
class BuildInDoubt:
    """One build with what was read of it, and the newest judgement; None: it waits for one.

    ``build_id`` None: readings of a stack as it stood open or as found, which make no build.
    """

    build_id: int | None
    number: int | None
    stack_serial: str
    uses: tuple[Use, ...]
    judged: Judged | None
    involved: frozenset[int]
    content: str

    @property
    def content_sha256(self) -> str:
        """Hash of what is judged."""
        return sha256_of(self.content)

    @property
    def tally(self) -> Mapping[Still, int]:
        """How many readings are worth what."""
        return {
            still: count
            for still in Still
            if (count := sum(use.still is still for use in self.uses))
        }


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that was read with one instrument since it was last known good.

    ``calibration`` is the one that found it out of tolerance; None: no calibration held. ``since``
    None: from the beginning. ``error`` says how far it was off, where that is known.
    """

    instrument_id: int
    label: str
    kind: InstrumentKind
    unit: str
    calibration: KeptCalibration | None
    since: datetime | None
    is_error_known: bool
    builds: tuple[BuildInDoubt, ...]

    @property
    def waiting(self) -> tuple[BuildInDoubt, ...]:
        """The builds that wait for a judgement."""
        return tuple(
            build for build in self.builds if build.build_id is not None and build.judged is None
        )


def assessment(session: Session, instrument_id: int, calibration_id: int | None) -> Assessment:
    """Return what rests on an instrument that a calibration found out, or that had none.

    A constant number of statements. Raises NotFound where the calibration found nothing wrong.
    """
    tool = session.execute(
        select(Instrument.label, Instrument.kind, Instrument.unit, Instrument.range_most).where(
            Instrument.id == instrument_id
        )
    ).first()
    if tool is None:
        raise NotFound("instrument", instrument_id)
    of = histories(session, [instrument_id])
    finding = next(
        (each for each in of.calibrations.get(instrument_id, []) if each.id == calibration_id), None
    )
    if calibration_id is not None and finding is None:
        raise NotFound("calibration", calibration_id)
    error = _error(session, tool, finding)
    uses = [
        use
        for use in _uses(session, instrument_id, tool.kind, error)
        if _doubted(of, instrument_id, finding, use.taken_at)
    ]
    return Assessment(
        instrument_id,
        tool.label,
        tool.kind,
        tool.unit,
        finding,
        _since(of, finding),
        error.found.is_known,
        tuple(_builds(session, instrument_id, calibration_id, uses)),
    )


def uses_of(session: Session, instrument_id: int) -> list[Use]:
    """Return everything that was read with an instrument, without an error. Seven statements."""
    kind = session.scalar(select(Instrument.kind).where(Instrument.id == instrument_id))
    unknown = ErrorInUnit(FoundError(found_error(_NONE, None)), "")
    return list(_uses(session, instrument_id, kind, unknown)) if kind else []


def _since(of: Histories, finding: KeptCalibration | None) -> datetime | None:
    if finding is None:
        return None
    same = [
        each.done_at
        for each in of.calibrations[finding.instrument_id]
        if each.device_from == finding.device_from and each.done_at < finding.done_at
    ]
    return max(same, default=finding.device_from)


def _doubted(
    of: Histories, instrument_id: int, finding: KeptCalibration | None, at: datetime
) -> bool:
    if finding is None:
        return of.state(instrument_id, at) != "valid"
    after = of.finding(instrument_id, at)
    return after is not None and after.id == finding.id


def _error(session: Session, tool: Any, finding: KeptCalibration | None) -> ErrorInUnit:
    if finding is None:
        return ErrorInUnit(FoundError(found_error(_NONE, None)), tool.unit)
    rows = session.execute(
        select(
            CalibrationPoint.reference, CalibrationPoint.as_found, CalibrationPoint.as_left
        ).where(CalibrationPoint.calibration_id == finding.id)
    )
    points = tuple(read_as(Point, row) for row in rows)
    return ErrorInUnit(FoundError(found_error(finding, tool.range_most), points), tool.unit)


@dataclass(frozen=True, slots=True)
class _NotFound:
    error_percent: None = None
    error_offset: None = None
    error_full_scale_percent: None = None


_NONE = _NotFound()


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


def _uses(
    session: Session, instrument_id: int, kind: InstrumentKind, error: ErrorInUnit
) -> Iterator[Use]:
    """All readings and tests with the instrument, in their order. Six statements."""
    found = [
        *_nuts(session, instrument_id, error),
        *_settings(session, instrument_id, error),
        *_corners(session, instrument_id, error),
        *_held(session, instrument_id, error),
        *_lines(session, instrument_id, error),
        *_tests(session, instrument_id, kind, error),
    ]
    return iter(sorted(found, key=lambda use: (use.taken_at, use.record_id)))


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
            still = nut_still(row.torque_nm, true, target, tolerance)
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
    facts = (of.pass_number, of.moment, of.set_nm, of.checked_nm, of.tester_id)
    for row in session.execute(_entered_with(of, instrument_id, facts)):
        shown, what = row.set_nm, f"click tool set, pass {row.pass_number}"
        if row.tester_id == instrument_id:
            shown, what = row.checked_nm, f"click tool checked {row.moment} pass {row.pass_number}"
        true = error.corrected(shown, "N·m")
        yield _use(row, what, shown, true, unit="N·m", still=Still.EVIDENCE)


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
    facts = (of.mode, of.gauge_id, of.height_before_mm, of.height_after_mm, of.force_kn)
    for row in session.execute(_entered_with(of, instrument_id, facts)):
        read: tuple[tuple[str, float | None, str], ...] = (("press force", row.force_kn, "kN"),)
        if row.gauge_id == instrument_id:
            read = (
                ("height under the press", row.height_before_mm, "mm"),
                ("height once the press was let off", row.height_after_mm, "mm"),
            )
        for what, shown, unit in read:
            if shown is not None:
                true = error.corrected(shown, unit)
                words = f"{what}, closed {row.mode}"
                yield _use(row, words, shown, true, unit=unit, still=Still.CANNOT_TELL)


def _lines(session: Session, instrument_id: int, error: ErrorInUnit) -> Iterator[Use]:
    of = MakeSafeLine
    facts = (Step.kind.label("step"), of.line_number, of.wording, of.reading, of.unit)
    for row in session.execute(_entered_with(of, instrument_id, facts)):
        is_line = row.step is StepKind.MAKE_SAFE
        what = f"make-safe line {row.line_number}" if is_line else row.wording.lower()
        true = None if row.reading is None else error.corrected(row.reading, row.unit or "")
        yield _use(row, what, row.reading, true, unit=row.unit or "", still=Still.CANNOT_TELL)


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
        )


def _judged_again(row: Any, kind: InstrumentKind, error: ErrorInUnit) -> Verdict | None:
    figures = read_figures(row.limits) if row.limits else DesignFigures()
    test = test_from_data(TestKind(row.step.value), json.loads(row.content))
    return judged_with_the_error(test, figures, kind, error)


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
    )


def _builds(
    session: Session, instrument_id: int, calibration_id: int | None, uses: Sequence[Use]
) -> Iterator[BuildInDoubt]:
    """The builds the readings are of, the latest first, then readings of none. Four statements."""
    by_build: dict[tuple[int, str], list[Use]] = {}
    for use in uses:
        by_build.setdefault((use.build_id or 0, use.stack_serial), []).append(use)
    ids = [build_id for build_id, _serial in by_build if build_id]
    numbers = dict(session.execute(select(Build.id, Build.number).where(Build.id.in_(ids))).all())
    judged = judgements(session, ids, [instrument_id])
    people = people_on(session, {use.record_id for use in uses})
    for (build_id, serial), of_build in sorted(by_build.items(), reverse=True):
        newest = judged.get((build_id, instrument_id, calibration_id))
        yield BuildInDoubt(
            build_id or None,
            numbers.get(build_id),
            serial,
            tuple(of_build),
            newest,
            frozenset().union(*(people[use.record_id] for use in of_build)),
            canonical_json(_as_data(build_id, instrument_id, calibration_id, of_build)),
        )


def _as_data(
    build_id: int, instrument_id: int, calibration_id: int | None, uses: Sequence[Use]
) -> dict[str, Any]:
    return {
        "form": "use judgement 1",
        "build": build_id,
        "instrument": instrument_id,
        "calibration": calibration_id,
        "uses": [
            {
                "record": use.record_id,
                "taken at": use.taken_at.isoformat(),
                "what": use.what,
                "shown": use.shown,
                "corrected": use.corrected,
                "still": str(use.still),
            }
            for use in uses
        ],
    }


Key = tuple[int, int, int | None]
"""A build, an instrument, and the calibration that found it out; None: none held."""


def judgements(
    session: Session, build_ids: Sequence[int], instrument_ids: Sequence[int]
) -> dict[Key, Judged]:
    """Return the newest judgement of each of these. One statement, none without builds."""
    if not build_ids:
        return {}
    rows: Any = session.execute(
        select(
            *columns(Judged, UseJudgement, by=with_login(Person)),
            UseJudgement.build_id,
            UseJudgement.instrument_id,
            UseJudgement.calibration_id,
            UseJudgement.content,
            UseJudgement.content_sha256,
        )
        .join(Person, Person.id == UseJudgement.signed_by_id)
        .where(UseJudgement.build_id.in_(build_ids), UseJudgement.instrument_id.in_(instrument_ids))
        .order_by(UseJudgement.signed_at, UseJudgement.id)
    )
    return {
        (row.build_id, row.instrument_id, row.calibration_id): read_as(
            Judged, row, holds=sha256_of(row.content) == row.content_sha256
        )
        for row in rows
    }


# What of a closed stack cannot be counted before somebody has judged it.


@dataclass(frozen=True, slots=True)
class Doubts:
    """Why tests, by their entries, and the closing do not count; words of a hold, if one stands."""

    tests: Mapping[int, str]
    closing: str = ""
    hold: str = ""


NO_DOUBTS = Doubts({})
_CLOSED_WITH: CompoundSelect[Any] = union_all(
    select(
        TorqueReading.instrument_id,
        Instrument.label,
        func.max(TorqueReading.taken_at).label("used_at"),
    )
    .join(Instrument, Instrument.id == TorqueReading.instrument_id)
    .where(
        TorqueReading.record_id == param("record_id"),
        TorqueReading.stage == Stage.CLOSING,
        known(TorqueReading),
    )
    .group_by(TorqueReading.instrument_id, Instrument.label),
    *(
        select(tool, Instrument.label, Step.done_at)
        .join(Step, Step.id == HeldClosing.step_id)
        .join(Instrument, Instrument.id == tool)
        .where(HeldClosing.record_id == param("record_id"), Step.undone_at.is_(None))
        for tool in USED_BY[HeldClosing]
    ),
)


def doubts_of(
    session: Session, build_id: int, tests: Sequence[MadeTest], closed_in: int | None
) -> Doubts:
    """Return what of a closed stack rests on instruments that cannot be trusted.

    Found out of tolerance afterwards, or of a test, without a calibration that held; until it is
    judged and accepted. ``closed_in``: the record whose closing counts. Three statements at most.
    """
    tools = session.execute(_CLOSED_WITH, {"record_id": closed_in}).all() if closed_in else []
    labels = {tool.id: tool.label for test in tests for tool in test.tools}
    labels |= {tool.instrument_id: tool.label for tool in tools}
    if not labels:
        return NO_DOUBTS
    of = histories(session, labels)
    of_tests = {
        test.step_id: keys
        for test in tests
        if (keys := [key for tool in test.tools if (key := _cause(of, tool.id, test.done_at))])
    }
    of_closing = [
        (tool.instrument_id, found)
        for tool in tools
        if (found := of.finding(tool.instrument_id, tool.used_at)) is not None
    ]
    if not of_tests and not of_closing:
        return NO_DOUBTS
    judged = judgements(session, [build_id] if build_id else [], sorted(labels))

    def word(key: tuple[int, KeptCalibration | None], written_at: datetime | None) -> str:
        instrument_id, found = key
        of_build = judged.get((build_id, instrument_id, found.id if found else None))
        return _doubt(labels[instrument_id], found, of_build, written_at)

    written = {test.step_id: test.written_at for test in tests}
    words = {
        step_id: sentence
        for step_id, keys in of_tests.items()
        if (sentence := "; ".join(filter(None, (word(key, written[step_id]) for key in keys))))
    }
    closing = "; ".join(filter(None, (word(key, None) for key in of_closing)))
    used = {(key, found.id if found else None) for keys in of_tests.values() for key, found in keys}
    used |= {(key, found.id) for key, found in of_closing}
    holds = [
        f"{labels[instrument_id]}: {each.reason.rstrip('.')}, by {each.by}"
        for (_build, instrument_id, found_by), each in judged.items()
        if each.decision is UseDecision.HOLD and (instrument_id, found_by) in used
    ]
    return Doubts(words, closing, "; ".join(holds))


def _cause(
    of: Histories, instrument_id: int, at: datetime
) -> tuple[int, KeptCalibration | None] | None:
    found = of.finding(instrument_id, at)
    if found is None and of.state(instrument_id, at) == "valid":
        return None
    return instrument_id, found


def _doubt(
    label: str, found: KeptCalibration | None, judged: Judged | None, written_at: datetime | None
) -> str:
    """Why a use does not count; empty: it is accepted. What is written later is not judged yet."""
    if judged is not None and (written_at is None or written_at <= judged.signed_at):
        accepted = judged.decision is UseDecision.ACCEPT
        return "" if accepted else f"{label}: judged “{judged.decision}”"
    if found is None:
        return f"{label} was not in calibration, to be judged"
    return f"{label} found out of tolerance on {found.done_at:%Y-%m-%d}, to be judged"
