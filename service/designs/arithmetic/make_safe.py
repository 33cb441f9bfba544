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


def check_reading(asked: LineAsked, reading: float | None) -> None:
    """Does a reading meet what the line asks for? Its magnitude counts, in the line's unit.

    Raises Inconsistent where a reading is missing or not asked for, OutOfRange above the limit.

    >>> check_reading(LineAsked(1, "Voltage of the stack", "V", 1.0), -0.2)
    """
    if asked.unit is None:
        if reading is not None:
            raise Inconsistent(f"Line {asked.number} asks for no reading.")
        return
    if reading is None:
        raise Inconsistent(f"Line {asked.number} asks for a reading in {asked.unit}.")
    if asked.reading_most is not None and abs(reading) > asked.reading_most:
        raise OutOfRange(
            f"the reading of line {asked.number}",
            f"{reading:g}",
            asked.unit,
            f"at most {asked.reading_most:g} {asked.unit}",
        )


def lines_missing(asked: Sequence[LineAsked], recorded: Collection[int]) -> tuple[LineAsked, ...]:
    """Which lines of the checklist are not recorded yet, in their order?"""
    return tuple(line for line in asked if line.number not in recorded)


def recorded_complete(at: str, by: Sequence[str]) -> str:
    """The sentence about a complete checklist; it says what was recorded and nothing more.

    >>> recorded_complete("14:20", ["A. Ilves", "B. Orr"])
    'Checks recorded complete at 14:20 by A. Ilves and B. Orr; conditions may have changed.'
    """
    names = " and ".join(", ".join(by).rsplit(", ", 1)) if by else "nobody named"
    return f"Checks recorded complete at {at} by {names}; conditions may have changed."
