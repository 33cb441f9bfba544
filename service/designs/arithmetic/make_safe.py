"""The checklist before an opening: what was recorded against what the design asks for.

It tells what was recorded and when, never what the state of the stack is.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

from service.platform.arithmetic.errors import Inconsistent, OutOfRange


@dataclass(frozen=True, slots=True)
class LineAsked:
    """One line of a design's checklist; ``unit`` None where no reading is asked for."""

    number: int
    wording: str
    unit: str | None = None
    reading_most: float | None = None
    needs_instrument: bool = False
    needs_witness: bool = False


def check_reading(line: LineAsked, reading: float | None) -> None:
    """Say whether a reading meets the line. Its magnitude counts, in the line's unit.

    Raises Inconsistent where a reading is missing or not asked for, OutOfRange above the limit.

    >>> check_reading(LineAsked(1, "Voltage of the stack", "V", 1.0), -0.2)
    """
    if line.unit is None:
        if reading is not None:
            raise Inconsistent(f"Line {line.number} asks for no reading.")
        return
    if reading is None:
        raise Inconsistent(f"Line {line.number} asks for a reading in {line.unit}.")
    if line.reading_most is not None and abs(reading) > line.reading_most:
        raise OutOfRange(
            f"the reading of line {line.number}",
            f"{reading:g}",
            line.unit,
            f"at most {line.reading_most:g} {line.unit}",
        )


def lines_missing(
    checklist: Sequence[LineAsked], recorded: Collection[int]
) -> tuple[LineAsked, ...]:
    """Return the lines of the checklist not recorded yet, in their order."""
    return tuple(line for line in checklist if line.number not in recorded)


def recorded_complete(time_text: str, by: Sequence[str]) -> str:
    """Return the sentence about a complete checklist.

    It says what was recorded and nothing more.

    >>> recorded_complete("14:20", ["A. Ilves", "B. Orr"])
    'Checks recorded complete at 14:20 by A. Ilves and B. Orr; conditions may have changed.'
    """
    names = " and ".join(", ".join(by).rsplit(", ", 1)) if by else "nobody named"
    return f"Checks recorded complete at {time_text} by {names}; conditions may have changed."


# The make-safe checklist a new design begins with, in the order of the work.
#
# A beginning to be made one's own: limits and order belong to the site's procedures. Common
# practice, no source; the limit for hydrogen is a tenth of the lower flammable limit of 4 % by
# volume (ISO/TR 15916), from which sites derive their own.


DEFAULT_LINES = (
    LineAsked(1, "Load taken off and disconnected; cells bridged or discharged as the site asks."),
    LineAsked(2, "Air and hydrogen shut off in the procedure's order; both locked and tagged."),
    LineAsked(3, "Coolant pump, heaters and load locked and tagged."),
    LineAsked(
        4,
        "Fuel side purged with inert gas; hydrogen at the outlet",
        "% vol",
        0.4,
        needs_instrument=True,
        needs_witness=True,
    ),
    LineAsked(5, "Air side purged with inert gas or air as the procedure gives."),
    LineAsked(
        6,
        "Voltage of the whole stack, bleed taken off for 5 min",
        "V",
        1.0,
        needs_instrument=True,
        needs_witness=True,
    ),
    LineAsked(
        7,
        "Largest voltage of a single cell, bleed taken off",
        "V",
        0.1,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        8,
        "Gauge pressure of the fuel circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        9,
        "Gauge pressure of the air circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        10,
        "Gauge pressure of the coolant circuit, port opened",
        "kPa",
        1.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(
        11,
        "Temperature of the stack's middle",
        "°C",
        40.0,
        needs_instrument=True,
        needs_witness=False,
    ),
    LineAsked(12, "Coolant drained and blown out; tray beneath for what is left in low points."),
    LineAsked(
        13, "Clamp looked at: rods guarded, press or guide at hand, nobody in line with a rod."
    ),
    LineAsked(14, "Room: ventilation on, hydrogen and oxygen monitors tried, no ignition source."),
    LineAsked(15, "Gloves without powder, covers for the ports and plastic wedges at hand."),
)
