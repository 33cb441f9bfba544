"""The calculators of the desk: as typed, in any unit, the same figures as the formulas give."""

from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.calculators.arithmetic.calculators import (
    CALCULATORS,
    Worked,
    calculator_named,
    work_out,
)
from service.calculators.arithmetic.desk import Calculator, Figure, Outcome, Result, plain
from service.calculators.arithmetic.gas import ABSOLUTE_ZERO
from service.physics.arithmetic.disc_springs import DiscSpring, SpringColumn
from service.physics.arithmetic.gases import GAS_CONSTANT
from service.physics.arithmetic.tightness import GasReading, Instruments, pressure_decay
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.fields import Asks, Field
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.verdicts import Verdict

NAMES = [calculator.name for calculator in CALCULATORS]


def the(name: str) -> Calculator:
    found = calculator_named(name)
    assert found
    return found


def worked(name: str, typed: Mapping[str, str] | None = None, **changed: str) -> Worked:
    """The example of a calculator (or ``typed``) with some answers changed."""
    begun = the(name).example if typed is None else typed
    return work_out(the(name), {**begun, **changed})


def outcome(name: str, typed: Mapping[str, str] | None = None, **changed: str) -> Outcome:
    found = worked(name, typed, **changed)
    assert found.outcome, found.refusals
    return found.outcome


def result(found: Outcome, name: str) -> Result:
    return next(one for one in found.results if one.name == name)


def si(found: Outcome, name: str) -> Estimate:
    return result(found, name).figure.estimate


def refused(name: str, **changed: str) -> dict[str, str]:
    """What is said of each field that cannot be taken."""
    return {one.field: one.in_words for one in worked(name, **changed).refusals}


# As data


@pytest.mark.parametrize("name", NAMES)
def test_every_example_is_worked_out_with_source_units_and_cautions(name: str) -> None:
    found = outcome(name)

    assert found.source
    assert found.cautions
    assert found.results
    for one in found.results:
        assert one.label
        assert one.figure.text


@pytest.mark.parametrize("name", NAMES)
def test_fields_are_named_once_and_their_example_is_one_of_their_answers(name: str) -> None:
    calculator = the(name)
    named = [field.name for field in calculator.fields] + [show.name for show in calculator.shows]

    assert len(named) == len(set(named))
    for field in calculator.fields:
        assert field.label
        if field.asks is Asks.CHOICE:
            assert calculator.example.get(field.name, field.first_choice) in field.choices
        if field.measure:
            assert field.unit in field.units


@pytest.mark.parametrize("name", NAMES)
def test_nothing_typed_names_all_that_is_missing_and_is_no_mistake(name: str) -> None:
    found = worked(name, {})

    assert found.is_unfinished
    assert all(refusal.reason == "This has to be filled in." for refusal in found.refusals)


def test_a_name_nobody_knows_is_no_calculator() -> None:
    assert calculator_named("nothing") is None


ABSURD = ("0", "1e-9", "1e6", "-60")


@pytest.mark.parametrize("name", NAMES)
def test_an_absurd_answer_is_refused_beside_its_field_or_among_those_that_contradict(
    name: str,
) -> None:
    """One answer of the example at a time, each field with each absurd value."""
    fields = [field for field in the(name).fields if field.asks is not Asks.CHOICE]

    misplaced = [
        (field.name, value, refusal.field, refusal.in_words)
        for field in fields
        for value in ABSURD
        for refusal in worked(name, **{field.name: value}).refusals
        if field.name not in {refusal.field, *refusal.together}
    ]

    assert not misplaced


def test_where_a_search_stood_is_for_the_log_alone() -> None:
    found = worked("pressure-map", width="1e-6")

    assert found.last_state is not None
    assert "solution; " not in found.refusals[0].in_words
    assert str(found.last_state) not in found.refusals[0].in_words


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=settings.default.max_examples // 4)
@given(data=st.data())
def test_whatever_is_typed_gets_an_answer_or_a_reason(name: str, data: st.DataObject) -> None:
    calculator = the(name)
    odd = st.sampled_from(
        ["", "0", "-1", "1e300", "-1e300", "1e-300", "nan", "inf", "12 furlongs", "1,234", "ⅷ", "%"]
    ) | st.text(max_size=8)
    field = data.draw(st.sampled_from(calculator.fields))
    typed = data.draw(odd | st.floats().map(repr))

    found = worked(name, **{field.name: typed, field.unit_name: data.draw(st.just("") | odd)})

    assert bool(found.outcome) != bool(found.refusals)
    assert found.outcome is None or found.outcome.is_finite
    for refusal in found.refusals:
        assert refusal.reason


@pytest.mark.parametrize(
    ("name", "field", "text"),
    [
        ("closing", "mea", "450"),
        ("closing", "gasket_length", "700"),
        ("closing", "area", "200000"),
        ("closing", "inner", "1e-308"),
        ("closing", "rod_modulus", "1e-308"),
        ("pressure-decay", "volume", "850"),
        ("torque", "torque", "1e12"),
        ("set-points", "current", "1e308"),
        ("insulation", "resistance", "1e-308"),
    ],
)
def test_sizes_nothing_has_are_refused_at_their_field(name: str, field: str, text: str) -> None:
    (refusal,) = worked(name, **{field: text}).refusals

    assert refusal.field == field
    assert "Right would be" in refusal.right_would_be


# Units


def test_the_same_torque_in_another_unit_gives_the_same_preload() -> None:
    chosen = outcome("torque", torque="75.23133", torque_unit="in·lbf")
    written = outcome("torque", torque="75.23133 in-lbs")

    assert si(chosen, "preload").value == pytest.approx(8.5 / (0.18 * 0.008), rel=1e-6)
    assert si(written, "preload") == si(chosen, "preload")


def test_a_result_is_shown_in_the_unit_chosen_and_kept_in_si() -> None:
    newton, pound = outcome("torque"), outcome("torque", force_in="lbf")

    assert si(newton, "preload") == si(pound, "preload")
    assert result(pound, "preload").figure.shown.value == pytest.approx(
        si(newton, "preload").value / 4.4482216152605
    )
    assert result(pound, "preload").figure.text.endswith("lbf")


def test_an_unknown_unit_of_a_result_is_refused_with_those_that_would_be_right() -> None:
    assert "kN" in refused("torque", force_in="furlong")["force_in"]


def test_a_temperature_is_shown_from_its_own_zero() -> None:
    figure = Figure(Estimate(295.55, 0.05), Measure.TEMPERATURE, "°C")

    assert figure.text == "22.40 ± 0.10\u2009°C"


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (21232.4, "21230"), (0.123456, "0.1235"), (15.60, "15.6"), (3e-7, "3e-07")],
)
def test_a_figure_without_uncertainty_has_four_digits_that_count(value: float, text: str) -> None:
    assert plain(value) == text


# Figures


def test_torque_and_preload_are_each_others_inverse() -> None:
    """Without uncertainty of the driver the way there and back meets."""
    there = si(outcome("torque"), "preload").value

    back = outcome("torque", wanted="torque from preload", preload=f"{there:.9f}", preload_unit="N")

    assert si(back, "torque").value == pytest.approx(8.5)


def test_what_makes_a_preload_uncertain_adds_up_to_its_variance() -> None:
    found = si(outcome("torque"), "preload")

    assert sum(part**2 for _name, part in found.parts) == pytest.approx(found.u**2)


def test_the_greatest_torque_is_the_printed_one() -> None:
    """Source: VDI 2230 part 1, tables A1 and A2: M8, 8.8, µ 0.12: 18.6 kN and 24.6 N·m."""
    found = outcome("bolt-stress", common_percent="", each_percent="", driver_percent="0")

    assert si(found, "greatest_preload").value / 1e3 == pytest.approx(18.6, abs=0.05)
    assert si(found, "greatest_torque").value == pytest.approx(24.6, abs=0.05)
    assert si(found, "proof_load").value == pytest.approx(21_200, abs=50)


def test_a_preload_above_the_proof_load_is_said() -> None:
    said = {
        preload: outcome("bolt-stress", **{"from": "a preload", "preload": preload})
        for preload in ("12", "20.8", "22", "28")
    }

    assert {preload: found.verdict for preload, found in said.items()} == {
        "12": Verdict.PASS,
        "20.8": Verdict.FAIL,
        "22": Verdict.FAIL,
        "28": Verdict.FAIL,
    }
    assert not any("The rod" in sentence for sentence in said["12"].sentences)
    assert "pull and twist are more than its yield strength" in said["20.8"].sentences[0]
    assert said["22"].sentences[0].startswith("The rod yields")
    assert said["28"].sentences[0].startswith("The rod breaks")


def test_a_torque_no_rod_bears_is_said_to_break_it() -> None:
    found = outcome("bolt-stress", torque="200")

    assert found.verdict is Verdict.FAIL
    assert found.sentences[0].startswith("The rod breaks")


def test_scatter_may_reach_beyond_what_a_rod_bears() -> None:
    found = outcome("bolt-stress", torque="26")

    assert found.verdict is Verdict.UNDECIDED
    assert found.sentences[0].startswith("Within the scatter the rod yields")


def test_a_column_of_discs_is_that_of_the_formula() -> None:
    """The very column of `SpringColumn`: its load and travel."""
    disc = DiscSpring(0.020, 0.0102, 0.0011, 0.00045)
    column = SpringColumn(disc, 3, 8)

    found = outcome("disc-springs", load="3.8")

    assert si(found, "travel").value == pytest.approx(column.travel(3800.0))
    assert si(found, "flat_load").value == pytest.approx(column.flat_load_n)
    asked = outcome("disc-springs", at="a travel", travel="2.7")
    assert si(asked, "load").value == pytest.approx(column.load(2.7e-3))


def test_a_wanted_pressure_gives_the_torque_that_gives_it() -> None:
    pressure = si(outcome("closing"), "gdl_pressure").value

    back = outcome(
        "closing",
        wanted="the torque for a GDL pressure",
        wanted_pressure=f"{pressure:.6f}",
        wanted_pressure_unit="Pa",
    )

    assert si(back, "torque").value == pytest.approx(5.5, rel=1e-6)
    assert si(back, "gdl_pressure").value == pytest.approx(pressure, rel=1e-6)


def test_more_cells_on_the_same_rods_keep_the_pressure_and_use_up_thread() -> None:
    table = next(table for table in outcome("closing").tables if table.name == "cells")
    rows = {str(row[0]): row[1:] for row in table.rows}

    def values(name: str) -> list[float]:
        return [cell.estimate.value for cell in rows[name] if isinstance(cell, Figure)]

    before, after = values("GDL pressure")
    assert before == pytest.approx(after)
    before, after = values("thread out of the nut")
    higher = values("closed height")
    assert before - after == pytest.approx(higher[1] - higher[0], rel=0.05)


def test_a_thread_that_does_not_suffice_for_more_cells_is_said() -> None:
    found = outcome("closing", cells_added="8")

    assert any("with 28 cells" in sentence for sentence in found.sentences)


def test_a_curve_by_points_stands_for_its_form() -> None:
    """A straight line by two points is the power law with exponent 1."""
    power = outcome("closing", gdl_form="power law", gdl_modulus="8", gdl_exponent="1")
    points = outcome("closing", gdl_form="points", gdl_points="10 0.8\n60 4.8")

    assert si(points, "gdl_pressure").value == pytest.approx(si(power, "gdl_pressure").value)


def test_the_map_balances_the_rods_and_names_the_nut_to_begin_with() -> None:
    found = outcome("pressure-map")

    assert found.map
    mean = sum(map(sum, found.map.pressures_mpa)) / sum(map(len, found.map.pressures_mpa))
    assert mean == pytest.approx(si(found, "mean").value / 1e6, rel=1e-6)
    loads = [si(found, f"rod_{number}").value for number in range(1, 9)]
    assert sum(loads) == pytest.approx(si(found, "force").value)
    assert any(sentence.startswith("Begin with nut 5: tighten") for sentence in found.sentences)


def test_rods_read_alike_lie_level() -> None:
    rods = "1 -110 85 5\n2 110 85 5\n3 110 -85 5\n4 -110 -85 5"

    found = outcome("pressure-map", rods=rods)

    assert si(found, "ratio").value == pytest.approx(100.0)
    assert si(found, "resultant_x").value == pytest.approx(0.0, abs=1e-9)


def test_a_pressure_decay_is_that_of_the_formula_in_three_units() -> None:
    found = outcome("pressure-decay", barometer_off="0")

    start = GasReading(151_300.0, 295.55)
    end = GasReading(150_720.0, 295.35)
    instruments = Instruments(20 / 3**0.5, 0.1 / 3**0.5, 0.04 / 3**0.5, 200 / 3**0.5, 1 / 3**0.5)
    wanted = pressure_decay(start, end, 600.0, 0.85e-3, instruments).rate
    assert si(found, "rate_si").value == pytest.approx(wanted.value * GAS_CONSTANT * 295.55)
    assert si(found, "rate_si").u == pytest.approx(wanted.u * GAS_CONSTANT * 295.55)
    assert result(found, "rate").figure.shown.value == pytest.approx(
        10 * si(found, "rate_si").value
    )
    per_minute = wanted.value * GAS_CONSTANT * 273.15 / 101_325.0 * 6e7
    assert result(found, "rate_sccm").figure.shown.value == pytest.approx(per_minute)
    assert found.verdict is Verdict.PASS


def test_the_air_outside_counts_at_both_ends_where_the_gauge_counts_from_it() -> None:
    """Half an hPa in ten minutes: 0.0007 mbar·L/s of 0.85 L; by V Δp / t."""
    same, fell = (outcome("pressure-decay", end_barometer=at_end) for at_end in ("1013", "1012.5"))
    by_itself = 0.85e-3 * 50 / 600 * 295.55 / 295.35
    assert si(fell, "rate_si").value - si(same, "rate_si").value == pytest.approx(by_itself)

    exact, known = (outcome("pressure-decay", barometer_off=off) for off in ("0", "0.2"))
    assert si(known, "rate_si").u > si(exact, "rate_si").u
    absolute = {"zero": ABSOLUTE_ZERO, "start": "151.3", "end": "150.72"}
    unmoved = [
        outcome("pressure-decay", **absolute, end_barometer=at_end, barometer_off=off)
        for at_end, off in (("1013", "0"), ("1000", "2"))
    ]
    assert si(unmoved[0], "rate_si") == si(unmoved[1], "rate_si")

    unread = outcome("pressure-decay", end_barometer="")
    assert any("each hPa it rose or fell makes 0.001417" in said for said in unread.sentences)
    assert not any("each hPa" in said for said in same.sentences)


def test_a_rate_below_detection_is_kept_as_such() -> None:
    found = outcome("pressure-decay", end="50.0", end_temperature="22.4", limit="0.00001")

    assert any("Below detection" in sentence for sentence in found.sentences)
    assert found.verdict is Verdict.UNDECIDED


def test_a_limit_in_sccm_is_one_of_gas_at_zero_degrees() -> None:
    """The verdict turns where the rate in sccm reaches it, not the one at 22 °C."""
    rate = result(outcome("flow-meter"), "rate_sccm").figure.shown

    passing = outcome("flow-meter", limit=str(rate.value + 1.7 * rate.u), limit_unit="sccm")
    failing = outcome("flow-meter", limit=str(rate.value - 1.7 * rate.u), limit_unit="sccm")

    assert (passing.verdict, failing.verdict) == (Verdict.PASS, Verdict.FAIL)


def test_the_hold_time_told_is_enough_for_the_test() -> None:
    """A stack that leaks half the limit passes when held so long."""
    hold = si(outcome("hold-time"), "hold").value
    limit_mol_s = 0.01e-1 / (GAS_CONSTANT * 295.15)
    lost = 0.5 * limit_mol_s * hold * GAS_CONSTANT * 295.15 / 0.85e-3

    found = outcome(
        "pressure-decay",
        end=f"{50_000 - lost:.4f}",
        end_unit="Pa",
        start_temperature="22",
        end_temperature="22",
        duration=f"{hold * 1.001:.5f}",
        duration_unit="s",
        clock_off="",
    )

    assert found.verdict is Verdict.PASS


def test_nitrogen_of_the_same_pressures_passes_twice_as_hydrogen() -> None:
    """Source: ratio of the viscosities, 2.0 at 20 °C."""
    alike = {"use_inside": "50", "use_temperature": "20", "test_temperature": "20"}

    found = outcome("hydrogen", rate="1", rate_unit="sccm", **alike)

    assert result(found, "viscous").figure.shown.value == pytest.approx(2.0, abs=0.005)
    assert result(found, "molecular").figure.shown.value == pytest.approx(3.73, abs=0.005)


def test_insulation_is_judged_by_the_limit_that_is_named() -> None:
    passed = outcome("insulation")
    failed = outcome("insulation", rule="common practice, dry: 1 MΩ", resistance="0.4")
    alone = outcome("insulation", resistance="")

    assert si(passed, "limit").value == pytest.approx(2460.0)
    assert (passed.verdict, failed.verdict) == (Verdict.PASS, Verdict.FAIL)
    assert alone.verdict is None


def test_insulation_is_not_judged_before_it_is_said_how_it_was_read() -> None:
    """Neither bonded cells nor a purged stack is taken for granted."""
    found = worked("insulation", bonded="", hydrogen_there="")

    assert found.is_unfinished
    assert {one.field for one in found.refusals} == {"bonded", "hydrogen_there"}


def test_a_short_by_no_resistance_at_all_has_no_current() -> None:
    found = outcome("insulation", resistance="0")

    assert found.verdict is Verdict.FAIL
    assert all(one.name != "current" for one in found.results)


def test_shorts_are_told_cell_by_cell_and_a_gap_is_no_pass() -> None:
    found = outcome("shorts")
    free = outcome("shorts", resistances="41; 38; 40")
    gap = outcome("shorts", resistances="41\n-\n40")
    volts = outcome("shorts", by="open-circuit voltages", voltages="970\n50", voltages_unit="mV")

    assert [found.verdict, free.verdict, gap.verdict, volts.verdict] == [
        Verdict.FAIL,
        Verdict.PASS,
        Verdict.UNDECIDED,
        Verdict.FAIL,
    ]
    assert found.sentences[0].startswith("Cell 5 is shorted")


def test_set_points_grow_with_the_cells_and_stand_side_by_side() -> None:
    found = outcome("set-points")
    rows = {str(row[0]): row[1:] for row in found.tables[0].rows}

    before, after, change = (
        cell.estimate.value
        for cell in rows["power at the rated voltage"]
        if isinstance(cell, Figure)
    )
    assert (before, after, change) == pytest.approx((1300.0, 1560.0, 260.0))
    assert si(found, "power").relative == pytest.approx(0.01 / 3**0.5)


# What cannot be


@pytest.mark.parametrize(
    ("name", "changed", "field", "said"),
    [
        ("pressure-decay", {"start": "-20"}, "start", "less than the air outside"),
        ("closing", {"gdl_modulus": "-3"}, "gdl_modulus", "more than zero"),
        ("closing", {"area": "0"}, "area", "more than zero"),
        ("shorts", {"area": "0"}, "area", "more than zero"),
        ("pressure-map", {"width": "0"}, "width", "more than zero"),
        ("torque", {"nut_factor": "2"}, "nut_factor", "0.05 to 0.6"),
        ("bolt-stress", {"thread_friction": "1.2"}, "thread_friction", "0.02 to 0.5"),
        (
            "pressure-decay",
            {"zero": "vacuum (absolute)", "start": "50"},
            "start",
            "It would be 151.3\u2009kPa absolute",
        ),
        ("pressure-decay", {"start": "0.5 bar abs"}, "start", "Is that a gauge pressure?"),
        ("pressure-decay", {"barometer": "1.01"}, "barometer", "50 to 110 kPa"),
        (
            "pressure-decay",
            {"start_temperature": "22.4", "start_temperature_unit": "K"},
            "start_temperature",
            "22.4 °C would be 295.55 K",
        ),
        ("hydrogen", {"use_temperature": "338.15"}, "use_temperature", "65 °C"),
        ("hydrogen", {"test_inside": "0"}, "test_inside", "nothing drives a leak"),
        ("torque", {"thread": "W8"}, "thread", "such as M8"),
        ("torque", {"torque": "8.5 kg"}, "torque", "N·m, cN·m"),
        ("torque", {"torque": "1,234"}, "torque", "leave no doubt"),
        ("torque", {"rods": "7.5"}, "rods", "not a whole number"),
        ("disc-springs", {"load": "9"}, "load", "where they lie flat"),
        ("disc-springs", {"cone": "2"}, "cone", "one load has two heights"),
        ("disc-springs", {"at": "a travel", "travel": "9"}, "travel", "3.6\u2009mm"),
        ("closing", {"gdl_form": "points", "gdl_points": "20 x"}, "gdl_points", "20 x"),
        ("closing", {"gdl_form": "points", "gdl_points": "20 2\n10 3"}, "gdl_points", "must grow"),
        ("closing", {"cells_added": "-20"}, "cells_added", "one at least must stay"),
        ("closing", {"rods": "0"}, "rods", "1 to 60"),
        ("pressure-map", {"rods": "1 0 0 5\n1 10 0 5"}, "rods", "given twice"),
        ("pressure-map", {"rods": "1 0 0\n"}, "rods", "number, x and y in mm"),
        ("pressure-map", {"rods": "1 0 0 5\n2 10 0 5"}, "rods", "three at least"),
        ("flow-meter", {"flow": "20"}, "flow", "full scale"),
        ("insulation", {"bonded": "no"}, "bonded", "not bonded"),
        ("insulation", {"hydrogen_there": "yes"}, "hydrogen_there", "purged"),
        ("insulation", {"test_voltage": "10"}, "test_voltage", "24.6"),
        ("shorts", {"resistances": "41\nx"}, "resistances", "Cell 2"),
        ("shorts", {"resistances": "41\n-3"}, "resistances", "cell 2"),
        ("set-points", {"oxidant_stoichiometry": "0.8"}, "oxidant_stoichiometry", "1 to 100"),
        ("set-points", {"rated": "1.1"}, "least", "must rise"),
        ("set-points", {"coolant": "beer"}, "coolant", "not one of the choices"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(
    name: str, changed: dict[str, str], field: str, said: str
) -> None:
    found = refused(name, **changed)

    assert set(found) == {field}
    assert said in found[field]


def test_all_that_cannot_be_read_is_told_together() -> None:
    found = refused("pressure-decay", duration="ten", volume="0", barometer="")

    assert set(found) == {"duration", "volume", "barometer"}


def test_a_refusal_keeps_what_was_typed() -> None:
    (refusal,) = worked("torque", torque="eight").refusals

    assert refusal.value == "eight"


def test_a_range_is_said_in_words() -> None:
    assert Field("a", "A", least=0.0, above=True).range_in_words == "more than zero"
    assert Field("a", "A", least=0.0, most=90.0, unit="%").range_in_words == "0 to 90 %"
    assert Field("a", "A", least=0.0).range_in_words == "zero or more"
