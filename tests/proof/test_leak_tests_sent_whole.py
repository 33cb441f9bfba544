"""Leak tests of a whole record at once, and kept off by readings of make-safe that are too old."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.arithmetic.verdicts import Verdict
from service.platform.database import reading
from service.platform.errors import Refused
from service.proof.queries.stack_tests import made_in_record, trace_kept
from service.records.queries.content import record_content
from service.records.tables import RecordKind
from service.store.arithmetic.make_safe import SafeAct
from service.store.tables import Instrument
from tests.bench.at_the_bench import WORK_BEGAN
from tests.closing.closings import put_limits_in_force
from tests.proof.arithmetic.test_leak_traces import a_trace
from tests.proof.stack_testing import ClosedStack, later
from tests.proof.test_leak_recipes import BY_TRACE, FIGURES_BY_RECIPE
from tests.proof.test_leak_searches import VOLTAGE, a_monitor
from tests.proof.test_part_leak_tests import Store, a_store
from tests.records.test_make_safe import HYDROGEN, in_force, record_line

Calling = Callable[..., Any]
LINE = replace(HYDROGEN, number=1)


def with_a_list(store: Store) -> ClosedStack:
    """A record of a closed stack whose leak tests wait for a list of the site."""
    in_force(store.lab, LINE, act=SafeAct.LEAK_TEST)
    bench = store.lab.begin(RecordKind.INSPECTION)
    return ClosedStack(store.lab, store.tools, store.design_id, bench)


@pytest.mark.both_engines
def test_a_stale_reading_keeps_a_leak_test_off_until_it_is_read_again(engine: Engine) -> None:
    stack = with_a_list(a_store(engine))
    with pytest.raises(Refused):
        stack.leak(3)
    record_line(stack.bench, LINE, act=SafeAct.LEAK_TEST)
    stack.leak(3)

    later(stack, hours=63)
    with pytest.raises(Refused) as refused:
        stack.leak(3)
    record_line(stack.bench, LINE, act=SafeAct.LEAK_TEST)
    stack.leak(3)

    assert "30" in f"{refused.value.reason} {refused.value.right_would_be}"
    assert len(stack.made) == 2


def test_a_stale_reading_keeps_it_off_on_the_page_and_by_machine(
    calling: Calling, engine: Engine
) -> None:
    store = a_store(engine)
    stack = with_a_list(store)
    record_line(stack.bench, LINE, act=SafeAct.LEAK_TEST)
    sent = of_trace(engine, store, stack.lab.now + timedelta(minutes=45))

    answer = calling("builder").post(f"/api/v1/records/{stack.bench.number}/leak-tests", json=sent)

    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"]
    with reading(engine) as session:
        assert made_in_record(session, stack.bench.number) == ()


def of_trace(engine: Engine, store: Store, at: Any) -> dict[str, Any]:
    """A leak test by recipe, computed from its trace, as it is sent."""
    mark = marks(engine)
    return {
        "typed": BY_TRACE,
        "instrument": mark[store.tools.gauge],
        "thermometer": mark[store.tools.thermometer],
        "meter": mark[store.tools.meter],
        "trace": a_trace(lost_kpa_min=0.0001),
        "done_at": at.isoformat(),
    }


def marks(engine: Engine) -> dict[int, str]:
    with Session(engine) as session:
        return {tool.id: tool.label for tool in session.scalars(select(Instrument))}


@pytest.mark.both_engines
def test_a_whole_record_keeps_traces_bump_tests_searches_and_handovers(
    calling: Calling, engine: Engine
) -> None:
    store = a_store(engine, cells=4)
    lab = store.lab
    lab.rows(lambda session: put_limits_in_force(session, store.design_id, FIGURES_BY_RECIPE))
    monitor = lab.rows(a_monitor)
    mark = marks(engine)
    client = calling("builder")
    with Session(engine) as session:
        logins = {row.id: row.login for row in session.scalars(select(Person))}
    began = WORK_BEGAN
    at = [(began + timedelta(minutes=10 * step)).isoformat() for step in range(9)]
    from_, to = logins[lab.builder.id], logins[lab.witness.id]
    leak = of_trace(engine, store, began + timedelta(minutes=40))
    body = {
        "stack": "TARN-001",
        "kind": "inspection",
        "reason": "looked for a leak",
        "performed_from": at[0],
        "bump_tests": [
            {
                "instrument": mark[lab.detector_id],
                "gas": "2 % hydrogen in nitrogen",
                "passed": True,
                "reading": 2.0,
                "done_at": at[1],
            }
        ],
        "leak_tests": [leak],
        "handovers": [
            {
                "from_person": from_,
                "to_person": to,
                "pile": "closed, under nitrogen",
                "covers": "all ports",
                "done_at": at[6],
            }
        ],
    }
    search = {"typed": VOLTAGE, "instrument": mark[monitor], "done_at": at[5]}
    one_too_many = search | {"values": ["0.1", "0.1", "0.03", "0.1", "0.1"]}

    refused = client.post("/api/v1/records", json=body | {"leak_searches": [one_too_many]})
    body["leak_searches"] = [search | {"values": ["0.1", "0.1", "0.03", "0.1"]}]
    answer = client.post("/api/v1/records", json=body)

    assert refused.status_code == 422
    assert refused.json()["fields"][0]["field"] == "leak_searches.0.values"
    assert answer.status_code == 201, answer.text
    number = answer.json()["id"]
    with reading(engine) as session:
        test, searched = made_in_record(session, number)
        assert searched.lines[0].value == "suspect: cell 3"
        assert test.verdict is Verdict.PASS
        assert trace_kept(session, test.trace) == leak["trace"]
        kept = json.loads(record_content(session, [number])[number].canonical)
    assert [bump["gas"] for bump in kept["bump_tests"]] == ["2 % hydrogen in nitrogen"]
    (handover,) = kept["handovers"]
    assert handover["covers"] == "all ports"
