"""What a bench reports of an hour meter, and the hours of a stack kept apart."""

from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter
from pydantic import BeforeValidator, Field

from service.platform.api import answers, request_models
from service.platform.api.callers import Asked, Caller, Database
from service.platform.database import changing, now_utc, reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.stacks.api import stack_models
from service.stacks.changes.hour_reports import Report, report_hours, take_back_reports
from service.stacks.queries import hour_kinds
from service.stacks.queries.hour_histories import hour_history
from service.stacks.queries.hour_kinds import stack_kinds
from service.stacks.queries.hours import stack_hours
from service.stacks.queries.stacks import find_stack

router = APIRouter(prefix="/stacks", tags=["hours"])
MOST_AT_ONCE = 10_000


class HourReports(request_models.In):
    """Showings of the hour meter, in any order, late ones too."""

    reports: list[request_models.HoursRead] = Field(min_length=1, max_length=MOST_AT_ONCE)


class Reported(answers.Out):
    """How many of the reports were new, and the stack's hours since."""

    new: int
    doubts: list[str] = Field(description="reports left out of the hours, each with why")
    hours: stack_models.StackHours


class DaysTakenBack(request_models.In):
    """From which day to which, by UTC, both told."""

    first_day: date
    last_day: date
    reason: str = Field(min_length=1, max_length=2_000)


class TakenBack(answers.Out):
    """How many days of reports count no more."""

    days: int


class KindsOfBuild(answers.Out):
    """The hours of one build, each kind apart."""

    build_number: int = answers.read_from("span.number")
    closed_at: datetime = answers.read_from("span.closed_at")
    opened_at: datetime | None = answers.read_from("span.opened_at")
    by_the_meter: stack_models.Hours = answers.read_from("span.ran")
    kinds: stack_models.Kinds
    logs: Annotated[int, BeforeValidator(len)] = Field(
        description="logs of test benches read for it"
    )
    starts: int = Field(description="in those logs")
    stops: int


@answers.like(hour_kinds.OutsideBuilds)
class OutsideBuilds(answers.Out):
    """Hours of a stack's meters that no build has, in h, and why."""


class StackKinds(answers.Out):
    """The hours of a stack, each kind apart, in its builds."""

    serial: str
    on: datetime | None
    known_at: datetime | None
    hours: stack_models.Hours = Field(description="of the stack over all its meters")
    builds: list[KindsOfBuild]
    outside: list[OutsideBuilds] = Field(description="hours of the meters that no build has")


@router.post("/{serial}/hours/reports")
def report(serial: str, entry: HourReports, caller: Caller, engine: Database) -> Reported:
    """Report what the stack's hour meter shows, in h, as often as every minute.

    No one-time key is needed: sending a report again changes no hour. The audit trail has one
    entry a day.
    """
    with changing(engine, caller, via="api") as work:
        stack_id = find_stack(work.session, serial)
        meter_reports = [Report(reported.hours, reported.taken_at) for reported in entry.reports]
        taken_in = report_hours(work, stack_id, meter_reports)
        hours = stack_hours(work.session, [stack_id])[stack_id]
    return Reported(
        new=taken_in.new,
        doubts=list(taken_in.doubts),
        hours=stack_models.StackHours.from_answer(hours),
    )


@router.post("/{serial}/hours/reports/taken-back")
def take_back(serial: str, entry: DaysTakenBack, caller: Caller, engine: Database) -> TakenBack:
    """Take back what a bench reported of the wrong stack; the days may be reported anew."""
    with changing(engine, caller, via="api") as work:
        days = take_back_reports(
            work,
            find_stack(work.session, serial),
            first_day=entry.first_day,
            last_day=entry.last_day,
            reason=entry.reason,
        )
    return TakenBack(days=days)


@router.get("/{serial}/hours")
def kinds(serial: str, caller: Caller, engine: Database, as_of: Asked) -> StackKinds:
    """Return the hours of a stack's builds kept apart: at load, gas-exposed and calendar."""
    need(caller, Act.READ)
    until = as_of.until(now_utc())
    with reading(engine) as session:
        stack_id = find_stack(session, serial)
        build_kinds = stack_kinds(session, stack_id, as_of)
        history = hour_history(session, stack_id, as_of, Turn(1))
    return StackKinds(
        serial=serial,
        on=as_of.on,
        known_at=as_of.known_at,
        hours=stack_models.Hours.from_answer(history.now),
        builds=[
            KindsOfBuild.from_answer(
                build,
                kinds=build.of(None, until),
                starts=sum(log.starts for log in build.logs),
                stops=sum(log.stops for log in build.logs),
            )
            for build in build_kinds
        ],
        outside=[
            OutsideBuilds.from_answer(differs)
            for differs in hour_kinds.hours_outside(build_kinds, history.now)
        ],
    )
