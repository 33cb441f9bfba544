"""A meter never counts backwards: whatever is told of it lies between what was told before."""

from collections.abc import Iterable
from datetime import datetime

from service.platform.errors import Refused
from service.runs.queries.showings import Shown
from service.stacks.tables.hours import Moment

SLACK_H = 1.0
"""What a meter may seem to run ahead of the clock: some show whole hours only."""
SLACK_SHARE = 0.01
"""And the share its own clock may be fast."""


def refuse_unless_between(
    shown: Iterable[Shown], hours: float, taken_at: datetime, field: str = "hours"
) -> None:
    """Refuse a showing, in h, that does not lie between its neighbours in time.

    ``shown`` is what else is known of the meter (`showings.shown_around`), in any order.
    """
    least, most = neighbours(shown, taken_at)
    fits = f"at least {least.hours:g} h" if least else "any showing"
    if most:
        fits = f"{least.hours if least else 0:g} to {most.hours:g} h"
    fits = f"At that time {fits} would be right; a misread earlier reading needs a correction."
    if least and hours < least.hours:
        day = f"{least.taken_at:%Y-%m-%d}"
        reason = f"the meter already showed {least.hours:g} h on {day}; it cannot count backwards."
        raise Refused(field, f"{hours:g}", reason, fits)
    if most and hours > most.hours:
        day = f"{most.taken_at:%Y-%m-%d}"
        reason = f"the meter showed only {most.hours:g} h later, on {day}."
        raise Refused(field, f"{hours:g}", reason, fits)


def refuse_faster_than_the_clock(
    shown: Iterable[Shown], hours: float, taken_at: datetime, field: str = "hours"
) -> None:
    """Refuse a showing, in h, that has run further than time did since the one before."""
    least, _ = neighbours(shown, taken_at)
    if least is None or taken_at <= least.taken_at:
        return
    passed = (taken_at - least.taken_at).total_seconds() / 3600
    most = least.hours + passed * (1 + SLACK_SHARE) + SLACK_H
    if hours > most:
        raise Refused(
            field,
            f"{hours:g}",
            f"the meter showed {least.hours:g} h {passed:.3g} h earlier; it cannot count faster"
            " than the clock.",
            f"At most {most:.6g} h would be right; a misread earlier reading needs a correction.",
        )


def neighbours(shown: Iterable[Shown], taken_at: datetime) -> tuple[Shown | None, Shown | None]:
    """The highest showing before a time, and the lowest after it; at its fitting a meter began."""
    told = list(shown)
    before = [s for s in told if s.taken_at < taken_at or s.moment is Moment.FITTED]
    after = [s for s in told if s.taken_at > taken_at and s.moment is not Moment.FITTED]
    least = max(before, key=lambda s: (s.hours, s.taken_at), default=None)
    return least, min(after, key=lambda s: (s.hours, s.taken_at), default=None)
