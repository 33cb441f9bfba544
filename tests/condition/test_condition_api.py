"""A stack's condition read by machines, voltages and curves sent by them."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine

from tests.condition.curving import ReadStack, a_read_stack, some_points, volts
from tests.condition.test_polarisation_curves import curve, voltages

Calling = Callable[..., Any]


@pytest.fixture
def stack(engine: Engine) -> ReadStack:
    return a_read_stack(engine)


def test_the_condition_has_scores_and_follows_each_mea(calling: Calling, stack: ReadStack) -> None:
    voltages(stack, voltages_v=(0.70, 0.69, 0.68, 0.67))
    voltages(stack, taken_at=stack.after, voltages_v=(0.66, 0.659, 0.658, 0.60))

    answer = calling("quality").get(f"/api/v1/stacks/{stack.serial}/condition").json()

    assert (answer["reference_a_cm2"], answer["open_circuit"]) == (0.7, None)
    low = answer["newest"]["cells"][3]
    assert (low["cell"], low["part_id"], low["among_the_others"]) == (
        4,
        stack.second_meas[3],
        "low",
    )
    assert low["voltage_v"] < answer["newest"]["low_v"]
    moved = next(line for line in answer["meas"] if line["part_id"] == stack.first_meas[1])
    assert [(it["build_number"], it["cell"]) for it in moved["readings"]] == [(1, 2), (2, 1)]
    assert [it["weakest_cell"] for it in answer["spreads"]] == [4, 4]


def test_an_empty_stack_answers_empty_lists(calling: Calling, stack: ReadStack) -> None:
    answer = calling("quality").get(f"/api/v1/stacks/{stack.serial}/condition").json()

    assert (answer["newest"], answer["spreads"], answer["meas"]) == (None, [], [])
    assert calling("quality").get(f"/api/v1/stacks/{stack.serial}/curves").json() == []


@pytest.mark.both_engines
def test_a_curve_is_sent_once_and_read(calling: Calling, stack: ReadStack) -> None:
    client = calling("builder")
    sent = {
        "taken_at": stack.before.isoformat(),
        "direction": "falling",
        "occasion": "commissioning",
        "points": [
            {"density_a_cm2": point.density_a_cm2, "voltages_v": list(point.means_v)}
            for point in some_points(4)
        ],
    }
    headers = {"Idempotency-Key": "curve-of-the-bench-1"}

    made = client.post(f"/api/v1/stacks/{stack.serial}/curves", json=sent, headers=headers)
    again = client.post(f"/api/v1/stacks/{stack.serial}/curves", json=sent, headers=headers)

    assert (made.status_code, again.json()) == (201, made.json())
    (head,) = client.get(f"/api/v1/stacks/{stack.serial}/curves").json()
    assert (head["id"], head["direction"], head["points"]) == (made.json()["id"], "falling", 10)
    whole = client.get(f"/api/v1/curves/{head['id']}").json()
    assert (whole["cells"], whole["part_ids"]) == ([1, 2, 3, 4], list(stack.first_meas))
    assert whole["points"][-1]["means_v"][2] == pytest.approx(volts(1.0, 3), abs=1e-6)
    assert whole["void"] is False
    at = f"/api/v1/curves/{head['id']}/void"
    assert client.post(at, json={"reason": ""}).status_code == 422
    assert client.post(at, json={"reason": "taken wet"}).json()["void"] is True
    assert client.get(f"/api/v1/stacks/{stack.serial}/curves").json() == []


def test_voltages_are_sent(calling: Calling, stack: ReadStack) -> None:
    client = calling("builder")
    sent = {
        "taken_at": stack.before.isoformat(),
        "current_a": 0,
        "voltages_v": [0.98, None, 0.97, 0.96],
        "channels": ["U1", "U2", "U3", "U4"],
    }

    assert client.post(f"/api/v1/stacks/{stack.serial}/voltages", json=sent).status_code == 201

    answer = client.get(f"/api/v1/stacks/{stack.serial}/condition").json()
    assert answer["open_circuit"]["not_read"] == [2]
    assert [it["cell"] for it in answer["open_circuit"]["cells"]] == [1, 3, 4]


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"voltages_v": [0.6]}, 422),
        ({"channels": ["U1"]}, 422),
        ({"taken_at": "2020-01-01T00:00:00Z"}, 422),
        ({"current_a": -1}, 422),
        ({"strange": 1}, 422),
    ],
)
def test_what_no_stack_has_is_a_problem_not_an_error(
    calling: Calling, stack: ReadStack, change: dict[str, Any], status: int
) -> None:
    sent = {
        "taken_at": stack.before.isoformat(),
        "current_a": 70,
        "voltages_v": [0.6, 0.6, 0.6, 0.6],
        **change,
    }

    answer = calling("builder").post(f"/api/v1/stacks/{stack.serial}/voltages", json=sent)

    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_unknown_things_and_people_without_the_role(calling: Calling, stack: ReadStack) -> None:
    key = curve(stack)

    assert calling("builder").get("/api/v1/curves/999").status_code == 404
    assert calling("quality").get(f"/api/v1/curves/{key}").status_code == 200
    at = f"/api/v1/stacks/{stack.serial}/condition"
    assert calling("supervisor").get(f"{at}?moment=s999").status_code == 422
    sent = {"taken_at": stack.before.isoformat(), "current_a": 1, "voltages_v": [0.6] * 4}
    answer = calling("admin").post(f"/api/v1/stacks/{stack.serial}/voltages", json=sent)
    assert answer.status_code == 403
