"""What a bench reports of an hour meter, and hours kept apart, for machines."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.platform.tables import AuditEntry, EntryKey
from service.stacks.tables import Build, HourReport
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.taps.tapping import a_run

Calling = Callable[..., Any]
DAY = timedelta(days=1)
REPORTS = "/api/v1/stacks/T-1/hours/reports"


def told(*showings: tuple[float, datetime]) -> dict[str, Any]:
    """Showings as a bench sends them."""
    return {"reports": [{"hours": hours, "taken_at": at.isoformat()} for hours, at in showings]}


@pytest.fixture
def stack(engine: Engine) -> int:
    """A stack with one build."""
    with Session(engine) as session:
        stack_id = builders.a_stack(session, cells=2, serial="T-1").id
        session.commit()
        return stack_id


def test_a_bench_reports_every_minute_and_hears_the_hours(
    calling: Calling, engine: Engine, stack: int
) -> None:
    """No key needed; what is sent again is not counted again."""
    client = calling("builder")
    at = FIRST_CLOSING + DAY

    first = client.post(REPORTS, json=told((10.0, at), (10.1, at + timedelta(minutes=6))))
    again = client.post(REPORTS, json=told((10.1, at + timedelta(minutes=6))))

    assert first.status_code == again.status_code == 200
    assert first.json()["new"] == 2
    assert again.json()["new"] == 0
    assert again.json()["hours"]["hours"] == {"hours": 10.1, "at_least": False}
    with Session(engine) as session:
        assert session.scalar(select(func.count(HourReport.id))) == 1
        assert session.scalar(select(func.count(AuditEntry.id))) == 1
        assert session.scalar(select(func.count()).select_from(EntryKey)) == 0


def test_a_report_that_cannot_be_is_refused_by_its_field(
    calling: Calling, engine: Engine, stack: int
) -> None:
    client = calling("builder")
    client.post(REPORTS, json=told((10.0, FIRST_CLOSING + DAY)))

    falling = client.post(REPORTS, json=told((9.0, FIRST_CLOSING + 2 * DAY)))

    assert falling.status_code == 422
    assert falling.json()["fields"][0]["field"] == "hours"
    assert client.post(REPORTS, json={"reports": []}).status_code == 422
    assert (
        calling("admin").post(REPORTS, json=told((11, FIRST_CLOSING + 2 * DAY))).status_code == 403
    )


def test_hours_of_builds_are_told_kept_apart(calling: Calling, engine: Engine, stack: int) -> None:
    with Session(engine) as session:
        build = session.scalars(select(Build)).one()
        begin = FIRST_CLOSING + DAY
        a_run(session, build, begin, begin + DAY, meter=(5, 25), load_hours=19, gas_hours=22)
        session.commit()

    (told_build,) = calling("builder").get("/api/v1/stacks/t-1/hours").json()["builds"]

    assert told_build["build_number"] == 1
    assert told_build["by_the_meter"]["hours"] == 25
    assert told_build["kinds"]["at_load"]["hours"] == 24
    assert told_build["kinds"]["gas_exposed"]["hours"] == 27
    assert (told_build["logs"], told_build["starts"]) == (1, 1)


def test_a_machine_takes_back_the_reports_of_a_wrong_stack(
    calling: Calling, engine: Engine, stack: int
) -> None:
    client = calling("builder")
    at = FIRST_CLOSING + DAY
    client.post(REPORTS, json=told((20.0, at)))

    days = {"first_day": at.date().isoformat(), "last_day": at.date().isoformat()}
    answer = client.post(f"{REPORTS}/taken-back", json={**days, "reason": "Bench of T-2."})
    again = client.post(f"{REPORTS}/taken-back", json={**days, "reason": "Once more."})

    assert (answer.status_code, answer.json()) == (200, {"days": 1})
    assert again.status_code == 422
    assert client.post(REPORTS, json=told((10.0, at))).json()["hours"]["hours"]["hours"] == 10


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+12:00", "0001-01-01T00:00:00Z"])
def test_a_report_by_a_clock_that_was_never_set_is_refused(
    calling: Calling, stack: int, at: str
) -> None:
    answer = calling("builder").post(REPORTS, json={"reports": [{"hours": 1, "taken_at": at}]})

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "taken_at"
    assert "before 1900" in answer.text


def test_half_a_sign_in_what_is_sent_is_refused_and_told_back(calling: Calling, stack: int) -> None:
    sent = b'{"reports": [{"hours": "\\ud800", "taken_at": "x", "\\udfff": 1}]}'
    answer = calling("builder").post(
        REPORTS, content=sent, headers={"content-type": "application/json"}
    )

    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    assert "\\udfff" in answer.text
    assert answer.json()["fields"][0]["reason"]
