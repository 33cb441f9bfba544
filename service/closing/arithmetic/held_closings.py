"""A stack closed to height or by press force: what its height says, and what springs back.

There the closing's arithmetic checks and does not rule: the force behind a measured height follows
from the stiffness of the parts, and is set beside the press force and the nuts' torques. Common
practice, no source; the closed state: as in springs.
"""

from dataclasses import dataclass

from service.limits.arithmetic.closing_modes import ClosingMode
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.clamping import Law
from service.physics.arithmetic.springs import ClosedState, close_stack
from service.platform.arithmetic.errors import NoSolution, TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero

LEAST_N, STEPS = 1.0, 60


@dataclass(frozen=True, slots=True)
class Held:
    """How a stack was held while its nuts were run down, heights in mm, the press force in N.

    Each with only the error of its instrument. ``before`` None: the height was not read under the
    press.
    """

    mode: ClosingMode
    after_mm: Estimate
    before_mm: Estimate | None = None
    force_n: Estimate | None = None

    def __post_init__(self) -> None:
        """Refuse what is no height."""
        more_than_zero("the height once the press was let off", self.after_mm.value, "mm")

    @property
    def spring_back_mm(self) -> Estimate | None:
        """What the stack rose when the press was let off, mm; None where that was not read.

        >>> Held(ClosingMode.FORCE, Estimate(138.3, 0.02), Estimate(138.0, 0.02)).spring_back_mm
        Estimate(value=0.3, u=0.028284, parts=())
        """
        if self.before_mm is None:
            return None
        off = self.after_mm.value - self.before_mm.value
        return Estimate(round(off, 9), round((self.after_mm.u**2 + self.before_mm.u**2) ** 0.5, 6))


def state_at_height(assembly: Assembly, height_mm: Estimate, law: Law) -> ClosedState:
    """Return the closed state at a height over both plates; its force by bisection.

    The force is as uncertain as the height makes it. Raises NoSolution where no force the parts
    bear gives this height.
    """
    force = _force_at(assembly, height_mm.value / 1e3, law)
    if not height_mm.u:
        return close_stack(assembly, Estimate(force), law)
    try:
        u = abs(_force_at(assembly, (height_mm.value + height_mm.u) / 1e3, law) - force)
    except NoSolution:
        u = force
    return close_stack(assembly, Estimate(force, u), law)


def _force_at(assembly: Assembly, height_m: float, law: Law) -> float:
    """Return the force of all rods in N at a height in m."""
    low, high = LEAST_N, LEAST_N
    if _height(assembly, low, law) <= height_m:
        raise NoSolution("the force at the measured height", "the parts are lower unpressed")
    while True:
        high *= 2
        try:
            reached = _height(assembly, high, law)
        except TradeError:
            # beyond a curve of the parts: what they bear ends between low and high
            high = _most(assembly, low, high, law)
            if _height(assembly, high, law) > height_m:
                raise NoSolution(
                    "the force at the measured height", "the parts do not bear so much"
                ) from None
            break
        if reached <= height_m:
            break
        low = high
    for _step in range(STEPS):
        middle = (low + high) / 2
        if _height(assembly, middle, law) > height_m:
            low = middle
        else:
            high = middle
        if high - low < 1e-6 * high:
            break
    return high


def _most(assembly: Assembly, low: float, high: float, law: Law) -> float:
    """The greatest force below ``high`` the curves of the parts still hold for."""
    for _step in range(20):
        middle = (low + high) / 2
        try:
            _height(assembly, middle, law)
            low = middle
        except TradeError:
            high = middle
    return low


def _height(assembly: Assembly, force_n: float, law: Law) -> float:
    return close_stack(assembly, Estimate(force_n), law).closed_height_m.value
