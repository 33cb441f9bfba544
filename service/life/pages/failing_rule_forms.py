"""The form of a rule of failing: a criterion whose limit is left empty is left out."""

from dataclasses import dataclass

from fastapi import Request

from service.condition.arithmetic.reference_voltages import NEAR_PERCENT
from service.life.arithmetic.failing_rules import (
    FIRST_HOURS_H,
    NEAR_RANGE_PERCENT,
    RATE_READINGS,
    READINGS_IN_A_ROW,
    Criterion,
    CriterionKind,
    FailingRule,
)
from service.life.arithmetic.voltage_trend import Method
from service.platform.pages.forms import Form, blank

FIRST_H = 100.0
RATE_HOURS_H = 200.0
RATE_READINGS_AT_FIRST = 8


@dataclass(frozen=True, slots=True)
class CriterionFields:
    """One criterion in the form: its kind, the hint of its limit, and what else it asks."""

    kind: CriterionKind
    name: str
    title: str
    limit: str
    hint: str


FIELDS = (
    CriterionFields(
        CriterionKind.VOLTAGE,
        "voltage",
        "Voltage at the reference density",
        "Fails below",
        "Such as 0.60. The same for every MEA of the design.",
    ),
    CriterionFields(
        CriterionKind.RATE,
        "rate",
        "Rate",
        "Fails if it loses more than",
        "Such as 50. Even the slow end of the interval must lose more.",
    ),
    CriterionFields(
        CriterionKind.LOSS,
        "loss",
        "Loss against its own beginning",
        "Fails if it lost more than",
        "Such as 10, a common end of life. Unknown where it was first read later.",
    ),
    CriterionFields(
        CriterionKind.AMONG_CELLS,
        "among_cells",
        "Among the cells of its stack",
        "Fails if its modified z-score is lower than minus",
        "Such as 3.5 (Iglewicz and Hoaglin, 1993). Says little in stacks of few cells.",
    ),
    CriterionFields(
        CriterionKind.OPEN_CIRCUIT,
        "open_circuit",
        "Open-circuit voltage",
        "Fails below",
        "Such as 0.85. From readings without load.",
    ),
)


def form_of_rule(request: Request, rule: FailingRule | None) -> Form:
    """The form filled in with a rule; what it leaves out begins with usual counts, no limit."""
    typed: dict[str, object] = {
        "reference_density": rule.reference_density_a_cm2 if rule else None,
        "near_percent": rule.near_percent if rule else NEAR_PERCENT,
        "rate_method": Method.MEDIAN_OF_SLOPES.value,
        "rate_readings": RATE_READINGS_AT_FIRST,
        "rate_hours": RATE_HOURS_H,
        "loss_first_hours": FIRST_H,
    }
    for fields in FIELDS:
        criterion = rule.criterion(fields.kind) if rule else None
        typed.setdefault(f"{fields.name}_readings", 1)
        if criterion is not None:
            typed[f"{fields.name}_limit"] = criterion.limit
            typed[f"{fields.name}_readings"] = criterion.readings
            if fields.kind is CriterionKind.RATE:
                typed["rate_method"] = criterion.method.value
                typed["rate_hours"] = criterion.least_hours_h
            if fields.kind is CriterionKind.LOSS:
                typed["loss_first_hours"] = criterion.first_hours_h
    return blank(request, **typed)


def read_rule_form(form: Form) -> FailingRule:
    """The rule as typed; what cannot be read is refused beside its field."""
    density = form.number("reference_density", least=0.001, most=10.0, unit="A/cm²", required=False)
    least, most = NEAR_RANGE_PERCENT
    near = form.number("near_percent", least=least, most=most, unit="%", required=False)
    found = [it for fields in FIELDS if (it := _criterion(form, fields)) is not None]
    if not found and not form.is_refused:
        form.refuse("criteria", "No limit is given.", "One criterion at least.")
    form.check()
    return FailingRule(tuple(found), density, near or NEAR_PERCENT)


def _criterion(form: Form, fields: CriterionFields) -> Criterion | None:
    kind, name = fields.kind, fields.name
    least, most = kind.range
    limit = form.number(f"{name}_limit", least=least, most=most, unit=kind.unit, required=False)
    if limit is None:
        return None
    of_rate, of_loss = kind is CriterionKind.RATE, kind is CriterionKind.LOSS
    fewest, greatest = RATE_READINGS if of_rate else READINGS_IN_A_ROW
    readings = form.whole(f"{name}_readings", least=fewest, most=greatest, required=False)
    method = form.choice("rate_method", Method, required=False) if of_rate else None
    hours = form.number("rate_hours", least=0.0, unit="h", required=False) if of_rate else None
    first_h = None
    if of_loss:
        low, high = FIRST_HOURS_H
        first_h = form.number("loss_first_hours", least=low, most=high, unit="h", required=False)
    if form.is_refused:
        return None
    return Criterion(
        kind,
        limit,
        readings or fewest,
        method or Method.MEDIAN_OF_SLOPES,
        hours or 0.0,
        first_h or FIRST_H,
    )
