"""Heights at the corners after each pass: evidence of a level plate, and which nut to turn."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import closing
from service.closing.changes.checks import record_corner_heights
from service.closing.pages.sheets import closing_sheet
from service.closing.queries.closing_inputs import closing_ground
from service.limits.arithmetic.closing_modes import CornersAsked
from service.limits.arithmetic.limits import Limit, Quantity
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import Refused
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import record_content
from service.records.queries.entries import entries_of
from service.stacks.tables import Stack
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab
from tests.bench.test_bench_pages import AtTheBench, at_bench, rows  # noqa: F401
from tests.bench.test_deviations import read
from tests.closing import closings
from tests.closing.test_click_tools import RODS, UNTIL, missing

FLAT = {"A": 138.0, "B": 138.0, "C": 138.0, "D": 138.0}
TILTED = {"A": 137.9, "B": 138.3, "C": 138.3, "D": 137.9}


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A laboratory whose design asks for the corners and limits spread and tilt."""
    lab = a_lab(engine)
    limits = tuple(
        Limit(quantity, None, 0.2, "invented design note 7")
        for quantity in (Quantity.CORNER_SPREAD, Quantity.TILT)
    )
    figures = closings.FIGURES.__class__(clamp=closings.CLAMP, limits=limits)

    def in_force(session: Session) -> None:
        design_id = session.get_one(Stack, lab.stack_id).design_id
        closings.put_limits_in_force(
            session, design_id, figures, corners_asked=CornersAsked.ALWAYS, settling_minutes=0.0
        )

    lab.rows(in_force)
    return lab


@pytest.fixture
def gauge_id(lab: Lab) -> int:
    """A height gauge."""
    kind = builders.InstrumentKind.HEIGHT_GAUGE
    return lab.rows(  # type: ignore[no-any-return]
        lambda s: builders.a_torque_instrument(s, label="HG-1", kind=kind, unit="mm").id
    )


@pytest.fixture
def tightened(lab: Lab) -> Bench:
    """A record whose nuts are all read in three passes."""
    record = lab.begin()
    record.open()
    for number in (1, 2, 3):
        for rod in RODS:
            read(record, 3.0 * number, number, rod)
    return record


def outcome_of(record: Bench) -> Any:
    """The closing as computed now, and its sheet's words on the level."""
    with Session(record.lab.engine) as session:
        ground = closing_ground(session, record.number)
        found = closing(ground.inputs)
        return found, closing_sheet(found, ground.sizes, ground.inputs.figures.clamp).level


def measure(record: Bench, gauge_id: int, number: int = 3, **heights: float | None) -> int:
    """Measure the corners after a pass."""
    step_id: int = record.do(
        record_corner_heights,
        pass_number=number,
        heights=FLAT | heights,
        instrument_id=gauge_id,
    )
    return step_id


@pytest.mark.both_engines
def test_heights_of_the_last_pass_are_judged_by_the_limits(tightened: Bench, gauge_id: int) -> None:
    """A limit without heights of this pass leaves the closing undecided; earlier ones do not do."""
    before, words = outcome_of(tightened)
    assert "verdict on the end-plate tilt: it has a limit, but no value" in before.not_computed
    assert words == ""

    measure(tightened, gauge_id, 2, **TILTED)
    early, words = outcome_of(tightened)
    assert early.corners_now is None
    assert words == ""
    assert not {Quantity.TILT, Quantity.CORNER_SPREAD} & {each.quantity for each in early.judged}

    measure(tightened, gauge_id, 3, **TILTED)
    tilted, words = outcome_of(tightened)
    assert {each.quantity: each.verdict for each in tilted.judged} == {
        Quantity.CORNER_SPREAD: Verdict.FAIL,
        Quantity.TILT: Verdict.FAIL,
    }
    assert "corner B is highest. Nut 2 stands" in words or "Nut 3 stands" in words
    assert "tighten it first by about" in words

    measure(tightened, gauge_id, 3)
    flat, words = outcome_of(tightened)
    assert {each.verdict for each in flat.judged} == {Verdict.PASS}
    assert words.startswith("Tilt of the end plate in pass 3:")


@pytest.mark.both_engines
def test_passes_without_heights_are_asked_about_at_hand_in(tightened: Bench, gauge_id: int) -> None:
    measure(tightened, gauge_id, 1)
    tightened.do(close_stack, closed_at=tightened.lab.now)

    assert missing(tightened)["heights-at-the-corners"] == (
        "No height at the corners measured after pass 2, 3."
    )


def test_the_record_keeps_each_corner_with_its_gauge(tightened: Bench, gauge_id: int) -> None:
    measure(tightened, gauge_id, 3, B=138.2)

    with Session(tightened.lab.engine) as session:
        last = entries_of(session, tightened.number)[-1]
        content = json.loads(
            record_content(session, [tightened.number])[tightened.number].canonical
        )
    assert last.in_words == "corners after pass 3: A 138, B 138.2, C 138, D 138\u2009mm"
    assert [row["corner"] for row in content["corner_heights"]] == list("ABCD")
    assert content["instruments"][str(gauge_id)] == "HG-1"


@pytest.mark.parametrize(
    ("heights", "field"),
    [({"B": None}, "heights.B"), ({"B": 400.0}, "heights.B"), ({"E": 138.0}, "heights")],
)
def test_a_corner_without_a_height_that_can_be_is_refused(
    tightened: Bench, gauge_id: int, heights: dict[str, float | None], field: str
) -> None:
    with pytest.raises(Refused) as refused:
        measure(tightened, gauge_id, 3, **heights)

    assert refused.value.field == field


def test_the_bench_leads_to_the_corners_after_a_pass(
    app: Any,
    at_bench: Callable[..., AtTheBench],  # noqa: F811
) -> None:
    bench = at_bench()
    driver, gauge = (
        rows(
            app,
            lambda s, kind=kind, unit=unit: builders.a_torque_instrument(
                s, kind=kind, unit=unit, due_at=UNTIL
            ),
        ).id
        for kind, unit in (
            (builders.InstrumentKind.TORQUE_DRIVER, "N·m"),
            (builders.InstrumentKind.HEIGHT_GAUGE, "mm"),
        )
    )
    with Session(app.state.engine) as session:
        design_id = session.scalars(select(Stack.design_id)).first() or 0
        closings.put_limits_in_force(session, design_id, corners_asked=CornersAsked.ALWAYS)
        session.commit()
    bench.open()
    for rod in RODS:
        given = {"stage": "closing", "kind": "set", "rod_number": rod, "pass_number": 1}
        bench.enter("torque", instrument_id=driver, entered="3", **given)

    assert "Measure the height at the corners, after pass 1." in bench.page(at="torque")
    page = bench.page(at="corners")
    assert "Measure the closed height at the corners, after pass 1." in page
    typed = {f"heights.{name}": "138,2" for name in "ABC"}
    wrong = bench.post("corner-heights", pass_number=1, instrument_id=gauge, **typed)
    assert wrong.status_code == 422
    assert wrong.text.count('value="138,2"') == 3
    bench.enter(
        "corner-heights", pass_number=1, instrument_id=gauge, **typed, **{"heights.D": "138"}
    )
    assert "Heights at the corners" in bench.page(at="corners")
    assert "Pass 2 of 3, nut 1" in bench.page(at="torque")
