"""All that can need somebody in one statement: for a whole laboratory, or for some stacks."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    and_,
    cast,
    exists,
    func,
    literal,
    null,
    or_,
    select,
    union_all,
)
from sqlalchemy.orm import Session, aliased

from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.overview.queries.closed import at_work, of_closed_stacks
from service.overview.queries.columns import NeedKind, hide_from_index, needs
from service.overview.queries.waiting import waiting
from service.platform.arithmetic.vocabulary import Stage
from service.platform.queries.statements import known
from service.platform.tables import BigKey, UtcDateTime
from service.proof.tables import StackTest
from service.records.tables import RebuildRecord, RecordState, Step, TorqueReading
from service.stacks.tables import Build, BuildPeriod, Stack
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.queries.calibrations import device_edge
from service.store.tables import Calibration, Concession, UseJudgement

# Readings the closed stacks stand on that were taken with an instrument out of calibration.
#
# Either it was found out of tolerance by the next calibration, or it was used with none that held,
# under a concession. A nut read again with another instrument is no longer in doubt, nor a test
# made again after the finding.


FOUND_OUT, BY_CONCESSION = "and then found out of tolerance", "out of calibration, by concession"


BEFORE_ALL = datetime(1900, 1, 1, tzinfo=UTC)
NO_FINDING = cast(null(), BigKey)


def of_instruments(*, whole: bool) -> list[Any]:
    """Return all of these as statements to be set below each other.

    Subject: the instrument. Other: the build. Time: when it was found, or used. Note: which.
    """
    doubted = _doubted()
    return [
        _nuts_in_doubt(doubted, whole),
        _nuts_by_concession(whole),
        *(_tests_in_doubt(doubted, tool, whole) for tool, _calibration in _tools()),
        *(_tests_by_concession(tool, calibration, whole) for tool, calibration in _tools()),
    ]


def _tools() -> Iterator[tuple[str, str]]:
    for tool in ("instrument", "thermometer", "meter"):
        of_tool = "" if tool == "instrument" else f"{tool}_"
        yield f"{tool}_id", f"{of_tool}calibration_id"


def _doubted() -> Any:
    """For each finding out of tolerance: the instrument, and since and until when it is doubted."""
    before = aliased(Calibration)
    device_from = device_edge(
        Calibration.instrument_id, Calibration.done_at, after=False
    ).correlate(Calibration)
    since = (
        select(func.max(before.done_at))
        .where(
            before.instrument_id == Calibration.instrument_id,
            before.done_at < Calibration.done_at,
            before.known_until.is_(None),
            before.done_at >= func.coalesce(device_from, literal(BEFORE_ALL, UtcDateTime)),
        )
        .correlate(Calibration)
        .scalar_subquery()
    )
    return (
        select(
            Calibration.instrument_id,
            Calibration.id.label("calibration_id"),
            func.coalesce(since, device_from, literal(BEFORE_ALL, UtcDateTime)).label("since"),
            Calibration.done_at.label("until"),
        )
        .where(
            Calibration.result == CalibrationResult.OUT_OF_TOLERANCE,
            Calibration.known_until.is_(None),
        )
        .cte("doubted")
    )


def _present_build(record_id: Any, done_at: Any, *of: Any) -> Any:
    """The present build a reading was taken on, None where it was opened since.

    A lookup of its own: whatever the engine guesses, it goes from the few readings to the builds.
    """
    record, build, period = aliased(RebuildRecord), aliased(Build), aliased(BuildPeriod)
    opened_at = record.opened_at
    on_it = or_(
        and_(build.record_id == record.id, or_(opened_at.is_(None), done_at >= opened_at)),
        and_(build.id == record.base_build_id, or_(opened_at.is_(None), done_at < opened_at)),
    )
    return (
        select(build.id)
        .select_from(record)
        .join(build, on_it)
        .join(period, period.build_id == build.id)
        .where(
            record.id == record_id,
            record.state != RecordState.VOID,
            period.known_until.is_(None),
            period.opened_at.is_(None),
        )
        .limit(1)
        .correlate(*of)
        .scalar_subquery()
    )


def _needs_of_use(use: Any, note: str, whole: bool, *conditions: Any) -> Any:
    """One row for each instrument and present build, unless the stack is being worked on."""
    build = aliased(Build)
    stack_id = (
        select(build.stack_id).where(build.id == use.c.build_id).correlate(use)
    ).scalar_subquery()
    return (
        needs(
            NeedKind.INSTRUMENT,
            stack_id,
            whole=whole,
            subject_id=use.c.instrument_id,
            other_id=use.c.build_id,
            at=use.c.since,
            note=literal(note),
        )
        .where(use.c.build_id.is_not(None), ~at_work(stack_id), ~_is_judged(use), *conditions)
        .distinct()
    )


def _is_judged(use: Any) -> ColumnElement[bool]:
    """Somebody signed what the build's readings with the instrument are worth."""
    judged = aliased(UseJudgement)
    return (
        exists()
        .where(
            judged.build_id == use.c.build_id,
            judged.instrument_id == use.c.instrument_id,
            judged.calibration_id.is_not_distinct_from(use.c.calibration_id),
        )
        .correlate(use)
    )


def _nuts(instrument_id: Any, since: Any, calibration_id: Any, source: Any, on: Any) -> Any:
    """Nuts read at a closing or later, found through a finding or a concession."""
    return (
        select(
            instrument_id.label("instrument_id"),
            since.label("since"),
            calibration_id.label("calibration_id"),
            TorqueReading.record_id,
            TorqueReading.rod_number,
            TorqueReading.taken_at,
            _present_build(TorqueReading.record_id, TorqueReading.taken_at, TorqueReading).label(
                "build_id"
            ),
        )
        .select_from(source)
        .join(TorqueReading, on)
        .where(TorqueReading.stage == Stage.CLOSING, known(TorqueReading))
    ).subquery()


def _is_last(nuts: Any) -> Any:
    """No nut of this rod was read later while the build was closed."""
    again, later, later_in = aliased(TorqueReading), aliased(TorqueReading), aliased(RebuildRecord)

    def read_later(entry: Any) -> tuple[Any, ...]:
        return (
            entry.stage == Stage.CLOSING,
            known(entry),
            entry.rod_number == nuts.c.rod_number,
            entry.taken_at > nuts.c.taken_at,
        )

    in_this = exists().where(again.record_id == nuts.c.record_id, *read_later(again))
    in_another = exists(
        select(later.id)
        .join(later_in, later_in.id == later.record_id)
        .where(
            later_in.base_build_id == nuts.c.build_id,
            later_in.state != RecordState.VOID,
            or_(later_in.opened_at.is_(None), later.taken_at < later_in.opened_at),
            *read_later(later),
        )
        .correlate(nuts)
    )
    return and_(~in_this, ~in_another)


def _nuts_in_doubt(doubted: Any, whole: bool) -> Any:
    on = and_(
        TorqueReading.instrument_id == hide_from_index(doubted.c.instrument_id),
        TorqueReading.taken_at >= doubted.c.since,
        TorqueReading.taken_at < doubted.c.until,
    )
    tool, until = TorqueReading.instrument_id, doubted.c.until
    nuts = _nuts(tool, until, doubted.c.calibration_id, doubted, on)
    return _needs_of_use(nuts, FOUND_OUT, whole, _is_last(nuts))


def _nuts_by_concession(whole: bool) -> Any:
    on = and_(
        TorqueReading.record_id == hide_from_index(Concession.used_in_record_id),
        TorqueReading.instrument_id == hide_from_index(Concession.instrument_id),
        TorqueReading.concession_id.is_not(None),
        Concession.instrument_id > 0,
    )
    nuts = _nuts(TorqueReading.instrument_id, Concession.given_at, NO_FINDING, Concession, on)
    return _needs_of_use(nuts, BY_CONCESSION, whole, _is_last(nuts))


def _tests(uses: Sequence[Any], source: Any, on: Any) -> Any:
    """Standing tests, found through a finding or a concession: tool, since, retest, finding."""
    names = ("instrument_id", "since", "retest_after", "calibration_id")
    return (
        select(
            *(column.label(name) for column, name in zip(uses, names, strict=True)),
            StackTest.record_id,
            Step.kind.label("test"),
            _present_build(StackTest.record_id, Step.done_at, StackTest, Step).label("build_id"),
        )
        .select_from(source)
        .join(StackTest, on)
        .join(Step, Step.id == StackTest.step_id)
        .where(Step.undone_at.is_(None))
    )


def _tests_in_doubt(doubted: Any, tool: str, whole: bool) -> Any:
    of_tool = getattr(StackTest, tool) == hide_from_index(doubted.c.instrument_id)
    until = doubted.c.until
    tests = (
        _tests((doubted.c.instrument_id, until, until, doubted.c.calibration_id), doubted, of_tool)
        .where(Step.done_at >= doubted.c.since, Step.done_at < until)
        .subquery()
    )
    return _needs_of_use(tests, FOUND_OUT, whole, ~_made_again(tests))


def _tests_by_concession(tool: str, calibration: str, whole: bool) -> Any:
    on = and_(
        StackTest.record_id == hide_from_index(Concession.used_in_record_id),
        getattr(StackTest, tool) == hide_from_index(Concession.instrument_id),
        Concession.instrument_id > 0,
        getattr(StackTest, calibration).is_(None),
    )
    tests = _tests(
        (Concession.instrument_id, Concession.given_at, Step.done_at, NO_FINDING), Concession, on
    ).subquery()
    return _needs_of_use(tests, BY_CONCESSION, whole, ~_made_again(tests))


def _made_again(tests: Any) -> Any:
    """A test of this kind was made later, after a time."""
    test, step, record = aliased(StackTest), aliased(Step), aliased(RebuildRecord)
    later = (
        step.undone_at.is_(None),
        step.kind == tests.c.test,
        step.done_at > tests.c.retest_after,
    )
    later_step = select(test.id).join(step, step.id == test.step_id)
    in_this = later_step.where(test.record_id == tests.c.record_id, *later)
    in_another = later_step.join(record, record.id == test.record_id).where(
        record.base_build_id == tests.c.build_id, record.state != RecordState.VOID, *later
    )
    return or_(exists(in_this.correlate(tests)), exists(in_another.correlate(tests)))


@dataclass(frozen=True, slots=True)
class Sources:
    """What the figures in force ask: which designs limit a leak, in how many s a clamp settles.

    What it asks for is asked with ``now``, ``since_day``, ``silent_since``; details with
    ``stack_ids``.
    """

    leak_designs: tuple[int, ...]
    settling_s: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, session: Session) -> "Sources":
        """Return the margins the figures in force set. One statement."""
        figures = _figures_in_force(session)
        leaks = tuple(design_id for design_id, of in figures.items() if of.leak and of.leak.limits)
        settle = tuple(
            (design_id, round(60 * of.clamp.settling_minutes))
            for design_id, of in figures.items()
            if of.clamp and of.clamp.settling_minutes > 0
        )
        return cls(leaks, settle)

    def ranking(self) -> Any:
        """Return each stack and each kind of need it has, once."""
        return _ranking(self)

    def details(self) -> Any:
        """Return all there is to tell of the given stacks."""
        return _details(self)


# Figures in force change a few times a year: few statements are in use at a time.
@lru_cache(maxsize=8)
def _ranking(sources: Sources) -> Any:
    needs = union_all(*_needs(sources, whole=False)).subquery()
    return (
        select(Stack.serial_key, needs.c.stack_id, needs.c.kind)
        .join(needs, needs.c.stack_id == Stack.id)
        .distinct()
    )


@lru_cache(maxsize=8)
def _details(sources: Sources) -> Any:
    return select(union_all(*_needs(sources, whole=True)).subquery())


def _needs(sources: Sources, *, whole: bool) -> list[Any]:
    return [
        *of_closed_stacks(
            whole=whole, leak_designs=sources.leak_designs, settling_s=dict(sources.settling_s)
        ),
        *of_instruments(whole=whole),
        *waiting(whole=whole),
    ]


def _figures_in_force(session: Session) -> dict[int, DesignFigures]:
    """The figures each design's stacks are judged by. One statement."""
    later = aliased(LimitSet)
    newest = (
        select(func.max(later.version))
        .where(later.design_id == LimitSet.design_id, later.approved_at.is_not(None))
        .correlate(LimitSet)
        .scalar_subquery()
    )
    rows = session.execute(
        select(LimitSet.design_id, LimitSet.content)
        .where(LimitSet.version == newest)
        .order_by(LimitSet.design_id)
    )
    return {row.design_id: read_figures(row.content) for row in rows}
