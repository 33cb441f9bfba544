"""What a bench reports of an hour meter, every minute if it likes.

A day (UTC) of a meter is one row with the first and the newest showing. Only the first report of
a day makes an entry in the trail; the row itself goes forward only.
"""

from bisect import bisect_left, bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from sqlalchemy import exists, select

from service.platform.audit import Change, Event
from service.platform.changes import not_ahead, not_below_zero
from service.platform.changes import reason as words_of_why
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.platform.tables import AuditEntry
from service.runs.queries.run_checks import Shown, shown_around
from service.stacks.changes.build_features import keep_makeups_of_stack
from service.stacks.changes.hours import (
    hours_beyond_time,
    meter_fitted_at,
    refuse_unless_between,
)
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.queries.build_spans import OpenSpan, open_spans
from service.stacks.tables import HourMeter, HourReport, Moment, Stack

MOST_NAMED = 20
"""Reports left out that one entry of the trail names."""


@dataclass(frozen=True, slots=True)
class Report:
    """What the meter showed at a time, in h."""

    hours: float
    taken_at: datetime


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many reports were new; ``doubts`` says which were left out of the hours, and why."""

    new: int
    doubts: tuple[str, ...] = ()


def report_hours(work: Work, stack_id: int, reports: Sequence[Report]) -> TakenIn:
    """Take in what a bench reports of a stack's hour meter.

    They may come late and in any order. A bench may send again what it is not sure of: no hour
    changes by it; a repetition of a day's first or newest report is passed over, one of those
    between is only counted once more. One for which time does not suffice, or that ran while the
    stack lay open, is left out and named among the doubts; nobody is there to be asked. Raises
    Refused for a showing that falls or lies ahead, and where no meter was fitted; NotFound.
    """
    need(work.by, Act.HOURS_WRITE)
    serial = work.session.scalar(select(Stack.serial).where(Stack.id == stack_id))
    if serial is None:
        raise NotFound("stack", stack_id)
    work.refuse_nobody("reported by", "a report comes from somebody known.", "Use a token.")
    if not reports:
        raise Refused("reports", "", "nothing is reported.", "One report at least.")
    by_meter: dict[int, list[Report]] = {}
    for report in sorted(reports, key=lambda report: (report.taken_at, report.hours)):
        not_ahead("taken_at", report.taken_at, work.now)
        not_below_zero("hours", report.hours, "h")
        meter = meter_fitted_at(work, stack_id, report.taken_at)
        by_meter.setdefault(meter.id, []).append(report)
    begun: list[Change] = []
    doubts: list[str] = []
    spans = open_spans(work.session, stack_id)
    new = 0
    for meter_id, meter_reports in by_meter.items():
        # one bench after another: two would write the same day's row
        work.session.get_one(HourMeter, meter_id, with_for_update=True)
        days = _Days(work, stack_id, meter_id, meter_reports, spans)
        new += sum(days.take(report) for report in meter_reports)
        begun += days.begun
        doubts += days.doubts
    work.session.flush()
    if begun:
        work.note(Event.HOURS_REPORTED, ("stack", stack_id, serial), begun, stack_id=stack_id)
        keep_makeups_of_stack(work, stack_id)
    if doubts and not _noted_today(work, stack_id):
        left_out: list[Change] = [("left out of the hours", None, doubt) for doubt in doubts]
        subject = ("stack", stack_id, serial)
        work.note(Event.HOURS_LEFT_OUT, subject, left_out[:MOST_NAMED], stack_id=stack_id)
    return TakenIn(new, tuple(doubts))


def _noted_today(work: Work, stack_id: int) -> bool:
    """Say whether the trail names reports left out today: a bench may send them every minute."""
    noted = exists().where(
        AuditEntry.stack_id == stack_id,
        AuditEntry.act == Event.HOURS_LEFT_OUT,
        AuditEntry.at >= work.now.astimezone(UTC).replace(hour=0, minute=0, second=0),
    )
    return bool(work.session.scalar(select(noted)))


def take_back_reports(
    work: Work, stack_id: int, *, first_day: date, last_day: date, reason: str
) -> int:
    """Take back what a bench reported on some days (UTC), both told; give how many days.

    For a bench that reported another stack's meter. The rows stay as they were and count no more;
    the days may be reported anew. Raises Refused without a reason or a report; NotFound.
    """
    need(work.by, Act.HOURS_WRITE)
    serial = work.session.scalar(select(Stack.serial).where(Stack.id == stack_id))
    if serial is None:
        raise NotFound("stack", stack_id)
    why = words_of_why(reason)
    if last_day < first_day:
        raise Refused("last_day", last_day.isoformat(), "that is before the first day.")
    rows = work.session.scalars(
        select(HourReport)
        .where(
            HourReport.stack_id == stack_id,
            HourReport.day.between(first_day, last_day),
            HourReport.known_until.is_(None),
        )
        .order_by(HourReport.day, HourReport.id)
        .with_for_update()
    ).all()
    if not rows:
        raise Refused(
            "first_day",
            first_day.isoformat(),
            f"no bench reported this stack's meter from then to {last_day.isoformat()}.",
            "The days stand in the list of readings.",
        )
    for row in rows:
        row.known_until, row.taken_back_because = work.now, why
    work.session.flush()
    changes: list[Change] = [
        (
            f"reports of {row.day.isoformat()}",
            f"{row.first_hours:g} h to {row.last_hours:g} h",
            None,
        )
        for row in rows
    ]
    subject = ("stack", stack_id, serial)
    work.note(Event.HOURS_TAKEN_BACK, subject, changes, reason=why, stack_id=stack_id)
    keep_makeups_of_stack(work, stack_id)
    judge_stack(work, stack_id)
    return len(rows)


class _Days:
    """The rows of one meter's days while reports are taken in."""

    def __init__(
        self,
        work: Work,
        stack_id: int,
        meter_id: int,
        reports: list[Report],
        open_spans: Sequence[OpenSpan],
    ) -> None:
        self.work, self.stack_id, self.meter_id = work, stack_id, meter_id
        self.open_spans = open_spans
        self.doubts: list[str] = []
        begin, end = reports[0].taken_at, reports[-1].taken_at
        self.shown = shown_around(work.session, meter_id, begin, end)
        self.fitted = [showing for showing in self.shown if showing.moment is Moment.FITTED]
        rows = select(HourReport).where(
            HourReport.meter_id == meter_id,
            HourReport.day.between(_day(begin), _day(end)),
            HourReport.known_until.is_(None),
        )
        self.rows = {row.day: row for row in work.session.scalars(rows)}
        self.begun: list[Change] = []

    def take(self, report: Report) -> bool:
        """Take one report in; False for one that came before."""
        at, hours = report.taken_at, report.hours
        row = self.rows.get(_day(at))
        if row is not None and (at, hours) in (
            (row.first_at, row.first_hours),
            (row.last_at, row.last_hours),
        ):
            return False
        near = self._near(at)
        refuse_unless_between(near, hours, at)
        earlier = [showing for showing in near if showing.taken_at < at]
        if beyond := hours_beyond_time(earlier, hours, at, self.open_spans):
            self.doubts.append(f"{hours:g} h at {at:%Y-%m-%d %H:%M} UTC: {beyond} Left out.")
            return False
        insort(self.shown, Shown(hours, at), key=_when)
        if row is None:
            self._begin(report)
            return True
        row.report_count += 1
        if at >= row.last_at:
            _refuse_falling(hours, row.last_hours)
            row.last_at, row.last_hours = at, hours
        elif at <= row.first_at:
            row.first_at, row.first_hours = at, min(hours, row.first_hours)
        return True

    def _near(self, at: datetime) -> list[Shown]:
        """The nearest showings on both sides of a time, and those when the meter was fitted."""
        before, after = (
            bisect_left(self.shown, at, key=_when),
            bisect_right(self.shown, at, key=_when),
        )
        return [*self.fitted, *self.shown[max(0, before - 1) : after + 1]]

    def _begin(self, report: Report) -> None:
        day = _day(report.taken_at)
        row = HourReport(
            stack_id=self.stack_id,
            meter_id=self.meter_id,
            day=day,
            first_hours=report.hours,
            first_at=report.taken_at,
            last_hours=report.hours,
            last_at=report.taken_at,
            report_count=1,
            by_id=self.work.by.id,
            known_from=self.work.now,
        )
        self.work.session.add(row)
        self.rows[day] = row
        self.begun.append((f"first report of {day.isoformat()}", None, f"{report.hours:g} h"))


def _refuse_falling(hours: float, last_hours: float) -> None:
    """At the very time of the newest report, too, no showing falls."""
    if hours < last_hours:
        raise Refused(
            "hours",
            f"{hours:g}",
            f"at that time the meter was reported to show {last_hours:g} h.",
            f"{last_hours:g} h or more would be right.",
        )


def _when(showing: Shown) -> datetime:
    return showing.taken_at


def _day(at: datetime) -> date:
    return at.astimezone(UTC).date()
