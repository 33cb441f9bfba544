"""What is compared when MEAs fail: the factors, the unit each belongs to, and their levels.

A torque, a driver, a pressure and a pair of hands belong to a closing, not to a cell: of a stack
of forty cells there is one of each, not forty. Common practice, no source.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.platform.arithmetic.preconditions import more_than_zero, not_below_zero

UNKNOWN = -1
"""The code of what is not known; all other codes are zero or more."""
Codes = NDArray[np.int64]


class Unit(StrEnum):
    """What is counted."""

    MEA = "MEA"
    BUILD = "build"


class FactorKind(StrEnum):
    """A thing in which failing and other MEAs may differ."""

    MEA_LOT = "MEA lot"
    SUPPLIER = "MEA supplier"
    PLATE_LOT = "half-plate lot"
    GASKET_LOT = "gasket lot"
    MEMBRANE = "membrane"
    LAYER_ANODE = "anode diffusion layer"
    LAYER_CATHODE = "cathode diffusion layer"
    INK = "catalyst ink"
    ADHESIVE = "frame adhesive"
    HOT_PRESS = "hot-press run"
    COMPOUND = "compound"
    MOULD = "mould"
    COATING = "coating"
    POSITION = "place from the nearer end"
    OPENINGS = "openings lived through"
    PREVIOUS_STACK = "stack it came from"
    TORQUE = "torque outside tolerance"
    PRESSURE = "GDL pressure at closing"
    INSTRUMENT = "torque driver"
    BUILDER = "people at the closing"

    @property
    def unit(self) -> Unit:
        """What it belongs to."""
        return Unit.BUILD if self in _OF_THE_BUILD else Unit.MEA

    @property
    def is_of_people(self) -> bool:
        """Say whether levels are people: only whether the distribution differs is ever told."""
        return self is FactorKind.BUILDER


_OF_THE_BUILD = frozenset(
    {FactorKind.TORQUE, FactorKind.PRESSURE, FactorKind.INSTRUMENT, FactorKind.BUILDER}
)
POSITION_LEVELS = ("end cell", "second from an end", "third to fifth", "further in")
OPENING_LEVELS = ("none", "one", "two", "three or more")
TORQUE_LEVELS = ("all readings within", "some reading outside")
THIRD_LEVELS = ("lowest third", "middle third", "highest third")


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor's levels, more columns where several hold at once.

    ``codes`` (n,) or (n, w): a row for each stay of an MEA, or for each build where the factor is
    the build's; whole numbers from 0, none twice in a row; UNKNOWN where not known or none more.
    """

    kind: FactorKind
    codes: Codes


def wide(codes: Codes) -> Codes:
    """Return the codes with a column for each level a unit may have at once, (units, w)."""
    return codes[:, None] if codes.ndim == 1 else codes


def distinct(codes: Codes) -> Codes:
    """Return the same levels, each named once a row: a second mention becomes UNKNOWN.

    >>> distinct(np.array([[3, 3, 5], [1, 2, 1]])).tolist()
    [[3, -1, 5], [1, 2, -1]]
    """
    each = wide(codes).copy()
    for later in range(1, each.shape[1]):
        for before in range(later):
            each[each[:, later] == each[:, before], later] = UNKNOWN
    return each


def position_codes(distances: ArrayLike) -> Codes:
    """Return the code in `POSITION_LEVELS` of a cell so far from the nearer end.

    Below 0: UNKNOWN.

    >>> position_codes([0, 1, 2, 4, 5, -1]).tolist()
    [0, 1, 2, 2, 3, -1]
    """
    far = np.asarray(distances, dtype=np.int64)
    return np.asarray(np.where(far < 0, UNKNOWN, np.digitize(far, (1, 2, 5))), dtype=np.int64)


def opening_codes(openings: ArrayLike) -> Codes:
    """Return the code in `OPENING_LEVELS` of so many openings; below 0: UNKNOWN.

    >>> opening_codes([0, 1, 7, -1]).tolist()
    [0, 1, 3, -1]
    """
    count = np.asarray(openings, dtype=np.int64)
    return np.asarray(np.where(count < 0, UNKNOWN, np.minimum(count, 3)), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Thirds:
    """Values parted into thirds of the known ones; ``edges`` the two values between them."""

    codes: Codes
    edges: tuple[float, float] | None


def thirds(values: ArrayLike) -> Thirds:
    """Return the third of the known values each is in. NaN: UNKNOWN; equal values stay together.

    With fewer than three different values there are no thirds: all are UNKNOWN.

    >>> thirds([1.0, 2.0, 3.0, float("nan")]).codes.tolist()
    [0, 1, 2, -1]
    """
    numbers = np.asarray(values, dtype=float)
    finite = numbers[np.isfinite(numbers)]
    if np.unique(finite).size < 3:
        return Thirds(np.full(numbers.shape, UNKNOWN, dtype=np.int64), None)
    low, high = (float(edge) for edge in np.quantile(finite, (1 / 3, 2 / 3)))
    codes = np.where(np.isfinite(numbers), np.digitize(numbers, (low, high), right=True), UNKNOWN)
    return Thirds(np.asarray(codes, dtype=np.int64), (low, high))


def outside(torque_nm: float, target_nm: float, tolerance_percent: float) -> bool:
    """Say whether a reading lies outside the tolerance of its target torque. N·m, N·m, %.

    >>> outside(8.5, 8.0, 5.0)
    True
    """
    allowed = not_below_zero("the tolerance", tolerance_percent, "%") / 100 * target_nm
    more_than_zero("the target torque", target_nm, "N·m")
    return not isfinite(torque_nm) or abs(torque_nm - target_nm) > allowed * (1 + 1e-9)
