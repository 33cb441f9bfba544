"""A click tool shows no reading: its setting is checked, and each nut is entered with one press."""

import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.queries.corrections import correctable
from service.bench.tables import Correction
from service.closing.arithmetic.closing import closing
from service.closing.changes.click_tools import press_nut, set_tool
from service.closing.changes.torque import read_torque
from service.closing.queries.build_torques import build_torques
from service.closing.queries.closing_inputs import closing_ground
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Press, ReadingKind, Stage
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands
from service.records.queries.content import record_content, verify
from service.records.queries.entries import entries_of
from service.records.tables import ToolCheck, ToolSetting, TorqueReading
from service.stacks.tables import Build
from service.store.arithmetic.instruments import InstrumentKind, TorqueTool
from service.store.tables import Instrument
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, Bench, Lab, a_lab, known, what_is_missing
from tests.bench.test_bench_pages import AtTheBench, at_bench, rows  # noqa: F401
from tests.bench.test_entries_api import Calling

TOOL = InstrumentKind.TORQUE_DRIVER
RODS = (1, 2, 3, 4)
UNTIL = builders.START.replace(year=2090)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A laboratory with a stack of two cells; 9 N·m ± 5 % in three passes."""
    return a_lab(engine)


@pytest.fixture
def click_id(lab: Lab) -> int:
    """A click tool."""
    return lab.rows(  # type: ignore[no-any-return]
        lambda s: builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK).id
    )


@pytest.fixture
def tester_id(lab: Lab) -> int:
    """A torque tester."""
    kind = InstrumentKind.TORQUE_TESTER
    return lab.rows(  # type: ignore[no-any-return]
        lambda s: builders.a_torque_instrument(s, label="TT-1", kind=kind).id
    )


@pytest.fixture
def opened(lab: Lab) -> Bench:
    """A record whose stack stands open."""
    record = lab.begin()
    record.open()
    return record


@pytest.fixture
def setting(opened: Bench, click_id: int, tester_id: int) -> Callable[..., int]:
    """Set the click tool in a pass, checked on the tester."""

    def set_to(number: int, torque: str, **more: Any) -> int:
        given = {"checked": torque, "tester_id": tester_id, "instrument_id": click_id} | more
        opened.lab.now += timedelta(minutes=1)
        return int(opened.do(set_tool, pass_number=number, entered=torque, **given))

    return set_to


def press(record: Bench, number: int, answer: Press, rods: tuple[int, ...] = RODS) -> None:
    """One press a nut."""
    for rod in rods:
        record.lab.now += timedelta(seconds=20)
        record.do(press_nut, rod_number=rod, pass_number=number, press=answer)


def missing(record: Bench) -> dict[str, str]:
    """What is not done, by the key of its reason."""
    with reading(record.lab.engine) as session:
        lines = what_is_missing(session, record.number)
    return {line.key: line.sentence for line in lines if line.key}


def test_a_typed_reading_with_a_click_tool_is_refused(opened: Bench, click_id: int) -> None:
    with pytest.raises(Refused) as refused:
        opened.do(
            read_torque,
            rod_number=1,
            pass_number=1,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            instrument_id=click_id,
            torque_nm=3.0,
        )

    assert refused.value.field == "instrument_id"
    assert "click tool and shows no reading" in refused.value.reason
    assert "clicked, moved or not moved" in refused.value.right_would_be


def test_a_driver_that_reads_is_not_set(opened: Bench, lab: Lab) -> None:
    with pytest.raises(Refused) as refused:
        opened.do(set_tool, pass_number=1, entered="3", instrument_id=lab.driver_id)

    assert "read, not set" in refused.value.reason


def test_no_nut_is_pressed_before_the_tool_is_set_nor_after_it_was_checked(
    opened: Bench, setting: Callable[..., int]
) -> None:
    with pytest.raises(Refused, match="no click tool is set in this pass"):
        press(opened, 1, Press.CLICKED, (1,))
    setting(1, "3")
    press(opened, 1, Press.CLICKED, (1,))
    setting(1, "3", moment=ToolCheck.AFTER)

    with pytest.raises(Refused, match="checked after this pass already"):
        press(opened, 1, Press.CLICKED, (2,))


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"checked": "", "moment": ToolCheck.AFTER}, "checked"),
        ({"checked": ""}, "checked"),
        ({"tester_id": None}, "tester_id"),
        ({"checked": "soft"}, "checked"),
    ],
)
def test_a_check_has_its_reading_and_its_tester(
    setting: Callable[..., int], given: dict[str, Any], field: str
) -> None:
    with pytest.raises(Refused) as refused:
        setting(1, "3", **given)

    assert refused.value.field == field


@pytest.mark.both_engines
def test_a_setting_outside_the_band_of_its_pass_is_asked_about(
    opened: Bench, setting: Callable[..., int]
) -> None:
    """As a reading is; it stands with its reason, and nuts that were too tight are not mended."""
    with pytest.raises(Question) as asked:
        setting(1, "5")
    assert asked.value.key == "stands"
    assert asked.value.facts["target"] == "3 N·m"

    setting(1, "5", stands=Stands.STANDS, outside_because="one pass less")

    with Session(opened.lab.engine) as session:
        last = entries_of(session, opened.number)[-1]
    assert "one pass less" in last.deviates


def test_a_tester_far_from_the_setting_is_asked_about(setting: Callable[..., int]) -> None:
    """A tool that reaches 20 N·m may be 4 % off: ISO 6789-1:2017, from memory."""
    setting(1, "3", checked="3.11")

    with pytest.raises(Question) as asked:
        setting(1, "3", checked="3.14")

    assert "checked before the pass: 3.14 N·m, +4.7 %" in asked.value.reason


@pytest.mark.both_engines
def test_a_closing_by_clicks_ends_when_no_nut_moves(
    opened: Bench, setting: Callable[..., int]
) -> None:
    """A nut that moved in the last pass asks for a further one; a reason is asked for till then."""
    for number in (1, 2, 3):
        setting(number, f"{3 * number}")
        press(opened, number, Press.CLICKED)
        setting(number, f"{3 * number}", moment=ToolCheck.AFTER)
    opened.do(close_stack, closed_at=opened.lab.now)
    assert "rods 1, 2, 3, 4 did not move in pass 3" in missing(opened)["nuts-that-did-not-move"]

    setting(4, "9")
    press(opened, 4, Press.NOT_MOVED, (1, 2, 3))
    press(opened, 4, Press.MOVED, (4,))
    told = missing(opened)
    assert "rod 4 did not move in pass 4" in told["nuts-that-did-not-move"]
    assert told["check-of-the-tool-td-5-pass-4"] == (
        "TD-5 was not checked on a tester after pass 4."
    )
    setting(4, "9", moment=ToolCheck.AFTER)
    setting(5, "9")
    press(opened, 5, Press.NOT_MOVED)
    setting(5, "9", moment=ToolCheck.AFTER)

    assert not {"nuts-that-did-not-move", "torque", "passes"} & set(missing(opened))


@pytest.mark.both_engines
def test_what_is_known_of_a_clicked_nut_is_the_setting_and_no_reading(
    opened: Bench, setting: Callable[..., int]
) -> None:
    for number in (1, 2, 3):
        setting(number, f"{3 * number}")
        press(opened, number, Press.CLICKED)
    opened.do(close_stack, closed_at=opened.lab.now)

    with Session(opened.lab.engine) as session:
        inputs = closing_ground(session, opened.number).inputs
        content = json.loads(record_content(session, [opened.number])[opened.number].canonical)
        entries = entries_of(session, opened.number)

    outcome = closing(inputs)
    assert [each.torque_nm for each in inputs.readings[-4:]] == [9.0] * 4
    assert {each.press for each in inputs.readings} == {Press.CLICKED}
    assert "nuts tightened in pass 3" in outcome.nuts_read
    assert entries[-2].in_words == "rod 4, pass 3: clicked at 9.00\u2009N·m"
    assert all("torque_nm" not in row for row in content["torque_readings"])
    assert {row["set_to_nm"] for row in content["torque_readings"]} == {3.0, 6.0, 9.0}
    assert [row["pass"] for row in content["tool_settings"]] == [1, 2, 3]


def test_undoing_a_press_leaves_the_nut_open(opened: Bench, setting: Callable[..., int]) -> None:
    setting(1, "3")
    press(opened, 1, Press.CLICKED, (1,))

    opened.do(undo_last)
    opened.do(undo_last)

    with Session(opened.lab.engine) as session:
        pressed = TorqueReading.record_id == opened.number, TorqueReading.known_until.is_(None)
        assert session.scalars(select(TorqueReading).where(*pressed)).all() == []
    with pytest.raises(Refused, match="no click tool is set"):
        press(opened, 1, Press.CLICKED, (1,))


def test_a_pass_of_clicks_takes_one_act_a_nut(
    app: Any,
    at_bench: Callable[..., AtTheBench],  # noqa: F811
) -> None:
    """Set and check, one press each, check again; the page leads from one to the next."""
    tool = rows(
        app,
        lambda s: (
            builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK, due_at=UNTIL).id
        ),
    )
    tester = rows(
        app,
        lambda s: (
            builders.a_torque_instrument(
                s, label="TT-1", kind=InstrumentKind.TORQUE_TESTER, due_at=UNTIL
            ).id
        ),
    )
    bench = at_bench()
    bench.open()
    asked = bench.page(at="torque", tool="click")
    assert "set the click tool to" in asked
    assert f'value="{tester}" selected' in asked
    given = {"pass_number": 1, "instrument_id": tool, "entered": "3", "tester_id": tester}
    bench.enter("tool-setting", moment="before", checked="3.02", **given)

    acts = 0
    for rod in RODS:
        page = bench.page(at="torque")
        assert f"nut {rod}: tighten until the tool clicks at" in re.sub(r"<[^>]+>", "", page)
        scan = {"scanned": "DO:CLICKED"} if rod == 2 else {"press": "clicked"}
        bench.enter("nut-pressed", rod_number=rod, pass_number=1, **scan)
        acts += 1
    assert acts == len(RODS)

    after = bench.page(at="torque")
    assert "Every nut of pass 1 is tightened: check the tool on the tester." in after
    bench.enter("tool-setting", moment="after", checked="2.98", **given)
    assert "Pass 2 of 3: set the click tool to" in re.sub(r"\s+", " ", bench.page(at="torque"))
    sheet = bench.client.get(f"/records/{bench.number}").text
    assert "clicked at 3.00" in sheet
    assert "TD-5 set to 3\u2009N·m, checked before: 3.02\u2009N·m on TT-1" in sheet


def test_a_scan_that_is_no_answer_is_refused_and_kept(
    app: Any,
    at_bench: Callable[..., AtTheBench],  # noqa: F811
) -> None:
    tool = rows(
        app,
        lambda s: (
            builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK, due_at=UNTIL).id
        ),
    )
    bench = at_bench()
    bench.open()
    bench.enter("tool-setting", moment="before", pass_number=1, instrument_id=tool, entered="3")

    for scanned in ("MEA-0001", "DO:FREE END"):
        answer = bench.post("nut-pressed", rod_number=1, pass_number=1, scanned=scanned)
        assert answer.status_code == 422
        assert "clicked, moved or not moved" in answer.text
        assert f'value="{scanned}"' in answer.text


@pytest.mark.both_engines
def test_a_whole_record_of_clicks_is_replayed(calling: Calling, engine: Engine) -> None:
    """Settings and presses stand in lists of their own, each with its time."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=1, serial="T-7", meter_hours=10.0)
        builders.a_torque_instrument(session, label="TD-5", tool=TorqueTool.CLICK)
        builders.a_torque_instrument(session, label="TT-1", kind=InstrumentKind.TORQUE_TESTER)
        stack_id = stack.id
        session.commit()

    def at(minutes: int) -> str:
        return (WORK_BEGAN + timedelta(minutes=minutes)).isoformat()

    tool = {"instrument": "TD-5", "tester": "TT-1", "entered": "9 N·m", "pass_number": 1}
    answer = calling("builder").post(
        "/api/v1/records",
        json={
            "stack": "T-7",
            "kind": "re-torque",
            "reason": "cold, after the first thermal cycle",
            "performed_from": at(0),
            "tool_settings": [
                {**tool, "checked": "9.1", "done_at": at(1)},
                {**tool, "checked": "9.05", "moment": "after", "done_at": at(20)},
            ],
            "nuts_pressed": [
                {"rod_number": rod, "pass_number": 1, "press": "not moved", "taken_at": at(2 + rod)}
                for rod in RODS
            ],
            "hand_in": True,
        },
    )

    assert answer.status_code == 201, answer.text
    with Session(engine) as session:
        build_id = session.scalars(select(Build.id).where(Build.stack_id == stack_id)).one()
        torques = build_torques(session, [build_id])[build_id]
        record_id = int(answer.json()["id"])
        assert verify(session, [record_id])[record_id].holds
        assert len(session.scalars(select(ToolSetting)).all()) == 2
    assert {rod.press for rod in torques.rods} == {Press.NOT_MOVED}
    assert torques.mean_nm == 9.0
    assert torques.spread_nm is None, "nobody read how alike they are"


def test_a_driver_says_its_type_and_nothing_else_does(
    signed_in_client: Callable[..., Any], app: Any
) -> None:
    client = signed_in_client("quality")
    new = {"kind": "torque driver", "label": "TD-7", "unit": "N·m"}

    refused = client.post("/instruments/new", data=new)
    assert refused.status_code == 422
    assert "A torque driver says its type" in refused.text
    gauge = client.post(
        "/instruments/new", data=new | {"kind": "multimeter", "tool": "click", "unit": "V"}
    )
    assert "it is no torque driver" in gauge.text
    assert client.post("/instruments/new", data=new | {"tool": "slipping"}).status_code == 303
    with Session(app.state.engine) as session:
        label = Instrument.label == "TD-7"
        assert session.scalars(select(Instrument.tool).where(label)).one() is TorqueTool.SLIPPING


def test_a_corrected_setting_is_followed_by_the_nuts_that_answered_it(
    opened: Bench, setting: Callable[..., int]
) -> None:
    for number, torque in enumerate(("3", "6", "9"), 1):
        setting(number, torque)
        press(opened, number, Press.NOT_MOVED if number == 3 else Press.CLICKED)
    opened.do(close_stack, closed_at=opened.lab.now)
    opened.do(hand_in)
    lab = opened.lab
    with Session(lab.engine) as session:
        fact = next(
            each
            for each in correctable(session, opened.number).facts
            if each.label.startswith("tool of pass 3") and each.field == "set_nm"
        )

    lab.now += timedelta(hours=1)
    facts: dict[str, Any] = {"of": fact.of, "subject_id": fact.subject_id, "field": fact.field}
    given = {"new_value": "8.8 N·m", "reason": "the scale was misread"}
    number = lab.do(propose, opened.number, **facts, **given)
    lab.do(
        decide,
        number,
        approve=True,
        content_sha256=lab.get(Correction, number).content_sha256,
        password=builders.PASSWORD,
        by=lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY))),
    )

    with reading(lab.engine) as session:
        assert verify(session, [opened.number])[opened.number].holds
        torques = session.scalars(
            select(TorqueReading.torque_nm).where(
                TorqueReading.record_id == opened.number,
                TorqueReading.pass_number == 3,
                TorqueReading.known_until.is_(None),
            )
        ).all()
    assert torques == [8.8] * len(RODS)
