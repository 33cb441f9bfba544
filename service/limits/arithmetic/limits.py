"""Limits of a design for the closed clamp, and what a computed closing says against them.

Source of the verdicts: verdicts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.preconditions import more_than_zero
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.verdicts import GUARD, Verdict, worst


class Quantity(StrEnum):
    """What a limit is set for; its value is what is printed."""

    GDL_PRESSURE = "GDL pressure"
    LINE_LOAD = "gasket line load"
    SHARE_OF_PROOF = "share of proof load"
    PRESSURE_RATIO = "pressure ratio"
    PROTRUSION = "thread protrusion"
    CLOSED_HEIGHT = "closed height"
    CORNER_SPREAD = "spread of the corner heights"
    TILT = "end-plate tilt"

    @property
    def unit(self) -> str:
        """The unit its limits and values are in; none for a ratio."""
        return _UNIT[self]

    @property
    def measure(self) -> Measure | None:
        """What is measured; None for shares and ratios."""
        return _MEASURE.get(self)

    @property
    def meaning(self) -> str:
        """What is meant, in one line."""
        return _MEANING[self]


_UNIT = {
    Quantity.GDL_PRESSURE: "MPa",
    Quantity.LINE_LOAD: "N/mm",
    Quantity.SHARE_OF_PROOF: "%",
    Quantity.PRESSURE_RATIO: "",
    Quantity.PROTRUSION: "mm",
    Quantity.CLOSED_HEIGHT: "mm",
    Quantity.CORNER_SPREAD: "mm",
    Quantity.TILT: "mm",
}
_MEASURE = {
    Quantity.GDL_PRESSURE: Measure.PRESSURE,
    Quantity.LINE_LOAD: Measure.LINE_LOAD,
    Quantity.PROTRUSION: Measure.LENGTH,
    Quantity.CLOSED_HEIGHT: Measure.LENGTH,
    Quantity.CORNER_SPREAD: Measure.LENGTH,
    Quantity.TILT: Measure.LENGTH,
}
_MEANING = {
    Quantity.GDL_PRESSURE: "pressure on the GDL: mean of the cells, least and greatest cell",
    Quantity.LINE_LOAD: "line load of the gas gaskets, mean of the cells",
    Quantity.SHARE_OF_PROOF: "of the rod that bears most",
    Quantity.PRESSURE_RATIO: "least by greatest pressure over the active area",
    Quantity.PROTRUSION: "thread that stands out of the nut",
    Quantity.CLOSED_HEIGHT: "over both compression plates",
    Quantity.CORNER_SPREAD: "greatest less least height measured at the corners",
    Quantity.TILT: "of the plane through the corner heights, across the plate",
}


@dataclass(frozen=True, slots=True)
class Limit:
    """What a quantity must reach at least and may reach at most, in its unit, and who says so."""

    quantity: Quantity
    least: float | None
    most: float | None
    source: str

    def __post_init__(self) -> None:
        """Refuse a limit without a figure or a source."""
        name = f"of the {self.quantity}"
        if self.least is None and self.most is None:
            raise Inconsistent(f"The limit {name} needs a least or a greatest value.")
        for word, field in (("least value", "least"), ("greatest value", "most")):
            value = getattr(self, field)
            if value is not None:
                more_than_zero(f"the {word} {name}", value, self.quantity.unit, field)
        if self.least is not None and self.most is not None and self.least >= self.most:
            raise Inconsistent(
                f"The least value {name}, {self.least:g} {self.quantity.unit}, must lie below the"
                f" greatest, {self.most:g} {self.quantity.unit}."
            )
        if not self.source.strip():
            raise Inconsistent(f"Name the source of the limit {name}.")

    @property
    def middle(self) -> float | None:
        """The middle between least and most; None where one of them is missing."""
        if self.least is None or self.most is None:
            return None
        return (self.least + self.most) / 2


@dataclass(frozen=True, slots=True)
class ValueToJudge:
    """One value to be judged, in the quantity's unit; ``of`` says of what it is."""

    quantity: Quantity
    value: Estimate
    of: str = ""


@dataclass(frozen=True, slots=True)
class Judged:
    """A value against its limit, all in the quantity's unit."""

    quantity: Quantity
    of: str
    value: Estimate
    least: float | None
    most: float | None
    verdict: Verdict
    source: str


def judge_limits(values: Sequence[ValueToJudge], limits: Sequence[Limit]) -> tuple[Judged, ...]:
    """Judge the values by limits, in the limits' order; a value without one is left out.

    >>> limit = Limit(Quantity.GDL_PRESSURE, 0.8, 1.4, "design note 3")
    >>> values = [ValueToJudge(limit.quantity, Estimate(mpa, 0.05)) for mpa in (1.1, 0.85, 0.5)]
    >>> [judged.verdict.value for judged in judge_limits(values, [limit])]
    ['pass', 'undecided', 'fail']
    """
    return tuple(
        Judged(
            limit.quantity,
            value.of,
            Estimate(value.value.value, value.value.u),
            limit.least,
            limit.most,
            verdict_between(value.value, limit.least, limit.most),
            limit.source,
        )
        for limit in limits
        for value in values
        if value.quantity is limit.quantity
    )


def verdict_between(value: Estimate, least: float | None, most: float | None) -> Verdict:
    """Judge whether the value lies between two limits, each guarded; None leaves a side open."""
    verdicts = []
    guard = GUARD * value.u
    if least is not None:
        verdicts.append(_verdict(value.value - guard >= least, value.value + guard < least))
    if most is not None:
        verdicts.append(_verdict(value.value + guard <= most, value.value - guard > most))
    return worst(verdicts)


def _verdict(passes: bool, fails: bool) -> Verdict:  # both are facts
    if passes:
        return Verdict.PASS
    return Verdict.FAIL if fails else Verdict.UNDECIDED


def worst_of(judged: Sequence[Judged]) -> Verdict | None:
    """Return the verdict of all together; None where nothing was judged."""
    return worst(judgement.verdict for judgement in judged) if judged else None


def missing_quantities(judged: Sequence[Judged], limits: Sequence[Limit]) -> tuple[Quantity, ...]:
    """Return quantities that have a limit, but no value to judge."""
    judged_ones = {judgement.quantity for judgement in judged}
    return tuple(limit.quantity for limit in limits if limit.quantity not in judged_ones)
