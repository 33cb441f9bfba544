"""What is asked of disc springs at the desk, and the column they make.

Source: as in disc_springs.
"""

from service.calculators.arithmetic.answers import Answers
from service.physics.arithmetic.disc_springs import DiscSpring, SpringColumn
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.fields import quantity, whole
from service.platform.arithmetic.units import Measure

DISC_FIELDS = (
    quantity(
        "outer",
        "Outer diameter",
        Measure.LENGTH,
        "mm",
        example="20",
    ),
    quantity(
        "inner",
        "Inner diameter",
        Measure.LENGTH,
        "mm",
        example="10.2",
    ),
    quantity(
        "disc_thickness",
        "Thickness of one disc",
        Measure.LENGTH,
        "mm",
        example="1.1",
    ),
    quantity(
        "cone",
        "Cone height of one disc",
        Measure.LENGTH,
        "mm",
        example="0.45",
        help="Free height less thickness; up to 1.4 times the thickness.",
    ),
    whole("parallel", "Discs in a set, laid into each other", example="3", most=50),
    whole("series", "Sets, turned against each other", example="8", most=200),
)


def column_of(answers: Answers) -> SpringColumn:
    """Return the column of discs that was typed."""
    inputs = {
        "outer_diameter_m": "outer",
        "inner_diameter_m": "inner",
        "thickness_m": "disc_thickness",
        "cone_height_m": "cone",
    }
    with placed(**inputs, parallel="parallel", series="series"):
        disc = DiscSpring(**{key: answers.si(name) for key, name in inputs.items()})
        return SpringColumn(disc, answers.count("parallel"), answers.count("series"))
