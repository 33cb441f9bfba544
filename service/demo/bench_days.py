"""How a day at a test bench goes: gas, warming up, load, perhaps a rest at midday, cooling down."""

from dataclasses import dataclass

import numpy as np

from service.demo.ageing import RATED_A_CM2, Array

GAS_S, WARM_S, REST_S, PART_S, COOL_S = 1200.0, 1800.0, 1500.0, 1800.0, 600.0
"""Gas on, warm up at a quarter of the load; at midday no load, then half of it; cool down."""


@dataclass(frozen=True, slots=True)
class Day:
    """A day at the bench: how long it lasts, and whether the load is taken off at midday."""

    length_s: float = 20_160.0
    rests: bool = True

    @property
    def midday_s(self) -> float:
        """When the load is taken off, if it is."""
        return self.length_s / 2

    @property
    def ends_s(self) -> float:
        """When the load is taken off for the day."""
        return self.length_s - COOL_S

    def loaded_s(self, in_day: Array) -> Array:
        """Seconds at load so far."""
        if not self.rests:
            return np.clip(in_day - GAS_S, 0, self.ends_s - GAS_S)
        behind = self.midday_s + REST_S
        before: Array = np.clip(in_day - GAS_S, 0, self.midday_s - GAS_S)
        return before + np.clip(in_day - behind, 0, self.ends_s - behind)

    def density(self, in_day: Array) -> Array:
        """Compute the density over the day in A/cm²."""
        midday = self.midday_s if self.rests else np.inf
        density = np.full_like(in_day, RATED_A_CM2)
        for begins, ends, share in (
            (0.0, GAS_S, 0.0),
            (GAS_S, WARM_S, 0.25),
            (midday, midday + REST_S, 0.0),
            (midday + REST_S, midday + REST_S + PART_S, 0.5),
            (self.ends_s, np.inf, 0.0),
        ):
            density[(in_day >= begins) & (in_day < ends)] = RATED_A_CM2 * share
        return density


USUAL, LONG = Day(), Day(50_400.0, rests=False)
