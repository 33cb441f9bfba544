"""Life by group for machines: the same numbers as on the page."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy.orm import Session

from tests.life.living import Living, a_living_lab

Calling = Callable[..., Any]


@pytest.fixture
def lab(app: Any) -> Living:
    with Session(app.state.engine, expire_on_commit=False) as session:
        made = a_living_lab(session)
        session.commit()
        return made


def test_groups_are_told_with_their_steps(calling: Calling, lab: Living) -> None:
    answer = calling("quality").get("/api/v1/life").json()

    assert (answer["by"], answer["level"], answer["meas"]) == ("lot", 0.95, 8)
    assert (answer["never_fitted"], answer["left_out"]) == (1, 1)
    assert answer["left_out_first"][0]["label"] == "B2"
    of_a = answer["groups"][0]
    assert (of_a["name"], of_a["id"]) == ("M-A", lab.lots[0].id)
    assert (of_a["counted"], of_a["failed"], of_a["removed_unfailed"]) == (5, 1, 1)
    (step,) = of_a["steps"]
    assert (step["hours"], step["at_risk"], step["failures"]) == (200, 5, 1)
    assert step["share"]["value"] == pytest.approx(0.8)
    assert step["share"]["low"] < 0.8 < step["share"]["high"]
    assert of_a["median_h"]["value"] is None
    assert of_a["why_no_weibull"] == "A law is fitted from 5 failures on."
    assert answer["test"] is None
    assert answer["in_words"] == [
        "No two groups were watched at the same hours when a part failed."
    ]


def test_other_groups_within_one_design(calling: Calling, lab: Living) -> None:
    asked = {"by": "supplier", "design_id": lab.second.design_id, "level": "0.9"}

    answer = calling("builder").get("/api/v1/life", params=asked).json()

    assert {group["name"]: group["came_late"] for group in answer["groups"]} == {
        "Fellside Seals (invented)": 1, "no supplier named": 0
    }  # fmt: skip


def test_a_type_that_is_no_mea_is_not_found(calling: Calling, lab: Living) -> None:
    assert calling("builder").get("/api/v1/life?part_type_id=99999").status_code == 404


@pytest.mark.parametrize("asked", ["by=colour", "level=0.5", "design_id=0"])
def test_what_cannot_be_asked_is_refused(calling: Calling, asked: str) -> None:
    assert calling("builder").get(f"/api/v1/life?{asked}").status_code in (400, 422)


def test_nobody_asks_without_a_token(client: Any) -> None:
    assert client.get("/api/v1/life").status_code == 401
