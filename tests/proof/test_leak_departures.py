"""A test of tightness made otherwise than its set-up asks: asked about, kept with its reason."""

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.limits.arithmetic.leak_paths import Circuit
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import Question, Refused
from service.proof.changes.stack_tests import record_leak_test
from service.proof.tables import StackTest
from service.records.changes.deviations import Stands
from service.records.tables import Step, StepKind
from service.store.arithmetic.instruments import InstrumentKind, beyond_range, kinds_that_read
from service.store.tables import Instrument
from tests.bench.at_the_bench import what_is_missing
from tests.proof.stack_testing import ARRIVES, DECAY, DRY, FIGURES, LEAK, a_closed_stack
from tests.proof.test_stack_tests import lines
from tests.proof.test_stack_tests_api import marks

WHY: dict[str, Any] = {"stands": Stands.STANDS, "outside_because": "the regulator stuck"}
BEARS_60 = replace(FIGURES, leak=replace(LEAK, most_across_kpa=60.0))
FEW = [
    ({"start_pressure": "56 kPa", "end_pressure": "55.9"}, "50 kPa ± 10 %"),
    ({"start_pressure": "44 kPa", "end_pressure": "43.9"}, "50 kPa ± 10 %"),
    ({"gas": "helium"}, "Tested with helium; the set-up asks for nitrogen"),
    ({"duration": "4 min"}, "Held for 4 min; the set-up asks for at least 5 min"),
]


def the_tests(engine: Engine) -> list[Step]:
    """The tests that were entered."""
    with Session(engine, expire_on_commit=False) as session:
        tests = select(Step).where(Step.kind == StepKind.LEAK_TEST).order_by(Step.id)
        return list(session.scalars(tests))


@pytest.mark.parametrize(
    "typed", [{"gas": "helium"}, {"start_pressure": "20", "end_pressure": "20"}]
)
def test_a_test_with_another_gas_or_too_low_opens_no_gate(
    engine: Engine, typed: dict[str, str]
) -> None:
    """Kept as a deviation, but no path passes by it."""
    stack = a_closed_stack(engine)
    stack.leak(4, stands=Stands.STANDS, outside_because="the bottle was empty", **typed)

    found = lines(stack)

    assert found["leak anode to outside"].verdict is Verdict.UNDECIDED
    assert found["leak between anode and coolant"].verdict is Verdict.UNDECIDED


@pytest.mark.parametrize(("typed", "says"), FEW)
def test_another_pressure_gas_or_hold_than_the_set_ups_is_asked_about(
    engine: Engine, typed: dict[str, str], says: str
) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Question) as asked:
        stack.leak(3, **typed)

    assert asked.value.key == "stands"
    assert says in asked.value.reason
    assert asked.value.facts
    assert the_tests(engine) == []


def test_a_gauge_with_an_error_of_full_scale_decides_less_at_a_low_pressure(
    engine: Engine,
) -> None:
    stack = a_closed_stack(engine)

    def percent() -> float | None:
        stack.leak(3)
        with Session(engine) as session:
            row = session.scalars(select(StackTest).order_by(StackTest.id.desc())).first()
            assert row is not None
            percent: float | None = json.loads(row.content)["gauge_percent"]
            return percent

    assert percent() is None, "as is usual for its kind"
    with Session(engine) as session:
        gauge = session.get_one(Instrument, stack.tools.gauge)
        gauge.accuracy_full_scale_percent = 0.5  # of 200 kPa, read at 50 kPa above the air
        session.commit()

    assert percent() == pytest.approx(100 * 1.0 / (50.0 + 101.3), rel=1e-2)


@pytest.mark.both_engines
def test_confirmed_it_is_kept_as_a_deviation(engine: Engine) -> None:
    """With its reason in the entry, before hand-in and in what is hashed."""
    stack = a_closed_stack(engine)
    with pytest.raises(Refused, match="without a reason"):
        stack_leak(stack, stands=Stands.STANDS)

    stack_leak(stack, **WHY)

    (step,) = the_tests(engine)
    assert step.deviation == "56 kPa gauge at the start; the set-up asks for 50 kPa ± 10 %."
    assert step.deviation_because == "the regulator stuck"
    with Session(engine) as session:
        assert session.scalars(select(StackTest)).one().verdict
        said = [one.sentence for one in what_is_missing(session, stack.bench.number)]
    assert any("Kept because: the regulator stuck" in sentence for sentence in said)


def stack_leak(stack: Any, **answer: Any) -> None:
    """The coolant at 56 kPa, with an answer."""
    flows = {f"arrived_{name}": "0" for name in ARRIVES[3]}
    typed = DECAY | flows | {"set_up": "3", "start_pressure": "56 kPa", "end_pressure": "55.9"}
    stack.bench.do(
        record_leak_test,
        typed=typed,
        instrument_id=stack.tools.gauge,
        thermometer_id=stack.tools.thermometer,
        meter_id=stack.tools.meter,
        **answer,
    )


@pytest.mark.parametrize("kpa", ["45.1", "54.9"])
def test_inside_the_band_nothing_is_asked(engine: Engine, kpa: str) -> None:
    stack = a_closed_stack(engine)

    stack.leak(4, start_pressure=f"{kpa} kPa", end_pressure=kpa)

    assert [step.deviation for step in the_tests(engine)] == [None]


def test_a_set_up_has_a_band_of_its_own(engine: Engine) -> None:
    wide = tuple(
        replace(one, test_band_percent=30.0 if one.circuit is Circuit.COOLANT else 10.0)
        for one in LEAK.circuits
    )
    stack = a_closed_stack(engine, figures=replace(FIGURES, leak=replace(LEAK, circuits=wide)))
    typed = {"start_pressure": "64 kPa", "end_pressure": "63.9"}

    stack.leak(3, **typed)
    with pytest.raises(Question):
        stack.leak(4, **typed)


def test_what_the_membrane_bears_holds_between_anode_and_cathode(engine: Engine) -> None:
    """Joined, or with the coolant alone under pressure, the membrane sees no difference."""
    stack = a_closed_stack(engine, figures=BEARS_60)
    typed = {"start_pressure": "70 kPa", "end_pressure": "69.9"}

    for set_up, is_told in ((2, False), (3, False), (4, True), (5, True)):
        with pytest.raises(Question) as asked:
            stack.leak(set_up, **typed)
        assert ("70 kPa across the membrane; it bears at most 60 kPa" in str(asked.value)) is (
            is_told
        )


def test_a_design_does_not_ask_for_more_than_its_membrane_bears() -> None:
    with pytest.raises(Inconsistent, match="tested at 50 kPa, more than the 40 kPa"):
        replace(LEAK, most_across_kpa=40.0)


@pytest.mark.parametrize(
    ("tool", "typed", "field"),
    [
        ("gauge", {"start_pressure": "250 kPa", "end_pressure": "249"}, "start_pressure"),
        ("thermometer", {"end_temperature": "120"}, "end_temperature"),
    ],
)
def test_beyond_the_instruments_range_is_refused(
    engine: Engine, tool: str, typed: dict[str, str], field: str
) -> None:
    stack = a_closed_stack(engine)

    with pytest.raises(Refused, match="A reading in its range") as refused:
        stack.leak(3, **typed)

    assert refused.value.field == field
    label = stack.lab.get(Instrument, getattr(stack.tools, tool)).label
    assert label in refused.value.reason


def test_a_tester_shows_no_more_than_its_range_but_that_it_is_more(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    with pytest.raises(Refused, match="reads up to 2000 MΩ"):
        stack.insulation(DRY | {"rods_plates_resistance": "2500 MΩ"})
    stack.insulation(DRY | {"rods_plates_resistance": "> 2000 MΩ"})


@pytest.mark.both_engines
def test_a_machine_is_asked_and_answers(calling: Callable[..., Any], engine: Engine) -> None:
    """By the entry and in a whole record."""
    stack = a_closed_stack(engine)
    tool, client = marks(engine, stack), calling("builder")
    sent = {
        "typed": DECAY | {"set_up": "2", "gas": "helium"},
        "instrument": tool["gauge"],
        "thermometer": tool["thermometer"],
        "done_at": tool["at"],
    }
    address = f"/api/v1/records/{stack.bench.number}/leak-tests"

    asked = client.post(address, json=sent)
    answer = {"stands": "stands", "outside_because": "no nitrogen in house"}
    made = client.post(address, json=sent | answer)

    assert asked.status_code == 422
    question = asked.json()["fields"][0]["question"]
    assert (question["key"], question["answers"]) == ("stands", ["stands"])
    assert question["facts"] == {"gas": "helium", "gas of the set-up": "nitrogen"}
    assert made.status_code == 201, made.text
    (step,) = the_tests(engine)
    assert step.deviation_because == "no nitrogen in house"


def test_units_tell_which_instruments_read_them() -> None:
    kinds = InstrumentKind
    assert kinds_that_read("ppm H2") == (kinds.GAS_DETECTOR,)
    assert kinds_that_read("bar") == (kinds.PRESSURE_GAUGE,)
    assert kinds_that_read("°C") == (kinds.THERMOMETER,)
    assert kinds.MULTIMETER in kinds_that_read("V")
    assert kinds_that_read("drops") == tuple(kinds) == kinds_that_read(None)


def test_a_range_in_another_unit_is_converted_and_of_another_measure_ignored() -> None:
    assert beyond_range(2.1, "bar", 0.0, 200.0, "kPa")
    assert not beyond_range(2.0, "bar", 0.0, 200.0, "kPa")
    assert beyond_range(-30.0, "°C", 253.15, 373.15, "K")
    assert not beyond_range(500.0, "Ω", 0.0, 20.0, "V")
    assert not beyond_range(500.0, "Ω", None, None, "Ω")
