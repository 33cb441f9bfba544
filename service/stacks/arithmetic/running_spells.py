"""Where did a stack stop between two readings? Spells of running, for `recovery`.

A stop is seen where the clock went on by more than the running hours did, where the cells were
read without load between, and at every opening. Common practice, no source.
"""

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime, timedelta

from service.platform.arithmetic.errors import Inconsistent

LEAST_STANDING_H = 0.5
"""Standing less than this is no stop that would let voltage come back."""


def running_spells(
    times: Sequence[datetime],
    hours_h: Sequence[float],
    builds: Sequence[int],
    without_load: Sequence[datetime] = (),
    least_standing_h: float = LEAST_STANDING_H,
) -> tuple[int, ...]:
    """In which spell, counted from 1, lies each reading? Readings stand in the order of time.

    ``hours_h`` are running hours, ``without_load`` the times of readings without load, in order.
    Raises Inconsistent where the rows differ in length or the readings are not in order.

    >>> from datetime import UTC
    >>> at = [datetime(2026, 3, day, tzinfo=UTC) for day in (1, 2, 5, 6)]
    >>> running_spells(at, [0.0, 24.0, 24.0, 48.0], [1, 1, 1, 1])
    (1, 1, 2, 2)
    """
    if not len(times) == len(hours_h) == len(builds):
        raise Inconsistent("Times, hours and builds must be as many as each other.")
    spell, found = 0, []
    for at, time in enumerate(times):
        if at == 0:
            spell = 1
        else:
            before = times[at - 1]
            if time < before:
                raise Inconsistent("The readings must stand in the order of time.")
            stood = time - before - timedelta(hours=max(0.0, hours_h[at] - hours_h[at - 1]))
            off = bisect_right(without_load, time) > bisect_right(without_load, before)
            if builds[at] != builds[at - 1] or off or stood >= timedelta(hours=least_standing_h):
                spell += 1
        found.append(spell)
    return tuple(found)
