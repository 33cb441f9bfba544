"""MEAs' lives and failing ones as machines see them."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.life.arithmetic.failing_rules import (
    Criterion,
    CriterionKind,
    FailingRule,
    rule_as_data,
)
from service.store.tables import Part
from tests.life.mea_reading import ReadStack, a_read_stack
from tests.proposing import put_in_force

Calling = Callable[..., Any]
RULE = {
    "content": rule_as_data(FailingRule((Criterion(CriterionKind.VOLTAGE, 0.6),), 0.7)),
    "source": "design note 7, invented",
    "reason": "first rule",
}
WORD = {"failed_at": "2026-03-20T10:00:00Z", "reason": "weak in two builds", "grounds": ["voltage"]}


@pytest.fixture
def made(engine: Engine) -> ReadStack:
    with Session(engine) as session:
        made = a_read_stack(session)
        session.commit()
    return made


@pytest.fixture
def serial(engine: Engine, made: ReadStack) -> str:
    """Serial of the weak MEA."""
    with Session(engine) as session:
        return session.scalars(select(Part.serial).where(Part.id == made.weak)).one() or ""


def test_a_life_is_told_with_its_rate_and_hours_to_a_limit(
    calling: Calling, made: ReadStack, serial: str
) -> None:
    client = calling("builder")

    life = client.get(f"/api/v1/parts/{serial}/life", params={"limit_v": 0.53}).json()

    assert life["density_a_cm2"] == pytest.approx(0.7)
    assert [(it["build_number"], it["cell"], it["readings"]) for it in life["builds"]] == [
        (1, 3, 16),
        (2, 1, 11),
    ]
    assert {rate["method"] for rate in life["rates"]} == {"least squares", "median of slopes"}
    assert all(rate["slope_uv_h"] == pytest.approx(-120, abs=1) for rate in life["rates"])
    assert {one["outlook"] for one in life["outlooks"]} == {"reaches it"}
    assert len(life["readings"]) == 27
    assert life["readings"][-1]["own_hours"] == pytest.approx(1000)
    assert "spell" in life["recovery_untold"]


def test_a_rule_is_written_read_and_tells_who_meets_it(
    calling: Calling, made: ReadStack, serial: str
) -> None:
    client = calling("quality")
    address = f"/api/v1/designs/{made.design_id}/failing-rule"

    answer = client.post(address, json=RULE)

    assert answer.status_code == 201, answer.text
    assert client.get(address).json() == []
    put_in_force(client.app.state.engine, answer.json()["id"])
    (version,) = client.get(address).json()
    assert (version["version"], version["in_force"]) == (1, True)
    assert version["content"] == RULE["content"]
    met = client.get("/api/v1/failing", params={"answer": "met"}).json()
    assert [(row["label"], row["stack"], row["cell"]) for row in met["rows"]] == [
        (serial, made.serial, 1)
    ]
    assert "below 0.6" in met["rows"][0]["reasons"][0]["words"]
    assert met["after"] is None


def test_what_is_no_rule_is_refused_with_what_would_be_right(
    calling: Calling, made: ReadStack
) -> None:
    client = calling("quality")
    address = f"/api/v1/designs/{made.design_id}/failing-rule"

    wrong = client.post(address, json=RULE | {"content": {"form": "failing rule 1"}})
    far = client.post(
        address,
        json=RULE
        | {"content": {**RULE["content"], "criteria": [{"kind": "voltage", "limit": 60.0}]}},
    )

    assert (wrong.status_code, far.status_code) == (422, 422)
    assert "criteria is missing" in wrong.json()["detail"]
    assert "allowed: 0.01 to 1.3 V" in far.json()["detail"]
    assert client.get("/api/v1/designs/99999/failing-rule").status_code == 404


def test_a_word_is_given_once_and_withdrawn(calling: Calling, made: ReadStack, serial: str) -> None:
    client = calling("quality")
    address = f"/api/v1/parts/{serial}/failing"
    key = {"Idempotency-Key": "the-word-1"}

    first, again = (client.post(address, json=WORD, headers=key) for _turn in range(2))

    assert first.status_code == 201, first.text
    assert again.json() == first.json()
    (row,) = client.get("/api/v1/failing").json()["rows"]
    assert (row["label"], row["mark_reason"]) == (serial, "weak in two builds")
    gone = client.post(f"{address}/withdrawal", json={"reason": "loose lead"})
    assert gone.status_code == 201
    assert client.get("/api/v1/failing").json()["rows"] == []
    (mark,) = client.get(f"/api/v1/parts/{serial}/life").json()["marks"]
    assert mark["withdrawn_because"] == "loose lead"


def test_a_builder_gives_no_word(calling: Calling, made: ReadStack, serial: str) -> None:
    client = calling("builder")

    assert client.post(f"/api/v1/parts/{serial}/failing", json=WORD).status_code == 403
    rule = client.post(f"/api/v1/designs/{made.design_id}/failing-rule", json=RULE)
    assert rule.status_code == 403


def test_a_rule_of_tests_and_findings_is_proposed_by_machine(
    calling: Calling, made: ReadStack
) -> None:
    def sent(code: str) -> Any:
        criteria = (
            Criterion(CriterionKind.SHORT, 500.0),
            Criterion(CriterionKind.FINDING, 2, codes=(code,)),
        )
        rule = RULE | {"content": rule_as_data(FailingRule(criteria))}
        path = f"/api/v1/designs/{made.design_id}/failing-rule"
        return calling("quality").post(path, json=rule)

    strange, proposed = sent("NO-SUCH"), sent("PINHOLE")

    assert (strange.status_code, proposed.status_code) == (422, 201)
    assert "NO-SUCH" in strange.text
