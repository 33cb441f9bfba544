"""What was kept of a closing: at hand-in, anew for each correction; and what it gives today."""

import json
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_as_data
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_changes
from service.closing.queries.build_torques import measured_height_mm
from service.closing.queries.closing_inputs import (
    ClosingGround,
    closing_ground,
    counts_of,
    read_inputs,
    read_outcome,
)
from service.closing.tables import ClosingResult
from service.limits.arithmetic.figures import DesignFigures
from service.limits.tables import LimitSet
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.errors import TradeError
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param_list
from service.records.tables import RebuildRecord, RecordState
from service.stacks.queries.release_standing import builds_corrected


@dataclass(frozen=True, slots=True)
class KeptResult:
    """One computation of a closing as kept; ``holds``: its texts are what was hashed.

    ``counts``: computed when the record was last handed in, or anew for a correction since; of
    these the newest is judged. Earlier ones stay beside it.
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
    correction_id: int | None
    counts: bool

    @property
    def computed_when(self) -> str:
        """At hand-in or for which correction, in words."""
        if self.correction_id:
            return f"as kept for correction {self.correction_id}"
        return "as kept at hand-in"

    @property
    def holds(self) -> bool:
        """Say whether the kept texts are what was hashed."""
        return (
            sha256_of(self.inputs_text) == self.inputs_sha256
            and sha256_of(self.results_text) == self.results_sha256
        )

    @property
    def inputs(self) -> ClosingInputs | None:
        """What it was computed from; None where the kept text can no longer be read as such."""
        try:
            return read_inputs(self.inputs_text)
        except (TradeError, ValueError):
            return None

    @property
    def outcome(self) -> ClosingOutcome | None:
        """What it gave; None where the kept text can no longer be read as such."""
        try:
            return read_outcome(self.results_text)
        except (TradeError, ValueError):
            return None


RESULTS = (
    select(
        *columns(
            KeptResult,
            ClosingResult,
            limit_version=LimitSet.version,
            limit_source=LimitSet.source,
            inputs_text=ClosingResult.inputs,
            results_text=ClosingResult.results,
            counts=counts_of(RebuildRecord),
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
    results: dict[int, list[KeptResult]] = {record_id: [] for record_id in record_ids}
    for row in rows:
        result = read_as(KeptResult, row)
        results[result.record_id].append(result)
    return {record_id: tuple(some) for record_id, some in results.items()}


def kept_result(session: Session, record_id: int) -> KeptResult | None:
    """Return the result that counts: the newest since the last hand-in; None where none was kept.

    One statement.
    """
    return counting(kept_results(session, [record_id])[record_id])


def counting(results: Iterable[KeptResult]) -> KeptResult | None:
    """Return the one that counts of a record's results, given the latest first."""
    return next((result for result in results if result.counts), None)


# A closing as kept at hand-in beside what the same inputs give today. Nothing of it is kept.


CORRECTED = (
    select(RebuildRecord.id)
    .where(
        RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
        or_(
            RebuildRecord.id.in_(param_list("makers")),
            and_(
                RebuildRecord.base_build_id.in_(param_list("builds")),
                RebuildRecord.opened_at.is_(None),
            ),
        ),
    )
    .order_by(RebuildRecord.id)
)


def closings_corrected(session: Session, correction_id: int) -> Sequence[int]:
    """Return the records whose closing a correction that is carried out reaches. Two statements."""
    return closings_of(session, builds_corrected(session, correction_id))


def closings_of(session: Session, builds: Collection[tuple[int, int]]) -> Sequence[int]:
    """Return the records that closed these builds or found them closed, in order. One statement.

    ``builds`` are each an id and the record that made it.
    """
    ids = {
        "builds": [build_id for build_id, _maker in builds],
        "makers": [maker for _build_id, maker in builds],
    }
    return session.scalars(CORRECTED, ids).all()


def closing_rows(result: KeptResult, anew: ClosingOutcome) -> Iterator[tuple[str, str, str]]:
    """Return what preview and trail say of a closing computed anew: what, before, after."""
    closing_of = f"closing of record {result.record_id}"
    yield closing_of, result.computed_when, "computed anew from the corrected facts"
    for name, was, now in outcome_changes(result.outcome, anew):
        yield f"{closing_of}, {name}", was, now


def computed_anew(result: KeptResult, ground: ClosingGround) -> ClosingInputs:
    """Return the inputs of a closing from what is known now, with the figures it was kept with."""
    then = result.inputs
    if then is None:
        return ground.inputs
    return replace(ground.inputs, figures=then.figures, limits=then.limits)


@dataclass(frozen=True, slots=True)
class ClosingAgain:
    """The result that counts, those before it, and what comes out today.

    ``inputs`` are those kept, else those of the rows as they stand; ``figures`` those of today, by
    which ``now`` is computed. ``why_again`` says in
    sentences what differs between then and now.
    """

    kept: KeptResult | None
    earlier: tuple[KeptResult, ...]
    ground: ClosingGround
    inputs: ClosingInputs
    figures: DesignFigures
    now: ClosingOutcome
    why_again: tuple[str, ...]
    measured_mm: float | None


def closing_again(session: Session, record_id: int) -> ClosingAgain:
    """Compute a closing today from what was kept. 14 statements. Raises NotFound."""
    ground = closing_ground(session, record_id)
    results = kept_results(session, [record_id])[record_id]
    counted = counting(results)
    then = counted.inputs if counted else None
    inputs = again_with(then, ground) if then else ground.inputs
    return ClosingAgain(
        counted,
        tuple(result for result in results if result is not counted),
        ground,
        then or ground.inputs,
        inputs.figures,
        closing(inputs),
        tuple(_why_again(counted, then, ground)) if counted else (),
        measured_height_mm(session, record_id),
    )


def again_with(inputs: ClosingInputs, ground: ClosingGround) -> ClosingInputs:
    """Return the kept inputs with the figures in force today."""
    if ground.limits is None:
        return inputs
    return replace(inputs, figures=ground.limits.figures, limits=ground.limits.name)


def _why_again(
    result: KeptResult, then: ClosingInputs | None, ground: ClosingGround
) -> Iterator[str]:
    if not result.holds:
        yield "What was kept is no longer what was hashed: it was changed behind the program."
    if ground.limits is not None and ground.limits.id != result.limit_set_id:
        yield (
            f"Kept by version {result.limit_version} of the limits; version"
            f" {ground.limits.version} is in force today."
        )
    formulas = ", ".join(FORMULAS)
    if formulas != result.formulas:
        yield f"Kept by {result.formulas}; today it is {formulas}."
    if then is None:
        yield "What it was computed from cannot be read any more; today's rows are taken."
        return
    today = computed_anew(result, ground)
    if canonical_json(inputs_as_data(today)) != canonical_json(json.loads(result.inputs_text)):
        yield (
            "Readings, parts or what part types give were corrected or changed since it was"
            " computed; the recomputation takes what was kept then."
        )
