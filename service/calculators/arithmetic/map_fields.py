"""What is asked for a pressure map at the desk.

Common practice, no source.
"""

from service.calculators.arithmetic.fields import Section, deviation, lines, quantity, whole
from service.calculators.arithmetic.friction import THREAD
from service.platform.arithmetic.units import Measure

EXAMPLE = """1 -110 85 5.8
2 0 85 5.5
3 110 85 5.6
4 110 0 5.2
5 110 -85 4.6
6 0 -85 5.3
7 -110 -85 5.5
8 -110 0 5.6"""

SECTIONS = (
    Section(
        "Rods",
        (
            lines(
                "rods",
                "Rods",
                measure=Measure.TORQUE,
                unit="N·m",
                example=EXAMPLE,
                named=("rods", "of rod", "the torque"),
                help="One a line: number, x and y in mm from the middle of the active area"
                " (seen from outside the fixed end, y upward), torque.",
            ),
            THREAD,
        ),
    ),
    Section(
        "Area and plate",
        (
            quantity(
                "width",
                "Width of the active area",
                Measure.LENGTH,
                "mm",
                example="170",
                named=("the width of the active area",),
            ),
            quantity(
                "depth",
                "Height of the active area",
                Measure.LENGTH,
                "mm",
                example="118",
                named=("the depth of the active area",),
            ),
            quantity(
                "plate_width",
                "Width of the compression plate",
                Measure.LENGTH,
                "mm",
                required=False,
                example="270",
                help="For the drawing; left empty: as far as the rods stand.",
            ),
            quantity(
                "plate_height",
                "Height of the compression plate",
                Measure.LENGTH,
                "mm",
                required=False,
                example="220",
            ),
        ),
    ),
    Section(
        "To level the plate",
        (
            whole("cells", "Cells", required=False, example="20", named=("number of cells",)),
            quantity(
                "gdl_tangent",
                "Tangent modulus of the GDL at its pressure",
                Measure.PRESSURE,
                "MPa",
                required=False,
                example="9",
                named=("the stiffness of the active area",),
            ),
            quantity(
                "mea",
                "Thickness of the MEA with its GDL",
                Measure.LENGTH,
                "mm",
                required=False,
                example="0.45",
            ),
            quantity(
                "grip",
                "Length of a rod between the nuts",
                Measure.LENGTH,
                "mm",
                required=False,
                example="220",
                named=("what a rod gives",),
            ),
            quantity(
                "rod_modulus",
                "Modulus of the rods",
                Measure.PRESSURE,
                "GPa",
                required=False,
                example="206",
            ),
            quantity(
                "spring_rate",
                "Rate of the springs on one rod",
                Measure.STIFFNESS,
                "N/mm",
                required=False,
                example="2600",
            ),
            deviation(
                "outside",
                "Gasket line outside the active area by",
                Measure.LENGTH,
                "mm",
                example="8",
            ),
            deviation(
                "line_load", "Line load of the gasket", Measure.LINE_LOAD, "N/mm", example="3"
            ),
            deviation(
                "line_stiffness",
                "Growth of that line load by squeeze",
                Measure.PRESSURE,
                "MPa",
                example="10",
                help="N/mm more for each mm: the same figure as MPa.",
            ),
        ),
        "May be left out: then the map stands on the active area alone, and no turn is told.",
    ),
)
