"""What is asked of insulation at the desk.

Common practice, no source.
"""

from service.calculators.arithmetic.fields import (
    Section,
    choice,
    number,
    percent,
    quantity,
    whole,
    words,
)
from service.limits.arithmetic.insulation import (
    DC_LIMIT,
    DRY_RODS_LIMIT,
    WITH_AC_LIMIT,
    Between,
    Condition,
)
from service.platform.arithmetic.units import Measure

OWN = "a limit of one's own"
LIMITS = {limit.standard: limit for limit in (DC_LIMIT, WITH_AC_LIMIT, DRY_RODS_LIMIT)}
YES, NO, NOT_SAID = "yes", "no", "not said"
SECTIONS = (
    Section(
        "Limit",
        (
            choice("rule", "Limit by", (*LIMITS, OWN)),
            number(
                "ohm_per_volt",
                "Resistance for each volt",
                "Ω/V",
                only_for="own limit",
                required=False,
            ),
            quantity(
                "least",
                "Never less than",
                Measure.RESISTANCE,
                "kΩ",
                only_for="own limit",
                required=False,
            ),
            words(
                "standard",
                "Standard or rule it comes from",
                only_for="own limit",
                required=False,
                help="These three where the limit is one's own.",
            ),
            whole(
                "cells",
                "Cells",
                required=False,
                example="20",
                help="Or the working voltage itself, beneath.",
                named=("the number of cells",),
            ),
            quantity(
                "cell_voltage",
                "Greatest voltage of a cell",
                Measure.VOLTAGE,
                "V",
                required=False,
                named=("the greatest voltage of a cell",),
                help="Left empty: 1.23 V, the reversible voltage at 25 °C.",
            ),
            quantity(
                "voltage",
                "Working voltage",
                Measure.VOLTAGE,
                "V",
                required=False,
                named=("the working voltage",),
            ),
        ),
    ),
    Section(
        "Reading",
        (
            choice("between", "Measured", tuple(Between)),
            choice("condition", "Coolant circuit", tuple(Condition)),
            quantity(
                "resistance",
                "Resistance",
                Measure.RESISTANCE,
                "MΩ",
                least=0.0,
                required=False,
                example="2.4",
                named=("the resistance",),
                help="Left empty: the limit alone is worked out.",
            ),
            choice(
                "over_range",
                "The tester shows only that it is more",
                (NO, YES),
            ),
            quantity(
                "test_voltage",
                "Voltage of the tester",
                Measure.VOLTAGE,
                "V",
                only_for="with a resistance",
                required=False,
                example="100",
                named=("the test voltage",),
            ),
            percent("tester_percent", "Tester's accuracy ±", example="5"),
            choice(
                "bonded",
                "All cells bonded together",
                (NOT_SAID, YES, NO),
                example=YES,
                named=("were not bonded",),
            ),
            choice(
                "hydrogen_there",
                "Hydrogen in the stack",
                (NOT_SAID, NO, YES),
                example=NO,
                named=("hydrogen is in the stack",),
            ),
        ),
    ),
)
