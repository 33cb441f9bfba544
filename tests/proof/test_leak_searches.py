"""A search for the cell that leaks: what stands out, what is opened next, where it is told."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import PRESENT
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import Refused
from service.proof.arithmetic.leak_searches import (
    LeakSearch,
    SearchOutcome,
    SearchWay,
    search_cells,
)
from service.proof.changes.stack_tests import record_leak_search
from service.proof.queries.leak_searches import leak_suspicions
from service.stacks.tables import Build, Layer
from service.store.tables import Instrument, Part, PartType
from tests import builders
from tests.proof.stack_testing import ClosedStack, a_closed_stack
from tests.proof.test_stack_tests import lines, made

Calling = Callable[..., Any]
QUIET = (0.102, 0.101, 0.103, 0.102, 0.100, 0.101, 0.102)
VOLTAGE = {"way": "open-circuit voltage, hydrogen and nitrogen"}


def searched(*values: float | None, way: SearchWay = SearchWay.VOLTAGE) -> SearchOutcome:
    return search_cells(LeakSearch(way, values, "V" if way is SearchWay.VOLTAGE else "ppm"))


def test_a_low_voltage_is_suspect_and_the_nearer_end_is_proposed() -> None:
    outcome = searched(*QUIET[:5], 0.041, 0.102)

    assert outcome.suspects == (6,)
    assert outcome.verdict is Verdict.UNDECIDED
    assert outcome.remarks == (
        "Open next to cell 6: 2 cells from the free end. It is suspected, not found to leak.",
    )


def test_nothing_is_proposed_where_the_readings_do_not_support_it() -> None:
    """None stands out, too many do, a high voltage is no leak, a cell was not read."""
    assert searched(*QUIET).remarks == (
        "No cell stands out: these readings give no reason to open any of them.",
    )
    many = searched(0.1, 0.1, 0.1, 0.1, 0.01, 0.02, 0.015)
    assert many.suspects == (5, 6, 7)
    assert "look at gas feed, leads and the set-up before opening" in many.remarks[0]
    assert searched(*QUIET[:6], 0.3).suspects == ()
    assert searched(0.1, None, 0.1, 0.1).remarks[-1] == (
        "Not measured: cell 2. Nothing is said of them."
    )


def test_a_lead_one_plate_off_is_told_apart_from_a_leak() -> None:
    outcome = searched(0.1, 0.1, 0.04, 0.16, 0.1, 0.1, 0.1)

    assert outcome.suspects == (3,)
    first, then = outcome.remarks
    assert "check the lead between them first" in first
    assert then.startswith("Open next to cell 3")


def test_a_blank_cell_has_no_reading() -> None:
    with pytest.raises(Inconsistent, match="Cell 2 is blank") as refused:
        LeakSearch(SearchWay.VOLTAGE, QUIET, "V", blank_cells=(2,))

    assert refused.value.fields == ("values",)


def test_of_cells_side_by_side_a_sniffer_suspects_the_highest() -> None:
    outcome = searched(2, 2.1, 9, 30, 11, 2, 1.9, 2.2, 2, way=SearchWay.SNIFFER)

    assert outcome.suspects == (4,)
    assert [cell.suspicion for cell in outcome.cells[2:5]] == [
        "beside a suspect",
        "suspect",
        "beside a suspect",
    ]


def a_monitor(session: Session) -> int:
    kind = builders.InstrumentKind.CELL_MONITOR
    monitor: Instrument = builders.a_torque_instrument(session, kind=kind, unit="V")
    monitor.range_least, monitor.range_most = None, 2.0
    session.flush()
    return monitor.id


def search(stack: ClosedStack, values: list[str], **more: Any) -> int:
    monitor = more.pop("monitor", None) or stack.lab.rows(a_monitor)
    made_: int = stack.bench.do(
        record_leak_search, typed=VOLTAGE | more, values=values, instrument_id=monitor
    )
    return made_


@pytest.mark.both_engines
def test_a_search_is_kept_as_suspicion_and_leaves_every_verdict_alone(engine: Engine) -> None:
    stack = a_closed_stack(engine, cells=4)

    search(stack, ["0.102\n0.101\n0.03 V\n0.1"])

    (test,) = made(stack)
    assert (test.kind, test.what) == ("leak search", str(SearchWay.VOLTAGE))
    assert test.lines[0].value == "suspect: cell 3"
    with Session(engine) as session:
        build = session.scalars(select(Build)).one()
        found = leak_suspicions(session, [build.id], PRESENT)[build.id]
        assert (found.cells, found.record_id) == ((3,), stack.bench.number)


def test_a_later_search_that_shows_nothing_takes_the_suspicion_back(engine: Engine) -> None:
    stack = a_closed_stack(engine, cells=4)
    search(stack, ["0.102", "0.101", "0.03", "0.1"])

    search(stack, ["0.102", "0.101", "0.1", "0.1"])

    with Session(engine) as session:
        build = session.scalars(select(Build.id)).one()
        assert leak_suspicions(session, [build]) == {}


def test_what_is_no_search_is_refused_by_its_field(engine: Engine) -> None:
    stack = a_closed_stack(engine, cells=4)
    monitor = stack.lab.rows(a_monitor)
    good = ["0.1", "0.1", "0.1", "0.1"]

    for values, typed, field in (
        (["0.1", "-", "-", ""], {}, "values"),
        ([*good, "0.1"], {}, "values"),
        (["5", "0.1", "0.1", "0.1"], {}, "values"),
        (["x", "0.1", "0.1", "0.1"], {}, "values"),
        (good, {"way": "by ear"}, "way"),
        (good, {"way": "sniffer along the pile"}, "instrument_id"),
    ):
        with pytest.raises(Refused) as refused:
            search(stack, values, monitor=monitor, **typed)
        assert refused.value.field == field, (values, typed)


def test_the_verdicts_of_a_stack_are_the_same_after_a_search(engine: Engine) -> None:
    stack = a_closed_stack(engine, cells=4)
    stack.leak(3)
    before = lines(stack)
    assert before["leak coolant to outside"].now is Verdict.PASS

    search(stack, ["0.102", "0.101", "0.03", "0.1"])

    assert lines(stack) == before


def test_machines_send_a_search_and_pages_tell_the_suspicion(
    calling: Calling, engine: Engine, signed_in_client: Calling
) -> None:
    stack = a_closed_stack(engine, cells=4)
    monitor = stack.lab.rows(a_monitor)
    with Session(engine) as session:
        label = session.get_one(Instrument, monitor).label
        mea = session.scalars(
            select(Layer.part_id)
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Layer.cell == 3, PartType.kind == "MEA")
        ).first()
    sent = {
        "typed": VOLTAGE,
        "values": ["0.102", "0.101", "0.03", "0.1"],
        "instrument": label,
        "done_at": stack.lab.now.isoformat(),
    }

    answer = calling("builder").post(
        f"/api/v1/records/{stack.bench.number}/entries/leak-search", json=sent
    )

    assert answer.status_code == 201, answer.text
    client = signed_in_client("builder")
    for address in ("/stacks/TARN-001", f"/parts/{mea}", f"/parts/{mea}/trace"):
        assert "Suspected, not found, to leak" in client.get(address).text, address
    bench = client.get(
        f"/records/{stack.bench.number}/bench", params={"at": "tests", "test": "leak-search"}
    ).text
    assert "Open next to cell 3: 2 cells from the free end" in bench
    assert 'aria-label="4 cells from the fixed end; suspect: 3."' in bench
