"""What a computed closing answers as JSON: units in the names, u a standard uncertainty."""

from datetime import datetime
from typing import Any

from pydantic import BaseModel, Field

from service.closing.arithmetic.outcome import ClosingOutcome, outcome_as_data
from service.closing.queries.closing_results import KeptResult


class JudgedValue(BaseModel):
    """One value against its limit, all in ``unit``."""

    quantity: str
    of: str
    value: float
    u: float = Field(description="standard uncertainty; ± in print is 2 u")
    unit: str
    least: float | None
    most: float | None
    verdict: str
    source: str


class ClosingSummary(BaseModel):
    """What was kept of a closing at hand-in, in short."""

    computed_at: datetime
    limit_set: int = Field(description="version of the limits")
    formulas: str
    inputs_sha256: str
    results_sha256: str
    holds: bool = Field(description="whether the kept texts are what was hashed")
    verdict: str | None
    nuts_read: str
    judged: list[JudgedValue]


class KeptClosing(ClosingSummary):
    """What was kept of a closing at hand-in, in full."""

    inputs: dict[str, Any] = Field(description="form “closing 1”: enough to compute it again")
    results: dict[str, Any] = Field(description="form “closing outcome 1”")


class Closing(BaseModel):
    """A record's closing as kept, and as it comes out today; the latter changes nothing."""

    record: int
    kept: KeptClosing | None
    now: dict[str, Any] = Field(description="form “closing outcome 1”, by today's limits")
    why_again: list[str] = Field(description="what differs between then and now, in words")


def summary_of(kept: KeptResult, outcome: ClosingOutcome | None) -> dict[str, Any]:
    """The summary of a kept result; without an outcome what can be said all the same."""
    return {
        "computed_at": kept.computed_at,
        "limit_set": kept.limit_version,
        "formulas": kept.formulas,
        "inputs_sha256": kept.inputs_sha256,
        "results_sha256": kept.results_sha256,
        "holds": kept.holds,
        "verdict": str(outcome.verdict) if outcome and outcome.verdict else None,
        "nuts_read": outcome.nuts_read if outcome else "",
        "judged": judged_values(outcome) if outcome else [],
    }


def judged_values(outcome: ClosingOutcome) -> list[JudgedValue]:
    """What the limits say of each value."""
    return [
        JudgedValue(
            quantity=str(one.quantity),
            of=one.of,
            value=one.value.value,
            u=one.value.u,
            unit=one.quantity.unit,
            least=one.least,
            most=one.most,
            verdict=str(one.verdict),
            source=one.source,
        )
        for one in outcome.judged
    ]


def now_data(outcome: ClosingOutcome) -> dict[str, Any]:
    """An outcome as it is written, its numbers with nine digits."""
    return outcome_as_data(outcome)
