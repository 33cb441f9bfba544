"""What a mistake at the bench costs, when a pile is explained by the fewest and likeliest mistakes.

The fewest mistakes come first; among explanations with as few, the one whose unlikelihoods add
up to least. This module is the one table of them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from service.platform.arithmetic.vocabulary import Kind

# A power of ten above 999 × the mistakes of any pile: one number orders by mistakes first and by
# unlikelihood second, and is read back by division.
MISTAKE = 1_000_000
"""Weight of one mistake: more than all unlikelihoods of any pile together."""


class Misfit(StrEnum):
    """How a part can differ from what belongs in its place; from harmless to hopeless."""

    TURNED = "turned round"
    TYPE = "another type"
    JOINT = "for another joint"
    BACK = "another back"
    SIDE = "for the other side"
    NO_BLANK = "blank cell where none may stand"
    KIND = "a foreign part"


@dataclass(frozen=True, slots=True)
class Likelihoods:
    """Unlikelihood of each mistake, 0 (as likely as any) to 999; higher is less likely.

    A gasket is thin and often forgotten; it sticks to its fellow and is laid double; a plate is
    turned sooner than a wrong one is taken; a part of another kind is taken last of all.
    Two misfits of one part add up. Source: common practice, no source; the numbers only order.
    """

    forgotten: Mapping[Kind, int] = field(
        default_factory=lambda: {
            Kind.GASKET: 1,
            Kind.MEA: 6,
            Kind.HALF_PLATE: 8,
            Kind.INSULATOR_PLATE: 10,
            Kind.CURRENT_COLLECTOR: 12,
        }
    )
    one_too_many: Mapping[Kind, int] = field(
        default_factory=lambda: {
            Kind.GASKET: 3,
            Kind.MEA: 9,
            Kind.HALF_PLATE: 10,
            Kind.BLANK_CELL: 12,
        }
    )
    misfit: Mapping[Misfit, int] = field(
        default_factory=lambda: {
            Misfit.TURNED: 2,
            Misfit.TYPE: 3,
            Misfit.JOINT: 4,
            Misfit.BACK: 5,
            Misfit.SIDE: 5,
            Misfit.NO_BLANK: 7,
            Misfit.KIND: 20,
        }
    )
    swapped: int = 4
    otherwise: int = 15

    def missing(self, kind: Kind) -> int:
        """Return the weight of a part that was forgotten."""
        return MISTAKE + self.forgotten.get(kind, self.otherwise)

    def too_many(self, kind: Kind) -> int:
        """Return the weight of a part too many."""
        return MISTAKE + self.one_too_many.get(kind, self.otherwise)

    def wrong(self, misfits: tuple[Misfit, ...]) -> int:
        """Return the weight of a part that does not fit its place in these ways.

        0 where it fits.
        """
        return MISTAKE + sum(self.misfit[how] for how in misfits) if misfits else 0

    @property
    def changed_places(self) -> int:
        """Weight of two neighbours that have changed places."""
        return MISTAKE + self.swapped


OF_THE_TRADE = Likelihoods()
