"""The closing of a record: as kept at hand-in, and computed again with what holds today."""

import json
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BaseModel, Field

from service.closing.arithmetic.outcome import ClosingOutcome, outcome_as_data
from service.closing.queries.closing_results import KeptResult
from service.closing.queries.recomputed import closing_again
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.permissions import Act, need

# What a computed closing answers as JSON: units in the names, u a standard uncertainty.


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
    """Return the summary of a kept result; without an outcome what can be said all the same."""
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
    """Return what the limits say of each value."""
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
    """Return an outcome as it is written, its numbers with nine digits."""
    return outcome_as_data(outcome)


router = APIRouter(prefix="/records", tags=["records"])


@router.get("/{record_id}/closing")
def closing(
    record_id: Annotated[int, Path(ge=1, le=2**53)], caller: Caller, engine: Database
) -> Closing:
    """Return what a closing was computed from and gave, and what it gives today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        found = closing_again(session, record_id)
    kept = None
    if found.kept is not None:
        kept = KeptClosing(
            **summary_of(found.kept, found.kept.readable_outcome),
            inputs=json.loads(found.kept.inputs_text) if found.kept.readable_inputs else {},
            results=json.loads(found.kept.results_text) if found.kept.readable_outcome else {},
        )
    return Closing(
        record=record_id, kept=kept, now=now_data(found.now), why_again=list(found.why_again)
    )
