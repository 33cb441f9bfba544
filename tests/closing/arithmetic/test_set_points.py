"""Set points: balances of mass and energy, proportion, humidity, before and after, refusals."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.set_points import (
    MOLAR_MASS_HYDROGEN,
    MOLAR_MASS_OXYGEN,
    MOLAR_MASS_WATER,
    OXYGEN_IN_AIR,
    THERMONEUTRAL_HHV,
    THERMONEUTRAL_LHV,
    CellWindow,
    Feed,
    Operation,
    Oxidant,
    before_and_after,
    set_points,
)
from service.physics.arithmetic.gases import AT_20_C, FARADAY, volume_flow
from service.physics.arithmetic.water import COOLANTS, CoolantState, coolant_at, saturation_pressure
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

WATER = coolant_at("water", 338.15)
OPERATION = Operation(70.0, Feed(1.5), Feed(2.0), CellWindow(0.4, 0.65, 1.0), WATER, 5.0)
CURRENTS, CELLS = st.floats(0.1, 500.0), st.integers(1, 400)


@given(CURRENTS, CELLS)
def test_mass_in_is_mass_out(current: float, cells: int) -> None:
    """At stoichiometry 1 hydrogen and oxygen become water, nothing else."""
    operation = replace(
        OPERATION,
        current_a=current,
        hydrogen=Feed(1.0),
        oxidant=Feed(1.0),
        oxidant_gas=Oxidant.OXYGEN,
    )

    found = set_points(cells, operation)

    fed = found.hydrogen.mass_kg_s + found.oxidant.mass_kg_s
    assert fed == pytest.approx(found.product_water_kg_s, rel=1e-5)
    assert pytest.approx(MOLAR_MASS_HYDROGEN + MOLAR_MASS_OXYGEN / 2, rel=1e-5) == MOLAR_MASS_WATER


@given(CURRENTS, CELLS, st.floats(0.45, 0.95))
def test_power_and_heat_are_the_energy_of_the_hydrogen(
    current: float, cells: int, rated: float
) -> None:
    operation = replace(OPERATION, current_a=current, window=CellWindow(0.4, rated, 1.0))

    found = set_points(cells, operation)

    assert found.power_w + found.heat_lhv_w == pytest.approx(current * cells * THERMONEUTRAL_LHV)
    assert found.power_w + found.heat_hhv_w == pytest.approx(current * cells * THERMONEUTRAL_HHV)
    carried = found.coolant_kg_s * WATER.heat_capacity * operation.coolant_rise_k
    assert carried == pytest.approx(found.heat_hhv_w)
    assert found.efficiency_hhv < found.efficiency_lhv < 1


@given(CELLS, CELLS)
def test_everything_but_the_share_follows_the_cells(before: int, after: int) -> None:
    for row in before_and_after(before, after, OPERATION):
        assert row.after == pytest.approx(row.before * after / before)
        assert row.change == pytest.approx(row.after - row.before)


@given(st.floats(1.0, 5.0), CURRENTS, CELLS)
def test_the_stoichiometry_of_the_flow_is_the_one_given(
    stoichiometry: float, current: float, cells: int
) -> None:
    operation = replace(
        OPERATION,
        current_a=current,
        hydrogen=Feed(stoichiometry),
        oxidant=Feed(stoichiometry),
        reference=AT_20_C,
    )
    found = set_points(cells, operation)

    electrons = current * cells / FARADAY
    for flow, used in (
        (found.hydrogen, electrons / 2),
        (found.oxidant, electrons / 4 / OXYGEN_IN_AIR),
    ):
        again = flow.volume_m3_s / volume_flow(used, AT_20_C)
        assert again == pytest.approx(stoichiometry)


@given(st.floats(0.0, 1.0), st.floats(300.0, 360.0), st.floats(110e3, 400e3))
def test_the_water_of_a_humid_feed_has_the_pressure_that_is_asked(
    humidity: float, kelvin: float, pressure: float
) -> None:
    feed = Feed(2.0, humidity, kelvin, pressure)

    found = set_points(10, replace(OPERATION, oxidant=feed)).oxidant

    water = found.water_kg_s / MOLAR_MASS_WATER
    partial = pressure * water / (water + found.amount_mol_s)
    assert partial == pytest.approx(humidity * saturation_pressure(kelvin), rel=1e-9, abs=1e-9)


def test_the_table_names_the_reference_condition() -> None:
    names = [row.name for row in before_and_after(10, 9, OPERATION)]

    assert "hydrogen at 0 °C, 101.325 kPa" in names
    assert "air at 0 °C, 101.325 kPa" in names
    oxygen = replace(OPERATION, oxidant_gas=Oxidant.OXYGEN)
    assert "water with the oxygen" in [row.name for row in before_and_after(10, 9, oxygen)]


@given(st.floats(274.0, 480.0), st.floats(1.001, 1.03))
def test_water_boils_higher_under_more_pressure(kelvin: float, more: float) -> None:
    assert saturation_pressure(kelvin * more) > saturation_pressure(kelvin)


@pytest.mark.parametrize("name", COOLANTS)
def test_coolants_between_their_rows(name: str) -> None:
    cold, middle, warm = (coolant_at(name, kelvin) for kelvin in (313.15, 318.15, 323.15))

    assert cold.density > middle.density > warm.density
    assert middle.heat_capacity == pytest.approx(
        (cold.heat_capacity + warm.heat_capacity) / 2, rel=1e-3
    )
    with pytest.raises(OutOfRange, match="60 °C would be"):
        coolant_at(name, 60.0)


@pytest.mark.parametrize(
    ("make", "error", "words"),
    [
        (lambda: Feed(0.9), OutOfRange, "less starves cells"),
        (lambda: Feed(2.0, 1.4), OutOfRange, "the relative humidity is 1.4"),
        (lambda: Feed(2.0, 0.5, 65.0), OutOfRange, r"65 °C would be 338\.15 K"),
        (lambda: Feed(2.0, 1.0, 353.15, 20e3), Inconsistent, "Is that a gauge pressure"),
        (lambda: Feed(2.0, 0.5, 333.15, -5.0), OutOfRange, "the inlet pressure"),
        (lambda: CellWindow(0.7, 0.65, 1.0), Inconsistent, "must rise: 0.7, 0.65, 1 V"),
        (lambda: CellWindow(0.4, 0.65, 1.9), OutOfRange, "the greatest cell voltage is 1.9 V"),
        (lambda: replace(OPERATION, current_a=-1.0), OutOfRange, "the current is -1 A"),
        (lambda: replace(OPERATION, coolant_rise_k=0.0), OutOfRange, "rise of the coolant"),
        (lambda: replace(OPERATION, oxygen_share=21.0), OutOfRange, "the share of oxygen"),
        (lambda: set_points(0, OPERATION), OutOfRange, "the number of cells is 0"),
        (lambda: set_points(2.5, OPERATION), OutOfRange, "a whole number"),  # type: ignore[arg-type]
        (lambda: coolant_at("oil", 300.0), OutOfRange, "the coolant is oil; allowed: water"),
        (lambda: CoolantState("own", 0.0, 4e3), OutOfRange, "the coolant's density is 0"),
        (lambda: saturation_pressure(60.0), OutOfRange, "60 °C would be"),
    ],
)
def test_bad_input_is_told(make: object, error: type[Exception], words: str) -> None:
    with pytest.raises(error, match=words):
        make()  # type: ignore[operator]
