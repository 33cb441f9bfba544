"""Operating hours over several meters: totals of a stack, and what falls into one build.

Hours are in h, as meters show them. Common practice, no source.
"""

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.platform.arithmetic.errors import Inconsistent


@dataclass(frozen=True, slots=True)
class Hours:
    """Operating hours; ``at_least`` where a stretch of the time is not known."""

    hours: float = 0.0
    at_least: bool = False

    def __add__(self, other: "Hours") -> "Hours":
        """Sum of two stretches; not exact once one of them is not."""
        return Hours(self.hours + other.hours, self.at_least or other.at_least)


@dataclass(frozen=True, slots=True)
class Meter:
    """What one meter showed when it was fitted and when it was read last, in h.

    ``first`` None where nobody read it on fitting; ``ended`` where it was read at its removal.
    """

    first: float | None
    last: float | None
    ended: bool = False


@dataclass(frozen=True, slots=True)
class Offset:
    """What must be added to a meter's showing, in h; ``gaps`` counts unread stretches before."""

    hours: float
    gaps: int


@dataclass(frozen=True, slots=True)
class TotalAt:
    """Hours of a stack at one moment, in h over all its meters; ``gaps`` as in `Offset`."""

    taken_at: datetime
    total: float
    gaps: int = 0


def offsets(meters: Sequence[Meter]) -> tuple[Offset, ...]:
    """Compute what must be added to each meter's showing to give the hours of the stack.

    Hours of a stack = what the meters before counted from fitting to removal, plus what this
    one shows less what it showed when it was fitted. A meter taken off unread counts up to its
    last reading and leaves a gap; so does one whose first showing nobody wrote down.

    >>> offsets([Meter(0.0, 820.0, ended=True), Meter(5.0, 40.0)])
    (Offset(hours=0.0, gaps=0), Offset(hours=815.0, gaps=0))
    """
    offsets_found = []
    before, gaps = 0.0, 0
    for meter in meters:
        first = meter.first if meter.first is not None else 0.0
        gaps += meter.first is None
        offsets_found.append(Offset(before - first, gaps))
        before += max(0.0, (meter.last if meter.last is not None else first) - first)
        gaps += not meter.ended
    return tuple(offsets_found)


def hours_between(
    totals: Iterable[TotalAt],
    closed_at: datetime,
    opened_at: datetime | None,
    *,
    start: TotalAt | None,
    end: TotalAt | None,
) -> Hours:
    """Compute the hours between a closing and the next opening.

    ``start`` and ``end`` are the stack's hours read at the closing and at the opening, None
    where nobody read them; then the readings between (``totals``, in order of time) give the
    least it can be. A build not opened yet ends at its newest reading.
    """
    between = [
        meter
        for meter in totals
        if meter.taken_at >= closed_at and (opened_at is None or meter.taken_at <= opened_at)
    ]
    is_present = opened_at is None
    first = start or (between[0] if between else None)
    last = end or (between[-1] if between else start)
    if first is None or last is None:
        return Hours(0.0, at_least=True)
    unknown = start is None or (end is None and not is_present) or first.gaps != last.gaps
    return Hours(max(0.0, last.total - first.total), unknown)


# Where did a stack stop between two readings? Spells of running, for `recovery`.
#
# A stop is seen where the clock went on by more than the running hours did, where the cells were
# read without load between, and at every opening. Common practice, no source.


LEAST_STANDING_H = 0.5
"""Standing less than this is no stop that would let voltage come back."""


def running_spells(
    times: Sequence[datetime],
    hours_h: Sequence[float],
    builds: Sequence[int],
    without_load: Sequence[datetime] = (),
    least_standing_h: float = LEAST_STANDING_H,
) -> tuple[int, ...]:
    """Number the spell from 1 in which each reading lies. Readings stand in the order of time.

    ``hours_h`` are running hours, ``without_load`` the times of readings without load, in order.
    Raises Inconsistent where the rows differ in length or the readings are not in order.

    >>> from datetime import UTC
    >>> at = [datetime(2026, 3, day, tzinfo=UTC) for day in (1, 2, 5, 6)]
    >>> running_spells(at, [0.0, 24.0, 24.0, 48.0], [1, 1, 1, 1])
    (1, 1, 2, 2)
    """
    if not len(times) == len(hours_h) == len(builds):
        raise Inconsistent("Times, hours and builds must be as many as each other.")
    spell, spells = 0, []
    for index, time in enumerate(times):
        if index == 0:
            spell = 1
        else:
            before = times[index - 1]
            if time < before:
                raise Inconsistent("The readings must stand in the order of time.")
            stood = time - before - timedelta(hours=max(0.0, hours_h[index] - hours_h[index - 1]))
            off = bisect_right(without_load, time) > bisect_right(without_load, before)
            if (
                builds[index] != builds[index - 1]
                or off
                or stood >= timedelta(hours=least_standing_h)
            ):
                spell += 1
        spells.append(spell)
    return tuple(spells)
