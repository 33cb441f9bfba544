"""What was kept of a closing: at hand-in, anew for each correction; and what it gives today."""

import json
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import ClosingInputs, inputs_as_data
from service.closing.arithmetic.outcome import ClosingOutcome, outcome_changes
from service.closing.queries.build_torques import measured_height_mm
from service.closing.queries.closing_inputs import (
    NOTHING_INSTEAD,
    ClosingGround,
    Computed,
    Instead,
    closing_ground,
    counts_of,
    read_inputs,
    read_outcome,
)
from service.closing.tables import ClosingResult
from service.limits.arithmetic.figures import DesignFigures
from service.limits.tables import LimitSet
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Verdict
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param, param_list
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Build


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
    handed_in_at: datetime | None
    counts: bool

    @property
    def computed_when(self) -> str:
        """At hand-in or for which correction, in words."""
        if self.correction_id:
            return f"as kept for correction {self.correction_id}"
        if self.handed_in_at is not None and self.computed_at > self.handed_in_at:
            return f"as computed anew on {self.computed_at:%Y-%m-%d}"
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
            handed_in_at=RebuildRecord.handed_in_at,
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
    session: Session, record_ids: Collection[int], as_of: AsOf = PRESENT
) -> dict[int, tuple[KeptResult, ...]]:
    """Return the results kept of these records, the latest first. One statement."""
    rows: Any = session.execute(RESULTS, {"ids": sorted(record_ids)})
    results: dict[int, list[KeptResult]] = {record_id: [] for record_id in record_ids}
    for row in rows:
        result = read_as(KeptResult, row)
        if not as_of.has(happened_at=result.computed_at):
            continue
        results[result.record_id].append(result)
    return {record_id: tuple(some) for record_id, some in results.items()}


def kept_result(session: Session, record_id: int, as_of: AsOf = PRESENT) -> KeptResult | None:
    """Return the result that counts: the newest since the last hand-in; None where none was kept.

    One statement.
    """
    return counting(kept_results(session, [record_id], as_of)[record_id])


def counting(results: Iterable[KeptResult]) -> KeptResult | None:
    """Return the one that counts of a record's results, given the latest first."""
    return next((result for result in results if result.counts), None)


# A closing as kept at hand-in beside what the same inputs give today. Nothing of it is kept.


CLOSINGS = (
    select(
        RebuildRecord.id,
        RebuildRecord.base_build_id,
        func.coalesce(Build.id, RebuildRecord.base_build_id).label("build_id"),
    )
    .outerjoin(Build, Build.record_id == RebuildRecord.id)
    .where(
        RebuildRecord.stack_id == param("stack_id"),
        RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
        or_(Build.id.is_not(None), RebuildRecord.opened_at.is_(None)),
    )
    .order_by(RebuildRecord.performed_from, RebuildRecord.id)
)


@dataclass(frozen=True, slots=True)
class ClosingAnew:
    """A closing computed anew beside the result that counts.

    ``is_carried``: nothing of the closing itself is corrected; soft parts it used again were
    pressed otherwise by an earlier closing. ``rests_on``: the record of an earlier event, entered
    since, that it takes in; 0: none.
    """

    kept: KeptResult
    build_id: int
    is_carried: bool
    rests_on: int
    inputs: ClosingInputs
    outcome: ClosingOutcome

    @property
    def no_longer_holds(self) -> bool:
        """Say whether its verdict was a pass and is none now."""
        was = self.kept.outcome
        passed = was is not None and was.verdict is Verdict.PASS
        return passed and self.outcome.verdict is not Verdict.PASS

    @property
    def rows(self) -> Iterator[tuple[str, str, str]]:
        """What preview and trail say of it: what, before, after."""
        closing_of = f"closing of record {self.kept.record_id}"
        why = "computed anew from the corrected facts"
        if self.rests_on:
            why = f"computed anew: record {self.rests_on} came before"
        elif self.is_carried:
            why = "computed anew: parts used again were pressed otherwise before"
        yield closing_of, self.kept.computed_when, why
        for name, was, now in outcome_changes(self.kept.outcome, self.outcome):
            yield f"{closing_of}, {name}", was, now


def closings_anew(
    session: Session,
    stack_id: int,
    builds: Collection[int],
    instead: Instead = NOTHING_INSTEAD,
    *,
    rests_on: int = 0,
) -> Iterator[ClosingAnew]:
    """Compute the closings of these builds anew, then each later one that rests on such a closing.

    A later closing rests on an earlier one in one way only: how far the soft parts that were used
    again had been pressed. Nothing else of an earlier build enters it; hours enter no closing. So
    of a later one that alone is taken anew, and only where it differs. A closing of which nothing
    was kept has nothing to compare. With ``rests_on``, the record of an event entered after later
    ones, the closings after it take it in: the nuts read in it, and how far it pressed soft parts.
    Two statements, and fourteen for each closing concerned.
    """
    closings: Any = session.execute(CLOSINGS, {"stack_id": stack_id}).all()
    kept_of = kept_results(session, [row.id for row in closings])
    computed: dict[int, Computed] = {}
    pressing: set[int] = set()
    inserted_into = 0
    for row in closings:
        if row.id == rests_on:
            inserted_into = row.build_id
            pressing |= {row.build_id, row.base_build_id}  # those after it stand on what it left
            continue
        result = counting(kept_of[row.id])
        is_carried = row.build_id not in builds
        if result is None or (is_carried and row.base_build_id not in pressing):
            continue
        ground = closing_ground(session, row.id, instead=replace(instead, closings=computed))
        if not is_carried:
            inputs: ClosingInputs | None = computed_anew(result, ground)
        else:
            inputs = _before_it(result, ground, are_read=row.build_id == inserted_into)
        if inputs is None:
            continue
        outcome = closing(inputs)
        computed[row.id] = inputs, outcome
        pressing.add(row.build_id)
        yield ClosingAnew(result, row.build_id, is_carried, rests_on, inputs, outcome)


def _before_it(
    result: KeptResult, ground: ClosingGround, *, are_read: bool
) -> ClosingInputs | None:
    """The inputs as kept, with what earlier closings did to the parts; None: they did the same.

    ``are_read``: and with the nuts the same build stood closed with.
    """
    then = result.inputs
    if then is None:
        return None
    pile = replace(then.pile, seen=ground.inputs.pile.seen)
    readings = ground.inputs.readings if are_read else then.readings
    now = replace(then, pile=pile, readings=readings)
    return None if now == then else now


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
