"""What was true where an instrument showed a value, and the closings which that reaches."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.queries.closing_inputs import Instead
from service.closing.queries.closing_results import ClosingAnew, closings_anew
from service.platform.queries.answers import grouped, read_as
from service.platform.queries.statements import known
from service.proof.arithmetic.with_the_error import ErrorInUnit
from service.proof.queries.readings_with import uses_of
from service.stacks.queries.release_standing import release_stands
from service.stacks.tables import Build, BuildPeriod, Stack
from service.store.arithmetic.calibrations import FoundError, Point
from service.store.arithmetic.instrument_errors import found_error
from service.store.queries.calibrations import Histories, histories
from service.store.tables import CalibrationPoint, Instrument


@dataclass(frozen=True, slots=True)
class TrueValues:
    """Readings of one instrument less the error it was found with afterwards, where known."""

    instrument: Instrument
    of: Histories
    points: Mapping[int, tuple[Point, ...]]

    def __call__(self, instrument_id: int, at: datetime, shown: float, unit: str) -> float:
        """Return what was true at a time; what was shown where no error is known."""
        if instrument_id != self.instrument.id:
            return shown
        found = self.of.finding(instrument_id, at)
        if found is None:
            return shown
        error = FoundError(
            found_error(found, self.instrument.range_most), self.points.get(found.id, ())
        )
        true = ErrorInUnit(error, self.instrument.unit).corrected(shown, unit)
        return shown if true is None else true


def true_values(session: Session, instrument_id: int, of: Histories | None = None) -> TrueValues:
    """Return what was true of an instrument's readings. Four statements at most."""
    of = of or histories(session, [instrument_id])
    rows = session.execute(
        select(
            CalibrationPoint.calibration_id,
            CalibrationPoint.reference,
            CalibrationPoint.as_found,
            CalibrationPoint.as_left,
        ).where(
            CalibrationPoint.calibration_id.in_(
                [each.id for each in of.calibrations.get(instrument_id, [])]
            )
        )
    )
    return TrueValues(
        session.get_one(Instrument, instrument_id),
        of,
        {
            key: tuple(read_as(Point, row) for row in points)
            for key, points in grouped(rows.all(), "calibration_id").items()
        },
    )


def releases_ending(session: Session, anew: Iterable[ClosingAnew]) -> Sequence[Any]:
    """Return the released builds whose closing passed and, computed anew, does not."""
    builds = {each.build_id for each in anew if each.no_longer_holds}
    return session.execute(
        select(Build.id, Build.number, Build.stack_id, Build.record_id, Stack.serial)
        .join(Stack, Stack.id == Build.stack_id)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.id.in_(builds), BuildPeriod.opened_at.is_(None), release_stands())
        .order_by(Build.id)
    ).all()


def closings_found_out(session: Session, true: TrueValues) -> Iterator[ClosingAnew]:
    """Compute anew, with the true values, each closing read with an instrument found out later."""
    key = true.instrument.id
    builds = {
        use.build_id
        for use in uses_of(session, key)
        if use.build_id and true.of.finding(key, use.taken_at) is not None
    }
    stacks = session.scalars(select(Build.stack_id).where(Build.id.in_(builds)).distinct())
    for stack_id in stacks.all():
        yield from closings_anew(
            session,
            stack_id,
            {build for build in builds if build},
            Instead(true=true, calibrations=true.of),
        )
