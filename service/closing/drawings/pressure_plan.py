"""The rods and the resultant on a map of pressure, and its scale from mm to the drawing."""

from typing import NamedTuple

from service.closing.drawings.pressure_bands import over, stroke
from service.platform.drawings.svg import BODY, ON_PAPER, OUTLINE, OUTLINE_WIDTH, box, line, n, word

_NUT, _NEAR_EDGE = 12.0, 60.0


class LoadedRod(NamedTuple):
    """A rod, its place in mm from the middle, y upward, its load and standard uncertainty, N."""

    number: int
    x_mm: float
    y_mm: float
    load_n: float
    u: float


class Plan(NamedTuple):
    """From millimetres to the drawing, y upward."""

    middle_x: float
    middle_y: float
    per_mm: float

    def at(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        return self.middle_x + x_mm * self.per_mm, self.middle_y - y_mm * self.per_mm

    def outline(self, size: tuple[float, float], pen: str) -> str:
        left, top = self.at(-size[0] / 2, size[1] / 2)
        return box(left, top, size[0] * self.per_mm, size[1] * self.per_mm, pen)


def nut(
    plan: Plan, rod: LoadedRod, area_mm: tuple[float, float], plate_mm: tuple[float, float]
) -> str:
    """A ring with the rod's number; its load away from the active area, off a plate's edge."""
    x, y = plan.at(rod.x_mm, rod.y_mm)
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="{n(_NUT)}" {ON_PAPER} {stroke(OUTLINE_WIDTH)}/>'
    number = word(x, y + 4.5, str(rod.number), size=BODY, anchor="middle", pen="word strong")
    if abs(rod.y_mm) > area_mm[1] / 2:
        away = _off_edge((plate_mm[1] / 2 - abs(rod.y_mm)) * plan.per_mm)
        label = over(x, y - away - 8 if rod.y_mm > 0 else y + away + 18, load_of(rod))
    else:
        away = _off_edge((plate_mm[0] / 2 - abs(rod.x_mm)) * plan.per_mm) + 7
        right = rod.x_mm > 0
        at = x + away if right else x - away
        label = over(at, y + 4.5, load_of(rod), anchor="start" if right else "end")
    return ring + number + label


def _off_edge(to_edge: float) -> float:
    """How far from a nut its load stands: beyond the plate's edge, where that is near."""
    return max(_NUT, to_edge) if to_edge < _NEAR_EDGE else _NUT


def load_of(rod: LoadedRod) -> str:
    """Load in kN with its uncertainty (k = 2)."""
    if not rod.u:
        return f"{rod.load_n / 1e3:.2f}\u2009kN"
    return f"{rod.load_n / 1e3:.1f} ± {2 * rod.u / 1e3:.1f}\u2009kN"


def resultant(plan: Plan, at: tuple[float, float]) -> str:
    """A cross in a ring where the sum of the loads acts."""
    x, y = plan.at(*at)
    arm = 9.0
    ring = f'<circle cx="{n(x)}" cy="{n(y)}" r="5.5" {ON_PAPER} {stroke(OUTLINE_WIDTH)}/>'
    crossed = line(x - arm, y, x + arm, y, OUTLINE) + line(x, y - arm, x, y + arm, OUTLINE)
    return ring + crossed + over(x + 13, y - 9, "R", size=BODY, anchor="start")
