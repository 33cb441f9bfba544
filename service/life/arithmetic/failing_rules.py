"""When does an MEA of a design count as failing? A stated rule: any one of its criteria is met.

A rule is plain data, JSON “failing rule 1”. It sorts; whether an MEA is failing a person confirms.
Figures are the laboratory's own; the score among cells is from Iglewicz & Hoaglin (1993), the
share lost from durability targets of the US Department of Energy (10 %), from memory.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from service.condition.arithmetic.reference_voltages import NEAR_PERCENT, checked_reference
from service.life.arithmetic.voltage_trend import NEWEST_ALONE, Method
from service.physics.arithmetic.conditions import NOT_AGAIN
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.preconditions import not_below_zero, within
from service.proof.arithmetic.tests_in_words import THIN

FORM = "failing rule 1"
READINGS_IN_A_ROW = (1, NEWEST_ALONE)
RATE_READINGS = (3, 1000)
FIRST_HOURS_H = (1.0, 10_000.0)
NEAR_RANGE_PERCENT = (0.1, 20.0)


class CriterionKind(StrEnum):
    """What a criterion looks at; its value is how it is called."""

    VOLTAGE = "voltage"
    RATE = "rate"
    LOSS = "loss"
    AMONG_CELLS = "among cells"
    OPEN_CIRCUIT = "open circuit"
    CROSSOVER = "crossover"
    SHORT = "short"
    LEAK = "leak"
    FINDING = "finding"

    @property
    def is_ground(self) -> bool:
        """Say whether tests or findings meet it, and no voltage."""
        return self in GROUNDS

    @property
    def unit(self) -> str:
        """The unit of its limit; none for a score."""
        return _UNIT[self]

    @property
    def range(self) -> tuple[float, float]:
        """What its limit may be, in its unit."""
        return _RANGE[self]


_UNIT = {
    CriterionKind.VOLTAGE: "V",
    CriterionKind.RATE: "µV/h",
    CriterionKind.LOSS: "%",
    CriterionKind.AMONG_CELLS: "",
    CriterionKind.OPEN_CIRCUIT: "V",
    CriterionKind.CROSSOVER: "mbar·L/s",
    CriterionKind.SHORT: "Ω·cm²",
    CriterionKind.LEAK: "mbar·L/s",
    CriterionKind.FINDING: "",
}
_RANGE = {
    CriterionKind.VOLTAGE: (0.01, 1.3),
    CriterionKind.RATE: (0.1, 100_000.0),
    CriterionKind.LOSS: (0.1, 99.0),
    CriterionKind.AMONG_CELLS: (0.5, 100.0),
    CriterionKind.OPEN_CIRCUIT: (0.01, 1.3),
    CriterionKind.CROSSOVER: (1e-9, 1e4),
    CriterionKind.SHORT: (1e-3, 1e9),
    CriterionKind.LEAK: (1e-9, 1e4),
    CriterionKind.FINDING: (0, NOT_AGAIN),
}
GROUNDS = frozenset(
    {CriterionKind.CROSSOVER, CriterionKind.SHORT, CriterionKind.LEAK, CriterionKind.FINDING}
)
"""Criteria that a test of its stack or a finding on it meets."""


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion; ``limit`` in the unit of its kind, above zero.

    ``readings`` in a row, the newest last, must all meet it (of the rate: so many must be there).
    ``method`` and ``least_hours_h`` are for the rate: how it is found, over how many own hours at
    least. ``first_hours_h`` is for the loss: readings within so many own hours are the beginning.
    ``codes`` are for a finding: those of the laboratory's words, one of which is seen; its
    ``limit`` is the least severity, 0 for any.
    """

    kind: CriterionKind
    limit: float
    readings: int = 1
    method: Method = Method.MEDIAN_OF_SLOPES
    least_hours_h: float = 0.0
    first_hours_h: float = 100.0
    codes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what is no criterion."""
        name = f"the limit of the criterion “{self.kind}”"
        within(name, self.limit, self.kind.unit, *self.kind.range)
        of_rate = self.kind is CriterionKind.RATE
        fewest, most = RATE_READINGS if of_rate else READINGS_IN_A_ROW
        if self.kind.is_ground:
            most = 1
        if bool(self.codes) is not (self.kind is CriterionKind.FINDING):
            raise Inconsistent("Words of findings belong to the criterion “finding”, one at least.")
        within(f"the readings of the criterion “{self.kind}”", self.readings, "", fewest, most)
        if of_rate:
            not_below_zero("the least hours of the rate", self.least_hours_h, "h")
        if self.kind is CriterionKind.LOSS:
            within("the first hours of the loss", self.first_hours_h, "h", *FIRST_HOURS_H)

    @property
    def words(self) -> str:
        """The criterion as a sentence without its end."""
        limit = f"{self.limit:g}{THIN}{self.kind.unit}".rstrip(THIN)
        in_a_row = f", {self.readings} readings in a row" if self.readings > 1 else ""
        if self.kind is CriterionKind.VOLTAGE:
            return f"below {limit} at the reference density{in_a_row}"
        if self.kind is CriterionKind.OPEN_CIRCUIT:
            return f"open-circuit voltage below {limit}{in_a_row}"
        if self.kind.is_ground:
            grave = f", severity {self.limit:g} or more" if self.limit else ""
            return {
                CriterionKind.CROSSOVER: f"hydrogen crossover above {limit}",
                CriterionKind.SHORT: f"short resistance below {limit}",
                CriterionKind.LEAK: f"leak to the outside above {limit}",
                CriterionKind.FINDING: f"found on it: {' or '.join(self.codes)}{grave}",
            }[self.kind]
        if self.kind is CriterionKind.AMONG_CELLS:
            among = f"modified z-score among its cells at or below −{limit}"
            return f"{among} at the reference density{in_a_row}"
        if self.kind is CriterionKind.LOSS:
            first = f"{self.first_hours_h:g}{THIN}h"
            return f"lost more than {limit} of its voltage of the first {first}{in_a_row}"
        return (
            f"falls faster than {limit} even by the slow end of the interval ({self.method},"
            f" at least {self.readings} readings over {self.least_hours_h:g}{THIN}h)"
        )


@dataclass(frozen=True, slots=True)
class FailingRule:
    """The rule of a design: met where any criterion is met.

    ``reference_density_a_cm2`` None: the one most readings of the MEA share. Readings within
    ``near_percent`` of it count.
    """

    criteria: tuple[Criterion, ...]
    reference_density_a_cm2: float | None = None
    near_percent: float = NEAR_PERCENT

    def __post_init__(self) -> None:
        """Refuse a rule without criteria, or with two of one kind."""
        if not self.criteria:
            raise Inconsistent("A rule needs one criterion at least.")
        kinds = [criterion.kind for criterion in self.criteria]
        for kind in kinds:
            if kinds.count(kind) > 1:
                raise Inconsistent(f"Two criteria look at “{kind}”; one is wanted.")
        if self.reference_density_a_cm2 is not None:
            checked_reference(self.reference_density_a_cm2)
        within("how near readings must be", self.near_percent, "%", *NEAR_RANGE_PERCENT)

    def criterion(self, kind: CriterionKind) -> Criterion | None:
        """Return the criterion of a kind; None where the rule has none."""
        return next((criterion for criterion in self.criteria if criterion.kind is kind), None)


def rule_as_data(rule: FailingRule) -> dict[str, Any]:
    """Return the rule as plain data; `rule_from_data` reads it."""
    return with_form(FORM, rule)


def rule_from_data(data: Mapping[str, Any]) -> FailingRule:
    """Return a rule from plain data. Raises Inconsistent or OutOfRange naming the field."""
    return from_data(FailingRule, check_form(FORM, data), "the rule")
