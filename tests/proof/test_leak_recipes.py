"""A leak test by recipe: its steps are kept, asked about where they were not, its trace stays."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.leak_paths import Path
from service.limits.arithmetic.leak_recipes import Recipe, Wetness
from service.limits.arithmetic.permeation import Permeating, Permeation
from service.operation.files import check_all
from service.operation.migrating import triggers
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.verdicts import Verdict
from service.platform.errors import Question, Refused
from service.proof.tables import PressureTrace
from service.records.changes.deviations import Stands
from service.records.tables import Step
from tests.proof.arithmetic.test_leak_traces import a_trace
from tests.proof.stack_testing import FIGURES, LEAK, ClosedStack, a_closed_stack
from tests.proof.test_stack_tests import made
from tests.proof.test_stack_tests_api import marks

Calling = Callable[..., Any]
RECIPE = Recipe(4, Wetness.DRY, 6.0, 3.0, 10.0, guard_kpa=55.0, relief_kpa=60.0)
FIGURES_BY_RECIPE = replace(FIGURES, leak=replace(LEAK, recipes=(RECIPE,)))
KEPT = {
    "state": "dry",
    "relief": "58 kPa",
    "ramp_time": "10 min",
    "settled": "3 min",
    "duration": "10 min",
    "end_pressure": "50.39",
}
BY_TRACE = {
    "method": "pressure decay",
    "gas": "nitrogen",
    "barometer": "101.3 kPa",
    "zero": "gauge",
    "set_up": "4",
    "state": "dry",
    "relief": "58",
    "arrived_cathode": "0",
    "arrived_coolant": "0",
}


def by_recipe(engine: Engine) -> ClosedStack:
    return a_closed_stack(engine, figures=FIGURES_BY_RECIPE)


def test_a_test_by_recipe_keeps_each_step_with_time_and_value(engine: Engine) -> None:
    stack = by_recipe(engine)

    stack.leak(4, **KEPT)

    (test,) = made(stack)
    assert test.verdict is Verdict.PASS
    before_end = [(name, test.done_at - at, value) for name, at, value in test.steps]
    assert before_end == [
        ("ramp begins", timedelta(minutes=23), "nitrogen, dry, relief set to 58 kPa"),
        ("at pressure", timedelta(minutes=13), "50.4 kPa gauge, ramp at most 5.04 kPa/min"),
        ("measuring begins", timedelta(minutes=10), "50.4 kPa, 22.4 °C"),
        ("measuring ends", timedelta(0), "50.39 kPa, 22.4 °C"),
    ]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"state": "wet"}, "State wet; the recipe asks for dry."),
        ({"ramp_time": "5"}, "Ramp 10.1 kPa/min; the recipe asks for at most 6 kPa/min."),
        ({"settled": "1"}, "Stabilising 1 min; the recipe asks for at least 3 min."),
        ({"duration": "8"}, "Measuring 8 min; the recipe asks for at least 10 min."),
        (
            {"most_pressure": "56"},
            "Guard passed, 56 kPa; the recipe asks for at most 55 kPa across the membrane.",
        ),
        ({"relief": "70"}, "Relief set to 70 kPa; the recipe asks for at most 60 kPa."),
        ({"relief": ""}, "Relief setting not recorded; the recipe asks for at most 60 kPa."),
    ],
)
def test_a_step_that_was_not_kept_is_asked_about(
    engine: Engine, typed: dict[str, str], said: str
) -> None:
    stack = by_recipe(engine)

    with pytest.raises(Question) as asked:
        stack.leak(4, **KEPT | typed)

    assert (asked.value.field, asked.value.reason) == ("stands", said)


@pytest.mark.both_engines
def test_a_test_without_its_steps_is_kept_only_as_a_deviation(engine: Engine) -> None:
    stack = by_recipe(engine)
    with pytest.raises(Question, match="Ramp not recorded") as asked:
        stack.leak(4)
    assert "Stabilising not recorded" in asked.value.reason

    why = "the logger was off"
    key = stack.leak(4, stands=Stands.STANDS, outside_because=why)

    kept = stack.lab.get(Step, key)
    assert kept.deviation_because == why
    assert kept.deviation is not None
    assert "Ramp not recorded" in kept.deviation


@pytest.mark.both_engines
def test_a_trace_is_computed_kept_under_its_hash_and_read_by_machines(
    calling: Calling, engine: Engine, tmp_path: Any
) -> None:
    stack = by_recipe(engine)
    tool, client = marks(engine, stack), calling("builder")
    trace = a_trace(lost_kpa_min=0.0001)
    sent = {
        "typed": BY_TRACE,
        "instrument": tool["gauge"],
        "thermometer": tool["thermometer"],
        "meter": tool["meter"],
        "trace": trace,
        "done_at": tool["at"],
    }
    address = f"/api/v1/records/{stack.bench.number}"

    answer = client.post(f"{address}/leak-tests", json=sent)
    again = client.post(f"{address}/leak-tests", json=sent)

    assert (answer.status_code, again.status_code) == (201, 201), answer.text
    one = client.get(f"{address}/tests").json()[0]
    kept = one["content"]["kept"]
    assert one["verdict"] == "pass"
    assert kept["ramp_kpa_min"] == pytest.approx(5.0, rel=1e-3)
    assert kept["settled_min"] == pytest.approx(3.0, abs=0.1)
    assert one["content"]["duration_min"] == pytest.approx(10.0)
    got = client.get(f"/api/v1/traces/{kept['trace_sha256']}")
    assert got.json() == {"sha256": kept["trace_sha256"], "content": trace}
    with Session(engine) as session:
        assert session.scalars(select(PressureTrace.content_sha256)).all() == [kept["trace_sha256"]]
    assert check_all(engine, tmp_path, lambda _more: None).wrong == ()

    with engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(update(PressureTrace).values(content=trace.replace("50.", "49.", 1)))
    assert check_all(engine, tmp_path, lambda _more: None).wrong == (
        f"trace {kept['trace_sha256'][:12]} of a leak test: it is not what was sent.",
    )


def test_a_trace_whose_ramp_is_too_fast_is_asked_about_by_machines(
    calling: Calling, engine: Engine
) -> None:
    stack = by_recipe(engine)
    tool = marks(engine, stack)

    answer = calling("builder").post(
        f"/api/v1/records/{stack.bench.number}/leak-tests",
        json={
            "typed": BY_TRACE,
            "instrument": tool["gauge"],
            "thermometer": tool["thermometer"],
            "meter": tool["meter"],
            "trace": a_trace(ramp_min=2.0),
            "done_at": tool["at"],
        },
    )

    assert answer.status_code == 422
    assert "Ramp 25 kPa/min; the recipe asks for at most 6 kPa/min." in answer.text


def test_the_membrane_is_judged_by_the_highest_pressure_seen(engine: Engine) -> None:
    """Not by that of the first reading alone; also where no guard is given."""
    bears = replace(LEAK, most_across_kpa=54.0)
    stack = a_closed_stack(engine, figures=replace(FIGURES, leak=bears))

    with pytest.raises(Question, match="55 kPa across the membrane; it bears at most 54 kPa"):
        stack.leak(4, **KEPT | {"most_pressure": "55"})


def test_a_step_typed_alone_is_not_lost_but_asks_for_the_others(engine: Engine) -> None:
    stack = by_recipe(engine)

    with pytest.raises(Refused) as refused:
        stack.leak(4, relief="58")

    assert refused.value.field == "ramp_time"


def test_the_highest_pressure_is_no_less_than_the_first_reading(engine: Engine) -> None:
    stack = by_recipe(engine)

    with pytest.raises(Refused) as refused:
        stack.leak(4, **KEPT | {"most_pressure": "40"})

    assert refused.value.field == "most_pressure"


def test_a_recipe_is_typed_as_it_is_shown_and_kept_within_its_design() -> None:
    form = to_form(FIGURES_BY_RECIPE)

    assert form["leak_recipe_4_ramp_kpa_min"] == "6"
    assert from_form(form).leak == FIGURES_BY_RECIPE.leak
    with pytest.raises(Inconsistent, match="above the 52 kPa that the membrane bears"):
        replace(FIGURES_BY_RECIPE.leak or LEAK, most_across_kpa=52.0)
    with pytest.raises(Inconsistent, match="opens at the test pressure"):
        replace(LEAK, recipes=(replace(RECIPE, relief_kpa=50.0),))


BY_HYDROGEN = replace(
    LEAK,
    recipes=(replace(RECIPE, gas="hydrogen"),),
    permeation=(Permeation(Permeating.HYDROGEN, Wetness.DRY, 0.1, 0.7, "cells measured"),),
)


@pytest.mark.both_engines
def test_a_recipe_has_a_gas_of_its_own_judged_apart_from_its_permeation(engine: Engine) -> None:
    """The limits of its set-up hold for it; the other set-ups keep the design's gas."""
    stack = a_closed_stack(engine, figures=replace(FIGURES, leak=BY_HYDROGEN))
    passed_on = {"gas": "hydrogen", "end_pressure": "49.16"}

    stack.leak(4, **KEPT | passed_on, arrived={"cathode": "0.5"})
    with pytest.raises(Question, match="Tested with nitrogen; the set-up asks for hydrogen"):
        stack.leak(4, **KEPT)
    stack.leak(3)

    (by_hydrogen, by_nitrogen) = made(stack)
    assert by_hydrogen.verdict is by_nitrogen.verdict is Verdict.PASS
    across = next(path for path in by_hydrogen.result.paths if path.permeation)
    assert across.path is Path.ANODE_CATHODE


def test_a_gas_of_a_recipe_is_typed_and_fits_its_set_up() -> None:
    figures = replace(FIGURES, leak=BY_HYDROGEN)
    form = to_form(figures)

    assert form["leak_recipe_4_gas"] == "hydrogen"
    assert from_form(form).leak == BY_HYDROGEN
    with pytest.raises(OutOfRange, match="hydrogen"):
        replace(RECIPE, set_up=3, gas="hydrogen")
