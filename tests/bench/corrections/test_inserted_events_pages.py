"""The pages and calls by which an event older than the present build is entered."""

import re
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests import builders

FIRST_CLOSED = builders.FIRST_CLOSING
A_WEEK_LATER = FIRST_CLOSED + timedelta(days=7)


@pytest.fixture
def driver(app: Any) -> str:
    """A stack in its second build; the label of the torque driver."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TARN-001", meter_hours=0.0)
        for hours in (None, 100.0):
            builders.a_build(session, stack, cells=2, hours=hours)
        label: str = builders.a_torque_instrument(session, label="TD-9").label
        session.commit()
        return label


def words(answer: Any) -> str:
    """The page's text without its marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", answer.text))


def a_re_torque(driver: str, at: datetime) -> dict[str, Any]:
    """A whole record of a re-torque as a machine sends it."""
    nuts = [
        {
            "rod_number": rod,
            "pass_number": 3,
            "torque_nm": 9.0,
            "instrument": driver,
            "taken_at": (at + timedelta(minutes=5 + rod)).isoformat(),
        }
        for rod in range(1, 5)
    ]
    return {
        "stack": "TARN-001",
        "kind": "re-torque",
        "reason": "paper found in the drawer",
        "performed_from": at.isoformat(),
        "torque_at_closing": nuts,
    }


@pytest.mark.both_engines
def test_case_12_a_whole_record_of_then_is_taken_in_its_place(
    calling: Callable[..., Any], driver: str
) -> None:
    client = calling("builder")

    made = client.post("/api/v1/records", json=a_re_torque(driver, A_WEEK_LATER))
    opened = FIRST_CLOSED + timedelta(days=29, hours=23)
    refused = client.post("/api/v1/records", json=a_re_torque(driver, opened))

    assert made.status_code == 201, made.json()
    answer = client.get(f"/api/v1/records/{made.json()['id']}").json()
    assert (answer["inserted_before"], answer["conflicts"]) == (2, [])
    assert answer["content"]["began_from_build"] == 1
    assert refused.status_code == 422


def test_case_12_a_person_enters_paper_of_then_and_sees_what_rests_on_it(
    app: Any, signed_in_client: Callable[..., Any], driver: str
) -> None:
    client = signed_in_client("builder")
    began = {
        "stack": "TARN-001",
        "reason": "paper found",
        "worked": str(client.person_id),
        "performed_from": f"{A_WEEK_LATER:%FT%H:%M}",
    }

    client.post("/records/new", data=began | {"kind": "inspection"})

    assert "This event came before record 2; it is about build 1" in words(client.get("/records/3"))
    at_bench = words(client.get("/records/3/bench"))
    assert "before record 2: build 1 counts here, as it was then." in at_bench
    assert f'value="{A_WEEK_LATER:%Y-%m-%d}' in client.get("/records/3/bench?at=exception").text


def test_case_12_an_opening_of_then_says_by_machine_and_on_its_page_what_contradicts_it(
    calling: Callable[..., Any], signed_in_client: Callable[..., Any], driver: str
) -> None:
    client = calling("builder")
    opened = {
        "opened_at": (A_WEEK_LATER + timedelta(minutes=5)).isoformat(),
        "hours": 50.0,
        "exception": "nothing was written of it",
    }
    lifted = {
        "end": "free end",
        "findings": [{"condition": "none seen"}],
        "done_at": (A_WEEK_LATER + timedelta(minutes=6)).isoformat(),
    }
    whole = a_re_torque(driver, A_WEEK_LATER) | {
        "kind": "rebuild",
        "opening": opened,
        "lifted_off": [lifted],
        "closing": {"closed_at": (A_WEEK_LATER + timedelta(minutes=20)).isoformat()},
    }

    made = client.post("/api/v1/records", json=whole)

    assert made.status_code == 201, made.json()
    answer = client.get("/api/v1/records/3").json()
    (conflict,) = answer["conflicts"]
    assert re.fullmatch(
        r"Record 2 took off \S.* at layer \d+; this record leaves nothing there\."
        r" Correct record 2, or send record 3 back and put it right\.",
        conflict,
    )
    facts = {row["what"]: (row["before"], row["after"]) for row in answer["follows"]}
    assert facts["record 2 (rebuild) is about"] == ("build 1", "build of this record")
    page = words(signed_in_client("builder").get("/records/3"))
    assert conflict in page
    assert "Once it is approved, its build stands between those of before" in page
