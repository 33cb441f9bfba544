"""Runs: what a log says of a stack, what is refused, and what stays when it is read again."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from hashlib import sha256

import numpy as np
import pytest
from sqlalchemy import Engine, func, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform import permissions
from service.platform.database import changing, housekeeping, reading
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.tables import AuditEntry
from service.runs.arithmetic.log_batches import LogBatch
from service.runs.arithmetic.log_columns import (
    CellColumn,
    Counting,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.arithmetic.run_counting import RunCounter, RunFound
from service.runs.changes.run_readings import LogRead, channel_names
from service.runs.changes.run_uploads import (
    ABANDONED_AFTER,
    FORGOTTEN_AFTER,
    Sent,
    ask_reading,
    begin_upload,
    end_upload,
    forget_uploads,
    note_progress,
)
from service.runs.changes.runs import (
    StoredLog,
    correct_clock,
    import_run,
    keep_mapping,
    read_run_again,
    void_run,
)
from service.runs.queries.run_checks import (
    overlapping_run,
    run_with_content,
    upload,
    uploads_of_stack,
    why_not_released,
)
from service.runs.queries.runs import (
    kept_mapping,
    kept_mappings,
    run_sheet,
    runs_of_stack,
    versions_of,
)
from service.runs.tables import RunReading, Snapshot, SnapshotKind, UploadState
from service.stacks.queries.meters import meters_of
from service.stacks.tables import Build
from tests import builders
from tests.found_by_index import read_whole
from tests.taps.tapping import a_tap_map, voltages_of_build

CELLS = 4
HOUR = timedelta(hours=1)
Statements = Callable[[], AbstractContextManager[list[str]]]


def mapping(cells: int = CELLS, *, kind: TimeKind = TimeKind.CLOCK, meter: bool = True) -> Mapping:
    signals = [SignalColumn(Signal.CURRENT, "I (A)", "A")]
    if meter:
        signals.append(SignalColumn(Signal.METER, "meter (h)", "h"))
    return Mapping(
        TimeColumn(kind, ("time",), "s"),
        tuple(CellColumn(f"U{at} (V)", at) for at in range(1, cells + 1)),
        tuple(signals),
        counting=Counting(cell_below_v=0.5),
    )


def found(
    began_at: datetime,
    *,
    hours: float = 4.0,
    meter: tuple[float, float] | None = (100.0, 104.0),
    of: Mapping | None = None,
) -> RunFound:
    """A log with a row a minute: half an hour idle under gas, at 70 A, then idle."""
    of = of or mapping(meter=meter is not None)
    begin = began_at.timestamp() if of.time.kind is TimeKind.CLOCK else 0.0
    times = begin + np.arange(0.0, hours * 3600 + 1, 60.0)
    since = times - begin
    is_load = (since >= 1800) & (since < hours * 3600 - 900)
    counter = RunCounter(of, area_cm2=100.0)
    signals = {Signal.CURRENT: np.where(is_load, 70.0, 0.0)}
    if meter is not None:
        signals[Signal.METER] = np.interp(since, [0, hours * 3600], meter)
    volts = {cell.channel: np.where(is_load, 0.65 - cell.channel / 1000, 0.95) for cell in of.cells}
    counter.feed(LogBatch(1, times, volts, signals))
    return counter.result()


def stored(name: str = "log.csv") -> StoredLog:
    return StoredLog(sha256(name.encode()).hexdigest(), 1234, name)


class Lab:
    """A stack with one build that runs, and somebody who may take logs in."""

    def __init__(self, session: Session) -> None:
        stack = builders.a_stack(session)
        self.build_id = builders.a_build(session, stack, cells=CELLS).id
        build = session.get_one(Build, self.build_id)
        builders.a_release(session, build)
        someone = builders.a_person(session, Role.BUILDER, name="Bea Bench")
        self.by = permissions.Person(someone.id, someone.login, someone.name, {Role.BUILDER})
        self.stack_id, self.serial = stack.id, stack.serial
        session.commit()

    closed_at = builders.FIRST_CLOSING
    began_at = builders.FIRST_CLOSING + timedelta(days=2)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    with Session(engine) as session:
        return Lab(session)


def taken_in(engine: Engine, lab: Lab, log: LogRead, name: str = "log.csv") -> int:
    with changing(engine, lab.by) as work:
        return import_run(work, lab.stack_id, stored(name), log)


def a_log(lab: Lab, *, at: datetime | None = None, **more: object) -> LogRead:
    began_at = at or lab.began_at
    one = found(began_at, **more)  # type: ignore[arg-type]
    return LogRead(mapping(meter=one.meter_from_hours is not None), one)


def test_a_log_becomes_hours_starts_limits_and_voltages(engine: Engine, lab: Lab) -> None:
    run_id = taken_in(engine, lab, a_log(lab))

    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
        meter = meters_of(session, [lab.stack_id])[lab.stack_id].meters[-1]
        voltages = voltages_of_build(session, [lab.build_id])[lab.build_id]
        entry = session.execute(
            select(AuditEntry.act, AuditEntry.subject_label).order_by(AuditEntry.id.desc())
        ).first()
    told = sheet.run.reading
    assert told is not None
    assert (told.began_at, told.ended_at) == (lab.began_at, lab.began_at + 4 * HOUR)
    assert told.row_count == 241
    assert (told.recorded_hours, told.load_hours) == pytest.approx((4.0, 3.25))
    assert told.gas_hours == pytest.approx(4.0)
    assert (told.starts, told.stops) == (1, 1)
    assert (told.meter_from_hours, told.meter_to_hours) == (100.0, 104.0)
    assert told.not_released is None
    assert [(one.quantity, one.limit, one.hours) for one in sheet.limits] == [
        ("lowest cell", 0.5, 0.0)
    ]
    assert {one.kind for one in sheet.snapshots} == {
        SnapshotKind.STEADY,
        SnapshotKind.OPEN_CIRCUIT,
    }
    steady = [one for one in voltages if one.kind is SnapshotKind.STEADY]
    assert [steady[0].by_cell[cell].mean_v for cell in (1, 4)] == pytest.approx([0.649, 0.646])
    assert meter.newest is not None
    assert meter.newest.hours == 104.0
    assert entry == ("run:imported", f"run log.csv of {lab.serial}")


def test_the_same_file_is_taken_in_once(engine: Engine, lab: Lab) -> None:
    run_id = taken_in(engine, lab, a_log(lab))

    with pytest.raises(Refused, match=rf"taken in before: run {run_id}, .* of stack {lab.serial}"):
        taken_in(engine, lab, a_log(lab, at=lab.began_at + 10 * HOUR, meter=(104.0, 108.0)))

    with reading(engine) as session:
        known = run_with_content(session, stored().content_sha256)
    assert known is not None
    assert not known.is_void


def test_a_log_from_before_the_closing_is_explained_and_stopped(engine: Engine, lab: Lab) -> None:
    with pytest.raises(Refused, match="was closed later, at 2026-02-02 14:20 UTC"):
        taken_in(engine, lab, a_log(lab, at=lab.closed_at - 2 * HOUR))


def test_a_log_that_goes_on_after_the_opening_is_explained(engine: Engine, lab: Lab) -> None:
    with Session(engine) as session:
        stack = session.get_one(builders.Stack, lab.stack_id)
        second = builders.a_build(session, stack, cells=CELLS)
        opened = session.scalars(
            select(builders.BuildPeriod.opened_at).where(
                builders.BuildPeriod.build_id == lab.build_id,
                builders.BuildPeriod.opened_at.is_not(None),
            )
        ).one()
        assert opened is not None
        assert second.number == 2
        session.commit()

    with pytest.raises(Refused, match="after build 1 was opened at"):
        taken_in(engine, lab, a_log(lab, at=opened - 2 * HOUR, meter=None))


def test_a_log_of_another_number_of_cells_is_refused_naming_both(engine: Engine, lab: Lab) -> None:
    five = mapping(5)

    with pytest.raises(Refused, match="reads cell 5, but build 1 has 4 cells"):
        taken_in(engine, lab, LogRead(five, found(lab.began_at, of=five)))
    three = mapping(3)
    with pytest.raises(Refused, match="they read 3 cells, but build 1 has 4 cells"):
        taken_in(engine, lab, LogRead(three, found(lab.began_at, of=three)))


def test_a_tap_map_says_which_cells_the_channels_read(engine: Engine, lab: Lab) -> None:
    five = mapping(5)
    with Session(engine) as session:
        a_tap_map(session, lab.stack_id, lab.closed_at, {1: 4, 2: 3, 3: 2, 4: 1, 5: None})
        session.commit()

    taken_in(engine, lab, LogRead(five, found(lab.began_at, of=five)))

    with reading(engine) as session:
        voltages = voltages_of_build(session, [lab.build_id])[lab.build_id]
    steady = [one for one in voltages if one.kind is SnapshotKind.STEADY]
    assert steady[0].by_cell[4].mean_v == pytest.approx(0.649)


def test_two_logs_of_one_time_are_refused_with_both_times(engine: Engine, lab: Lab) -> None:
    taken_in(engine, lab, a_log(lab))

    with pytest.raises(Refused, match=r"overlaps run \d+, “log.csv”, which lasts from 2026-02-04"):
        taken_in(engine, lab, a_log(lab, at=lab.began_at + HOUR, meter=None), "other.csv")
    taken_in(engine, lab, a_log(lab, at=lab.began_at + 4 * HOUR, meter=(104.0, 108.0)), "next.csv")


def test_a_log_whose_meter_outruns_time_is_taken_without_it(engine: Engine, lab: Lab) -> None:
    """A machine is not asked: the meter is left out and said as a doubt; the log counts."""
    taken_in(engine, lab, a_log(lab, meter=(100.0, 104.0)))
    run_id = taken_in(
        engine, lab, a_log(lab, at=lab.began_at + 9 * HOUR, meter=(104.0, 134.0)), "fast.csv"
    )

    with reading(engine) as session:
        kept = session.scalars(select(RunReading).where(RunReading.run_id == run_id)).one()
        assert (kept.meter_id, kept.meter_to_hours) == (None, None)
        assert "h of time" in kept.doubts
        assert "The meter is left out" in kept.doubts
        assert kept.load_hours > 0


def test_a_meter_that_ran_backwards_since_is_refused(engine: Engine, lab: Lab) -> None:
    taken_in(engine, lab, a_log(lab))

    with pytest.raises(Refused, match="already showed 104 h"):
        taken_in(
            engine, lab, a_log(lab, at=lab.began_at + 9 * HOUR, meter=(102.0, 106.0)), "late.csv"
        )
    with pytest.raises(Refused, match="showed only 100 h later"):
        taken_in(
            engine, lab, a_log(lab, at=lab.began_at - 9 * HOUR, meter=(98.0, 102.0)), "early.csv"
        )


def test_running_a_build_that_is_not_released_is_recorded_and_flagged(engine: Engine) -> None:
    with Session(engine) as session:
        lab = Lab(session)
        late = session.get_one(Build, lab.build_id)
        assert late.number == 1
    before_release = lab.closed_at + timedelta(minutes=30)

    run_id = taken_in(engine, lab, a_log(lab, at=before_release))

    with reading(engine) as session:
        told = run_sheet(session, run_id).run.reading
    assert told is not None
    assert told.not_released is not None
    assert "released only at 2026-02-02 18:20 UTC" in told.not_released


def test_a_log_that_counts_from_its_beginning_needs_one(engine: Engine, lab: Lab) -> None:
    elapsed = mapping(kind=TimeKind.ELAPSED)
    log = LogRead(elapsed, found(lab.began_at, of=elapsed))

    with pytest.raises(Refused, match="say when its first row was"):
        taken_in(engine, lab, log)
    run_id = taken_in(engine, lab, replace(log, began_at=lab.began_at))

    with reading(engine) as session:
        told = run_sheet(session, run_id).run.reading
    assert told is not None
    assert told.ended_at == lab.began_at + 4 * HOUR


def test_a_log_of_tomorrow_is_refused(engine: Engine, lab: Lab) -> None:
    with pytest.raises(Refused, match="lies ahead"):
        taken_in(engine, lab, a_log(lab, at=datetime(2090, 1, 1, tzinfo=UTC), meter=None))


def test_reading_again_closes_out_what_was_read_before(engine: Engine, lab: Lab) -> None:
    run_id = taken_in(engine, lab, a_log(lab))
    with reading(engine) as session:
        snapshots = run_sheet(session, run_id).snapshot_count
    later = a_log(lab, at=lab.began_at + HOUR)

    with changing(engine, lab.by) as work:
        read_run_again(work, run_id, later, reason="the bench's clock was an hour slow")

    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
        standing = session.scalar(
            select(func.count(Snapshot.id)).where(Snapshot.known_until.is_(None))
        )
    assert [one.known_until is None for one in sheet.readings] == [True, False]
    assert sheet.run.reading is not None
    assert sheet.run.reading.began_at == lab.began_at + HOUR
    assert sheet.run.reading.reason == "the bench's clock was an hour slow"
    assert standing == snapshots == sheet.snapshot_count


@pytest.mark.both_engines
def test_case_29_a_logs_clock_is_corrected_and_hours_and_snapshots_follow(
    engine: Engine, lab: Lab
) -> None:
    """An event of its own: before and after stay, the trail says by how much and why."""
    run_id = taken_in(engine, lab, a_log(lab))
    with reading(engine) as session:
        times = session.scalars(select(Snapshot.from_at).order_by(Snapshot.from_at)).all()

    with changing(engine, lab.by) as work:
        correct_clock(work, run_id, minutes=60, reason="the logger was set to winter time")

    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
        after, before = sheet.readings
        moved = session.scalars(
            select(Snapshot.from_at)
            .where(Snapshot.known_until.is_(None))
            .order_by(Snapshot.from_at)
        ).all()
        act, changes = session.execute(
            select(AuditEntry.act, AuditEntry.changes).order_by(AuditEntry.id.desc())
        ).first() or ("", "")
        meters = meters_of(session, [lab.stack_id])[lab.stack_id]
    assert after.began_at - before.began_at == after.ended_at - before.ended_at == HOUR
    assert after.load_hours == before.load_hours
    assert before.known_until is not None
    assert list(moved) == [at + HOUR for at in times]
    assert meters.meters[-1].newest is not None
    assert meters.meters[-1].newest.at == after.ended_at
    assert (act, "+60 min" in changes) == ("run:clock corrected", True)


def test_a_log_read_again_keeps_what_its_clock_was_corrected_by(engine: Engine, lab: Lab) -> None:
    """Also twice; a log that is only read again is not moved twice."""
    run_id = taken_in(engine, lab, a_log(lab))
    for minutes in (60, -15.5):
        with changing(engine, lab.by) as work:
            correct_clock(work, run_id, minutes=minutes, reason="the logger was set wrongly")

    for _time in range(2):
        with changing(engine, lab.by) as work:
            read_run_again(work, run_id, a_log(lab), reason="another idle limit")

    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
        starts = session.scalars(
            select(func.min(Snapshot.from_at)).where(Snapshot.known_until.is_(None))
        ).one()
    assert sheet.run.reading is not None
    assert sheet.run.reading.began_at == lab.began_at + timedelta(minutes=44.5)
    assert starts >= sheet.run.reading.began_at


@pytest.mark.parametrize("minutes", [0, 60 * 24 * 400])
def test_a_clock_that_would_leave_the_build_or_did_not_err_is_refused(
    engine: Engine, lab: Lab, minutes: float
) -> None:
    run_id = taken_in(engine, lab, a_log(lab))

    with pytest.raises(Refused) as refused, changing(engine, lab.by) as work:
        correct_clock(work, run_id, minutes=minutes, reason="wrong year")

    assert refused.value.field == "minutes"
    with reading(engine) as session:
        assert len(run_sheet(session, run_id).readings) == 1


@pytest.mark.both_engines
def test_a_void_run_counts_no_more_and_can_be_read_again(engine: Engine, lab: Lab) -> None:
    run_id = taken_in(engine, lab, a_log(lab))

    with changing(engine, lab.by) as work:
        void_run(work, run_id, reason="log of another stack")
    with reading(engine) as session:
        sheet = run_sheet(session, run_id)
        assert sheet.run.reading is None
        assert voltages_of_build(session, [lab.build_id]).get(lab.build_id, ()) == ()
        assert [run.id for run in runs_of_stack(session, lab.stack_id).rows] == [run_id]
    with (
        pytest.raises(Refused, match="void already"),
        changing(engine, lab.by) as work,
    ):
        void_run(work, run_id, reason="again")
    with changing(engine, lab.by) as work:
        read_run_again(work, run_id, a_log(lab), reason="it was this stack after all")
    with reading(engine) as session:
        assert run_sheet(session, run_id).run.reading is not None


def test_a_log_sent_for_the_wrong_stack_is_read_for_the_right_one(engine: Engine, lab: Lab) -> None:
    with Session(engine) as session:
        other = Lab(session)
    run_id = taken_in(engine, lab, a_log(lab))

    with changing(engine, lab.by) as work:
        read_run_again(
            work, run_id, a_log(lab), reason="another stack stood there", stack_id=other.stack_id
        )

    with reading(engine) as session:
        assert runs_of_stack(session, lab.stack_id).rows == ()
        assert [run.stack for run in runs_of_stack(session, other.stack_id).rows] == [other.serial]
        assert voltages_of_build(session, [lab.build_id]).get(lab.build_id, ()) == ()
        assert len(voltages_of_build(session, [other.build_id])[other.build_id]) > 0
        known = run_with_content(session, stored().content_sha256)
        changes = session.scalars(
            select(AuditEntry.changes).order_by(AuditEntry.id.desc()).limit(1)
        ).one()
    assert known is not None
    assert known.stack == other.serial
    assert f'["stack", "{lab.serial}", "{other.serial}"]' in changes
    with changing(engine, lab.by) as work:
        void_run(work, run_id, reason="neither of them")
    with reading(engine) as session:
        assert [run.reading for run in runs_of_stack(session, lab.stack_id).rows] == [None]
        assert runs_of_stack(session, other.stack_id).rows == ()


@pytest.mark.both_engines
def test_the_database_lets_nobody_change_what_was_read(engine: Engine, lab: Lab) -> None:
    taken_in(engine, lab, a_log(lab))

    for statement in (
        "UPDATE run_reading SET load_hours = 1",
        "UPDATE snapshot SET means_v = '[]'",
        "UPDATE run SET name = 'x'",
        "DELETE FROM run",
    ):
        with pytest.raises(DBAPIError), engine.begin() as connection:
            connection.execute(text(statement))


def test_only_people_who_work_on_stacks_take_logs_in(engine: Engine, lab: Lab) -> None:
    with Session(engine) as session:
        reader = builders.a_person(session)
        nobody = permissions.Person(reader.id, reader.login, reader.name, frozenset())
        session.commit()

    with pytest.raises(NotAllowed), changing(engine, nobody) as work:
        import_run(work, lab.stack_id, stored(), a_log(lab))
    with pytest.raises(NotFound), changing(engine, lab.by) as work:
        import_run(work, 99_999, stored(), a_log(lab))
    with pytest.raises(NotFound), changing(engine, lab.by) as work:
        void_run(work, 99_999, reason="none")


@pytest.mark.both_engines
def test_a_sheet_takes_few_statements_however_many_snapshots(
    engine: Engine, lab: Lab, statements: Statements
) -> None:
    run_id = taken_in(engine, lab, a_log(lab, hours=30.0, meter=(100.0, 130.0)))

    with reading(engine) as session, statements() as seen:
        sheet = run_sheet(session, run_id)
    with reading(engine) as session, statements() as beside:
        runs_of_stack(session, lab.stack_id)
        overlapping_run(session, lab.stack_id, lab.began_at, lab.began_at + HOUR)
        why_not_released(session, lab.build_id, lab.began_at, lab.began_at + HOUR)
        run_with_content(session, "ab" * 32)

    assert sheet.snapshot_count > 20
    assert (len(seen), len(beside)) == (4, 4)
    if engine.dialect.name == "sqlite":
        assert read_whole(engine, beside) == []


def test_names_of_channels_follow_the_numbers_people_gave() -> None:
    straight = tuple(CellColumn(f"U{at} (V)", at) for at in (1, 2, 3))
    moved = (CellColumn("U1 (V)", 3), CellColumn("U2 (V)", 1))

    assert channel_names(straight) == ("U1 (V)", "U2 (V)", "U3 (V)")
    assert channel_names(moved) == ("U3", "U1")


@pytest.mark.both_engines
def test_a_mapping_is_kept_in_versions(engine: Engine, lab: Lab) -> None:
    first, second = mapping(), mapping(meter=False)
    with changing(engine, lab.by) as work:
        keep_mapping(work, "bench 3", first)
    with changing(engine, lab.by) as work:
        keep_mapping(work, "bench 3", second)
    with pytest.raises(Refused, match="version 2"), changing(engine, lab.by) as work:
        keep_mapping(work, "bench 3", second)

    with reading(engine) as session:
        assert [(one.name, one.version) for one in kept_mappings(session)] == [("bench 3", 2)]
        assert kept_mapping(session, "bench 3").mapping == second
        assert kept_mapping(session, "bench 3", 1).mapping == first
        assert len(versions_of(session, "bench 3")) == 2
        with pytest.raises(NotFound):
            kept_mapping(session, "bench 4")


def test_a_file_on_its_way_in_is_seen_by_everybody(engine: Engine, lab: Lab) -> None:
    now = lab.began_at
    sent = Sent("t" * 32, "log.csv", 1234, stored().content_sha256)
    with housekeeping(engine) as session:
        begin_upload(session, lab.stack_id, sent, by_id=lab.by.id, instructions="{}", now=now)
    with housekeeping(engine) as session:
        ask_reading(session, sent.token, instructions="{}", by_id=lab.by.id, now=now)
    with housekeeping(engine) as session:
        note_progress(session, sent.token, 0.5, "half way", now)
    with pytest.raises(Refused, match="reading"), housekeeping(engine) as session:
        ask_reading(session, sent.token, instructions="{}", by_id=lab.by.id, now=now)
    with reading(engine) as session:
        told = upload(session, sent.token)
        assert (told.state, told.done, told.message) == (UploadState.READING, 0.5, "half way")
        assert len(uploads_of_stack(session, lab.stack_id)) == 1

    later = now + ABANDONED_AFTER + timedelta(seconds=1)
    with housekeeping(engine) as session:  # its process is gone: it may be begun again
        ask_reading(session, sent.token, instructions="{}", by_id=lab.by.id, now=later)
    with housekeeping(engine) as session:
        end_upload(session, sent.token, refused="it overlaps", now=later)
    with reading(engine) as session:
        assert upload(session, sent.token).state is UploadState.REFUSED
    with housekeeping(engine) as session:
        assert forget_uploads(session, later + FORGOTTEN_AFTER * 2) == [sent.token]
    with reading(engine) as session, pytest.raises(NotFound):
        upload(session, sent.token)


def test_a_reading_never_stands_twice(engine: Engine, lab: Lab) -> None:
    run_id = taken_in(engine, lab, a_log(lab))

    with reading(engine) as session:
        standing = session.scalar(
            select(func.count(RunReading.id)).where(
                RunReading.run_id == run_id, RunReading.known_until.is_(None)
            )
        )
    assert standing == 1
