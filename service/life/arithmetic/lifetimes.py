"""Lives of parts as they are known: from which own hours watched, until which, and how they ended.

A part known here from new is watched from 0 h; one that came with hours of its own, or that was
first measured later, is watched from those hours on (late entry, left truncation): that it had
lived so long says nothing about how many like it had not. Only a failure ends a life. A part
removed unfailed or still running lived at least as long (right censoring), and one nobody can say
of is counted and left out.

Source: Klein & Moeschberger, Survival Analysis, chapter 3 (censoring and truncation), from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.platform.arithmetic.errors import Inconsistent, OutOfRange

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Counts = NDArray[np.int64]


class End(StrEnum):
    """How far a life is known."""

    FAILED = "failed"
    REMOVED = "removed unfailed"
    RUNNING = "still running"
    UNKNOWN = "unknown"


class Life(NamedTuple):
    """One part: watched from ``entry_h`` to ``exit_h`` own hours at load; None: not known."""

    entry_h: float | None
    exit_h: float | None
    end: End


@dataclass(frozen=True, slots=True, eq=False)
class Lives:
    """Lives that can be counted, as arrays, and the number of those that cannot.

    ``entry_h``, ``exit_h`` in own hours at load, ``failed`` true where the exit is a failure; all
    three of one length. ``unknown`` parts have no hours or no known end; ``unwatched`` ones left
    at the hours they entered with, so that they were at risk for no time. Only a part that is new
    and fails at 0 h counts all the same.
    """

    entry_h: Floats
    exit_h: Floats
    failed: Bools
    removed: int = 0
    running: int = 0
    unknown: int = 0
    unwatched: int = 0

    @property
    def n(self) -> int:
        """Lives counted."""
        return len(self.exit_h)

    @property
    def failures(self) -> int:
        """Lives that ended with a failure."""
        return int(self.failed.sum())

    @property
    def late(self) -> int:
        """Lives watched from later than 0 h."""
        return int((self.entry_h > 0).sum())

    @property
    def watched_h(self) -> float:
        """Part-hours watched, of all lives together."""
        return float((self.exit_h - self.entry_h).sum())


def lives_of(lives: Sequence[Life]) -> Lives:
    """Return lives that can be counted, and how many cannot.

    Raises OutOfRange for hours below zero, Inconsistent where a life ends before it begins.

    >>> found = lives_of([Life(0, 900, End.FAILED), Life(400, 1200, End.RUNNING),
    ...                   Life(0, None, End.UNKNOWN), Life(50, 50, End.REMOVED)])
    >>> found.n, found.failures, found.late, found.watched_h, found.unknown, found.unwatched
    (2, 1, 1, 1700.0, 1, 1)
    """
    entry, exits, failed = [], [], []
    counts = dict.fromkeys(End, 0)
    unwatched = 0
    for life in lives:
        if life.end is End.UNKNOWN or life.entry_h is None or life.exit_h is None:
            counts[End.UNKNOWN] += 1
            continue
        _checked(life.entry_h, life.exit_h)
        if life.exit_h == life.entry_h and (life.entry_h > 0 or life.end is not End.FAILED):
            unwatched += 1
            continue
        counts[life.end] += 1
        entry.append(life.entry_h)
        exits.append(life.exit_h)
        failed.append(life.end is End.FAILED)
    return Lives(
        np.array(entry, dtype=float),
        np.array(exits, dtype=float),
        np.array(failed, dtype=bool),
        counts[End.REMOVED],
        counts[End.RUNNING],
        counts[End.UNKNOWN],
        unwatched,
    )


def _checked(entry_h: float, exit_h: float) -> None:
    for name, hours in (("the hours at entry", entry_h), ("the hours at the end", exit_h)):
        if not isfinite(hours) or hours < 0:
            raise OutOfRange(name, f"{hours:g}", "h", "zero or more")
    if exit_h < entry_h:
        raise Inconsistent(
            f"A life that ends at {exit_h:g} h cannot be watched from {entry_h:g} h on."
        )


def at_risk(lives: Lives, times_h: Floats) -> Counts:
    """Count those watched and unfailed just before each time.

    Somebody who enters at a time is at risk after it only, somebody who leaves at it still is at
    risk then; who is watched from 0 h is at risk at 0 h too, so that a part that fails at once
    counts.

    >>> lives = lives_of([Life(0, 5, End.FAILED), Life(3, 9, End.RUNNING)])
    >>> at_risk(lives, np.array([0.0, 3.0, 5.0, 9.0, 10.0])).tolist()
    [1, 1, 2, 1, 0]
    """
    starts = np.sort(np.where(lives.entry_h > 0, lives.entry_h, -np.inf))
    ends = np.sort(lives.exit_h)
    entered = np.searchsorted(starts, times_h, side="left")
    ended = np.searchsorted(ends, times_h, side="left")
    return (entered - ended).astype(np.int64, copy=False)
