"""What is asked of disc springs at the desk, and the column they make.

Source: as in disc_springs.
"""

from service.calculators.arithmetic.answers import Answers
from service.physics.arithmetic.disc_springs import DiscSpring, SpringColumn
from service.platform.arithmetic.fields import quantity, whole
from service.platform.arithmetic.units import Measure

DISC_FIELDS = (
    quantity(
        "outer",
        "Outer diameter",
        Measure.LENGTH,
        "mm",
        example="20",
        named=("the disc's outer diameter",),
    ),
    quantity(
        "inner",
        "Inner diameter",
        Measure.LENGTH,
        "mm",
        example="10.2",
        named=("the disc's inner diameter",),
    ),
    quantity(
        "disc_thickness",
        "Thickness of one disc",
        Measure.LENGTH,
        "mm",
        example="1.1",
        named=("the disc's thickness",),
    ),
    quantity(
        "cone",
        "Cone height of one disc",
        Measure.LENGTH,
        "mm",
        example="0.45",
        named=("the disc's cone height",),
        help="Free height less thickness; up to 1.4 times the thickness.",
    ),
    whole("parallel", "Discs in a set, laid into each other", example="3", most=50),
    whole("series", "Sets, turned against each other", example="8", most=200),
)


def column_of(answers: Answers) -> SpringColumn:
    """Return the column of discs that was typed."""
    disc = DiscSpring(*(answers.si(name) for name in ("outer", "inner", "disc_thickness", "cone")))
    return SpringColumn(disc, answers.count("parallel"), answers.count("series"))
