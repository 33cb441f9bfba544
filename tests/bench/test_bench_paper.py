"""Bench paper: sheets to fill in by hand, entered afterwards on one page in the same order."""

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.pages.paper_lines import ROWS, PaperLine, Section, _short_check, sheets
from service.limits.arithmetic.leak_recipes import Recipe, Wetness
from service.platform.database import reading
from service.proof.arithmetic.stack_tests import TestKind
from service.proof.queries.stack_tests import made_in_record
from service.records.tables import Finding, RebuildRecord, Step, StepKind
from service.store.arithmetic.instruments import TorqueTool
from tests import builders
from tests.bench.test_bench_pages import AtTheBench, an_instrument, at_bench, rows
from tests.planning.test_changeover_pages import kept, lab
from tests.proof.stack_testing import FIGURES, LEAK, a_closed_stack

__all__ = ["at_bench", "lab"]

BEGAN = {"began": "2026-03-01 08:00"}


def a_section(key: str, lengths: list[int]) -> Section:
    """Lines with words so long."""
    lines = tuple(PaperLine(f"{key}.{n}", "", "w" * size, "", ()) for n, size in enumerate(lengths))
    return Section(key, key, "", lines)


@given(st.lists(st.lists(st.integers(1, 160), min_size=1, max_size=60), min_size=1, max_size=6))
def test_every_line_stands_on_one_sheet_in_its_order_and_no_sheet_is_too_full(
    lengths: list[list[int]],
) -> None:
    sections = [a_section(str(n), some) for n, some in enumerate(lengths)]

    found = sheets(sections)

    laid = [line for sheet in found for block in sheet for line in block.lines]
    assert laid == [line for section in sections for line in section.lines]
    for sheet in found:
        assert sum(2 + sum(line.rows for line in block.lines) for block in sheet) <= ROWS


def paper(bench: AtTheBench) -> str:
    """The sheets of the record."""
    answer = bench.client.get(f"/records/{bench.number}/paper")
    assert answer.status_code == 200, answer.text
    return str(answer.text)


def entered(bench: AtTheBench, **typed: str) -> Any:
    """Send what was written; names with _ for the dots."""
    data = {**BEGAN, **{name.replace("__", "."): value for name, value in typed.items()}}
    return bench.client.post(f"/records/{bench.number}/paper/enter", data=data)


def steps(app: Any, record: int) -> list[StepKind]:
    with Session(app.state.engine) as session:
        return list(
            session.scalars(
                select(Step.kind)
                .where(Step.record_id == record, Step.undone_at.is_(None))
                .order_by(Step.sequence)
            )
        )


def test_each_sheet_names_stack_record_number_and_carries_a_code(
    at_bench: Callable[..., AtTheBench],
) -> None:
    page = paper(at_bench(cells=3))

    of = re.findall(r"Sheet <b>(\d+) of (\d+)</b>", page)
    assert len(of) > 2
    assert [int(number) for number, _all in of] == list(range(1, len(of) + 1))
    assert {int(whole) for _number, whole in of} == {len(of)}
    assert len(re.findall(r'<svg[^>]* class="code"', page)) == len(of)
    assert page.count("TARN-001</b> · record") == len(of)
    for title in (
        "Make safe",
        "Lift off",
        "Put on",
        "Torque, pass 3 of 3",
        "Closing checks",
        "Tests: leaks",
        "Tests: insulation",
        "Tests: shorts",
    ):
        assert title in page
    assert "style=" not in page


def test_what_was_written_is_entered_line_by_line_and_nothing_typed_is_lost(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """A line that is refused keeps its words; those beside it stand, marked as entered later."""
    kinds = builders.InstrumentKind
    detector = str(an_instrument(app, "GD-1", kinds.GAS_DETECTOR, "% vol"))
    meter = str(an_instrument(app, "MM-1", kinds.MULTIMETER, "V"))
    witness = str(rows(app, lambda s: builders.a_person(s, "builder", name="Ben Orr")).id)
    bench = at_bench()

    answer = entered(
        bench,
        safe__1__done="yes",
        safe__2__reading="9",
        safe__2__instrument_id=detector,
        safe__3__reading="0.2",
        safe__3__instrument_id=meter,
        safe__3__witness_id=witness,
        safe__3__at="09:10",
    )

    assert answer.status_code == 422
    assert "2 lines entered, 1 not" in answer.text
    assert re.search(r'name="safe\.2\.reading"[^>]*value="9"', answer.text)
    assert steps(app, bench.number) == [StepKind.MAKE_SAFE] * 2

    again = entered(bench, safe__2__reading="0.1", safe__2__instrument_id=detector)
    assert again.status_code == 200, again.text
    assert "1 line entered" in again.text
    assert steps(app, bench.number) == [StepKind.MAKE_SAFE] * 3
    with Session(app.state.engine) as session:
        step = session.scalars(select(Step).where(Step.record_id == bench.number)).all()[1]
        assert step.done_at.hour in {8, 9}
        assert step.written_at > step.done_at


def test_tests_written_on_paper_are_entered_on_the_same_page_in_the_same_order(
    engine: Engine, signed_in_client: Callable[..., Any]
) -> None:
    """Leaks, insulation and shorts of a closed stack; a line refused keeps what was typed.

    One leak has a recipe: its steps are written down too.
    """
    recipe = Recipe(3, Wetness.DRY, 10.0, 3.0, 10.0)
    figures = replace(FIGURES, leak=replace(LEAK, recipes=(recipe,)))
    closed = a_closed_stack(engine, figures=figures)
    client = signed_in_client("builder")
    address = f"/records/{closed.bench.number}/paper/enter"
    page = client.get(address).text
    began = closed.bench.lab.get(RebuildRecord, closed.bench.number).performed_from
    names = re.findall(r'name="((?:leak\.|insulation-|shorts\.)[\w.-]+)"', page)
    assert names[0] == "leak.1.start_pressure"
    assert names.index("leak.5.start_pressure") < names.index("insulation-dry.test.cells_bonded")
    assert names.index("insulation-coolant.test.cells_bonded") < names.index("shorts.1.cell-1")
    common = dict(
        re.findall(
            r'<select[^>]*name="([\w.-]+)"(?:(?!</select>).)*?value="([^"]+)" selected', page
        )
    )
    assert common["leak-tests.gas"] == "nitrogen"
    assert common["leak-tests.zero"] == "gauge"

    tools = closed.tools
    typed = {
        "began": f"{began:%Y-%m-%d} 12:00",
        **common,
        "leak-tests.instrument_id": tools.gauge,
        "leak-tests.thermometer_id": tools.thermometer,
        "leak-tests.meter_id": tools.meter,
        "leak-tests.barometer": "101.3",
        "insulation-tests.instrument_id": tools.tester,
        "insulation-tests.test_voltage": "50",
        "short-check.instrument_id": tools.multimeter,
    }
    for order in (2, 3):
        typed |= {
            f"leak.{order}.start_pressure": "50.4",
            f"leak.{order}.start_temperature": "22.4",
            f"leak.{order}.duration": "30",
            f"leak.{order}.end_pressure": "50.38",
            f"leak.{order}.end_temperature": "22.4",
            f"leak.{order}.at": "23:00",
        }
    assert "leak.2.ramp_time" not in names
    typed |= {"leak.3.arrived_anode": "0", "leak.3.arrived_cathode": "0"}
    typed |= {"leak.3.state": "dry", "leak.3.ramp_time": "6", "leak.3.settled": "4"}
    typed |= {
        "insulation-dry.test.cells_bonded": "yes",
        "insulation-dry.test.rods_plates_resistance": "> 2000",
        "insulation-dry.test.plates_ground_resistance": "850",
        "insulation-dry.test.at": "23:10",
        "shorts.1.cell-1": "40",
        "shorts.1.cell-2": "41",
        "shorts.1.at": "23:20",
    }
    first = client.post(address, data=typed)
    second = client.post(address, data=typed | {"insulation-dry.test.no_hydrogen": "yes"})

    assert first.status_code == 422
    assert "3 lines entered, 1 not" in first.text
    assert re.search(r'name="insulation-dry\.test\.plates_ground_resistance"[^>]*"850"', first.text)
    assert second.status_code == 200, re.findall(r'class="wrong"[^>]*>([^<]*)', second.text)
    with reading(engine) as session:
        tests = made_in_record(session, closed.bench.number)
    assert [bool(test.steps) for test in tests] == [False, True, False, False]
    assert [(test.kind, test.verdict) for test in tests] == [
        (TestKind.LEAK, "pass"),
        (TestKind.LEAK, "pass"),
        (TestKind.SHORTS, "pass"),
        (TestKind.INSULATION, "pass"),
    ]


def test_a_check_for_shorts_of_many_cells_is_one_entry_over_several_lines() -> None:
    lines = list(_short_check(range(1, 31), is_done=False))

    assert [line.entry for line in lines] == ["short-check", "", ""]
    assert {line.fields for line in lines} == {"shorts.1"}
    assert [line.rows for line in lines] == [4, 4, 2]


def test_the_bench_and_the_plan_lead_to_the_paper(
    app: Any, signed_in_client: Callable[..., Any], lab: None
) -> None:
    client = signed_in_client("builder")
    plan = kept(client)
    begun = client.post(f"{plan}/begin", data={"performed_from": "2026-03-01 09:00"})
    record = begun.headers["location"].removesuffix("/bench")

    for page in (plan, f"{record}/bench"):
        shown = client.get(page).text
        assert f'href="{record}/paper?print=yes"' in shown
        assert f'href="{record}/paper/enter"' in shown


def test_the_same_paper_sent_twice_is_entered_once(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    sent = {"safe__1__done": "yes", "entry_key": "k" * 32}

    assert entered(bench, **sent).status_code == 200
    assert entered(bench, **sent).status_code == 200
    assert steps(app, bench.number) == [StepKind.MAKE_SAFE]


def test_a_spare_line_is_filled_in_again_on_the_page_that_came_back(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """Once entered it stands there empty: the same lot once more is another item of it."""

    def nuts(session: Session) -> None:
        builders.a_lot(session, builders.the_part_types(session).nut, label="N-77", quantity=9)

    rows(app, nuts)
    bench = at_bench()
    bench.enter("exception", reason="a test", done_at="2026-03-01 09:00")
    bench.enter("open", hours_unknown_because="no display", opened_at="2026-03-01 09:05")
    line = {"fix__1__scanned": "N-77", "fix__1__place": "2", "fix__1__at": "10:00"}
    line["entry_key"] = "k" * 32

    for _ in range(2):
        answer = entered(bench, **line)
        assert answer.status_code == 200, re.findall(r'class="wrong"[^>]*>([^<]*)', answer.text)
        key = re.search(r'id="paper".*?name="entry_key" value="(\w+)"', answer.text, re.DOTALL)
        assert key is not None
        line["entry_key"] = key[1]

    assert steps(app, bench.number).count(StepKind.FIXING_FITTED) == 2


def test_a_torque_outside_its_band_is_asked_about_and_answered_on_the_same_page(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    driver = str(an_instrument(app, "TD-9", builders.InstrumentKind.TORQUE_DRIVER, "N·m"))
    bench = at_bench()
    bench.enter("exception", reason="a test", done_at="2026-03-01 09:00")
    typed = {
        "open__at": "09:05",
        "open__hours_unknown_because": "no display",
        "torque-1__instrument_id": driver,
        "nut__closing__1__1__at": "10:00",
        "nut__closing__1__2__at": "10:01",
        "nut__closing__1__1__entered": "3.0",
        "nut__closing__1__2__entered": "5.5",
    }

    asked = entered(bench, **typed)

    assert asked.status_code == 422
    assert "2 lines entered, 1 not" in asked.text
    assert 'name="nut.closing.1.2.stands"' in asked.text
    answered = entered(
        bench,
        **typed,
        nut__closing__1__2__stands="stands",
        nut__closing__1__2__outside_because="the nut bound",
    )
    assert answered.status_code == 200, answered.text
    assert steps(app, bench.number).count(StepKind.TORQUE) == 2


def test_a_pass_with_a_click_tool_has_a_box_for_each_nut_and_no_number(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    kinds = builders.InstrumentKind
    tester = str(an_instrument(app, "TT-1", kinds.TORQUE_TESTER, "N·m"))
    tool = str(an_instrument(app, "TD-5", kinds.TORQUE_DRIVER, "N·m", tool=TorqueTool.CLICK))
    bench = at_bench()
    bench.enter("exception", reason="a test", done_at="2026-03-01 09:00")

    assert "☐ moved" not in paper(bench)
    sheet = bench.client.get(f"/records/{bench.number}/paper?tool=click").text
    typed = {"tool": "click", "open__at": "09:05", "open__hours_unknown_because": "no display"}
    typed |= {"torque-1__instrument_id": tool}
    for moment, at in (("before", "10:00"), ("after", "10:09")):
        typed |= {
            f"tool__{moment}__1__entered": "3",
            f"tool__{moment}__1__checked": "3.02",
            f"tool__{moment}__1__tester_id": tester,
            f"tool__{moment}__1__at": at,
        }
    for rod, press in enumerate(("clicked", "moved", "clicked", "not moved"), 1):
        typed |= {f"nut__pressed__1__{rod}__press": press, f"nut__pressed__1__{rod}__at": "10:05"}
    answer = entered(bench, **typed)

    boxes = "☐ clicked\u2003☐ moved\u2003☐ not moved"
    assert sheet.count(boxes) == 3 * 4
    assert "read, N·m" not in sheet.split("Torque, pass 1")[1].split("Torque, pass 2")[0]
    assert answer.status_code == 200, answer.text
    done = steps(app, bench.number)
    assert done.count(StepKind.TOOL_SET) == 2
    assert done.count(StepKind.NUT_PRESSED) == 4
    assert boxes in paper(bench), "a click tool is set: its record goes on so"


def test_a_record_with_a_plan_prints_its_steps_and_takes_them_as_planned(
    app: Any, signed_in_client: Callable[..., Any], lab: None
) -> None:
    client = signed_in_client("builder")
    begun = client.post(f"{kept(client)}/begin", data={"performed_from": "2026-03-01 09:00"})
    bench = AtTheBench(app, client, int(begun.headers["location"].split("/")[2]))
    bench.enter("exception", reason="a test", done_at="2026-03-01 09:00")
    page = client.get(f"/records/{bench.number}/paper/enter").text
    lifts = re.findall(r'name="(lift\.\d+)\.condition"', page)
    lays = re.findall(r'name="(lay\.[\w.]+)\.planned"', page)
    assert len(lifts) == paper(bench).count('class="to-mark"') == 3
    assert len(lays) == 9

    typed = {"began": "2026-03-01 09:30", "open.hours_unknown_because": "no display"}
    typed |= {f"{key}.condition": "none seen" for key in lifts}
    typed |= {f"{key}.planned": "yes" for key in lays}
    faces = re.findall(rf'id="{lifts[0]}.face".*?</select>', page)[0]
    typed |= {
        f"{lifts[0]}.condition": "wet",
        f"{lifts[0]}.face": re.findall(r'value="(\w[^"]+)"', faces)[0],
        f"{lifts[0]}.places": "b2, A1 G7",
    }
    refused = entered(bench, **typed)
    assert refused.status_code == 422
    assert "allowed: A1 to F6" in refused.text
    assert 'value="b2, A1 G7"' in refused.text

    answer = entered(bench, **typed | {f"{lifts[0]}.places": "b2, A1"})

    assert answer.status_code == 200, re.findall(r'class="wrong"[^>]*>([^<]*)', answer.text)
    made = steps(app, bench.number)
    assert made.count(StepKind.LIFTED_OFF) == 3
    assert made.count(StepKind.PUT_ON) == 9
    with Session(app.state.engine) as session:
        assert session.scalars(select(Finding.places).where(Finding.code == "WET")).all() == [
            "A1 B2"
        ]
    sheet = paper(bench)
    assert sheet.count('class="to-mark"') == 0, "recorded: there is nothing to mark any more"
    assert "Nothing departs from the plan" in client.get(f"/records/{bench.number}").text
