"""The order of the nuts: crosswise, in passes, for any rod pattern."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, hypot, isfinite, pi

from service.platform.arithmetic.errors import Inconsistent, OutOfRange

SETTLING_MINUTES = 30
"""Gaskets and diffusion layers creep under the clamp: the nuts are read again after so long.

Common practice, no source; the site's procedure may ask for another time.
"""
PASS_BAND_PERCENT = 25.0
"""How far from the target of its pass a nut may read before anybody asks, ±.

Common practice, no source.
"""


@dataclass(frozen=True, slots=True)
class RodPosition:
    """Where a tie rod stands, seen on the fixed end's compression plate, in mm."""

    number: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True, slots=True)
class Pass:
    """One pass over all nuts: ``order`` are rod numbers, ``torque_nm`` in N·m.

    ``circular``: once round, each nut in turn, until none moves any more.
    """

    number: int
    percent: float
    torque_nm: float
    order: tuple[int, ...]
    circular: bool = False


def crosswise(nuts: int) -> tuple[int, ...]:
    """Return the order for tightening nuts in a ring, numbered round it from 1.

    Start opposite, halve the angle each time: a ring of an even number goes through half the
    ring, each nut followed by the one opposite; an odd ring steps just under half round.

    >>> crosswise(4)
    (1, 3, 2, 4)
    >>> crosswise(8)
    (1, 5, 3, 7, 2, 6, 4, 8)

    Raises OutOfRange below one nut.

    Source: ASME PCC-1, legacy cross pattern (star pattern), from memory; for odd numbers common
    practice, no source.
    """
    if nuts < 1:
        raise OutOfRange("nuts", nuts, "", "1 or more")
    return tuple(place + 1 for place in _places(nuts))


def _places(ring: int) -> list[int]:
    if ring % 2 == 0:
        half = ring // 2
        return [place for first in _places(half) for place in (first, first + half)]
    step = max(ring // 2, 1)
    return [index * step % ring for index in range(ring)]


def around(rods: Sequence[RodPosition]) -> tuple[int, ...]:
    """Return the rods as they follow each other clockwise, from the lowest number on.

    The angle counts as seen from the middle of all rods; of rods at one angle the outer comes
    first. Raises Inconsistent where two rods share a number or a place.
    """
    if len({rod.number for rod in rods}) < len(rods):
        raise Inconsistent("Two rods have the same number; each needs its own.")
    if len({(rod.x_mm, rod.y_mm) for rod in rods}) < len(rods):
        raise Inconsistent("Two rods stand at the same place; each needs its own.")
    for rod in rods:
        if not (isfinite(rod.x_mm) and isfinite(rod.y_mm)):
            raise OutOfRange(f"place of rod {rod.number}", (rod.x_mm, rod.y_mm), "mm", "numbers")
    if not rods:
        return ()
    middle_x = sum(rod.x_mm for rod in rods) / len(rods)
    middle_y = sum(rod.y_mm for rod in rods) / len(rods)
    first = min(rods, key=lambda rod: rod.number)
    start = atan2(first.y_mm - middle_y, first.x_mm - middle_x)

    def turned(rod: RodPosition) -> tuple[float, float]:
        x, y = rod.x_mm - middle_x, rod.y_mm - middle_y
        clockwise = (start - atan2(y, x)) % (2 * pi) if rod is not first else 0.0
        # an angle a rounding short of a whole turn is the first rod's own angle
        return (round(clockwise, 9) % round(2 * pi, 9), -round(hypot(x, y), 9))

    return tuple(rod.number for rod in sorted(rods, key=turned))


def tightening_order(rods: Sequence[RodPosition]) -> tuple[int, ...]:
    """Return the order in which the nuts of these rods are tightened.

    The rods are ranked by their angle round the stack's middle and taken crosswise, beginning
    with the first of them. Source: see crosswise; general positions common practice, no source.
    """
    ring = around(rods)
    return tuple(ring[place - 1] for place in crosswise(len(ring))) if ring else ()


def tightening_passes(
    rods: Sequence[RodPosition],
    target_nm: float,
    *,
    passes: int = 3,
    percents: Sequence[float] = (),
    circular: bool = True,
) -> tuple[Pass, ...]:
    """Return the passes up to the target torque, in N·m: crosswise in steps, then once round.

    Without ``percents`` the steps are equal. Raises OutOfRange for a torque or number of passes
    that is not more than 0, and for percents that do not rise to 100.

    Source: ASME PCC-1 (20–30 %, 50–70 %, 100 %, then 100 % round until no nut moves), from
    memory.
    """
    if not (target_nm > 0 and isfinite(target_nm)):
        raise OutOfRange("target torque", target_nm, "N·m", "more than 0")
    if passes < 1:
        raise OutOfRange("passes", passes, "", "1 or more")
    steps = list(percents) or [100 * step / passes for step in range(1, passes + 1)]
    if steps[-1] != 100 or any(
        low >= high for low, high in zip([0.0, *steps], steps, strict=False)
    ):
        raise OutOfRange("percents", steps, "%", "rising, above 0, the last 100")
    order, ring = tightening_order(rods), around(rods)
    pass_list = [
        Pass(number, step, target_nm * step / 100, order) for number, step in enumerate(steps, 1)
    ]
    if circular:
        pass_list.append(Pass(len(pass_list) + 1, 100.0, target_nm, ring, circular=True))
    return tuple(pass_list)
