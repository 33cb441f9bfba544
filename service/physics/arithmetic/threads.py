"""Threads, nuts' bearing faces and strength classes of rods: what a torque meets and may reach.

Lengths in m, stresses in Pa. Sources: ISO 724 and ISO 261 (thread geometry, coarse pitches),
ISO 4032 and ISO 273 medium (bearing faces), ISO 898-1:2013 and ISO 3506-1 (strength); tables
from memory, checked against printed values in ``tests/published``.
"""

import re
from dataclasses import dataclass
from math import pi, sqrt

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.preconditions import more_than_zero

_COARSE_PITCH_MM = {3: 0.5, 4: 0.7, 5: 0.8, 6: 1.0, 8: 1.25, 10: 1.5, 12: 1.75, 16: 2.0, 20: 2.5}
_HEXAGON_MM = {
    3: (4.57, 3.4),
    4: (5.88, 4.5),
    5: (6.88, 5.5),
    6: (8.88, 6.6),
    8: (11.63, 9.0),
    10: (14.63, 11.0),
    12: (16.63, 13.5),
    16: (22.49, 17.5),
    20: (28.19, 22.0),
}
_SIZE = re.compile(
    r"\s*M\s*(?P<d>\d+(?:\.\d+)?)(?:\s*[x×*]\s*(?P<p>\d+(?:\.\d+)?))?\s*", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Thread:
    """A metric thread: nominal diameter and pitch in m.

    >>> round(thread("M8").stress_area_m2 * 1e6, 1)
    36.6

    Source of the example: ISO 898-1, nominal stress area of M8.
    """

    size: str
    nominal_diameter_m: float
    pitch_m: float

    @property
    def pitch_diameter_m(self) -> float:
        """d2 = d − 3√3/8 P."""
        return self.nominal_diameter_m - 3 * sqrt(3) / 8 * self.pitch_m

    @property
    def minor_diameter_m(self) -> float:
        """d3 = d − 17√3/24 P."""
        return self.nominal_diameter_m - 17 * sqrt(3) / 24 * self.pitch_m

    @property
    def stress_diameter_m(self) -> float:
        """d0 = (d2 + d3) / 2."""
        return (self.pitch_diameter_m + self.minor_diameter_m) / 2

    @property
    def stress_area_m2(self) -> float:
        """As = π/4 d0²."""
        return pi / 4 * self.stress_diameter_m**2


@dataclass(frozen=True, slots=True)
class BearingFace:
    """The ring on which a nut turns: outer diameter and diameter of the hole, in m."""

    outer_diameter_m: float
    hole_diameter_m: float

    @property
    def friction_diameter_m(self) -> float:
        """D_Km, the mean of both (VDI 2230)."""
        return (self.outer_diameter_m + self.hole_diameter_m) / 2


@dataclass(frozen=True, slots=True)
class Strength:
    """What a rod may bear, in Pa. ``proof_by`` says which figure stands for the proof stress."""

    name: str
    proof_stress_pa: float
    yield_strength_pa: float
    tensile_strength_pa: float
    proof_by: str


def thread(size: str) -> Thread:
    """Return the thread of this name. ``M8`` has the coarse pitch, ``M8x1`` its own.

    Raises OutOfRange for a size that is no metric thread, or has no coarse pitch in the table.

    >>> thread("m8×1").pitch_m
    0.001
    """
    match = _SIZE.fullmatch(size)
    if match is None:
        raise OutOfRange(
            "the thread", size.strip() or "missing", "", "a size such as M8 or M8x1", "thread"
        )
    diameter = float(match["d"])
    pitch = float(match["p"]) if match["p"] else _COARSE_PITCH_MM.get(int(diameter))
    if pitch is None or (match["p"] is None and diameter not in _COARSE_PITCH_MM):
        sizes = ", ".join(f"M{d}" for d in _COARSE_PITCH_MM)
        raise OutOfRange(
            "the thread", size.strip(), "", f"{sizes}, or with a pitch, such as M7x1", "thread"
        )
    more_than_zero("the pitch", pitch, "mm", "thread")
    # ISO 261 goes on beyond M64; no tie rod of a stack does. A pitch above d / 4 is a slip.
    if not 1 <= diameter <= 64 or pitch > diameter / 4:
        raise OutOfRange(
            "the thread",
            size.strip(),
            "",
            "M1 to M64 with a pitch up to a quarter of the diameter",
            "thread",
        )
    name = f"M{diameter:g}" if match["p"] is None else f"M{diameter:g}x{pitch:g}"
    return Thread(name, diameter / 1e3, pitch / 1e3)


def hexagon_bearing(of: Thread) -> BearingFace:
    """Return the bearing face of a hexagon nut over a medium hole.

    Raises OutOfRange where the table has no such size: give the diameters of the washer instead.
    """
    bearing = _HEXAGON_MM.get(round(of.nominal_diameter_m * 1e3))
    if (
        bearing is None
        or abs(round(of.nominal_diameter_m * 1e3) - of.nominal_diameter_m * 1e3) > 1e-9
    ):
        sizes = ", ".join(f"M{d}" for d in _HEXAGON_MM)
        raise OutOfRange(
            "the nut's size", of.size, "", f"{sizes}, or diameters of one's own", "thread"
        )
    return BearingFace(bearing[0] / 1e3, bearing[1] / 1e3)


_ISO_898 = {  # proof, yield, tensile strength in MPa
    "4.6": (225, 240, 400),
    "4.8": (310, 340, 420),
    "5.6": (280, 300, 500),
    "5.8": (380, 420, 520),
    "6.8": (440, 480, 600),
    "8.8": (580, 640, 800),
    "10.9": (830, 940, 1040),
    "12.9": (970, 1100, 1220),
}
_ABOVE_16_MM = {"8.8": (600, 660, 830)}
_ISO_3506 = {"50": (210, 500), "70": (450, 700), "80": (600, 800)}
_BREAKING_TORQUE_70_NM = {5: 7.8, 6: 13.0, 8: 32.0, 10: 65.0, 12: 110.0}


def strength_classes() -> tuple[str, ...]:
    """Return every class of strength known here."""
    stainless = (f"{steel}-{number}" for steel in ("A2", "A4") for number in _ISO_3506)
    return (*_ISO_898, *stainless)


def strength(name: str, of: Thread) -> Strength:
    """Return what a rod of this class may bear. ``8.8`` or ``A2-70``.

    For stainless steel the proof stress is taken to be the stress at 0.2 % plastic strain.
    Raises OutOfRange for an unknown class.

    >>> round(strength("8.8", thread("M8")).proof_stress_pa * thread("M8").stress_area_m2, -2)
    21200.0

    Source of the example: ISO 898-1:2013, proof load of M8 class 8.8 in N.
    """
    plain = name.strip().upper()
    if plain in _ISO_898:
        table = (
            _ABOVE_16_MM if of.nominal_diameter_m > 0.016 and plain in _ABOVE_16_MM else _ISO_898
        )
        proof, yielding, tensile = table[plain]
        return Strength(plain, proof * 1e6, yielding * 1e6, tensile * 1e6, "ISO 898-1 proof stress")
    steel, _, number = plain.partition("-")
    if steel in {"A2", "A4"} and number in _ISO_3506:
        yielding, tensile = _ISO_3506[number]
        return Strength(
            plain, yielding * 1e6, yielding * 1e6, tensile * 1e6, "ISO 3506-1, 0.2 % strain"
        )
    raise OutOfRange(
        "the strength class", name or "missing", "", ", ".join(strength_classes()), "strength_class"
    )


def breaking_torque(name: str, of: Thread) -> float | None:
    """Return the torque in N·m such a rod must bear before it breaks; None where no table says.

    An upper bound for a torque that was typed, never a target.
    Source: ISO 3506-1:1997, table 3, class 70, from memory.
    """
    strength(name, of)
    if not name.strip().upper().endswith("-70"):
        return None
    return _BREAKING_TORQUE_70_NM.get(_whole_mm(of))


def _whole_mm(of: Thread) -> int:
    """The nominal diameter in mm; 0 where it is no whole number."""
    millimetres = of.nominal_diameter_m * 1e3
    return round(millimetres) if abs(millimetres - round(millimetres)) < 1e-9 else 0
