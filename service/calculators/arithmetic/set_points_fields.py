"""What is asked for set points at the desk.

Common practice, no source.
"""

from service.calculators.arithmetic.fields import (
    Section,
    choice,
    number,
    percent,
    pressure,
    quantity,
    temperature,
    whole,
)
from service.calculators.arithmetic.gas import BAROMETER, ZERO
from service.limits.arithmetic.set_points import Oxidant
from service.physics.arithmetic.gas_flows import REFERENCES
from service.physics.arithmetic.water import COOLANTS
from service.platform.arithmetic.units import Measure


def _feed_fields(gas: str, called: str, stoichiometry: str) -> Section:
    return Section(
        f"{called} feed",
        (
            number(
                f"{gas}_stoichiometry",
                f"Stoichiometry of the {called.lower()}",
                example=stoichiometry,
                least=1.0,
                most=100.0,
                help="Fed by used; less than 1 starves cells.",
            ),
            percent(
                f"{gas}_humidity",
                f"Relative humidity of the {called.lower()}",
                most=100.0,
                example="50",
                help="Left empty: fed dry, and the two beneath do not matter.",
            ),
            temperature(
                f"{gas}_temperature",
                f"Temperature at the {called.lower()} inlet",
                required=False,
                example="65",
            ),
            pressure(
                f"{gas}_pressure",
                f"Pressure at the {called.lower()} inlet",
                required=False,
                example="30",
            ),
        ),
    )


SECTIONS = (
    Section(
        "Stack",
        (
            whole("cells", "Active cells", example="20", named=("the number of cells",)),
            whole(
                "cells_after",
                "Active cells after a change",
                required=False,
                example="24",
                help="Left empty: no table before and after.",
            ),
            quantity(
                "current",
                "Current",
                Measure.CURRENT,
                "A",
                example="100",
                named=("the current",),
            ),
            percent("current_percent", "Current known to ±", example="1"),
            quantity(
                "least",
                "Least voltage of a cell",
                Measure.VOLTAGE,
                "V",
                least=0.0,
                example="0.5",
                named=("least, rated and greatest",),
            ),
            quantity("rated", "Rated voltage of a cell", Measure.VOLTAGE, "V", example="0.65"),
            quantity(
                "greatest",
                "Greatest voltage of a cell",
                Measure.VOLTAGE,
                "V",
                example="1.0",
                named=("the greatest cell voltage",),
            ),
        ),
    ),
    _feed_fields("hydrogen", "Hydrogen", "1.5"),
    _feed_fields("oxidant", "Oxidant", "2.0"),
    Section(
        "Conditions",
        (
            choice("oxidant", "Oxidant", tuple(Oxidant)),
            choice("reference", "Litres are at", tuple(known.name for known in REFERENCES)),
            ZERO,
            BAROMETER,
            choice("coolant", "Coolant", COOLANTS),
            temperature(
                "coolant_temperature",
                "Mean temperature of the coolant",
                example="65",
                named=("the coolant's temperature",),
            ),
            quantity(
                "coolant_rise",
                "Rise of its temperature through the stack",
                Measure.TEMPERATURE_CHANGE,
                "K",
                example="5",
                named=("the rise of the coolant",),
            ),
        ),
    ),
)
