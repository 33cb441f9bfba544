"""What is asked of the gasket of a cell to close a stack at the desk.

Common practice, no source.
"""

from service.calculators.arithmetic.closing_fields import POINTS, length, not_below_zero
from service.calculators.arithmetic.fields import (
    Section,
    choice,
    deviation,
    lines,
    percent,
    quantity,
)
from service.platform.arithmetic.units import Measure

CORD = "round rubber cord"

GASKET = Section(
    "Gasket of one cell",
    (
        length("gasket_height", "Free height", "1.2", named=("the gasket's free height",)),
        deviation("gasket_off", "Free height known to ±", Measure.LENGTH, "µm", example="25"),
        not_below_zero(
            "groove",
            "Depth of its grooves",
            "0.65",
            help="Both plates together.",
            named=("the depth of the gasket's grooves",),
        ),
        quantity(
            "gasket_length",
            "Length of its line",
            Measure.LENGTH,
            "m",
            example="0.7",
            named=("the gasket's length",),
        ),
        choice("gasket_form", "Line load against squeeze", (CORD, POINTS)),
        length(
            "cord",
            "Diameter of the cord",
            "1.2",
            only_for="round cord",
            required=False,
            named=("the cord's",),
        ),
        quantity(
            "rubber_modulus",
            "Modulus of the rubber",
            Measure.PRESSURE,
            "MPa",
            only_for="round cord",
            required=False,
            example="4",
            named=("the rubber's modulus",),
        ),
        lines(
            "gasket_points",
            "Points of the gasket",
            measure=Measure.LINE_LOAD,
            unit="N/mm",
            only_for="by points",
            required=False,
            help="Squeeze in % and line load, one pair a line.",
            named=("the squeeze of the gasket",),
        ),
        percent("gasket_percent", "Curve of the gasket known to ±", example="20"),
        percent(
            "gasket_set", "Squeeze that stays when it is let go", help="Share of the greatest."
        ),
        not_below_zero(
            "stop",
            "Gap at the hard stop",
            "0.2",
            help="Where plate meets plate or frame. Left empty: 0.",
            named=("the hard stop", "the hard stops"),
        ),
        not_below_zero(
            "coolant_groove",
            "Depth of a coolant gasket's grooves",
            "0.9",
            help="The same gasket in each of the N + 1 coolant layers; left empty: no such layers.",
        ),
    ),
)
