"""Closings to height and by press force: nuts are run down to hold, the arithmetic checks."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.changes.proposals import approve_proposal
from service.bench.queries.calibration_follows import follows
from service.bench.queries.correction_preview import preview
from service.bench.queries.corrections import correctable, correction
from service.bench.tables import Correction
from service.closing.arithmetic.closing import closing
from service.closing.arithmetic.closing_inputs import ClosingInputs
from service.closing.changes.checks import record_corner_heights
from service.closing.changes.click_tools import set_tool
from service.closing.changes.held_closings import record_held_closing
from service.closing.queries.closed_heights import computed_height
from service.closing.queries.closing_inputs import closing_ground
from service.closing.queries.closing_results import kept_result
from service.closing.tables import ClosingResult
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.people.tables import Role
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import Press
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.proof.arithmetic.with_the_error import Still
from service.proof.queries.instrument_uses import assessment, doubts_of
from service.records.changes.bench_opening import close_stack
from service.records.changes.deviations import Stands
from service.records.queries.content import record_content, verify
from service.records.queries.entries import entries_of
from service.records.tables import CornerHeightRead, Step
from service.stacks.tables import Stack
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.instruments import TorqueTool
from service.store.changes.calibrations import (
    CalibrationEntry,
    add_calibration,
    propose_correction,
)
from service.store.tables import Calibration, Instrument, ProposedChange
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known
from tests.bench.test_bench_pages import AtTheBench, at_bench, rows  # noqa: F401
from tests.bench.test_entries_api import Calling, Machine
from tests.closing import closings
from tests.closing.test_click_tools import UNTIL, missing, press

HEIGHT = {
    "mode": ClosingMode.HEIGHT,
    "target_height_mm": 57.0,
    "height_tolerance_mm": 0.3,
    "settling_minutes": 0.0,
}
FORCED = {"force_kn": 40.5, "height_before_mm": 57.0}
FORCE = {"mode": ClosingMode.FORCE, "press_force_kn": 40.0, "press_tolerance_percent": 5.0}


def in_force(lab: Lab, **clamp: Any) -> None:
    """Put figures in force that close the stack otherwise than to torque."""

    def make(session: Session) -> None:
        closings.give_stiffness(session)
        design_id = session.get_one(Stack, lab.stack_id).design_id
        closings.put_limits_in_force(session, design_id, **clamp)

    lab.rows(make)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A laboratory with a stack of two cells, its parts' stiffness known."""
    return a_lab(engine)


@pytest.fixture
def opened(lab: Lab) -> Bench:
    """A record whose stack stands open."""
    record = lab.begin()
    record.open()
    return record


@pytest.fixture
def tools(lab: Lab) -> dict[str, int]:
    """A height gauge and a press load cell."""
    kinds = builders.InstrumentKind

    def make(session: Session) -> tuple[int, int]:
        gauge = builders.a_torque_instrument(session, kind=kinds.HEIGHT_GAUGE, unit="mm")
        cell = builders.a_torque_instrument(session, kind=kinds.LOAD_CELL, unit="kN")
        cell.range_most = 100.0
        session.flush()
        return gauge.id, cell.id

    gauge_id, cell_id = lab.rows(make)
    return {"gauge_id": gauge_id, "load_cell_id": cell_id}


def to_height(record: Bench, tools: dict[str, int], height: float = 57.1, **more: Any) -> int:
    """Close to height at a hard stop."""
    given = {"mode": ClosingMode.HEIGHT, "held_by": HeldBy.STOP, "gauge_id": tools["gauge_id"]}
    step_id: int = record.do(record_held_closing, height_after_mm=height, **(given | more))
    return step_id


def by_force(record: Bench, tools: dict[str, int], force: float = 40.5, **more: Any) -> int:
    """Close by press force."""
    given = {"mode": ClosingMode.FORCE, "height_before_mm": 57.0, "height_after_mm": 57.2}
    step_id: int = record.do(record_held_closing, force_kn=force, **(tools | given | more))
    return step_id


def outcome_of(record: Bench) -> Any:
    """The closing as computed now."""
    with Session(record.lab.engine) as session:
        return closing(closing_ground(session, record.number).inputs)


@pytest.mark.both_engines
def test_a_closing_to_height_asks_for_no_torque_of_each_nut(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    in_force(lab, **HEIGHT)
    opened.do(close_stack, closed_at=lab.now)
    assert missing(opened)["how-the-stack-was-held"] == (
        "The design closes to height: nothing says how the stack was held."
    )

    to_height(opened, tools)

    asked = set(missing(opened))
    assert not {"how-the-stack-was-held", "torque", "passes", "settling"} & asked


@pytest.mark.both_engines
def test_a_height_outside_its_tolerance_is_asked_about(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    in_force(lab, **HEIGHT)

    with pytest.raises(Question) as asked:
        to_height(opened, tools, 57.4)
    assert "57.4 mm: the height aimed at is 57 ± 0.3 mm." in asked.value.reason

    to_height(opened, tools, 57.4, stands=Stands.STANDS, outside_because="a stiffer pile")
    with Session(lab.engine) as session:
        assert "a stiffer pile" in entries_of(session, opened.number)[-1].deviates


@pytest.mark.both_engines
def test_a_closing_by_press_force_reads_what_springs_back(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    in_force(lab, **FORCE)
    with pytest.raises(Question) as asked:
        by_force(opened, tools, 44.0)
    assert "44 kN: the press force aimed at is 40 kN ± 5 %." in asked.value.reason

    by_force(opened, tools)

    held = outcome_of(opened).held
    assert held.spring_back_mm.value == pytest.approx(0.2)
    assert held.force_n.value == pytest.approx(40_500.0)
    with Session(lab.engine) as session:
        content = json.loads(record_content(session, [opened.number])[opened.number].canonical)
        words = entries_of(session, opened.number)[-1].in_words
    (kept,) = content["held_closings"]
    assert (kept["mode"], kept["force_kn"], kept["height_before_mm"]) == (
        "by press force",
        40.5,
        57.0,
    )
    assert str(kept["load_cell"]) in content["instruments"]
    assert "springs back 0.20\u2009mm" in words


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"mode": ClosingMode.TORQUE}, "mode"),
        ({"mode": ClosingMode.HEIGHT, "held_by": None}, "held_by"),
        ({"force_kn": None}, "force_kn"),
        ({"height_before_mm": None}, "height_before_mm"),
        ({"load_cell_id": None}, "load_cell_id"),
        ({"force_kn": 200.0}, "force_kn"),
        ({"height_after_mm": 400.0}, "height_after_mm"),
    ],
)
def test_what_a_mode_asks_for_is_given(
    opened: Bench, tools: dict[str, int], given: dict[str, Any], field: str
) -> None:
    with pytest.raises(Refused) as refused:
        by_force(opened, tools, **({"force": given.pop("force_kn")} if "force_kn" in given else {}),
                 **given)  # fmt: skip

    assert refused.value.field == field


def test_the_arithmetic_sets_the_forces_side_by_side(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    """GDL pressure from the measured height; a lower stack is pressed harder."""
    in_force(lab, **FORCE)
    target = _unruled_height(opened)
    by_force(opened, tools, height_before_mm=target - 0.1, height_after_mm=target)
    high = outcome_of(opened)
    by_force(opened, tools, height_before_mm=target - 0.1, height_after_mm=target - 0.05)
    low = outcome_of(opened)

    assert high.closed is not None
    assert high.closed.closed_height_mm.value == pytest.approx(target, abs=1e-3)
    assert low.closed.gdl_pressure_mpa.value > high.closed.gdl_pressure_mpa.value
    assert high.rods_read == 0
    assert high.is_complete
    assert any("by the measured height" in said and "by the press" in said
               for said in high.remarks)  # fmt: skip


def _unruled_height(record: Bench) -> float:
    """The height the parts stand at under the torque of the design, mm."""
    with Session(record.lab.engine) as session:
        computed = computed_height(session, record.number, record.pile)
    assert computed.expected is not None, computed.unknown
    return computed.expected.height_mm


def test_a_click_tool_runs_the_nuts_down_to_hold(lab: Lab, opened: Bench) -> None:
    """No torque rules there: what the tool is set to is asked about in no band."""
    in_force(lab, **HEIGHT)
    tool_id = lab.rows(
        lambda s: builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK).id
    )

    lab.now += timedelta(minutes=1)
    opened.do(set_tool, pass_number=1, entered="2", instrument_id=tool_id)
    press(opened, 1, Press.CLICKED)

    assert "nuts-that-did-not-move" not in missing(opened)


@pytest.mark.both_engines
def test_what_closed_a_stack_rests_on_is_listed_of_an_instrument_found_out(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    """Settings and their checks, corners and held closings; the closing is to be judged."""
    kind = builders.InstrumentKind.TORQUE_TESTER
    tool_id, tester_id = lab.rows(
        lambda s: (
            builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK).id,
            builders.a_torque_instrument(s, label="TT-1", kind=kind).id,
        )
    )
    in_force(lab, **HEIGHT)
    lab.now += timedelta(minutes=1)
    checked = {"checked": "2", "tester_id": tester_id}
    opened.do(set_tool, pass_number=1, entered="2", instrument_id=tool_id, **checked)
    heights = dict.fromkeys("ABCD", 57.1)
    opened.do(
        record_corner_heights, pass_number=1, heights=heights, instrument_id=tools["gauge_id"]
    )
    to_height(opened, tools, load_cell_id=tools["load_cell_id"], **FORCED)

    listed = {
        label: found_out(lab, instrument_id)
        for label, instrument_id in (tools | {"tool": tool_id, "tester": tester_id}).items()
    }

    corners = [(f"height at corner {name}, pass 1", Still.EVIDENCE) for name in "ABCD"]
    closed = "closed to height"
    assert listed == {
        "gauge_id": [
            *corners,
            (f"height under the press, {closed}", Still.EVIDENCE),
            (f"height once the press was let off, {closed}", Still.CANNOT_TELL),
        ],
        "load_cell_id": [(f"press force, {closed}", Still.EVIDENCE)],
        "tool": [("click tool set, pass 1", Still.EVIDENCE)],
        "tester": [("click tool checked before pass 1", Still.CANNOT_TELL)],
    }
    with reading(lab.engine) as session:
        closing_doubt = doubts_of(session, 0, (), opened.number).closing
        labels = set(
            session.scalars(
                select(Instrument.label).where(Instrument.id.in_((*tools.values(), tester_id)))
            )
        )
    assert {
        label for label in labels if f"{label} found out of tolerance" in closing_doubt
    } == labels


@pytest.mark.parametrize(
    ("offset", "still"), [(0.1, Still.PASSES), (0.5, Still.WOULD_NOT), (-0.5, Still.WOULD_NOT)]
)
def test_a_held_closing_is_judged_again_with_the_error_found(
    lab: Lab, opened: Bench, tools: dict[str, int], offset: float, still: Still
) -> None:
    """By the height and the press force the design asks for."""
    in_force(lab, **(HEIGHT | {"press_force_kn": 40.0, "press_tolerance_percent": 5.0}))
    to_height(opened, tools, load_cell_id=tools["load_cell_id"], **FORCED)

    _under, after = found_out(lab, tools["gauge_id"], error_offset=offset)
    (force,) = found_out(lab, tools["load_cell_id"], error_offset=8 * offset)

    assert (after[1], force[1]) == (still, still)


def test_a_tester_found_out_judges_its_checks_by_what_the_tool_may_be_off(
    lab: Lab, opened: Bench
) -> None:
    kind = builders.InstrumentKind.TORQUE_TESTER
    tool_id, tester_id = lab.rows(
        lambda s: (
            builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK).id,
            builders.a_torque_instrument(s, label="TT-1", kind=kind).id,
        )
    )
    lab.now += timedelta(minutes=1)
    given = {"entered": "3", "instrument_id": tool_id, "checked": "3", "tester_id": tester_id}
    opened.do(set_tool, pass_number=1, **given)

    ((_what, still),) = found_out(lab, tester_id, error_percent=20.0)

    assert still is Still.WOULD_NOT
    lab.now += timedelta(minutes=1)
    with pytest.raises(Refused, match="found out of tolerance") as refused:
        opened.do(set_tool, pass_number=2, **given)
    assert refused.value.field == "tester_id"


def found_out(lab: Lab, instrument_id: int, **error: float) -> list[tuple[str, Still]]:
    """Find an instrument out of tolerance; what was read with it, in its order."""
    lab.now += timedelta(minutes=1)
    entry = CalibrationEntry(
        lab.now, lab.now + timedelta(days=300), "K-9", CalibrationResult.OUT_OF_TOLERANCE, **error
    )
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    finding = lab.do(add_calibration, instrument_id, entry, by=quality)
    with reading(lab.engine) as session:
        builds = assessment(session, instrument_id, finding).builds
    return [(use.what, use.still) for build in builds for use in build.uses]


def test_a_mode_names_its_target_and_tolerance() -> None:
    figures = closings.CLAMP
    with pytest.raises(Inconsistent) as wrong:
        replace(figures, mode=ClosingMode.HEIGHT, target_height_mm=57.0)

    assert isinstance(figures, ClampFigures)
    assert "height_tolerance_mm" in str(wrong.value.fields)


def test_the_bench_leads_to_the_closing_the_design_asks_for(
    app: Any,
    at_bench: Callable[..., AtTheBench],  # noqa: F811
) -> None:
    bench = at_bench()
    kind = builders.InstrumentKind.HEIGHT_GAUGE
    gauge = rows(
        app, lambda s: builders.a_torque_instrument(s, kind=kind, unit="mm", due_at=UNTIL)
    ).id
    with Session(app.state.engine) as session:
        design_id = session.scalars(select(Stack.design_id)).first() or 0
        closings.put_limits_in_force(session, design_id, **HEIGHT)
        session.commit()
    bench.open()
    part = bench.outermost()
    bench.lift()
    bench.enter("put-on", part_id=part)

    bench.enter("closing-check", check="sleeves")
    assert bench.next().startswith("Close to height, 57 mm ± 0.3 mm: run the nuts down to hold")
    page = bench.page(at="held")
    assert "Close to height" in page
    wrong = bench.post("held-closing", mode="to height", height_after_mm="57,1", gauge_id=gauge)
    assert wrong.status_code == 422
    assert "Nothing says what ended the pressing" in wrong.text
    bench.enter(
        "held-closing",
        mode="to height",
        held_by="hard stop",
        height_after_mm="57,1",
        gauge_id=gauge,
    )
    assert "closed to height, hard stop: 57.1" in bench.client.get(f"/records/{bench.number}").text
    assert "Close to height" not in bench.next(at="closing-checks")


@pytest.mark.both_engines
def test_a_machine_enters_how_a_stack_was_held(calling: Calling, engine: Engine) -> None:
    lab = a_lab(engine)
    in_force(lab, **HEIGHT)
    record = lab.begin()
    record.open()
    kind = builders.InstrumentKind.HEIGHT_GAUGE
    lab.rows(lambda s: builders.a_torque_instrument(s, label="HG-1", kind=kind, unit="mm"))
    machine = Machine(calling("builder"), record, minutes=40)

    machine.enter("held-closing", mode="to height", held_by="gauge", height_after_mm=57.0,
                  gauge="HG-1")  # fmt: skip

    assert outcome_of(record).held.mode is ClosingMode.HEIGHT


@pytest.mark.both_engines
def test_a_held_closing_is_corrected_and_computed_anew(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    """With the heights at its corners; what departs is asked about, what cannot be is refused."""
    in_force(lab, **HEIGHT)
    target = round(_unruled_height(opened), 2)
    in_force(lab, **(HEIGHT | {"target_height_mm": target}))
    corners = dict.fromkeys("ABCD", 57.1)
    lab.now += timedelta(minutes=1)
    opened.do(
        record_corner_heights, pass_number=1, heights=corners, instrument_id=tools["gauge_id"]
    )
    to_height(opened, tools, target)
    opened.do(close_stack, closed_at=lab.now)
    opened.do(hand_in)
    number = opened.number

    with pytest.raises(Question, match="the height aimed at is"):
        proposed(opened, "height_after_mm", f"{target + 1} mm")
    with pytest.raises(Refused, match="10000"):
        proposed(opened, "height_mm at corner B", "20000 mm")
    changed = decided(opened, proposed(opened, "height_after_mm", f"{target - 0.1:.2f} mm"))
    decided(opened, proposed(opened, "height_mm at corner B", "57.4 mm"))

    outcome = outcome_of(opened)
    assert outcome.closed.closed_height_mm.value == pytest.approx(target - 0.1, abs=1e-3)
    assert outcome.corners[0].spread_mm.value == pytest.approx(0.3)
    assert any(what.startswith(f"closing of record {number},") for what in changed)
    with reading(lab.engine) as session:
        assert verify(session, [number])[number].holds
        kept = session.scalars(
            select(ClosingResult.correction_id).where(ClosingResult.record_id == number)
        ).all()
        heights = session.scalars(
            select(CornerHeightRead.height_mm)
            .join(Step, Step.id == CornerHeightRead.step_id)
            .where(Step.undone_at.is_(None))
            .order_by(CornerHeightRead.corner)
        ).all()
    assert len(kept) == 3
    assert heights == [57.1, 57.4, 57.1, 57.1]


@pytest.mark.both_engines
def test_heights_and_force_are_judged_anew_by_a_corrected_calibration(
    lab: Lab, opened: Bench, tools: dict[str, int]
) -> None:
    """In the transaction that corrects it; the preview says the same before."""
    in_force(lab, **HEIGHT)
    target = round(_unruled_height(opened), 2)
    in_force(lab, **(HEIGHT | {"target_height_mm": target}))
    lab.rows(lambda s: setattr(s.get_one(Instrument, tools["gauge_id"]), "accuracy_offset", 0.01))
    lab.rows(lambda s: setattr(s.get_one(Instrument, tools["load_cell_id"]), "accuracy_percent", 1))
    lab.now += timedelta(minutes=1)
    heights = dict.fromkeys("ABCD", target)
    opened.do(
        record_corner_heights, pass_number=1, heights=heights, instrument_id=tools["gauge_id"]
    )
    to_height(opened, tools, target, **(FORCED | {"load_cell_id": tools["load_cell_id"]}))
    opened.do(close_stack, closed_at=lab.now)
    opened.do(hand_in)
    was = kept_inputs(opened)

    by_gauge = calibration_corrected(lab, tools["gauge_id"], error_offset=0.6)
    gauged = kept_inputs(opened)
    by_cell = calibration_corrected(lab, tools["load_cell_id"], error_percent=30.0)
    pressed = kept_inputs(opened)

    closing_of = f"closing of record {opened.number}"
    height = f"{closing_of}, closed height, over both compression plates, pressed"
    assert {closing_of, height} <= by_gauge
    assert by_cell >= {closing_of}
    assert was.held is not None
    assert gauged.held is not None
    assert pressed.held is not None
    assert gauged.held.after_mm.u == pytest.approx(0.6 / 3**0.5)
    assert gauged.corners[0].deviation_mm == pytest.approx(0.6)
    assert gauged.held.force_n == was.held.force_n
    assert pressed.held.force_n is not None
    assert pressed.held.force_n.u == pytest.approx(0.3 * 40_500 / 3**0.5)


def kept_inputs(record: Bench) -> ClosingInputs:
    """What the closing that counts was computed from."""
    with reading(record.lab.engine) as session:
        kept = kept_result(session, record.number)
    assert kept is not None
    assert kept.inputs is not None
    return kept.inputs


def calibration_corrected(lab: Lab, instrument_id: int, **error: float) -> set[str]:
    """Correct an instrument's calibration; what its preview said changes."""
    lab.now += timedelta(hours=1)
    with reading(lab.engine) as session:
        old = session.scalars(
            select(Calibration).where(Calibration.instrument_id == instrument_id)
        ).one()
        entry = CalibrationEntry(old.done_at, old.due_at, old.certificate, old.result, **error)
        old_id, shown = old.id, follows(session, old.id, entry)
    quality, second = lab.rows(
        lambda s: [known(s, builders.a_person(s, Role.QUALITY)) for _ in range(2)]
    )
    number = lab.do(propose_correction, old_id, entry, reason="misread", by=quality)
    with reading(lab.engine) as session:
        sha256 = session.get_one(ProposedChange, number).content_sha256
    lab.do(approve_proposal, number, content_sha256=sha256, password=builders.PASSWORD, by=second)
    return {row.what for row in shown}


def proposed(record: Bench, field: str, value: str) -> int:
    """Propose to correct a value of the closing."""
    record.lab.now += timedelta(hours=1)
    with reading(record.lab.engine) as session:
        facts = correctable(session, record.number).facts
    fact = next(each for each in facts if each.field == field)
    given = {"of": fact.of, "subject_id": fact.subject_id, "field": field, "reason": "misread"}
    number: int = record.lab.do(propose, record.number, new_value=value, **given)
    return number


def decided(record: Bench, number: int) -> list[str]:
    """Approve it; what its preview said changes."""
    lab = record.lab
    with Session(lab.engine) as session:
        shown = preview(session, correction(session, number))
    assert shown.conflicts == ()
    lab.do(
        decide,
        number,
        approve=True,
        content_sha256=lab.get(Correction, number).content_sha256,
        password=builders.PASSWORD,
        by=lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY))),
    )
    return [row.what for row in shown.rows if row.before != row.after]
