"""What a nut may read in a pass without anybody being asked.

Common practice, no source.
"""

from dataclasses import dataclass

from service.physics.arithmetic.tightening import PASS_BAND_PERCENT
from service.platform.arithmetic.preconditions import more_than_zero, within
from service.platform.arithmetic.vocabulary import ReadingKind

SLACK = 1e-9
"""So that a reading at the edge, typed with its digits, lies inside."""


@dataclass(frozen=True, slots=True)
class TorqueBand:
    """The band of one pass, in N·m; ``final_most_nm``: the most any pass may read."""

    target_nm: float
    least_nm: float
    most_nm: float
    final_most_nm: float

    def is_outside(self, torque_nm: float) -> bool:
        """Say whether a reading lies outside the band, or above what any pass may read."""
        below = torque_nm < self.least_nm * (1 - SLACK)
        return below or torque_nm > self.most_nm * (1 + SLACK) or self.is_over(torque_nm)

    def is_over(self, torque_nm: float) -> bool:
        """Say whether a reading lies above what any pass may read."""
        return torque_nm > self.final_most_nm * (1 + SLACK)


def torque_band(
    target_nm: float,
    tolerance_percent: float,
    *,
    pass_number: int,
    passes: int,
    band_percent: float = PASS_BAND_PERCENT,
    kind: ReadingKind = ReadingKind.SET,
) -> TorqueBand:
    """Compute the band of one of a design's passes; from the last one on it is the tolerance.

    The passes share the target evenly. Torque in N·m, tolerance and band ± in %. What a nut still
    holds may be less than it was set to and breaks away at more: both by the band, whatever the
    pass, and only breaking away may be more than the last target with its tolerance.

    >>> torque_band(4.6, 5.0, pass_number=3, passes=3).is_outside(4.9)
    True
    """
    more_than_zero("the target torque", target_nm, "N·m", "target_nm")
    within("the pass", pass_number, "", 1, 1000, "pass_number")
    of_pass = target_of_pass(target_nm, pass_number, passes)
    is_last = pass_number >= passes and kind is ReadingKind.SET
    off = of_pass * (tolerance_percent if is_last else band_percent) / 100
    is_more = kind is ReadingKind.BREAKAWAY
    over_percent = max(band_percent, tolerance_percent) if is_more else tolerance_percent
    return TorqueBand(of_pass, of_pass - off, of_pass + off, target_nm * (1 + over_percent / 100))


def target_of_pass(target_nm: float, pass_number: int, passes: int) -> float:
    """Compute what a pass aims at, N·m: an even share of the target, all of it from the last on.

    >>> target_of_pass(9.0, 2, 3)
    6.0
    """
    return target_nm * min(1.0, pass_number / passes)
