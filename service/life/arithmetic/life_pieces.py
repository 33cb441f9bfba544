"""The lives of parts over the builds they sat in, whole or in pieces by what they sat in.

Compared by design, say, a part that moved to a stack of another design leaves the first unfailed
and enters the second late, with the hours it has by then. Hours of a build nobody read leave the
sum a least one: a part unfailed lived that long at least, so that it still counts; when it failed,
or with how many hours it entered the next piece, is then not known.

Common practice, no source.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from service.life.arithmetic.lifetimes import Bools, Counts, Floats, Lives
from service.platform.arithmetic.errors import Inconsistent

Places = NDArray[np.intp]
NEVER_FAILED = -1
TO_DIGITS = 6
"""Of an hour: MEAs that left at one time shall leave at one time whatever their sums were."""


class Why(IntEnum):
    """Why a life is not known; `WHY` says it in words."""

    KNOWN = 0
    MISSING = 1
    NO_HOURS_AT_ENTRY = 2
    NO_HOURS = 3
    NO_HOURS_AT_FAILURE = 4


WHY = {
    Why.MISSING: "it cannot be found",
    Why.NO_HOURS_AT_ENTRY: "its hours when it came here are not known",
    Why.NO_HOURS: "its hours were never read",
    Why.NO_HOURS_AT_FAILURE: "its hours when it failed are not known",
}


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Parts (p,): hours they came with, whether they are fitted now or cannot be found.

    ``unknown_before``: nobody knows with how many hours it came; none of its lives is counted.

    ``failed_place`` is the place among the builds it sat in, from 0, in which a part failed, −1 if
    it did not; ``failed_h`` its own hours then. One found after the last opening is of the last.
    """

    before_h: Floats
    unknown_before: Bools
    fitted: Bools
    missing: Bools
    failed_place: Counts
    failed_h: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Sat:
    """Builds parts sat in (s,), by part and then in the order of closing.

    ``part`` is the part's place in `Parts`; ``group`` the number of what is compared; ``hours_h``
    ran in it, ``unread`` where that is the least it can be.
    """

    part: Places
    group: Counts
    hours_h: Floats
    unread: Bools


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """Lives (l,) within one group each: own hours at entry and end, and how it ended.

    ``failed`` or ``running`` or, neither, removed unfailed; ``why`` is a `Why`: all but KNOWN are
    not to be counted.
    """

    part: Places
    group: Counts
    entry_h: Floats
    exit_h: Floats
    failed: Bools
    running: Bools
    why: Counts

    def of(self, chosen: Bools | Places) -> Lives:
        """Return those chosen, ready to be counted."""
        why, entry, exits = self.why[chosen], self.entry_h[chosen], self.exit_h[chosen]
        failed, running = self.failed[chosen], self.running[chosen]
        is_known = why == Why.KNOWN
        unwatched = is_known & (exits == entry) & (~failed | (entry > 0))
        counted = is_known & ~unwatched
        return Lives(
            entry[counted],
            exits[counted],
            failed[counted],
            int((counted & ~failed & ~running).sum()),
            int((counted & ~failed & running).sum()),
            int((~is_known).sum()),
            int(unwatched.sum()),
        )


def pieces(parts: Parts, sat: Sat) -> Pieces:
    """Follow all parts through their builds at once; a part in no build has no piece.

    Raises Inconsistent unless the builds stand by part.

    >>> no, yes = np.zeros(1, bool), np.ones(1, bool)
    >>> one = Parts(np.zeros(1), no, yes, no, np.array([-1]), np.zeros(1))
    >>> moved = Sat(np.zeros(3, int), np.array([7, 7, 8]), np.array([300.0, 200, 50]),
    ...             np.zeros(3, bool))
    >>> found = pieces(one, moved)
    >>> found.group.tolist(), found.entry_h.tolist(), found.exit_h.tolist()
    ([7, 8], [0.0, 500.0], [500.0, 550.0])
    >>> found.running.tolist()
    [False, True]
    """
    if (np.diff(sat.part) < 0).any():
        raise Inconsistent("the builds do not stand by part.")
    if not len(sat.part):
        nothing = np.zeros(0)
        none, no = nothing.astype(int), nothing.astype(bool)
        return Pieces(none, none, nothing, nothing, no, no, none)
    begins = np.flatnonzero(np.diff(sat.part, prepend=-1))
    place = np.arange(len(sat.part)) - np.repeat(begins, np.diff(begins, append=len(sat.part)))
    failed_place = parts.failed_place[sat.part]
    lived = (failed_place == NEVER_FAILED) | (place <= failed_place)
    cut = bool((~lived).any())
    part, group = sat.part[lived], sat.group[lived]
    hours, unread = sat.hours_h[lived], sat.unread[lived]
    left_early = np.zeros(len(parts.fitted), dtype=bool)
    if cut:
        left_early[sat.part[~lived]] = True
    new_part = np.diff(part, prepend=-1) != 0
    first = np.flatnonzero(new_part | (np.diff(group, prepend=group[0]) != 0))
    last = np.append(first[1:], len(part)) - 1
    of_part = np.flatnonzero(new_part)
    own_hours = _within(hours, of_part) + parts.before_h[part]
    gaps = _within(unread.astype(float), of_part)
    whose = part[first]
    entry = own_hours[first] - hours[first]
    exits = own_hours[last]
    is_last = np.append(whose[1:] != whose[:-1], True)
    failed = is_last & (parts.failed_place[whose] != NEVER_FAILED)
    exits = np.where(failed, np.maximum(entry, parts.failed_h[whose]), exits)
    unread_inside = gaps[last] - gaps[first] + unread[first] > 0
    why = np.select(
        [
            is_last & parts.missing[whose],
            parts.unknown_before[whose] | (gaps[first] - unread[first] > 0),
            ~failed & (exits == entry) & unread_inside,
            failed & (gaps[last] > 0),
        ],
        [Why.MISSING, Why.NO_HOURS_AT_ENTRY, Why.NO_HOURS, Why.NO_HOURS_AT_FAILURE],
        Why.KNOWN,
    )
    running = is_last & parts.fitted[whose] & ~failed & ~left_early[whose]
    return Pieces(
        whose, group[first], entry.round(TO_DIGITS), exits.round(TO_DIGITS), failed, running, why
    )


def _within(values: Floats, begins: Places) -> Floats:
    """Running sums that begin anew at each of these places."""
    # one running sum over all, less what it was before each begin
    total = np.cumsum(values)
    before = total[begins] - values[begins]
    return total - np.repeat(before, np.diff(begins, append=len(values)))
