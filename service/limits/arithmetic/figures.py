"""All figures and limits of a design: one versioned set, kept as JSON “design figures 1”.

Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.insulation import Between, Condition, InsulationLimit
from service.limits.arithmetic.leak_figures import LeakFigures
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.operation_figures import OperationFigures
from service.limits.arithmetic.retests import RetestRule
from service.limits.arithmetic.shorts import LEAST_RESISTANCE_OHM_CM2
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.preconditions import more_than_zero, within

FORM = "design figures 1"


@dataclass(frozen=True, slots=True)
class InsulationRule:
    """The limit of one reading: between what, dry or with coolant; least MΩ, and Ω per volt."""

    between: Between
    condition: Condition
    ohm_per_volt: float
    least_mohm: float
    standard: str

    def __post_init__(self) -> None:
        """Refuse a rule without figure or source."""
        _ = self.limit

    @property
    def limit(self) -> InsulationLimit:
        """The same for the computation."""
        return InsulationLimit(self.ohm_per_volt, self.least_mohm * 1e6, self.standard)


@dataclass(frozen=True, slots=True)
class ShortFigures:
    """When a cell counts as shorted or suspect; the same meaning as in shorts."""

    least_ohm_cm2: float = LEAST_RESISTANCE_OHM_CM2
    much_less_percent: float = 20.0
    least_v: float = 0.9
    shorted_below_v: float = 0.3

    def __post_init__(self) -> None:
        """Refuse limits that contradict each other."""
        more_than_zero(
            "the least resistance times area", self.least_ohm_cm2, "Ω·cm²", "least_ohm_cm2"
        )
        within(
            "the share of the median", self.much_less_percent, "%", 0.0, 100.0, "much_less_percent"
        )
        within("the least open-circuit voltage", self.least_v, "V", 0.0, 1.3, "least_v")
        if self.shorted_below_v >= self.least_v:
            raise Inconsistent("The voltage of a shorted cell must lie below that of a good one.")


@dataclass(frozen=True, slots=True)
class DesignFigures:
    """What the stacks of a design are computed with and judged by. A part left out is None."""

    clamp: ClampFigures | None = None
    leak: LeakFigures | None = None
    insulation: tuple[InsulationRule, ...] = ()
    shorts: ShortFigures | None = None
    operation: OperationFigures | None = None
    limits: tuple[Limit, ...] = ()
    retests: tuple[RetestRule, ...] = ()

    def __post_init__(self) -> None:
        """Refuse two limits for one thing."""
        for names in (
            [str(limit.quantity) for limit in self.limits],
            [f"{rule.between}, {rule.condition}" for rule in self.insulation],
            [str(rule.act) for rule in self.retests],
        ):
            for name in names:
                if names.count(name) > 1:
                    raise Inconsistent(f"Two limits are given for “{name}”; one is wanted.")

    def limit(self, quantity: Quantity) -> Limit | None:
        """Return the limit of a quantity; None where there is none."""
        return next((limit for limit in self.limits if limit.quantity is quantity), None)

    def rule(self, between: Between, condition: Condition) -> InsulationRule | None:
        """Return the limit of one insulation reading; None where there is none."""
        key = (between, condition)
        return next(
            (rule for rule in self.insulation if (rule.between, rule.condition) == key), None
        )


def figures_as_data(figures: DesignFigures) -> dict[str, Any]:
    """Return the figures as plain data; `figures_from_data` reads it."""
    return with_form(FORM, figures)


def figures_from_data(data: Mapping[str, Any]) -> DesignFigures:
    """Return the figures from plain data. Raises Inconsistent or OutOfRange naming the field."""
    return from_data(DesignFigures, check_form(FORM, data), "the figures")
