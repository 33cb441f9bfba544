"""The life of one part over the builds it sat in, whole or in pieces by what it sat in.

Compared by design, say, a part that moved to a stack of another design leaves the first unfailed
and enters the second late, with the hours it has by then. Hours of a build nobody read leave the
sum a least one: a part unfailed lived that long at least, so that it still counts; when it failed,
or with how many hours it entered the next piece, is then not known.

Common practice, no source.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

from service.trade.lifetimes import End, Life
from service.trade.running_hours import Hours

FORMULA = 1
MISSING = "it cannot be found"
NO_HOURS = "its hours were never read"
NO_HOURS_AT_FAILURE = "its hours when it failed are not known"
NO_HOURS_AT_ENTRY = "its hours when it came here are not known"


@dataclass(frozen=True, slots=True)
class Sat:
    """One build a part sat in, in the order of closing: of which group, for how many hours."""

    group: Hashable
    hours: Hours


@dataclass(frozen=True, slots=True)
class Failure:
    """Where a part failed: the place of the build among those it sat in, own hours by then.

    ``place`` counts from 0; a failure found after the last opening is of the last build.
    """

    place: int
    own_h: float


@dataclass(frozen=True, slots=True)
class Piece:
    """A life within one group; ``why`` says why it is unknown, if it is."""

    group: Hashable
    life: Life
    why: str = ""


def pieces(
    before_h: float,
    sat: Sequence[Sat],
    *,
    fitted: bool,
    missing: bool = False,
    failure: Failure | None = None,
) -> tuple[Piece, ...]:
    """Follow a part through its builds; ``before_h`` are the hours it came with.

    >>> moved = [Sat("A", Hours(300)), Sat("A", Hours(200)), Sat("B", Hours(50))]
    >>> for piece in pieces(0.0, moved, fitted=True):
    ...     print(piece.group, piece.life.entry_h, piece.life.exit_h, piece.life.end.value)
    A 0.0 500.0 removed unfailed
    B 500.0 550.0 still running
    """
    found: list[Piece] = []
    own, exact, place = before_h, True, 0
    until = len(sat) if failure is None else failure.place + 1
    while place < until:
        group, entry, entry_exact, begun = sat[place].group, own, exact, place
        while place < until and sat[place].group == group:
            own += sat[place].hours.hours
            exact = exact and not sat[place].hours.at_least
            place += 1
        is_last = place == until
        has_failed = is_last and failure is not None
        stays = fitted and place == len(sat)
        end = End.FAILED if has_failed else End.RUNNING if stays else End.REMOVED
        exit_h = max(entry, failure.own_h) if has_failed and failure is not None else own
        nothing = exit_h == entry and any(one.hours.at_least for one in sat[begun:place])
        why = _why(
            lost=is_last and missing,
            late=not entry_exact,
            unread=nothing and not has_failed,
            unsure=has_failed and not exact,
        )
        if why:
            found.append(Piece(group, Life(None, None, End.UNKNOWN), why))
        else:
            found.append(Piece(group, Life(entry, exit_h, end)))
    return tuple(found)


def _why(*, lost: bool, late: bool, unread: bool, unsure: bool) -> str:
    if lost:
        return MISSING
    if late:
        return NO_HOURS_AT_ENTRY
    if unread:
        return NO_HOURS
    return NO_HOURS_AT_FAILURE if unsure else ""
