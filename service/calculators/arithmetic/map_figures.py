"""What a drawing of the pressure map needs, in the units of drawings.

Common practice, no source.
"""

from dataclasses import dataclass
from typing import NamedTuple


class MapRod(NamedTuple):
    """A rod on the map: number, place in mm, load in N and its standard uncertainty."""

    number: int
    x_mm: float
    y_mm: float
    load_n: float
    u: float


@dataclass(frozen=True, slots=True)
class MapFigures:
    """What a drawing of the pressure needs: lengths in mm, pressures in MPa."""

    plate_mm: tuple[float, float]
    area_mm: tuple[float, float]
    rods: tuple[MapRod, ...]
    xs_mm: tuple[float, ...]
    ys_mm: tuple[float, ...]
    pressures_mpa: tuple[tuple[float, ...], ...]
    resultant_mm: tuple[float, float]
    lost_share: float
