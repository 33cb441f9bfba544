"""What a bench reports by itself: the hour meter of WREN-02, each quarter of an hour until now."""

from datetime import UTC, datetime, time, timedelta

from service.demo.days import LAST_WORKING_DAY, MON, THU, When, ago, last_working_day
from service.demo.lab import Entry, Lab
from service.demo.running import NOW, shown
from service.platform.database import changing
from service.stacks.changes.hour_reports import Report, report_hours

STACK = "WREN-02"


EVERY = timedelta(minutes=15)


TODAY = When(0, LAST_WORKING_DAY, "23:59")
"""Sorts behind everything else; what it stands for is the moment the history is made."""


DAYS = (ago(1, MON, "09:00"), ago(1, THU, "09:00"), last_working_day("09:10"))


def _of_a_day(lab: Lab, when: When) -> None:
    begins = lab.days.at(when)
    hours = shown(lab, STACK, when)
    _report(lab, [Report(round(hours + 0.1 * n, 1), begins + n * EVERY) for n in range(5)])


def _today(lab: Lab, _when: When) -> None:
    """Since the morning, or since midnight (UTC) in a demo that is made at night."""
    now = lab.days.now
    midnight = datetime.combine(now.astimezone(UTC).date(), time(), UTC)
    begins = max(midnight, now - timedelta(hours=5))
    hours = shown(lab, STACK, NOW)
    passed = int((now - begins) / EVERY)
    _report(
        lab,
        [
            Report(round(hours + n * EVERY / timedelta(hours=1), 2), begins + n * EVERY)
            for n in range(passed + 1)
        ],
    )


def _report(lab: Lab, reports: list[Report]) -> None:
    last = reports[-1].taken_at
    with changing(lab.engine, lab.people["anton"], via="api", now=last) as work:
        report_hours(work, lab.stacks[STACK], reports)


def entries() -> list[Entry]:
    """Reports of three days, and today's."""
    return [
        *(Entry(when, f"{STACK}: hours reported", _of_a_day) for when in DAYS),
        Entry(TODAY, f"{STACK}: hours reported today", _today),
    ]
