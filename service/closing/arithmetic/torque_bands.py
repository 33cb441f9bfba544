"""What a nut may read in a pass without anybody being asked.

Common practice, no source.
"""

from dataclasses import dataclass

from service.physics.arithmetic.tightening import PASS_BAND_PERCENT
from service.platform.arithmetic.preconditions import more_than_zero, within

SLACK = 1e-9
"""So that a reading at the edge, typed with its digits, lies inside."""


@dataclass(frozen=True, slots=True)
class TorqueBand:
    """The band of one pass, in N·m; ``final_most_nm`` is the last target with its tolerance."""

    target_nm: float
    least_nm: float
    most_nm: float
    final_most_nm: float

    def is_outside(self, torque_nm: float) -> bool:
        """Say whether a reading lies outside the band, or above the last target's tolerance."""
        below = torque_nm < self.least_nm * (1 - SLACK)
        return below or torque_nm > self.most_nm * (1 + SLACK) or self.is_over(torque_nm)

    def is_over(self, torque_nm: float) -> bool:
        """Say whether a reading lies above the last target with its tolerance."""
        return torque_nm > self.final_most_nm * (1 + SLACK)


def torque_band(
    target_nm: float,
    tolerance_percent: float,
    *,
    pass_number: int,
    passes: int,
    band_percent: float = PASS_BAND_PERCENT,
) -> TorqueBand:
    """Compute the band of one of a design's passes; from the last one on it is the tolerance.

    The passes share the target evenly. Torque in N·m, tolerance and band ± in %.

    >>> torque_band(4.6, 5.0, pass_number=3, passes=3).is_outside(4.9)
    True
    """
    more_than_zero("the target torque", target_nm, "N·m", "target_nm")
    within("the pass", pass_number, "", 1, 1000, "pass_number")
    final_most_nm = target_nm * (1 + tolerance_percent / 100)
    if pass_number >= passes:
        return TorqueBand(
            target_nm, target_nm * (1 - tolerance_percent / 100), final_most_nm, final_most_nm
        )
    of_pass = target_of_pass(target_nm, pass_number, passes)
    off = of_pass * band_percent / 100
    return TorqueBand(of_pass, of_pass - off, of_pass + off, final_most_nm)


def target_of_pass(target_nm: float, pass_number: int, passes: int) -> float:
    """Compute what a pass aims at, N·m: an even share of the target, all of it from the last on.

    >>> target_of_pass(9.0, 2, 3)
    6.0
    """
    return target_nm * min(1.0, pass_number / passes)
