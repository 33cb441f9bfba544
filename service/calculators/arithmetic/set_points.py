"""The calculator of set points for a count of cells, and what changes with another count.

Source: as in set_points.
"""

from service.calculators.arithmetic import desk
from service.calculators.arithmetic.gas import BAROMETER, ZERO, absolute
from service.limits.arithmetic.set_points import (
    FORMULA,
    CellWindow,
    Feed,
    Operation,
    Oxidant,
    SetPoints,
    before_and_after,
    set_points,
)
from service.physics.arithmetic.gases import REFERENCES, reference
from service.physics.arithmetic.water import COOLANTS, coolant_at
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate, combined, standard_uncertainty
from service.platform.arithmetic.units import Measure

# What is asked for set points at the desk.
#
# Common practice, no source.


def _feed_fields(gas: str, called: str, stoichiometry: str) -> fields.Section:
    return fields.Section(
        f"{called} feed",
        (
            fields.number(
                f"{gas}_stoichiometry",
                f"Stoichiometry of the {called.lower()}",
                example=stoichiometry,
                least=1.0,
                most=100.0,
                help="Fed by used; less than 1 starves cells.",
            ),
            fields.percent(
                f"{gas}_humidity",
                f"Relative humidity of the {called.lower()}",
                most=100.0,
                example="50",
                help="Left empty: fed dry, and the two beneath do not matter.",
            ),
            fields.temperature(
                f"{gas}_temperature",
                f"Temperature at the {called.lower()} inlet",
                required=False,
                example="65",
            ),
            fields.pressure(
                f"{gas}_pressure",
                f"Pressure at the {called.lower()} inlet",
                required=False,
                example="30",
            ),
        ),
    )


SECTIONS = (
    fields.Section(
        "Stack",
        (
            fields.whole("cells", "Active cells", example="20"),
            fields.whole(
                "cells_after",
                "Active cells after a change",
                required=False,
                example="24",
                help="Left empty: no table before and after.",
            ),
            fields.quantity("current", "Current", Measure.CURRENT, "A", example="100"),
            fields.percent("current_percent", "Current known to ±", example="1"),
            fields.quantity(
                "least", "Least voltage of a cell", Measure.VOLTAGE, "V", least=0.0, example="0.5"
            ),
            fields.quantity(
                "rated", "Rated voltage of a cell", Measure.VOLTAGE, "V", example="0.65"
            ),
            fields.quantity(
                "greatest", "Greatest voltage of a cell", Measure.VOLTAGE, "V", example="1.0"
            ),
        ),
    ),
    _feed_fields("hydrogen", "Hydrogen", "1.5"),
    _feed_fields("oxidant", "Oxidant", "2.0"),
    fields.Section(
        "Conditions",
        (
            fields.choice("oxidant", "Oxidant", tuple(Oxidant)),
            fields.choice(
                "reference", "Litres are at", tuple(reference.name for reference in REFERENCES)
            ),
            ZERO,
            BAROMETER,
            fields.choice("coolant", "Coolant", COOLANTS),
            fields.temperature(
                "coolant_temperature", "Mean temperature of the coolant", example="65"
            ),
            fields.quantity(
                "coolant_rise",
                "Rise of its temperature through the stack",
                Measure.TEMPERATURE_CHANGE,
                "K",
                example="5",
            ),
        ),
    ),
)


SOURCE = "Faraday's law; thermoneutral voltages from CODATA key values (1989); IAPWS-IF97"
CURRENT = "current"
_SHOWN_BY = {"m³/s": "flow_in", "kg/s": "mass_in", "W": "power_in", "V": "voltage_in"}


def _feed(answers: desk.Answers, gas: str) -> Feed:
    stoichiometry = answers.number(f"{gas}_stoichiometry")
    if not answers.has(f"{gas}_humidity"):
        return Feed(stoichiometry)
    warm = f"{gas}_temperature"
    answers.need(warm, f"{gas}_pressure", "barometer")
    humidity = answers.share_or(f"{gas}_humidity")
    with placed(
        stoichiometry=f"{gas}_stoichiometry",
        humidity=f"{gas}_humidity",
        temperature_k=warm,
        pressure_pa=f"{gas}_pressure",
    ):
        return Feed(stoichiometry, humidity, answers.si(warm), absolute(answers, f"{gas}_pressure"))


def operation_of(answers: desk.Answers) -> Operation:
    """Return what is wanted of the stack."""
    feeds = _feed(answers, "hydrogen"), _feed(answers, "oxidant")
    with placed(least_v="least", rated_v="rated", greatest_v="greatest"):
        window = CellWindow(answers.si("least"), answers.si("rated"), answers.si("greatest"))
    with placed("coolant_temperature"):
        coolant = coolant_at(answers.text("coolant"), answers.si("coolant_temperature"))
    with placed(current_a="current", coolant_rise_k="coolant_rise"):
        return Operation(
            answers.si("current"),
            *feeds,
            window,
            coolant,
            answers.si("coolant_rise"),
            Oxidant(answers.text("oxidant")),
            reference=reference(answers.text("reference")),
        )


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    operation = operation_of(answers)
    points = set_points(answers.count("cells"), operation)
    off = standard_uncertainty(answers.share_or("current_percent"))
    tables: tuple[desk.Table, ...] = ()
    if answers.has("cells_after"):
        rows: tuple[tuple[desk.Cell, ...], ...] = tuple(
            (
                row.name,
                *(
                    _by_unit(units, row.unit, value)
                    for value in (row.before, row.after, row.change)
                ),
            )
            for row in before_and_after(
                answers.count("cells"), answers.count("cells_after"), operation
            )
        )
        count = f"{answers.count('cells')} and {answers.count('cells_after')} cells"
        headings = ("set point", "before", "after", "change")
        tables = (desk.Table("before_and_after", f"Before and after: {count}", headings, rows),)
    remarks = (
        (
            "Blank cells do not count. Set mass flows and alarms anew before the first start with"
            " another number of cells."
        ),
        "Heat: less than the HHV figure, more than the LHV one; coolant by HHV, the more cautious.",
    )
    return desk.Outcome(
        _results(points, operation, units, off),
        SOURCE,
        remarks,
        tables,
        ("hydrogen", "electrical", "coolant"),
        FORMULA,
    )


def _by_unit(units: desk.Units, unit: str, value: float) -> desk.Figure:
    show = _SHOWN_BY.get(unit)
    return units.figure(value, show) if show else desk.number_of(value, unit)


def _results(
    points: SetPoints, operation: Operation, units: desk.Units, off: float
) -> tuple[desk.Result, ...]:
    """Flows, heat and power grow with the current: its uncertainty is theirs."""

    def of(value: float, show: str) -> desk.Figure:
        return units.figure(_of_current(value, off), show)

    condition, oxidant = f"at {points.reference}", str(operation.oxidant_gas)
    return (
        desk.Result("hydrogen", "Hydrogen", of(points.hydrogen.volume_m3_s, "flow_in"), condition),
        desk.Result("hydrogen_mass", "Hydrogen", of(points.hydrogen.mass_kg_s, "mass_in")),
        desk.Result(
            "oxidant", oxidant.capitalize(), of(points.oxidant.volume_m3_s, "flow_in"), condition
        ),
        desk.Result("oxidant_mass", oxidant.capitalize(), of(points.oxidant.mass_kg_s, "mass_in")),
        desk.Result(
            "hydrogen_water", "Water with the hydrogen", of(points.hydrogen.water_kg_s, "mass_in")
        ),
        desk.Result(
            "oxidant_water", f"Water with the {oxidant}", of(points.oxidant.water_kg_s, "mass_in")
        ),
        desk.Result("product_water", "Product water", of(points.product_water_kg_s, "mass_in")),
        desk.Result(
            "heat_lhv", "Heat, water leaves as vapour (LHV)", of(points.heat_lhv_w, "power_in")
        ),
        desk.Result(
            "heat_hhv", "Heat, water leaves liquid (HHV)", of(points.heat_hhv_w, "power_in")
        ),
        desk.Result("coolant", "Coolant", of(points.coolant_m3_s, "flow_in")),
        desk.Result("power", "Power at the rated voltage", of(points.power_w, "power_in")),
        desk.Result(
            "least_voltage",
            "Least stack voltage",
            units.figure(points.least_voltage_v, "voltage_in"),
        ),
        desk.Result(
            "rated_voltage",
            "Rated stack voltage",
            units.figure(points.rated_voltage_v, "voltage_in"),
        ),
        desk.Result(
            "greatest_voltage",
            "Greatest stack voltage",
            units.figure(points.greatest_voltage_v, "voltage_in"),
            "at open circuit",
        ),
        desk.Result("efficiency_lhv", "Efficiency, LHV", desk.percent_of(points.efficiency_lhv)),
        desk.Result("efficiency_hhv", "Efficiency, HHV", desk.percent_of(points.efficiency_hhv)),
    )


def _of_current(value: float, off: float) -> Estimate:
    return combined(value, {CURRENT: off * value})


SET_POINTS = desk.Calculator(
    "set-points",
    "Set points for a count of cells",
    "Gas flows, water, heat, coolant, voltage window, power; before and after a change.",
    SECTIONS,
    _work,
    (
        fields.Show("flow_in", "Flows in", Measure.FLOW, "L/min"),
        fields.Show("mass_in", "Masses in", Measure.MASS_FLOW, "g/min"),
        fields.Show("power_in", "Heat and power in", Measure.POWER, "W"),
        fields.Show("voltage_in", "Voltage in", Measure.VOLTAGE, "V"),
    ),
)
