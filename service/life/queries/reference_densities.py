"""The current density the stacks of a design are run at, by its figures in force: A/cm²."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.limits.queries import read_figures
from service.limits.tables import LimitSet
from service.platform.queries.prepared import param_list

LATER = aliased(LimitSet)
FIGURES_IN_FORCE = (
    select(LimitSet.design_id, LimitSet.content, Design.active_area_cm2)
    .join(Design, Design.id == LimitSet.design_id)
    .where(
        LimitSet.design_id.in_(param_list("design_ids")),
        LimitSet.version
        == select(func.max(LATER.version))
        .where(LATER.design_id == LimitSet.design_id, LATER.approved_at.is_not(None))
        .correlate(LimitSet)
        .scalar_subquery(),
    )
)


def operating_densities(session: Session, design_ids: Collection[int]) -> dict[int, float]:
    """Operating current by active area, A/cm², of each design that has figures in force for it.

    One statement, none where no design is named.
    """
    if not design_ids:
        return {}
    rows: Any = session.execute(FIGURES_IN_FORCE, {"design_ids": list(design_ids)})
    found = {}
    for row in rows:
        operation = read_figures(row.content).operation
        if operation is not None and row.active_area_cm2:
            found[row.design_id] = operation.current_a / row.active_area_cm2
    return found
