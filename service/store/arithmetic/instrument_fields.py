"""What is said of instruments and calibrations: one description for form, checks and trail."""

from service.platform.arithmetic.fields import (
    choice,
    day,
    figure,
    notes,
    number,
    serial,
    words,
    yes,
)
from service.store.arithmetic.instrument_kinds import CalibrationResult, InstrumentKind

INSTRUMENT_FIELDS = (
    choice("kind", "Kind", tuple(InstrumentKind)),
    serial("label", "Mark on the instrument", column="mark",
           help="As engraved or on its sticker, such as TD-03."),
    words("description", "Description", required=False,
          help="Such as: slipping driver, 1/4 inch."),
    figure("range_least", "Range from", required=False, example="0.5"),
    figure("range_most", "Range to", required=False, example="20"),
    words("unit", "Unit of the range", required=False, longest=20, help="N·m, kPa, V, MΩ …"),
    yes("in_use", "In use",
        help="Without the tick it is withdrawn: no reading can name it any more, those taken"
        " stay."),
    number("accuracy_percent", "Accuracy", "% of the reading", most=50.0, required=False,
           help="Greatest deviation either way, as its maker or its calibration gives it. Empty:"
           " what is usual for its kind is taken."),
    figure("resolution", "Smallest step it shows", required=False, example="0.1",
           help="In the unit of the range, such as 0.1. Empty: what is usual for its kind is"
           " taken."),
)  # fmt: skip
ADDED_FIELDS = tuple(field for field in INSTRUMENT_FIELDS if field.name != "in_use")
"""What is said of a new instrument, which is in use."""

CALIBRATION_FIELDS = (
    day("done_at", "Done on", required=True, column="done"),
    day("due_at", "Next one due on", required=True, ahead=True, column="due",
        help="It counts through that day."),
    serial("certificate", "Certificate", example="C-1042"),
    choice("result", "Result", tuple(CalibrationResult)),
    figure("error_percent", "Error as found", "% of the reading", required=False, example="-2.5"),
    notes(),
)  # fmt: skip
