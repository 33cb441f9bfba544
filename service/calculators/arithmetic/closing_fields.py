"""What is asked to close a stack at the desk: cells, plates, rods, springs, the wish.

Common practice, no source.
"""

from typing import Any

from service.calculators.arithmetic.fields import (
    Field,
    Section,
    choice,
    deviation,
    lines,
    number,
    percent,
    quantity,
    whole,
)
from service.platform.arithmetic.units import Measure

FROM_TORQUE, FROM_PRESSURE = "what a torque gives", "the torque for a GDL pressure"
CLOSING_PORES, POWER, POINTS = "ever stiffer as pores close", "power law", "points"


def length(name: str, label: str, example: str = "", **more: Any) -> Field:
    """A length in mm."""
    return quantity(name, label, Measure.LENGTH, "mm", example=example, **more)


def not_below_zero(name: str, label: str, example: str = "", **more: Any) -> Field:
    """A length in mm that may be nothing, or left out."""
    return length(name, label, example, **{"least": 0.0, "required": False, **more})


def expansion(name: str, label: str, example: str) -> Field:
    """How a part grows when it is warmed; may be left out."""
    return quantity(
        name,
        label,
        Measure.EXPANSION,
        "µm/(m·K)",
        example=example,
        required=False,
        least=-20.0,
        most=500.0,
    )


WISH = Section(
    "What is wanted",
    (
        choice("wanted", "Wanted", (FROM_TORQUE, FROM_PRESSURE)),
        quantity(
            "torque",
            "Torque on each nut",
            Measure.TORQUE,
            "N·m",
            only_for="from a torque",
            required=False,
            example="5.5",
            named=("the torque", "the clamping force"),
        ),
        quantity(
            "wanted_pressure",
            "Wanted mean GDL pressure",
            Measure.PRESSURE,
            "MPa",
            only_for="for a GDL pressure",
            required=False,
            named=("the wanted GDL pressure",),
        ),
        quantity(
            "warmer",
            "Warmer by, when running",
            Measure.TEMPERATURE_CHANGE,
            "K",
            required=False,
            least=-150.0,
            most=150.0,
            example="45",
            named=("the change of temperature", "the clamp comes loose"),
        ),
        not_below_zero(
            "height_lost",
            "Height lost by relaxation",
            "0.05",
            help="Creep of gaskets and GDL, embedding; the force follows.",
            named=("the height lost",),
        ),
        whole(
            "cells_added",
            "Cells added on the same rods",
            required=False,
            least=-500,
            most=500,
            example="4",
            help="Negative where cells are taken out.",
            named=("cannot lose",),
        ),
        not_below_zero("least_protrusion", "Thread that must stand out of the nut", "3"),
    ),
)
CELL = Section(
    "One cell",
    (
        whole("cells", "Cells", example="20", most=500, named=("the number of cells",)),
        quantity(
            "area", "Active area", Measure.AREA, "cm²", example="200", named=("the active area",)
        ),
        length("mea", "Free thickness of the MEA with its GDL", "0.45", named=("the mea's free",)),
        deviation("mea_off", "Thickness of the MEA known to ±", Measure.LENGTH, "µm", example="8"),
        not_below_zero("recess", "Recess of the active area", help="Both plates together."),
        choice("gdl_form", "GDL: stress against strain", (CLOSING_PORES, POWER, POINTS)),
        quantity(
            "gdl_modulus",
            "Modulus of the GDL",
            Measure.PRESSURE,
            "MPa",
            only_for="unless by points",
            required=False,
            example="3",
            named=("the curve's modulus", "the curve's scale"),
        ),
        percent(
            "gdl_limit",
            "Strain at which its pores are closed",
            least=1.0,
            most=100.0,
            example="55",
            help="For the curve that gets ever stiffer.",
            only_for="as pores close",
        ),
        number(
            "gdl_exponent",
            "Exponent of the power law",
            least=1.0,
            most=10.0,
            required=False,
            only_for="power law",
        ),
        lines(
            "gdl_points",
            "Points of the GDL",
            measure=Measure.PRESSURE,
            unit="MPa",
            only_for="by points",
            required=False,
            help="Strain in % and stress, one pair a line.",
            named=("the strain of the mea",),
        ),
        percent("gdl_percent", "Curve of the GDL known to ±", example="15"),
        percent("gdl_set", "Strain that stays when it is let go", help="Share of the greatest."),
    ),
)
