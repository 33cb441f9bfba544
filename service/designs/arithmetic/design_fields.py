"""What is said of a design: one description for form, checks and trail."""

from service.platform.arithmetic.fields import (
    choice,
    figure,
    notes,
    number,
    serial,
    whole,
    words,
    yes,
)
from service.platform.arithmetic.vocabulary import End

FLUIDS = ("fuel", "air", "coolant")
MOST_ROWS = 60
NAME_AND_CELLS, CLAMP = "Name and cells", "Clamp"
DESIGN_FIELDS = (
    words("name", "Name of the design", section=NAME_AND_CELLS,
          help="The same for all its revisions."),
    serial("revision", "Revision", section=NAME_AND_CELLS, help="A letter or number, such as A."),
    number("active_area_cm2", "Active area of a cell", "cm²", above=True, section=NAME_AND_CELLS),
    whole("least_cells", "Cells, at least", most=10_000, section=NAME_AND_CELLS),
    whole("most_cells", "Cells, at most", most=10_000, section=NAME_AND_CELLS),
    words("cooling", "Cooling", section=NAME_AND_CELLS,
          help="In words: which layers carry coolant, such as every cell and both ends."),
    number("plate_width_mm", "Compression plate, width along x", "mm", above=True, section=CLAMP),
    number("plate_height_mm", "Compression plate, height along y", "mm", above=True, section=CLAMP),
    number("rod_length_mm", "Length of the rods", "mm", above=True, section=CLAMP),
    number("target_torque_nm", "Target torque of the last pass", "N·m", above=True, section=CLAMP),
    number("torque_tolerance_percent", "Tolerance", "% of the target", section=CLAMP),
    whole("tightening_passes", "Tightening passes", most=10_000, section=CLAMP),
    notes(),
)  # fmt: skip
ROWS = {
    "rod": (
        figure("x_mm", "x in mm", "mm", column="x, mm"),
        figure("y_mm", "y in mm", "mm", column="y, mm"),
        whole("turn", "turn", most=MOST_ROWS),
    ),
    "port": (
        words("label", "as marked", longest=60, column="marked"),
        choice("fluid", "fluid", FLUIDS),
        choice("end", "at which end", tuple(End), column="at"),
    ),
    "line": (
        notes("wording", "wording", required=True, longest=1000,
              column="what is done or measured"),
        words("unit", "unit", required=False, longest=20),
        figure("reading_most", "reading at most", required=False, column="at most"),
        yes("needs_instrument", "names the instrument", column="instrument"),
        yes("needs_witness", "names a witness", column="witness"),
    ),
}  # fmt: skip
"""Rods, ports and lines of the checklist, a row each."""
GRID = (
    whole("grid_rows", "Rows", required=False),
    whole("grid_columns", "Columns", required=False),
    number("grid_pitch_x_mm", "Pitch across", "mm", above=True, required=False),
    number("grid_pitch_y_mm", "Pitch upward", "mm", above=True, required=False),
)
"""From what rods are proposed; kept nowhere."""
