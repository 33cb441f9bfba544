"""What follows a calibration or its correction: readings it judges, closings that rest on it."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.closing.queries.closing_inputs import Instead
from service.closing.queries.closing_results import ClosingAnew, closings_anew
from service.platform.arithmetic.vocabulary import Stage
from service.platform.queries.answers import grouped
from service.platform.queries.statements import known
from service.proof.queries.readings_with import uses_of
from service.proof.queries.true_values import (
    TrueValues,
    closings_found_out,
    releases_ending,
    true_values,
)
from service.records.tables import (
    CornerHeightRead,
    HeldClosing,
    RebuildRecord,
    RecordState,
    Step,
    TorqueReading,
)
from service.stacks.queries.release_standing import release_ends
from service.stacks.tables import Build
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.queries.calibrations import (
    Histories,
    KeptCalibration,
    device_edge,
    histories,
)
from service.store.queries.instrument_columns import USED_BY
from service.store.tables import Calibration

ERROR = ("error_percent", "error_offset", "error_full_scale_percent")
GIVEN = (*ERROR, "done_at", "due_at", "due_operations", "result", "as_left")


@dataclass(frozen=True, slots=True)
class CalibrationFollows:
    """One thing that changes with a calibration or its correction."""

    what: str
    before: str
    after: str


def follows(session: Session, calibration_id: int, right: Any) -> tuple[CalibrationFollows, ...]:
    """Return what follows once ``right`` takes the place of a calibration. Writes nothing.

    The readings and tests of each build by how their instrument stood, then the closings that would
    be computed anew.
    """
    instrument_id = session.scalar(
        select(Calibration.instrument_id).where(Calibration.id == calibration_id)
    )
    if instrument_id is None:
        return ()
    before = histories(session, [instrument_id])
    true = _true(session, instrument_id, calibration_id, before, right)
    return (
        *_of_uses(session, instrument_id, before, true.of),
        *_of_closings(session, before, true),
    )


NOT_RECORDED = 0
"""What stands for the number of a calibration that is not recorded yet."""


def follows_recording(
    session: Session, instrument_id: int, entry: Any
) -> tuple[CalibrationFollows, ...]:
    """Return what follows once a calibration is recorded. Writes nothing.

    Nothing of one that found the instrument in tolerance: it judges no reading taken before.
    """
    if entry.result is not CalibrationResult.OUT_OF_TOLERANCE:
        return ()
    before = histories(session, [instrument_id])
    true = _true(session, instrument_id, NOT_RECORDED, before, entry)
    return (
        *_of_uses(session, instrument_id, before, true.of),
        *_of_releases(session, closings_found_out(session, true), by="this calibration"),
    )


def _with(
    session: Session, instrument_id: int, calibration_id: int, before: Histories, right: Any
) -> Histories:
    """The calibrations with this one among them. One statement."""
    edges = (device_edge(instrument_id, right.done_at, after=after) for after in (False, True))
    device_from, device_until = session.execute(select(*edges)).one()
    new = KeptCalibration(
        id=calibration_id,
        instrument_id=instrument_id,
        device_from=device_from,
        device_until=device_until,
        **{name: getattr(right, name) for name in GIVEN},
    )
    others = [
        each for each in before.calibrations.get(instrument_id, []) if each.id != calibration_id
    ]
    in_order = sorted([*others, new], key=lambda each: (each.done_at, each.id))
    return Histories({instrument_id: in_order}, before.operations)


def _of_uses(
    session: Session, instrument_id: int, before: Histories, after: Histories
) -> Iterator[CalibrationFollows]:
    changed: Counter[tuple[str, str, str]] = Counter()
    uses = uses_of(session, instrument_id)
    numbers = dict(
        session.execute(
            select(Build.id, Build.number).where(
                Build.id.in_({use.build_id for use in uses if use.build_id})
            )
        ).all()
    )
    for use in uses:
        was, then = (_words(of, instrument_id, use.taken_at) for of in (before, after))
        if was != then:
            number = numbers.get(use.build_id or 0)
            stack = use.stack_serial or "parts tested alone"
            build = f"{stack} build {number}" if number else stack
            changed[build, was, then] += 1
    for (build, was, then), count in changed.items():
        readings = "1 reading" if count == 1 else f"{count} readings"
        yield CalibrationFollows(f"{readings} of {build}", was, then)


def _words(of: Histories, instrument_id: int, at: datetime) -> str:
    found, counting = of.finding(instrument_id, at), of.counting(instrument_id, at)
    state = of.state(instrument_id, at)
    words = "in calibration" if state == "valid" else str(state)
    if counting is not None:
        words += f" since {counting.done_at:%Y-%m-%d}{_error(counting)}"
    if found is not None:
        words += f"; found out of tolerance on {found.done_at:%Y-%m-%d}{_error(found)}"
    return words


def _error(calibration: KeptCalibration) -> str:
    units = ("\u2009% of the reading", " of its unit", "\u2009% of full scale")
    parts = [
        f"{value:g}{unit}"
        for name, unit in zip(ERROR, units, strict=True)
        if (value := getattr(calibration, name)) is not None
    ]
    return f", error {' + '.join(parts)}" if parts else ""


_BUILD_ID = func.coalesce(
    select(Build.id)
    .where(Build.record_id == RebuildRecord.id)
    .correlate(RebuildRecord)
    .scalar_subquery(),
    RebuildRecord.base_build_id,
).label("build_id")


def closings_judged(
    session: Session, instrument_id: int, before: Histories, after: Histories
) -> list[Any]:
    """Return stack and build of closings whose heights or force another calibration judges.

    Two statements.
    """
    return [
        row
        for of in (HeldClosing, CornerHeightRead)
        for row in session.execute(
            select(RebuildRecord.stack_id, _BUILD_ID, Step.done_at)
            .distinct()
            .join(of, of.record_id == RebuildRecord.id)
            .join(Step, Step.id == of.step_id)
            .where(
                or_(*(tool == instrument_id for tool in USED_BY[of])),
                Step.undone_at.is_(None),
                RebuildRecord.state != RecordState.VOID,
            )
        )
        if before.valid(instrument_id, row.done_at) != after.valid(instrument_id, row.done_at)
    ]


def nuts_read_with(session: Session, instrument_id: int) -> list[Any]:
    """Return the standing readings of nuts with an instrument, with stack and build.

    One statement.
    """
    return list(
        session.execute(
            select(
                TorqueReading.id,
                TorqueReading.taken_at,
                TorqueReading.stage,
                TorqueReading.calibration_id,
                RebuildRecord.stack_id,
                _BUILD_ID,
            )
            .join(RebuildRecord, RebuildRecord.id == TorqueReading.record_id)
            .where(
                TorqueReading.instrument_id == instrument_id,
                known(TorqueReading),
                RebuildRecord.state != RecordState.VOID,
            )
        )
    )


def _true(
    session: Session, instrument_id: int, calibration_id: int, before: Histories, right: Any
) -> TrueValues:
    after = _with(session, instrument_id, calibration_id, before, right)
    true = true_values(session, instrument_id, after)
    return replace(true, points={**true.points, calibration_id: tuple(right.points)})


def _of_closings(
    session: Session, before: Histories, true: TrueValues
) -> Iterator[CalibrationFollows]:
    instrument_id, after = true.instrument.id, true.of
    instead: dict[int, dict[str, Any]] = {}
    reached = closings_judged(session, instrument_id, before, after)
    closings: list[ClosingAnew] = []
    for nut in nuts_read_with(session, instrument_id):
        was, then = (of.valid(instrument_id, nut.taken_at) for of in (before, after))
        if was != then and nut.stage is Stage.CLOSING:
            instead[nut.id] = {name: getattr(then, name, None) for name in ERROR}
            reached.append(nut)
    right = Instead(readings=instead, calibrations=after)
    for stack_id, rows in grouped(reached, "stack_id").items():
        builds = {row.build_id for row in rows if row.build_id}
        closings += closings_anew(session, stack_id, builds, right)
    for anew in closings:
        for name, was_closed, then_closed in anew.rows:
            if was_closed != then_closed:
                yield CalibrationFollows(name, str(was_closed), str(then_closed))
    yield from _of_releases(session, [*closings, *closings_found_out(session, true)])


def _of_releases(
    session: Session, anew: Iterable[ClosingAnew], by: str = "this correction"
) -> Iterator[CalibrationFollows]:
    for row in releases_ending(session, anew):
        yield CalibrationFollows(*release_ends(row.number, row.serial, by))
