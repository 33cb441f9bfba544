"""Calibrations: the points a certificate gives, which one counts on a date, and how it stands."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Literal

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.typed_fields import as_typed
from service.store.arithmetic.instrument_errors import ErrorShares

THROUGH_THE_DAY = timedelta(hours=12)
"""Days without a time of day are kept as noon in the lab; what is due on a day holds through it."""

CalibrationState = Literal["valid", "overdue", "never", "out of tolerance", "not known"]


class CalibrationResult(StrEnum):
    """How the instrument was found."""

    IN_TOLERANCE = "in tolerance as found"
    OUT_OF_TOLERANCE = "out of tolerance as found"


class AsLeft(StrEnum):
    """How the instrument was left, where it was adjusted."""

    IN_TOLERANCE = "in tolerance as left"
    OUT_OF_TOLERANCE = "out of tolerance as left"


@dataclass(frozen=True, slots=True)
class Point:
    """One point of a certificate, in the unit of the instrument: true, shown before and after."""

    reference: float
    as_found: float | None = None
    as_left: float | None = None

    def __str__(self) -> str:
        """Write it as it is typed."""
        values = (self.reference, self.as_found, self.as_left)
        return "; ".join("-" if value is None else as_typed(value) for value in values)


POINT = "reference; as found; as left"
MOST_POINTS = 60


def read_points(text: str) -> tuple[Point, ...]:
    """Read points, one a line: reference, as found, as left, parted by semicolons or tabs.

    A stroke stands for what was not read. Raises OutOfRange naming the line.

    >>> read_points("10; 10,9; 10.0")
    (Point(reference=10.0, as_found=10.9, as_left=10.0),)
    """
    lines = [line for line in text.splitlines() if line.strip()]
    if len(lines) > MOST_POINTS:
        raise OutOfRange("the points", f"{len(lines)} lines", "", f"at most {MOST_POINTS}")
    return tuple(_point(number, line) for number, line in enumerate(lines, 1))


def _point(number: int, line: str) -> Point:
    cells = [cell.strip() for cell in line.replace("\t", ";").split(";")]
    if not 2 <= len(cells) <= 3:
        raise OutOfRange(f"point {number}", line.strip(), "", POINT)
    reference, *shown = (None if cell in {"", "-", "–"} else read_number(cell) for cell in cells)
    if reference is None or not any(value is not None for value in shown):
        raise OutOfRange(f"point {number}", line.strip(), "", POINT)
    return Point(reference, *shown)


@dataclass(frozen=True, slots=True)
class FoundError:
    """The error one calibration found: at its points where it gives some, else as stated."""

    stated: ErrorShares
    points: tuple[Point, ...] = ()

    @property
    def is_known(self) -> bool:
        """Say whether anything is known of it."""
        return bool(self._as_found) or self.stated.is_stated

    def at(self, shown: float) -> float:
        """Return what was shown less what was true, at a reading.

        Between points in a straight line, beyond them as at the last (common practice, no source).

        >>> points = (Point(10.0, 11.0), Point(20.0, 22.0))
        >>> FoundError(ErrorShares(), points).at(16.5), FoundError(ErrorShares(), points).at(40.0)
        (1.5, 2.0)
        """
        found = self._as_found
        if not found:
            return self.stated.at(shown)
        place = bisect_right([at for at, _error in found], shown)
        if place in {0, len(found)}:
            return found[max(place - 1, 0)][1]
        (low, error), (high, error_high) = found[place - 1], found[place]
        return error + (error_high - error) * (shown - low) / (high - low)

    @property
    def _as_found(self) -> list[tuple[float, float]]:
        return sorted(
            (point.as_found, point.as_found - point.reference)
            for point in self.points
            if point.as_found is not None
        )


def lets_use(calibration: Any) -> bool:
    """Say whether an instrument may be used after a calibration: found or left in tolerance."""
    return (
        calibration.result is CalibrationResult.IN_TOLERANCE
        or calibration.as_left is AsLeft.IN_TOLERANCE
    )


def state_of(calibration: Any, when: datetime, operations: int) -> CalibrationState:
    """Say how the calibration that counts stands, after so many operations since; None: none."""
    if calibration is None or calibration.done_at is None:
        return "never"
    if not lets_use(calibration):
        return "out of tolerance"
    worn = calibration.due_operations is not None and operations >= calibration.due_operations
    return "overdue" if worn or when > calibration.due_at + THROUGH_THE_DAY else "valid"


def of_device(calibrations: Sequence[Any], when: datetime) -> list[Any]:
    """Return the calibrations of the device that bore the mark at a time.

    Each says from when, and until when, the device it was made of bore it; None: without end.
    """
    return [
        each
        for each in calibrations
        if (each.device_from is None or each.device_from <= when)
        and (each.device_until is None or when < each.device_until)
    ]


def counting_then(calibrations: Sequence[Any], when: datetime) -> Any:
    """Return the latest calibration done by then, of those in order; None: none."""
    return next((each for each in reversed(calibrations) if each.done_at <= when), None)


def finding_after(calibrations: Sequence[Any], when: datetime) -> Any:
    """Return the next calibration where it found the instrument out of tolerance, else None."""
    after = next((each for each in calibrations if each.done_at > when), None)
    found_out = after is not None and after.result is CalibrationResult.OUT_OF_TOLERANCE
    return after if found_out else None
