"""The results of a closing as they were kept at hand-in, and whether they still are those."""

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_from_data
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_from_data
from service.closing.tables import ClosingResult
from service.limits.tables import LimitSet
from service.platform.arithmetic.canonical import sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.queries.answers import columns, read_as
from service.platform.queries.prepared import param_list
from service.records.tables import RebuildRecord


@dataclass(frozen=True, slots=True)
class KeptResult:
    """One computation of a closing as kept; ``holds``: its texts are what was hashed.

    ``counts``: computed when the record was last handed in; earlier ones stay beside it.
    """

    id: int
    record_id: int
    limit_set_id: int
    limit_version: int
    limit_source: str
    inputs_text: str
    inputs_sha256: str
    results_text: str
    results_sha256: str
    formulas: str
    computed_at: datetime
    counts: bool

    @property
    def holds(self) -> bool:
        """Whether the kept texts are what was hashed."""
        return (
            sha256_of(self.inputs_text) == self.inputs_sha256
            and sha256_of(self.results_text) == self.results_sha256
        )

    @property
    def inputs(self) -> ClosingInputs:
        """What it was computed from. Raises the trade's errors where it cannot be read."""
        return read_inputs(self.inputs_text)

    @property
    def outcome(self) -> ClosingOutcome:
        """What it gave. Raises the trade's errors where it cannot be read."""
        return read_outcome(self.results_text)

    @property
    def readable_inputs(self) -> ClosingInputs | None:
        """The inputs; None where the kept text can no longer be read as such."""
        try:
            return self.inputs
        except (TradeError, ValueError):
            return None

    @property
    def readable_outcome(self) -> ClosingOutcome | None:
        """What it gave; None where the kept text can no longer be read as such."""
        try:
            return self.outcome
        except (TradeError, ValueError):
            return None


@lru_cache(maxsize=64)
def read_inputs(text: str) -> ClosingInputs:
    """The inputs from their kept text. Raises ValueError or the trade's errors."""
    return inputs_from_data(json.loads(text))


@lru_cache(maxsize=64)
def read_outcome(text: str) -> ClosingOutcome:
    """The outcome from its kept text. Raises ValueError or the trade's errors."""
    return outcome_from_data(json.loads(text))


RESULTS = (
    select(
        *columns(
            KeptResult,
            ClosingResult,
            limit_version=LimitSet.version,
            limit_source=LimitSet.source,
            inputs_text=ClosingResult.inputs,
            results_text=ClosingResult.results,
            counts=(ClosingResult.computed_at == RebuildRecord.handed_in_at),
        )
    )
    .join(LimitSet, LimitSet.id == ClosingResult.limit_set_id)
    .join(RebuildRecord, RebuildRecord.id == ClosingResult.record_id)
    .where(ClosingResult.record_id.in_(param_list("ids")))
    .order_by(ClosingResult.id.desc())
)


def kept_results(
    session: Session, record_ids: Collection[int]
) -> dict[int, tuple[KeptResult, ...]]:
    """The results kept of these records, the latest first. One statement."""
    rows: Any = session.execute(RESULTS, {"ids": sorted(record_ids)})
    found: dict[int, list[KeptResult]] = {record_id: [] for record_id in record_ids}
    for row in rows:
        one = read_as(KeptResult, row)
        found[one.record_id].append(one)
    return {record_id: tuple(some) for record_id, some in found.items()}


def kept_result(session: Session, record_id: int) -> KeptResult | None:
    """The result kept when the record was handed in last; None where none was. One statement."""
    return next((one for one in kept_results(session, [record_id])[record_id] if one.counts), None)
