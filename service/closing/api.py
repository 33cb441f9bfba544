"""The closing of a record: as kept at hand-in, and computed again with what holds today."""

import json
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import BeforeValidator, Field

from service.closing.arithmetic.outcome import ClosingOutcome, outcome_as_data
from service.closing.queries.closing_results import KeptResult, closing_again
from service.limits.arithmetic.limits import Judged
from service.platform.api.answers import Out, like, read_from
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.permissions import Act, need

# What a computed closing answers as JSON: units in the names, u a standard uncertainty.


@like(Judged)
class JudgedValue(Out):
    """One value against its limit, all in ``unit``."""

    value: float = read_from("value.value")
    u: float = read_from("value.u", "standard uncertainty; ± in print is 2 u")
    unit: str = read_from("quantity.unit")


@like(KeptResult, only="computed_at formulas inputs_sha256 results_sha256")
class ClosingSummary(Out):
    """What was kept of a closing at hand-in, in short."""

    limit_set: int = read_from("limit_version", "version of the limits")
    holds: bool = Field(description="whether the kept texts are what was hashed")
    verdict: str | None
    nuts_read: str
    judged: list[JudgedValue]


class KeptClosing(ClosingSummary):
    """What was kept of a closing at hand-in, in full."""

    inputs: dict[str, Any] = Field(description="form “closing 1”: enough to compute it again")
    results: dict[str, Any] = Field(description="form “closing outcome 1”")


class Closing(Out):
    """A record's closing as kept, and as it comes out today; the latter changes nothing."""

    record: int
    kept: KeptClosing | None
    now: Annotated[dict[str, Any], BeforeValidator(outcome_as_data)] = Field(
        description="form “closing outcome 1”, by today's limits"
    )
    why_again: list[str] = Field(description="what differs between then and now, in words")


def summary_of(result: KeptResult) -> ClosingSummary:
    """Return the summary of a kept result; without an outcome what can be said all the same."""
    return ClosingSummary.from_answer(result, **_said_of(result.outcome))


def _said_of(outcome: ClosingOutcome | None) -> dict[str, Any]:
    return {
        "verdict": outcome and outcome.verdict,
        "nuts_read": outcome.nuts_read if outcome else "",
        "judged": outcome.judged if outcome else (),
    }


router = APIRouter(prefix="/records", tags=["records"])


@router.get("/{record_id}/closing")
def closing(
    record_id: Annotated[int, Path(ge=1, le=2**53)], caller: Caller, engine: Database
) -> Closing:
    """Return what a closing was computed from and gave, and what it gives today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        again = closing_again(session, record_id)
    result_now = None
    if again.kept is not None:
        result_now = KeptClosing.from_answer(
            again.kept,
            **_said_of(again.kept.outcome),
            inputs=json.loads(again.kept.inputs_text) if again.kept.inputs else {},
            results=json.loads(again.kept.results_text) if again.kept.outcome else {},
        )
    return Closing.from_answer(again, record=record_id, kept=result_now)
