"""How far an earlier closing pressed the soft parts that are used again, where that was kept."""

from collections.abc import Mapping, Sequence

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.closing_inputs import ClosingInputs
from service.closing.arithmetic.outcome import ClosedOutcome, GapColumns
from service.closing.queries.closing_results import read_inputs, read_outcome
from service.closing.queries.rows import SOFT
from service.closing.tables import ClosingResult
from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Joint
from service.platform.queries.prepared import param
from service.records.tables import RebuildRecord
from service.stacks.tables.stacks import Build

PLACES = 6
THIS, OTHER = aliased(RebuildRecord), aliased(RebuildRecord)
CLOSED_BEFORE = (
    select(ClosingResult.inputs, ClosingResult.results)
    .join(OTHER, OTHER.id == ClosingResult.record_id)
    .join(THIS, THIS.stack_id == OTHER.stack_id)
    .join(Build, Build.id == THIS.base_build_id)
    .where(
        THIS.id == param("record_id"),
        OTHER.id < THIS.id,
        ClosingResult.computed_at == OTHER.handed_in_at,
        or_(OTHER.id == Build.record_id, OTHER.base_build_id == Build.id),
    )
    .order_by(ClosingResult.id.desc())
    .limit(1)
)


def seen_before(
    session: Session, record_id: int, base: Sequence[Layer], *, opened: bool
) -> Mapping[int, float]:
    """Greatest strain or squeeze in % of each soft part of the build a record began from.

    By the result kept of that build; nothing where none was kept. ``opened`` False: the clamp was
    not released, so its own closing is no earlier one. One statement.
    """
    row = session.execute(CLOSED_BEFORE, {"record_id": record_id}).first()
    if row is None:
        return {}
    try:
        inputs, outcome = read_inputs(row.inputs), read_outcome(row.results)
    except (TradeError, ValueError):
        return {}
    if opened and outcome.closed is None:
        return {}
    return _seen(base, inputs, outcome.closed if opened else None)


def _seen(
    base: Sequence[Layer], inputs: ClosingInputs, closed: ClosedOutcome | None
) -> dict[int, float]:
    """By part; ``closed`` None: only what was seen before that closing."""
    placed = inputs.pile.placed()
    if len(placed) != len(base):
        return {}  # the build was corrected since: its layers are no longer those
    strain = _by_cell(closed.cells, closed.cells.gdl_strain_percent) if closed else {}
    squeeze = _by_cell(closed.cells, closed.cells.squeeze_percent) if closed else {}
    coolant = iter(closed.coolant.squeeze_percent if closed else ())
    found = {}
    for layer, was in zip(base, placed, strict=True):
        if layer.kind not in SOFT:
            continue
        if layer.kind in CELL_KINDS:
            now = strain.get(layer.cell, 0.0)
        elif layer.joint is Joint.COOLANT:
            now = next(coolant, 0.0)
        else:
            now = squeeze.get(layer.cell, 0.0)
        found[layer.part] = round(max(now, was.seen_percent, 0.0), PLACES)
    return found


def _by_cell(gaps: GapColumns, column: Sequence[float]) -> dict[int | None, float]:
    return dict(zip(gaps.numbers, column, strict=True))
