"""A claim of a page, tried by simulation: the rate promised, the rate found, its bound.

Source of the bound: Clopper & Pearson 1934, from memory; scipy.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from scipy.stats import binomtest


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something came true among ``n`` seeded tries."""

    true: int
    n: int

    @property
    def found(self) -> float:
        """The share found."""
        return self.true / self.n

    def at_least(self, promised: float) -> bool:
        """Say whether the share may be as promised or more: what was found contradicts no such."""
        return bool(binomtest(self.true, self.n, promised, "less").pvalue > 1e-3)

    def at_most(self, promised: float) -> bool:
        """Say whether the share may be as promised or less."""
        return bool(binomtest(self.true, self.n, promised, "greater").pvalue > 1e-3)

    def __str__(self) -> str:
        """Write the share with its exact 95 % interval."""
        low, high = binomtest(self.true, self.n).proportion_ci(0.95, "exact")
        return f"{self.found:.3f} ({low:.3f} to {high:.3f}, n = {self.n})"


def rate(came_true: Iterable[bool]) -> Rate:
    """Count the tries that came true."""
    tries = list(came_true)
    return Rate(sum(tries), len(tries))
