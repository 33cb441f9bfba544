"""What failing MEAs share, and holding what is exposed: as machines ask for it."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.store.tables import Hold
from tests.life.suspecting import FailingLab, failing_lab, fill

Calling = Callable[..., Any]


@pytest.fixture
def lab(engine: Engine) -> FailingLab:
    """Four stacks with four failing MEAs."""
    with Session(engine, expire_on_commit=False) as session:
        made = failing_lab(session)
        session.commit()
    fill(engine)
    return made


@pytest.mark.both_engines
def test_a_machine_is_told_what_a_page_tells(calling: Calling, lab: FailingLab) -> None:
    told = calling("quality").get("/api/v1/parts/MEA-101/suspects").json()

    assert (told["failing"], told["meas"], told["by_rule"]) == (4, 24, False)
    lot = next(one for one in told["factors"] if one["factor"] == "MEA lot")
    first = lot["levels"][0]
    assert (first["name"], first["failing"], first["all"], first["is_own"]) == ("A-1", 4, 12, True)
    assert first["odds_ratio"]["value"] is None
    assert first["odds_ratio"]["high"] is None
    assert first["odds_ratio"]["low"] > 0
    people = next(one for one in told["factors"] if one["factor"] == "people at the closing")
    assert people["levels"] == []
    assert people["own"] == []
    assert told["few_data"][0].startswith("Few data")
    assert sum(cell[1] for row in told["grid"] for cell in row["cells"]) == 24


@pytest.mark.both_engines
def test_case_35_meas_without_known_hours_are_left_out_and_counted(
    calling: Calling, signed_in_client: Calling, engine: Engine, lab: FailingLab
) -> None:
    """One of them fails: it stays in the plain counts, and in none with hours."""
    address = "/api/v1/parts/MEA-101/suspects"
    before = calling("quality").get(address).json()
    with Session(engine) as session:
        for mea in (lab.meas[0][0], lab.meas[0][1], lab.meas[1][1]):
            session.merge(mea).hours_before_unknown = True
        session.commit()

    after = calling("quality").get(address).json()

    assert (before["without_known_hours"], after["without_known_hours"]) == (0, 3)
    assert (after["failing"], after["meas"]) == (before["failing"], before["meas"])
    assert after["comparable"] == before["comparable"] - 2
    sentence = "3 MEAs without known hours are left out of every figure that uses hours."
    assert sentence in after["few_data"]
    page = signed_in_client("quality").get(f"/parts/{lab.meas[0][0].id}/suspects")
    assert sentence in page.text


def test_all_of_it_is_held_by_one_call(calling: Calling, engine: Engine, lab: FailingLab) -> None:
    """And only once, however often the call is repeated with its key."""
    client = calling("quality")
    before = client.get("/api/v1/parts/MEA-101/containment").json()
    names = [t["name"] for g in before["groups"] for t in g["things"] if t["can_be_held"]]

    def send() -> Any:
        return client.post(
            "/api/v1/parts/MEA-101/containment",
            json={"reason": "pinholes", "all": True},
            headers={"Idempotency-Key": "containment-0001"},
        )

    first, again = send(), send()

    assert first.status_code == 201
    assert len(first.json()["hold_ids"]) == len(names)
    assert (again.status_code, again.json()) == (200, {"id": first.json()["id"]})
    with Session(engine) as session:
        assert session.scalar(select(func.count()).select_from(Hold)) == len(names)
    after = client.get("/api/v1/parts/MEA-101/containment").json()
    assert not any(t["can_be_held"] for g in after["groups"] for t in g["things"])


@pytest.mark.both_engines
def test_what_is_chosen_is_held(calling: Calling, engine: Engine, lab: FailingLab) -> None:
    lot = f"lot-{lab.lots[0].id}"

    answer = calling("builder").post(
        "/api/v1/parts/MEA-101/containment", json={"reason": "pinholes", "chosen": [lot]}
    )

    assert answer.status_code == 201
    with Session(engine) as session:
        assert session.scalars(select(Hold.lot_id)).all() == [lab.lots[0].id]


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        ({"reason": "x", "chosen": []}, 422),
        ({"reason": "", "all": True}, 422),
        ({"reason": "x", "chosen": ["stack-1"]}, 422),
        ({"reason": "x", "chosen": ["lot-999999"]}, 404),
    ],
)
def test_what_cannot_be_held_is_said(
    calling: Calling, lab: FailingLab, sent: dict[str, Any], status: int
) -> None:
    answer = calling("quality").post("/api/v1/parts/MEA-101/containment", json=sent)

    assert answer.status_code == status


def test_leave_to_hold_is_needed(calling: Calling, lab: FailingLab) -> None:
    answer = calling("admin").post(
        "/api/v1/parts/MEA-101/containment", json={"reason": "x", "all": True}
    )

    assert answer.status_code == 403
