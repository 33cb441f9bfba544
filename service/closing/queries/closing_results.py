"""The results of a closing as they were kept at hand-in, and whether they still are those."""

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing_checks import ClosingCheck, ExpectedHeight, expected_height
from service.closing.arithmetic.closing_inputs import (
    ClosingInputs,
    inputs_from_data,
)
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_from_data
from service.closing.tables import ClosingResult
from service.designs.arithmetic.pile import height_mm
from service.limits.tables import LimitSet
from service.platform.arithmetic.canonical import sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Kind
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param_list
from service.records.queries.record_entries import RecordEntry
from service.records.queries.working_piles import WorkingPile
from service.records.tables import RebuildRecord, StepKind


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
        """Say whether the kept texts are what was hashed."""
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
    """Return the inputs from their kept text. Raises ValueError or the trade's errors."""
    return inputs_from_data(json.loads(text))


@lru_cache(maxsize=64)
def read_outcome(text: str) -> ClosingOutcome:
    """Return the outcome from its kept text. Raises ValueError or the trade's errors."""
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
    """Return the results kept of these records, the latest first. One statement."""
    rows: Any = session.execute(RESULTS, {"ids": sorted(record_ids)})
    found: dict[int, list[KeptResult]] = {record_id: [] for record_id in record_ids}
    for row in rows:
        one = read_as(KeptResult, row)
        found[one.record_id].append(one)
    return {record_id: tuple(some) for record_id, some in found.items()}


def kept_result(session: Session, record_id: int) -> KeptResult | None:
    """Return the result kept when the record was handed in last; None where none was.

    One statement.
    """
    return next((one for one in kept_results(session, [record_id])[record_id] if one.counts), None)


# The checks of a closing: what is asked for, what was recorded, which height is computed.


@dataclass(frozen=True, slots=True)
class CheckAsked:
    """One check of the closing, for one rod where it is asked of each; ``entry`` recorded it.

    ``by_tests``: the tests of insulation and of shorts stand, which say more than a tick.
    """

    check: ClosingCheck
    rod_number: int | None
    entry: RecordEntry | None
    by_tests: bool = False

    @property
    def is_done(self) -> bool:
        """Say whether it is recorded, or tests stand for it."""
        return self.entry is not None or self.by_tests

    @property
    def words(self) -> str:
        """What a person calls it."""
        return f"{self.check}, rod {self.rod_number}" if self.rod_number else str(self.check)


@dataclass(frozen=True, slots=True)
class ComputedHeight:
    """The height the parts add up to; ``expected`` None: ``unknown`` says for want of what."""

    expected: ExpectedHeight | None
    unknown: str = ""


def checks_asked(entries: Sequence[RecordEntry], rods: Sequence[int]) -> tuple[CheckAsked, ...]:
    """Return the checks a closing asks for with those recorded; the last entry counts."""
    recorded = {
        (entry.check.wording, entry.rod_number): entry
        for entry in entries
        if entry.stands and entry.kind is StepKind.CLOSING_CHECK and entry.check is not None
    }
    places: list[tuple[ClosingCheck, int | None]] = [(ClosingCheck.HEIGHT, None)]
    places += [(ClosingCheck.PROTRUSION, rod) for rod in sorted(rods)]
    places += [(ClosingCheck.SLEEVES, None), (ClosingCheck.SHORTS, None)]
    by_tests = done_by_tests(entry.kind for entry in entries if entry.stands)
    return tuple(
        CheckAsked(
            check,
            rod,
            recorded.get((check.wording, rod)),
            by_tests and check is ClosingCheck.SHORTS,
        )
        for check, rod in places
    )


def done_by_tests(kinds: Iterable[StepKind]) -> bool:
    """Say whether a test of insulation and a check of the cells stand among the entries."""
    return {StepKind.INSULATION_TEST, StepKind.SHORT_CHECK} <= set(kinds)


def computed_height(pile: WorkingPile) -> ComputedHeight:
    """Compute how high the parts of this pile make the closed stack. No statement."""
    layers = pile.layers
    if not layers:
        return ComputedHeight(None, "the pile is empty")
    bare = dict.fromkeys(layer.part_type for layer in layers if layer.part in pile.no_thickness)
    plates = [one for one in pile.fixings if one.kind is Kind.COMPRESSION_PLATE]
    bare |= dict.fromkeys(one.part_type for one in plates if one.thickness_mm is None)
    if bare:
        return ComputedHeight(None, f"no thickness is kept of {', '.join(bare)}")
    if len(plates) != 2:
        return ComputedHeight(None, f"{len(plates)} compression plates are recorded, not two")
    plates_mm = sum(one.thickness_mm or 0.0 for one in plates)
    return ComputedHeight(expected_height(height_mm(layers), plates_mm))
