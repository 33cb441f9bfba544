"""What a closed stack asks for: a release before it runs, a leak test, nuts read again.

A closed stack is the present build, or what a record being written has closed and not handed in.
While a record has it open, nothing is asked of it. As in the gate, a release that stands says that
the tests were passed and nothing was done to the stack since. A stack taken over ran elsewhere
before: of it counts what ran since its record was handed in, and only then is it asked for a test.
"""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import (
    Text,
    and_,
    bindparam,
    case,
    cast,
    exists,
    extract,
    func,
    literal,
    or_,
    select,
    type_coerce,
    union_all,
)
from sqlalchemy.orm import aliased

from service.designs.tables import Design
from service.limits.arithmetic.retests import Spares
from service.overview.queries.columns import NeedKind, among, needs
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.queries.statements import known, statement
from service.platform.tables import UtcDateTime
from service.proof.tables import StackTest
from service.records.tables import (
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.runs.tables import RunReading
from service.stacks.queries.release_standing import (
    EXCHANGED,
    corrected_since,
    ended_since,
    is_spared,
    release_stands,
    released_at,
    stopped_since,
)
from service.stacks.tables import Build, BuildPeriod, HourReading, HourReport, Stack

BEING_WRITTEN = (RecordState.OPEN, RecordState.SENT_BACK)


def of_closed_stacks(
    *, whole: bool, leak_designs: tuple[int, ...], settling_s: Mapping[int, int]
) -> list[Any]:
    """Return all of these kinds as statements to be set below each other.

    ``leak_designs`` limit a leak; ``settling_s`` says by design how long a clamp settles, in s.
    """
    closed = closed_stacks(whole=whole)
    return [
        _ran_unreleased(closed, whole),
        _release_again(whole),
        *([_leak_test(closed, whole, leak_designs)] if leak_designs else []),
        *([_re_torque(closed, whole, settling_s)] if settling_s else []),
    ]


@statement
def closed_stacks(*, whole: bool) -> Any:
    """Return each closed stack: design, closing record, build (0: not handed in).

    ``counts_from`` is when it began to be kept here: its closing, or when it was taken over.
    """
    maker = aliased(RebuildRecord)
    present = (
        select(
            Stack.id.label("stack_id"),
            Stack.design_id,
            Build.record_id,
            Build.id.label("build_id"),
            BuildPeriod.closed_at,
            case((release_stands(), 1), else_=0).label("released"),
            *_kept_here(maker, BuildPeriod.closed_at),
        )
        .select_from(Stack)
        .join(
            BuildPeriod,
            and_(
                BuildPeriod.stack_id == Stack.id,
                BuildPeriod.known_until.is_(None),
                BuildPeriod.opened_at.is_(None),
            ),
        )
        .join(Build, Build.id == BuildPeriod.build_id)
        .join(maker, maker.id == Build.record_id)
        .where(~at_work(Stack.id), *among(Stack.id, whole=whole))
    )
    record, sent_back = aliased(RebuildRecord), aliased(Build)
    at_the_bench = (
        select(
            Stack.id,
            Stack.design_id,
            record.id,
            func.coalesce(sent_back.id, 0),
            record.closed_at,
            literal(0),
            *_kept_here(record, record.closed_at),
        )
        .select_from(record)
        .join(Stack, Stack.id == record.stack_id)
        .outerjoin(sent_back, sent_back.record_id == record.id)
        .where(
            record.state.in_(BEING_WRITTEN),
            record.closed_at.is_not(None),
            *among(record.stack_id, whole=whole),
        )
    )
    return union_all(present, at_the_bench).cte("closed")


def _kept_here(maker: Any, closed_at: Any) -> tuple[Any, Any]:
    """Say whether a stack was taken over, and from when on its running counts."""
    taken_over = maker.kind == RecordKind.TAKEN_OVER
    counts_from = case((taken_over, func.coalesce(maker.handed_in_at, closed_at)), else_=closed_at)
    return (
        case((taken_over, 1), else_=0).label("taken_over"),
        type_coerce(counts_from, UtcDateTime).label("counts_from"),
    )


def at_work(stack_id: Any) -> Any:
    """Say whether a record being written opened the stack, or closed it anew."""
    written = aliased(RebuildRecord)
    return exists().where(
        written.stack_id == stack_id,
        written.state.in_(BEING_WRITTEN),
        or_(written.opened_at.is_not(None), written.closed_at.is_not(None)),
    )


def while_closed(record: Any, closed: Any, done_at: Any) -> Any:
    """Return entries of a record made while the stack was closed so.

    Of one made void nothing counts.
    """
    since_its_closing = or_(record.opened_at.is_(None), done_at >= record.opened_at)
    before_its_opening = or_(record.opened_at.is_(None), done_at < record.opened_at)
    return and_(
        record.state != RecordState.VOID,
        or_(
            and_(record.id == closed.c.record_id, since_its_closing),
            and_(record.base_build_id == closed.c.build_id, before_its_opening),
        ),
    )


def _ran_unreleased(closed: Any, whole: bool) -> Any:
    """Subject: the build. Other: its record. Note: whether it was taken over."""
    return needs(
        NeedKind.RAN_UNRELEASED,
        closed.c.stack_id,
        whole=whole,
        subject_id=closed.c.build_id,
        other_id=closed.c.record_id,
        at=closed.c.counts_from,
        note=case((closed.c.taken_over == 1, literal(RecordKind.TAKEN_OVER.value)), else_=""),
        bounded=True,
    ).where(closed.c.build_id > 0, closed.c.released == 0, _ran(closed))


@statement
def _release_again(whole: bool) -> Any:
    """Subject: the build. Other: its record. Note: the correction that ended its release; else a
    calibration did; when.
    """
    at = released_at()
    ended_by = corrected_since(at, Build, BuildPeriod)
    stopped = stopped_since(at, Build)
    return (
        needs(
            NeedKind.RELEASE_AGAIN,
            Build.stack_id,
            whole=whole,
            subject_id=Build.id,
            other_id=Build.record_id,
            at=type_coerce(func.coalesce(_first(ended_by, 1), _first(stopped, 1)), UtcDateTime),
            note=func.coalesce(cast(_first(ended_by, 0), Text()), ""),
        )
        .select_from(Build)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(
            BuildPeriod.opened_at.is_(None),
            at.is_not(None),
            or_(ended_by.exists(), stopped.exists()),
            ~ended_since(at, Build, BuildPeriod).exists(),
            ~at_work(Build.stack_id),
        )
    )


def _first(corrections: Any, column: int) -> Any:
    """The least of a column of these corrections."""
    least = func.min(corrections.selected_columns[column])
    return corrections.with_only_columns(least).scalar_subquery()


def _ran(closed: Any) -> Any:
    """Be true where a meter shows more than at the beginning, or a log has hours at load of it."""
    showing, before, first = aliased(HourReading), aliased(HourReading), aliased(HourReading)
    report = aliased(HourReport)

    def at_the_beginning(meter_id: Any, outer: Any) -> Any:
        until = select(func.max(before.hours)).where(
            before.meter_id == meter_id,
            known(before),
            or_(before.taken_at <= closed.c.counts_from, before.record_id == closed.c.record_id),
        )
        begun = select(func.min(first.hours)).where(first.meter_id == meter_id, known(first))
        return func.coalesce(
            until.correlate(outer, closed).scalar_subquery(),
            begun.correlate(outer).scalar_subquery(),
            0.0,
        )

    read = exists().where(
        showing.stack_id == closed.c.stack_id,
        showing.taken_at > closed.c.counts_from,
        known(showing),
        showing.hours > at_the_beginning(showing.meter_id, showing),
    )
    reported = exists().where(
        report.stack_id == closed.c.stack_id,
        known(report),
        report.last_at > closed.c.counts_from,
        report.last_hours > at_the_beginning(report.meter_id, report),
    )
    logged = exists().where(
        RunReading.build_id == closed.c.build_id,
        known(RunReading),
        RunReading.load_hours > 0,
        RunReading.ended_at > closed.c.counts_from,
    )
    return or_(read, reported, logged)


def _leak_test(closed: Any, whole: bool, designs: tuple[int, ...]) -> Any:
    """Subject: the build, 0 at the bench. Other: its record. Note: why; none: not tested."""
    test, step, record = aliased(StackTest), aliased(Step), aliased(RebuildRecord)
    tests = (
        select(test.verdict)
        .join(step, step.id == test.step_id)
        .join(record, record.id == test.record_id)
        .where(
            step.kind == StepKind.LEAK_TEST,
            step.undone_at.is_(None),
            while_closed(record, closed, step.done_at),
        )
        .order_by(step.done_at.desc(), step.id.desc())
        .limit(1)
        .correlate(closed)
    )
    last_at = tests.with_only_columns(step.done_at).scalar_subquery()
    verdict = tests.scalar_subquery()
    turned, turn, turned_in = aliased(TorqueReading), aliased(Step), aliased(RebuildRecord)
    exchange, exchange_record = aliased(Step), aliased(RebuildRecord)
    undone = or_(
        exists(
            select(turned.id)
            .join(turned_in, turned_in.id == turned.record_id)
            .join(turn, turn.id == turned.step_id)
            .where(
                turned.stage == Stage.CLOSING,
                known(turned),
                while_closed(turned_in, closed, turned.taken_at),
                turned.taken_at > last_at,
                ~is_spared(turn, closed.c.stack_id, Spares.LEAK),
            )
            .correlate(closed)
        ),
        exists(
            select(exchange.id)
            .join(exchange_record, exchange_record.id == exchange.record_id)
            .where(
                exchange.kind.in_(EXCHANGED),
                exchange.undone_at.is_(None),
                while_closed(exchange_record, closed, exchange.done_at),
                exchange.done_at > last_at,
                ~is_spared(exchange, closed.c.stack_id, Spares.LEAK),
            )
            .correlate(closed)
        ),
    )
    word = case(
        (verdict.is_(None), literal("none")),
        (verdict == Verdict.FAIL, literal(Verdict.FAIL.value)),
        (verdict == Verdict.TEST_AGAIN, literal("invalid")),
        else_=literal(Verdict.TEST_AGAIN.value),
    )
    untested = and_(verdict.is_(None), or_(closed.c.taken_over == 0, _ran(closed)))
    return needs(
        NeedKind.LEAK_TEST,
        closed.c.stack_id,
        whole=whole,
        subject_id=closed.c.build_id,
        other_id=closed.c.record_id,
        at=closed.c.closed_at,
        note=word,
        bounded=True,
    ).where(
        closed.c.released == 0,
        closed.c.design_id.in_(designs),
        or_(untested, verdict.in_((Verdict.FAIL, Verdict.TEST_AGAIN)), undone),
    )


def _re_torque(closed: Any, whole: bool, settling_s: Mapping[int, int]) -> Any:
    """Subject: the build, 0 at the bench. Other: its record. Time: the last reading of a nut.

    The nuts were tightened in the last pass, the settling time is over, and none was read again
    after it. A stack taken over was tightened elsewhere.
    """
    reading, record = aliased(TorqueReading), aliased(RebuildRecord)
    full = case((reading.pass_number >= Design.tightening_passes, reading.taken_at))
    first, last = func.min(full), func.max(reading.taken_at)
    wait_s = case(settling_s, value=closed.c.design_id)
    now = bindparam("now", type_=UtcDateTime)
    return (
        needs(
            NeedKind.RE_TORQUE,
            closed.c.stack_id,
            whole=whole,
            subject_id=closed.c.build_id,
            other_id=closed.c.record_id,
            at=last,
            bounded=True,
        )
        .select_from(closed)
        .join(Design, Design.id == closed.c.design_id)
        .join(
            record, or_(record.id == closed.c.record_id, record.base_build_id == closed.c.build_id)
        )
        .join(reading, reading.record_id == record.id)
        .where(
            closed.c.released == 0,
            closed.c.design_id.in_(tuple(settling_s)),
            closed.c.taken_over == 0,
            reading.stage == Stage.CLOSING,
            known(reading),
            while_closed(record, closed, reading.taken_at),
        )
        .group_by(closed.c.stack_id, closed.c.design_id, closed.c.build_id, closed.c.record_id)
        .having(
            and_(
                _seconds(last) - _seconds(first) < wait_s, _seconds(now) - _seconds(last) >= wait_s
            )
        )
    )


def _seconds(column: Any) -> Any:
    """A time in whole seconds, to be subtracted on either engine."""
    return extract("epoch", column)
