"""Tests of a closed stack sent and read by machines, and the gate as they see it."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.store.tables import Instrument
from tests.proof.stack_testing import ARRIVES, DECAY, DRY, ClosedStack, a_closed_stack
from tests.proof.test_releases import ready

Calling = Callable[..., Any]


def marks(engine: Engine, stack: ClosedStack) -> dict[str, Any]:
    """The marks on the tools a test is read with, and a time at which it was made."""
    with Session(engine) as session:
        labels = {
            row.id: row.label for row in session.execute(select(Instrument.id, Instrument.label))
        }
    tools = stack.tools
    return {
        "gauge": labels[tools.gauge],
        "thermometer": labels[tools.thermometer],
        "meter": labels[tools.meter],
        "tester": labels[tools.tester],
        "multimeter": labels[tools.multimeter],
        "at": (stack.lab.now - timedelta(minutes=1)).isoformat(),
    }


def test_a_leak_test_is_sent_kept_and_read_with_its_verdict(
    calling: Calling, engine: Engine
) -> None:
    """What was typed is computed as at the bench; below detection stays so, never 0."""
    stack = a_closed_stack(engine)
    tool = marks(engine, stack)
    client = calling("builder")
    flows = {f"arrived_{circuit}": "0" for circuit in ARRIVES[3]}
    sent = {
        "typed": DECAY | {"set_up": "3"} | flows,
        "instrument": tool["gauge"],
        "thermometer": tool["thermometer"],
        "meter": tool["meter"],
        "done_at": tool["at"],
    }
    address = f"/api/v1/records/{stack.bench.number}"

    answer = client.post(f"{address}/leak-tests", json=sent)

    assert answer.status_code == 201, answer.text
    one = client.get(f"{address}/tests").json()[0]
    assert (one["kind"], one["verdict"], one["limit_version"]) == ("leak test", "pass", 1)
    assert one["content"]["gas"] == "nitrogen"
    assert tool["gauge"] in one["instruments"]


def test_insulation_and_shorts_are_sent(calling: Calling, engine: Engine) -> None:
    """One text a reading, one text a cell."""
    stack = a_closed_stack(engine)
    tool = marks(engine, stack)
    client = calling("builder")
    address = f"/api/v1/records/{stack.bench.number}"

    dry = client.post(
        f"{address}/insulation-tests",
        json={"typed": DRY, "instrument": tool["tester"], "done_at": tool["at"]},
    )
    shorts = client.post(
        f"{address}/short-checks",
        json={
            "typed": {"way": "resistance of each cell"},
            "values": ["40", "0.001"],
            "instrument": tool["multimeter"],
            "done_at": tool["at"],
        },
    )

    assert (dry.status_code, shorts.status_code) == (201, 201), dry.text + shorts.text
    found = {one["kind"]: one["verdict"] for one in client.get(f"{address}/tests").json()}
    assert found == {"insulation test": "pass", "short check": "fail"}


def test_a_test_that_must_not_be_made_is_refused_by_field(calling: Calling, engine: Engine) -> None:
    """Cells that are not bonded together, a tool nobody has: named, with what would be right."""
    stack = a_closed_stack(engine)
    tool = marks(engine, stack)
    client = calling("builder")
    address = f"/api/v1/records/{stack.bench.number}/insulation-tests"
    sent = {"typed": DRY | {"cells_bonded": ""}, "done_at": tool["at"]}

    unbonded = client.post(address, json=sent | {"instrument": tool["tester"]})
    nobodys = client.post(address, json=sent | {"instrument": "XX-99"})

    assert unbonded.status_code == nobodys.status_code == 422
    assert "bonded" in unbonded.text
    assert "no instrument bears that mark" in nobodys.text


def test_the_gate_tells_its_verdicts_and_set_points(calling: Calling, engine: Engine) -> None:
    """Machines see what stands there; only a person signs."""
    ready(engine)
    client = calling("builder")

    found = client.get("/api/v1/stacks/TARN-001/verdicts").json()

    assert (found["released"], found["shut"]) == (False, [])
    assert {one["now"] for one in found["verdicts"]} == {"pass"}
    assert found["set_points"][0] == {"name": "current", "value": "60", "unit": "A"}
    assert client.get("/api/v1/stacks/TARN-001/verdicts?build=9").status_code == 404
