"""What is asked of plates, rods and springs to close a stack at the desk.

Common practice, no source.
"""

from dataclasses import replace

from service.calculators.arithmetic.closing_fields import expansion, length, not_below_zero
from service.calculators.arithmetic.discs import DISC_FIELDS
from service.calculators.arithmetic.fields import Section, choice, deviation, quantity, whole
from service.calculators.arithmetic.friction import STRENGTH, THREAD
from service.platform.arithmetic.units import Measure

NO_SPRINGS, DISCS, ONE_RATE = "none", "disc springs", "springs of one rate"


PLATES = Section(
    "Plates",
    (
        length("half_plate", "Thickness of a half plate", "2", help="Two a cell."),
        deviation("half_plate_off", "Half plates known to ±", Measure.LENGTH, "µm", example="8"),
        length("ends", "All that is rigid at the ends", "60", help="Compression plates,"
                " collectors, insulators, washers together."),
        deviation("ends_off", "Ends known to ±", Measure.LENGTH, "µm", example="40"),
        expansion("plate_expansion", "Expansion of the half plates", "5"),
        expansion("ends_expansion", "Expansion of the ends", "23"),
    ),
)  # fmt: skip
RODS = Section(
    "Rods",
    (
        whole("rods", "Rods", example="8", most=60, named=("the number of rods",)),
        THREAD,
        STRENGTH,
        quantity("rod_modulus", "Modulus of the rods", Measure.PRESSURE, "GPa", example="206"),
        expansion("rod_expansion", "Expansion of the rods", "11.7"),
        length("rod_length", "Length of a rod", "230", required=False),
        not_below_zero(
            "before", "Of it before the fixed end", "15", help="Head, or nut and thread."
        ),
        not_below_zero("nut_height", "Height of the nut", "6.5"),
        choice("springs", "Springs on each rod", (NO_SPRINGS, DISCS, ONE_RATE)),
        quantity(
            "spring_rate",
            "Rate of the springs",
            Measure.STIFFNESS,
            "N/mm",
            only_for="of one rate",
            required=False,
        ),
        *(replace(field, required=False, only_for="disc springs") for field in DISC_FIELDS),
    ),
)
