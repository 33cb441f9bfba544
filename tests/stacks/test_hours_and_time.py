"""Hours that outrun time, or ran while the stack lay open: asked about, or left out."""

from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.bench.queries.correction_preview import preview
from service.bench.queries.corrections import correction
from service.bench.tables import CorrectionOf
from service.platform.database import changing, reading
from service.platform.errors import Question, Refused
from service.platform.queries.statements import known
from service.platform.tables import AuditEntry
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands
from service.records.tables import RebuildRecord, Step, StepKind
from service.stacks.changes.hour_reports import Report, report_hours
from service.stacks.changes.hours import read_hours
from service.stacks.queries.hour_kinds import stack_kinds
from service.stacks.queries.hours import left_out_of_hours, stack_hours
from service.stacks.tables import Build, BuildPeriod, HourReading, Moment, Stack
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, a_lab
from tests.bench.corrections.test_corrections import a_desk
from tests.builders import START
from tests.stacks.test_hours import LATER, a_worker, an_empty_stack
from tests.stacks.test_stacks_pages import Clients, words

DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
STANDS = {"stands": Stands.STANDS, "outside_because": "the meter was reset by the maker"}


def an_open_stack(engine: Engine) -> int:
    """A stack of two builds that lay open for a while between them."""
    with Session(engine) as session:
        stack = builders.a_stack(session, serial="TEL-1", cells=2)
        builders.a_build(session, stack, hours=120)
        session.commit()
        return stack.id


def lay_open(session: Session, stack_id: int) -> tuple[Any, Any]:
    """When it was opened and closed again."""
    first, second = session.scalars(
        select(BuildPeriod)
        .where(BuildPeriod.stack_id == stack_id, known(BuildPeriod))
        .order_by(BuildPeriod.closed_at)
    )
    return first.opened_at, second.closed_at


@pytest.mark.both_engines
def test_a_reading_for_which_time_does_not_suffice_is_asked_about_and_kept_with_the_reason(
    engine: Engine,
) -> None:
    by, stack_id = a_worker(engine), an_empty_stack(engine)

    def read(**answers: Any) -> None:
        with changing(engine, by, now=LATER) as work:
            read_hours(work, stack_id, hours=700, taken_at=START + 20 * DAY, **answers)

    with pytest.raises(Question, match="700 h on the meter in 480 h of time") as asked:
        read()
    with pytest.raises(Refused, match="without a reason"):
        read(stands=Stands.STANDS)
    read(**STANDS)

    assert asked.value.key == "stands"
    with Session(engine) as session:
        entry = session.scalars(select(AuditEntry)).one()
        assert "700 h on the meter in 480 h of time" in entry.changes
        assert entry.reason == STANDS["outside_because"]


def test_hours_no_earlier_reading_leaves_time_for_are_refused(engine: Engine) -> None:
    """Two readings, each of which would have to be wrong: impossible beyond doubt."""
    by, stack_id = a_worker(engine), an_empty_stack(engine)
    with changing(engine, by, now=LATER) as work:
        read_hours(work, stack_id, hours=100, taken_at=START + 20 * DAY)

    with (
        pytest.raises(Refused, match="none of the 2 readings before it") as refused,
        changing(engine, by, now=LATER) as work,
    ):
        read_hours(work, stack_id, hours=1700, taken_at=START + 40 * DAY, **STANDS)

    assert not isinstance(refused.value, Question)


def test_hours_that_ran_while_the_stack_lies_open_are_asked_about_at_the_closing(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    bench = lab.begin()
    bench.open(hours=120.0)
    lab.now = closed_at = WORK_BEGAN + 4 * HOUR

    with pytest.raises(Question, match=r"3\.5 h on the meter in 3\.5 h of time, 3\.5 h of it"):
        bench.do(close_stack, closed_at=closed_at, hours=123.5)
    bench.do(close_stack, closed_at=closed_at, hours=123.5, **STANDS)

    with Session(engine) as session:
        step = session.scalars(
            select(Step).where(Step.kind == StepKind.CLOSED, Step.record_id == bench.number)
        ).one()
        assert step.deviation is not None
        assert step.deviation_because == STANDS["outside_because"]
    bench.do(hand_in)


@pytest.mark.both_engines
def test_a_feed_leaves_out_what_cannot_be_and_names_it(engine: Engine) -> None:
    """It does not wait for an answer; one entry of the trail a day."""
    stack_id, by = an_open_stack(engine), a_worker(engine)
    with Session(engine) as session:
        _opened_at, closed_at = lay_open(session, stack_id)

    def send(*reports: Report) -> Any:
        with changing(engine, by, now=LATER) as work:
            return report_hours(work, stack_id, reports)

    with reading(engine) as session:
        before = stack_hours(session, [stack_id])[stack_id].hours.hours
    beyond = send(Report(before + 40, closed_at + HOUR), Report(before + 1, closed_at + 2 * HOUR))
    again = send(Report(before + 50, closed_at + 3 * HOUR))

    assert (beyond.new, again.new) == (1, 0)
    assert "Left out" in beyond.doubts[0]
    with Session(engine) as session:
        assert stack_hours(session, [stack_id])[stack_id].hours.hours == before + 1
        acts = session.scalars(select(AuditEntry.act)).all()
        assert list(acts).count("hours:left out") == 1
        (noted,) = left_out_of_hours(session, stack_id)
        assert noted.doubts == beyond.doubts


def test_a_machine_is_asked_by_the_key(calling: Callable[..., Any], engine: Engine) -> None:
    """Refused with the key; sent again with the answer it is taken."""
    an_open_stack(engine)
    client = calling("builder")
    sent = {"hours": 180.0, "taken_at": "2026-03-05T12:00:00Z"}
    at = "/api/v1/stacks/TEL-1/hours"

    asked = client.post(at, json=sent)
    kept = client.post(at, json=sent | {"stands": "stands", "outside_because": "new board"})

    assert asked.status_code == 422
    assert "stands" in asked.text
    assert kept.status_code == 201


def test_a_correction_says_what_would_run_while_the_stack_lay_open(engine: Engine) -> None:
    """Hours at the opening corrected down: the closing still shows them."""
    desk = a_desk(engine)
    fact = desk.fact(desk.second, CorrectionOf.HOURS, hours=310.0)
    with Session(engine) as session:
        opening = session.get_one(HourReading, fact.subject_id)
        period = session.scalars(
            select(BuildPeriod)
            .where(known(BuildPeriod), BuildPeriod.closed_at > opening.taken_at)
            .order_by(BuildPeriod.closed_at)
        ).first()
        assert period is not None
        facts = {c.key: getattr(opening, c.key) for c in HourReading.__table__.columns}
        facts |= {"id": None, "moment": "at closing", "taken_at": period.closed_at}
        session.add(HourReading(**facts | {"step_id": None}))
        session.commit()

    number = desk.propose(desk.second, fact, "309.5 h")

    with Session(engine) as session:
        notes = preview(session, correction(session, number)).notes
    assert "0.5 h would have run while the stack lay open: no part gets them." in notes


def test_the_hours_page_says_by_how_much_meter_and_builds_differ(
    signed_in_client: Clients, calling: Callable[..., Any], app: Any
) -> None:
    engine = app.state.engine
    stack_id = an_open_stack(engine)
    with Session(engine) as session:
        _opened_at, closed_at = lay_open(session, stack_id)
        stack, second = session.get_one(Stack, stack_id), session.get_one(Build, 2)
        record = session.get_one(RebuildRecord, second.record_id)
        builders.an_hour_reading(
            session, stack, 120.8, closed_at, moment=Moment.CLOSING, record=record
        )
        session.commit()
        kinds = stack_kinds(session, stack_id)

    page = words(signed_in_client("builder").get("/stacks/TEL-1/hours").text)
    answer = calling("builder").get("/api/v1/stacks/TEL-1/hours").json()

    assert kinds[1].span.start is not None
    assert "0.8 h while the stack lay open between builds 1 and 2" in page.replace("\u2009", " ")
    assert [round(part["hours"], 1) for part in answer["outside"]] == [0.8]


def test_the_hours_page_asks_and_keeps_what_was_typed(signed_in_client: Clients, app: Any) -> None:
    an_open_stack(app.state.engine)
    client = signed_in_client("builder")
    at = "/stacks/TEL-1/hours"
    typed = {"hours": "180", "taken_at": "2026-03-05 12:00"}

    asked = client.post(at, data=typed)
    kept = client.post(
        at,
        data=typed | {"stands": "stands", "outside_because": "new board"},
        follow_redirects=False,
    )

    assert asked.status_code == 422
    assert "It stands: keep it with the reason" in asked.text
    assert 'value="180"' in asked.text
    assert kept.status_code == 303


def test_the_hours_page_names_what_was_left_out(
    calling: Callable[..., Any], signed_in_client: Callable[..., Any], engine: Engine
) -> None:
    an_open_stack(engine)
    reports = [{"hours": hours, "taken_at": f"2026-03-05T{hour}:00:00Z"}
               for hours, hour in ((150.0, "11"), (190.0, "12"))]  # fmt: skip

    answer = calling("builder").post(
        "/api/v1/stacks/TEL-1/hours/reports", json={"reports": reports}
    )
    page = signed_in_client("builder").get("/stacks/TEL-1/hours").text

    assert answer.json()["doubts"], answer.text
    assert 'id="left-out"' in page
    assert answer.json()["doubts"][-1] in unescape(page)
