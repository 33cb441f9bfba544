"""How a design is closed, and where the height of a closed stack is measured.

Common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.errors import OutOfRange

LEAST_CORNERS = 4
EXAMPLE = "A -60 45; B 60 45; C 60 -45; D -60 -45"


class ClosingMode(StrEnum):
    """What a closing goes by; the nuts are run down to hold where it is not the torque."""

    TORQUE = "to torque"
    HEIGHT = "to height"
    FORCE = "by press force"


class HeldBy(StrEnum):
    """What ends the pressing of a closing to height."""

    STOP = "hard stop"
    GAUGE = "gauge"


class CornersAsked(StrEnum):
    """When a closing asks for the heights at the corners."""

    OPTIONAL = "optional"
    ALWAYS = "in each pass"


@dataclass(frozen=True, slots=True)
class Corner:
    """A place on the end plate, mm from its middle, seen from outside the fixed end."""

    name: str
    x_mm: float
    y_mm: float


def corners_of(text: str) -> tuple[Corner, ...]:
    """Read names and places of corners as typed. Raises OutOfRange.

    >>> corners_of("A -60 45; B 60 45; C 60 -45; D -60 -45")[1]
    Corner(name='B', x_mm=60.0, y_mm=45.0)
    """
    corners = []
    for typed in filter(None, (each.strip() for each in text.split(";"))):
        name, *places = typed.split()
        try:
            x_mm, y_mm = (float(place.replace(",", ".").replace("−", "-")) for place in places)
        except ValueError:
            raise _wrong(typed) from None
        corners.append(Corner(name, x_mm, y_mm))
    names = {corner.name for corner in corners}
    if len(names) < len(corners) or len(corners) < LEAST_CORNERS or not _spans(corners):
        raise _wrong(text)
    return tuple(corners)


def plate_corners(width_mm: float, height_mm: float) -> tuple[Corner, ...]:
    """Return the four corners of an end plate: A is upper left, then clockwise."""
    x, y = width_mm / 2, height_mm / 2
    return Corner("A", -x, y), Corner("B", x, y), Corner("C", x, -y), Corner("D", -x, -y)


def _spans(corners: list[Corner]) -> bool:
    """Whether they do not stand in one line, nor all in one place."""
    first = corners[0]
    ways = [(corner.x_mm - first.x_mm, corner.y_mm - first.y_mm) for corner in corners[1:]]
    return any(abs(a * d - b * c) > 1.0 for a, b in ways for c, d in ways)


def _wrong(text: str) -> OutOfRange:
    allowed = f"{LEAST_CORNERS} corners or more, each with its name, x and y: {EXAMPLE}"
    return OutOfRange("the corners", text, "", allowed, "corners")
