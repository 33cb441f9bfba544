"""The calculator that turns a leak of test gas into one of hydrogen.

Source: as in gases.
"""

from service.calculators.arithmetic import desk
from service.calculators.arithmetic.gas import (
    BAROMETER,
    ZERO,
    absolute,
    leak_figure,
    mol_per_second,
    outside_of,
)
from service.physics.arithmetic import gases
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.units import Measure

SOURCE = "viscous flow after Poiseuille, molecular flow by kinetic theory"
SENTENCES = (
    "How many holes share the leak is not known: the two laws are its bounds, whatever they are.",
    "Many small holes side by side leak more nearly by the molecular law.",
    "What permeates through a membrane follows neither law.",
)
AT_0_C = "gas at 0\u2009°C"


def _across(answers: desk.Answers, when: str) -> gases.Across:
    """Pressures before and behind the leak; behind it the air outside, where nothing is said."""
    outside = outside_of(answers)
    behind = f"{when}_outside"
    after = absolute(answers, behind, suction=True) if answers.has(behind) else outside
    before = absolute(answers, f"{when}_inside")
    warm = answers.si(f"{when}_temperature")
    with placed(inside_pa=f"{when}_inside", outside_pa=behind, temperature_k=f"{when}_temperature"):
        return gases.Across(before, after, warm)


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    del units
    test, use = _across(answers, "test"), _across(answers, "use")
    rate = mol_per_second(answers.entry("rate"), test.temperature_k)
    gas = gases.gas_named(answers.text("gas"))
    with placed(rate_mol_s="rate", path_length_m="path_length"):
        hydrogen = gases.as_hydrogen(rate, gas, test, use, answers.si("path_length"))
    relative = standard_uncertainty(answers.share_or("rate_percent"))

    def shown(mol_s: float, unit: str = "sccm") -> desk.Figure:
        return leak_figure(Estimate(mol_s, relative * mol_s), unit, use.temperature_k)

    results = (
        desk.Result("least", "Hydrogen in use, at least", shown(hydrogen.least_mol_s), AT_0_C),
        desk.Result("most", "Hydrogen in use, at most", shown(hydrogen.most_mol_s), AT_0_C),
        desk.Result(
            "most_warm", "The same, at its temperature", shown(hydrogen.most_mol_s, "mbar·L/s")
        ),
        desk.Result("viscous", "By the viscous law", shown(hydrogen.viscous_mol_s), AT_0_C),
        desk.Result("molecular", "By the molecular law", shown(hydrogen.molecular_mol_s), AT_0_C),
        desk.Result(
            "knudsen",
            "Knudsen number",
            desk.number_of(hydrogen.knudsen),
            "of one round hole that leaks as much",
        ),
    )
    return desk.Outcome(results, SOURCE, SENTENCES, cautions=("hydrogen", "pressure"))


HYDROGEN = desk.Calculator(
    "hydrogen",
    "Test gas to hydrogen",
    "How much hydrogen passes in use where a test gas leaked so much, and by which law.",
    (
        fields.Section(
            "Measured",
            (
                fields.choice("gas", "Test gas", tuple(gas.name for gas in gases.TEST_GASES)),
                fields.quantity(
                    "rate",
                    "Leak rate of the test gas",
                    Measure.LEAK_RATE,
                    "mbar·L/s",
                    example="0.008",
                ),
                fields.percent("rate_percent", "Known to ±", example="10"),
                fields.quantity(
                    "path_length",
                    "Length of the leak's path",
                    Measure.LENGTH,
                    "mm",
                    example="3",
                    help="The gasket's width, say.",
                ),
                ZERO,
                BAROMETER,
                fields.pressure("test_inside", "Pressure inside, in the test", example="50"),
                fields.pressure(
                    "test_outside",
                    "Pressure behind the leak, in the test",
                    required=False,
                    help="Left empty: the air outside.",
                ),
                fields.temperature("test_temperature", "Temperature in the test", example="22"),
            ),
        ),
        fields.Section(
            "In use",
            (
                fields.pressure("use_inside", "Pressure inside, in use", example="60"),
                fields.pressure(
                    "use_outside",
                    "Pressure behind the leak, in use",
                    required=False,
                    help="Left empty: the air outside.",
                ),
                fields.temperature("use_temperature", "Temperature in use", example="65"),
            ),
        ),
    ),
    _work,
)
