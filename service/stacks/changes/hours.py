"""Hour-meter readings and the replacement of meters."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlalchemy import select

from service.platform.arithmetic.dates import in_words, span_of
from service.platform.audit import Event
from service.platform.changes import (
    not_ahead,
    not_below_zero,
    optional_words,
)
from service.platform.changes import reason as why
from service.platform.database import Work
from service.platform.errors import NotFound, Question, Refused
from service.platform.permissions import Act, need
from service.runs.queries.run_checks import Shown, shown_around
from service.stacks.changes.build_features import keep_makeups_of_stack, keep_makeups_since
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.queries.build_spans import OpenSpan, open_spans
from service.stacks.tables import HourMeter, HourReading, Moment, Stack

# A meter never counts backwards: whatever is told of it lies between what was told before.


SLACK_H = 1.0
"""What a meter may seem to run ahead of the clock: some show whole hours only."""


SLACK_SHARE = 0.01
"""And the share its own clock may be fast."""


def refuse_unless_between(
    showings: Iterable[Shown], hours: float, taken_at: datetime, field: str = "hours"
) -> None:
    """Refuse a showing, in h, that does not lie between its neighbours in time.

    ``showings`` is what else is known of the meter (`showings.shown_around`), in any order.
    """
    least, most = neighbours(showings, taken_at)
    fits = f"at least {least.hours:g} h" if least else "any showing"
    if most:
        fits = f"{least.hours if least else 0:g} to {most.hours:g} h"
    fits = f"At that time {fits} would be right; a misread earlier reading needs a correction."
    if least and hours < least.hours:
        day = in_words(least.taken_at, form="%Y-%m-%d")
        reason = f"the meter already showed {least.hours:g} h on {day}; it cannot count backwards."
        raise Refused(field, f"{hours:g}", reason, fits)
    if most and hours > most.hours:
        day = in_words(most.taken_at, form="%Y-%m-%d")
        reason = f"the meter showed only {most.hours:g} h later, on {day}."
        raise Refused(field, f"{hours:g}", reason, fits)


def hours_beyond_time(
    showings: Iterable[Shown], hours: float, taken_at: datetime, open_spans: Sequence[OpenSpan] = ()
) -> str:
    """Say that with this showing, in h, a meter ran longer than time did; empty where it did not.

    Since the showing before it, or up to the one after it. While the stack lay open no time counts.
    """
    least, most = neighbours(showings, taken_at)
    read = Shown(hours, taken_at)
    pairs = ((least, read), (read, most))
    return " ".join(
        _beyond_time(before, after, open_spans)
        for before, after in pairs
        if before is not None and after is not None
    ).strip()


def _beyond_time(before: Shown, after: Shown, open_spans: Sequence[OpenSpan]) -> str:
    """Say that a meter ran longer between two showings than it can have; empty where it did not."""
    if before.taken_at >= after.taken_at:
        return ""
    passed, most = _most_by_the_clock(before, after.taken_at)
    lay_open = sum(
        span.hours_within(span_of(before.taken_at).begins, span_of(after.taken_at).until)
        for span in open_spans
    )
    if after.hours <= most - lay_open * (1 + SLACK_SHARE):
        return ""
    less = f", {lay_open:.3g} h of it open" if lay_open else ""
    return (
        f"{after.hours - before.hours:.6g} h on the meter in {passed:.6g} h of time{less},"
        f" from {in_words(before.taken_at)} to {in_words(after.taken_at)} UTC."
    )


READ_AGAIN = "Read the meter again, or say why the reading stands."
IT_STANDS = "It stands: keep it with the reason"


def hours_deviation(work: Work, stack_id: int, hours: float, taken_at: datetime) -> str:
    """Say that with this showing, in h, a meter outran time, or ran while the stack lay open.

    Empty where it did not. This reading or an earlier one may be wrong, so a person is asked
    (`READ_AGAIN`, `IT_STANDS`). Raises Refused where every earlier reading of the meter, two at
    least, stands against it.
    """
    meter = meter_fitted_at(work, stack_id, taken_at)
    showings = shown_around(work.session, meter.id, taken_at, taken_at)
    refuse_unless_between(showings, hours, taken_at)
    spans = open_spans(work.session, stack_id)
    sentence = hours_beyond_time(showings, hours, taken_at, spans)
    if not sentence:
        return ""
    read = Shown(hours, taken_at)
    earlier = {shown.taken_at: shown for shown in showings if shown.taken_at < taken_at}
    against = [_beyond_time(shown, read, spans) for shown in earlier.values()]
    if len(against) > 1 and all(against):
        right = "Read the meter again; a misread earlier reading needs a correction."
        raise Refused(
            "hours",
            f"{hours:g}",
            f"none of the {len(against)} readings before it leaves time for that: {sentence}",
            right,
        )
    return sentence


def _most_by_the_clock(before: Shown, at: datetime) -> tuple[float, float]:
    """The hours since a showing, and the most the meter can show by then."""
    passed = (span_of(at).until - span_of(before.taken_at).begins).total_seconds() / 3600
    return passed, before.hours + passed * (1 + SLACK_SHARE) + SLACK_H


def neighbours(showings: Iterable[Shown], taken_at: datetime) -> tuple[Shown | None, Shown | None]:
    """Return the highest showing before a time, and the lowest after it.

    At its fitting a meter began.
    """
    showing_list = list(showings)
    before = [s for s in showing_list if s.taken_at < taken_at or s.moment is Moment.FITTED]
    after = [s for s in showing_list if s.taken_at > taken_at and s.moment is not Moment.FITTED]
    least = max(before, key=lambda s: (s.hours, s.taken_at), default=None)
    return least, min(after, key=lambda s: (s.hours, s.taken_at), default=None)


def read_hours(
    work: Work,
    stack_id: int,
    *,
    hours: float,
    taken_at: datetime,
    moment: Moment = Moment.RUNNING,
    record_id: int | None = None,
    stands: str | None = None,
    outside_because: str = "",
) -> int:
    """Write down what a stack's hour meter shows, in h; give the reading's number.

    A late entry is taken where it fits between the readings before and after it. Raises Refused
    for a falling or future reading, Question for one that outruns time, NotFound for an unknown
    stack.
    """
    need(work.by, Act.HOURS_WRITE)
    serial = _serial(work, stack_id)
    not_ahead("taken_at", taken_at, work.now)
    not_below_zero("hours", hours, "h")
    because = optional_words("outside_because", outside_because, most=4000)
    deviation = hours_deviation(work, stack_id, hours, taken_at)
    if deviation and stands is None:
        answers = {"stands": IT_STANDS}
        value, facts = f"{hours:g} h", {"meter": deviation}
        raise Question("stands", value, deviation, READ_AGAIN, answers=answers, facts=facts)
    if deviation and not because:
        raise Refused("outside_because", "", "it stands without a reason.", "Say why.")
    reading = enter_reading(
        work, stack_id, hours=hours, taken_at=taken_at, moment=moment, record_id=record_id
    )
    work.note(
        Event.HOURS_READ,
        ("stack", stack_id, serial),
        [
            ("hours", None, f"{hours:g} h"),
            ("taken at", None, taken_at),
            ("moment", None, moment),
            ("departs from what was set", None, deviation or None),
        ],
        reason=because if deviation else "",
        stack_id=stack_id,
        record_id=record_id,
    )
    keep_makeups_since(work, stack_id, taken_at)
    judge_stack(work, stack_id)
    return reading.id


def enter_reading(
    work: Work,
    stack_id: int,
    *,
    hours: float,
    taken_at: datetime,
    moment: Moment,
    record_id: int | None = None,
    step_id: int | None = None,
) -> HourReading:
    """Add a reading inside a larger change; the caller asks for leave and writes the trail.

    The meter is the one fitted at that time. Raises Refused as `read_hours` does.
    """
    not_ahead("taken_at", taken_at, work.now)
    not_below_zero("hours", hours, "h")
    meter = meter_fitted_at(work, stack_id, taken_at)
    showings = shown_around(work.session, meter.id, taken_at, taken_at)
    refuse_unless_between(showings, hours, taken_at)
    reading = HourReading(
        stack_id=stack_id,
        meter_id=meter.id,
        moment=moment,
        hours=hours,
        taken_at=taken_at,
        record_id=record_id,
        step_id=step_id,
        by_id=work.by.id,
        known_from=work.now,
    )
    work.session.add(reading)
    work.session.flush()
    return reading


def meter_fitted_at(work: Work, stack_id: int, at: datetime) -> HourMeter:
    """Return the meter fitted to a stack at a time; the first one for the time before it.

    Raises Refused where none was fitted.
    """
    meters = _meters(work, stack_id)
    if not meters:
        raise Refused(
            "hours",
            "",
            "no hour meter is fitted to this stack.",
            "Fit a meter on the stack's page first.",
        )
    meter = next((m for m in reversed(meters) if m.fitted_at <= at), meters[0])
    if meter.removed_at is not None and at > meter.removed_at:
        raise Refused(
            "taken_at", "", "no hour meter was fitted at that time.", "Fit the next meter first."
        )
    return meter


def replace_meter(
    work: Work,
    stack_id: int,
    *,
    last_hours: float | None,
    first_hours: float,
    label: str,
    replaced_at: datetime,
    reason: str,
) -> int:
    """Take the hour meter off and fit another; give the new meter's number (1, 2, 3 …).

    ``last_hours`` is what the old one showed, ``first_hours`` what the new one shows, in h. Where
    no meter is fitted, ``last_hours`` is None and the meter is simply fitted. Where the old one
    can no longer be read, ``last_hours`` is None too: the hours since its last reading are then
    not known, and sums say “at least”. Raises Refused.
    """
    need(work.by, Act.HOURS_WRITE)
    serial = _serial(work, stack_id)
    not_ahead("replaced_at", replaced_at, work.now)
    not_below_zero("first_hours", first_hours, "h")
    not_below_zero("last_hours", last_hours, "h")
    label = optional_words("label", label)
    reason = why(reason)
    meters = _meters(work, stack_id)
    old = meters[-1] if meters and meters[-1].removed_at is None else None
    if old is None and last_hours is not None:
        raise Refused(
            "last_hours",
            f"{last_hours:g}",
            "no hour meter is fitted to this stack now.",
            "An empty field would be right.",
        )
    if old is not None:
        _take_off(work, old, last_hours, replaced_at)
    elif meters and (removed := meters[-1].removed_at) and replaced_at < removed:
        raise Refused("replaced_at", "", "the meter before was removed later than that.")
    number = len(meters) + 1
    meter = fit_meter(
        work, stack_id, number, first_hours=first_hours, label=label, fitted_at=replaced_at
    )
    work.note(
        Event.METER_REPLACED,
        ("stack", stack_id, serial),
        [
            ("meter", old and f"{old.number} {old.label}".strip(), f"{number} {label}".strip()),
            (
                "showing",
                None if old is None else "not read" if last_hours is None else f"{last_hours:g} h",
                f"{first_hours:g} h",
            ),
            ("replaced at", None, replaced_at),
        ],
        reason=reason,
        stack_id=stack_id,
    )
    keep_makeups_of_stack(work, stack_id)
    judge_stack(work, stack_id)
    return meter.number


def fit_meter(
    work: Work, stack_id: int, number: int, *, first_hours: float, label: str, fitted_at: datetime
) -> HourMeter:
    """Add a meter with its first reading inside a larger change, which writes the trail."""
    meter = HourMeter(stack_id=stack_id, number=number, label=label, fitted_at=fitted_at)
    work.session.add(meter)
    work.session.flush()
    _add_moment(work, meter, first_hours, fitted_at, Moment.FITTED)
    work.session.flush()
    return meter


def _take_off(
    work: Work, meter: HourMeter, last_hours: float | None, replaced_at: datetime
) -> None:
    if replaced_at < meter.fitted_at:
        raise Refused("replaced_at", "", "the meter was fitted later than that.")
    around = shown_around(work.session, meter.id, replaced_at, work.now)
    later = [showing for showing in around if showing.taken_at > replaced_at]
    if later:
        raise Refused(
            "replaced_at",
            "",
            f"the meter was read after that time, showing {later[0].hours:g} h.",
            "A time after its last reading would be right.",
        )
    if last_hours is not None:
        refuse_unless_between(around, last_hours, replaced_at, "last_hours")
        _add_moment(work, meter, last_hours, replaced_at, Moment.REMOVED)
    meter.removed_at = replaced_at


def _add_moment(
    work: Work, meter: HourMeter, hours: float, taken_at: datetime, moment: Moment
) -> None:
    work.session.add(
        HourReading(
            stack_id=meter.stack_id,
            meter_id=meter.id,
            moment=moment,
            hours=hours,
            taken_at=taken_at,
            by_id=work.by.id,
            known_from=work.now,
        )
    )


def _meters(work: Work, stack_id: int) -> list[HourMeter]:
    statement = select(HourMeter).where(HourMeter.stack_id == stack_id).order_by(HourMeter.number)
    return list(work.session.scalars(statement))


def _serial(work: Work, stack_id: int) -> str:
    serial = work.session.scalar(select(Stack.serial).where(Stack.id == stack_id))
    if serial is None:
        raise NotFound("stack", stack_id)
    return serial
