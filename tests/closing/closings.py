"""What the part types of the invented laboratory give under load, and limits of its design."""

import json
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.figures import DesignFigures, figures_as_data
from service.limits.arithmetic.limits import Limit, Quantity
from service.limits.arithmetic.operation_figures import FeedFigures, OperationFigures
from service.limits.changes import spared_by
from service.limits.tables import LimitSet
from service.physics.arithmetic.part_stiffness import Bed, Disc, Seal, Stiff, stiffness_as_data
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.material_curves import Densifying, RubberCord, Soft
from service.store.tables import PartType
from tests import builders

GDL = Soft(Densifying(3e6, 0.55), 0.25, 2.0, 0.08)
RUBBER = Soft(RubberCord(1.2e-3, 4e6), 0.1, 1.5, 0.1)
GIVES = {
    "mea": Bed(GDL, 0.45, u_thickness_mm=0.004),
    "gas_gasket": Seal(RUBBER, 0.6, 0.325, 500.0, u_height_mm=0.008),
    "coolant_gasket": Seal(RUBBER, 1.2, 0.9, 500.0, u_height_mm=0.015),
    "fuel_plate": Stiff(10.0, 150.0, 5e-6, 0.004),
    "air_plate": Stiff(10.0, 150.0, 5e-6, 0.004),
    "disc_spring": Disc(20.0, 10.2, 1.1, 0.45),
}
"""By the names of `builders.PartTypes`; what is left out is taken as rigid."""
CLAMP = ClampFigures(
    "M10",
    "8.8",
    nut_factor=0.2,
    u_common_percent=6.0,
    u_each_percent=4.0,
    rod_before_mm=15.0,
    nut_height_mm=8.0,
    area_width_mm=125.0,
    area_depth_mm=80.0,
    stop_gap_mm=0.1,
    running_temperature_c=65.0,
)
LIMITS = (
    Limit(Quantity.GDL_PRESSURE, 0.8, 2.4, "invented design note 3"),
    Limit(Quantity.LINE_LOAD, 0.1, 3.0, "invented design note 3"),
    Limit(Quantity.SHARE_OF_PROOF, None, 70.0, "invented design note 4"),
    Limit(Quantity.PROTRUSION, 2.0, None, "invented design note 4"),
    Limit(Quantity.PRESSURE_RATIO, 0.8, None, "invented design note 3"),
)
OPERATION = OperationFigures(
    60.0, FeedFigures(1.5, 50.0), FeedFigures(2.0, 50.0), 0.5, 0.65, 1.0, 65.0, 5.0
)
FIGURES = DesignFigures(clamp=CLAMP, operation=OPERATION, limits=LIMITS)


def give_stiffness(session: Session, **gives: Any) -> None:
    """Give the part types what they give under load; a None takes it from one."""
    types = builders.the_part_types(session)
    for name, stiffness in (GIVES | gives).items():
        part_type: PartType = getattr(types, name)
        part_type.stiffness = stiffness and json.dumps(stiffness_as_data(stiffness))
    session.flush()


def put_limits_in_force(
    session: Session,
    design_id: int,
    figures: DesignFigures = FIGURES,
    *,
    approved_at: datetime = builders.START + timedelta(days=1),
    **clamp: Any,
) -> LimitSet:
    """The next version of a design's limits, approved by another."""
    if clamp:
        figures = replace(figures, clamp=replace(figures.clamp or CLAMP, **clamp))
    content = canonical_json(figures_as_data(figures))
    version = session.scalar(
        select(func.coalesce(func.max(LimitSet.version), 0)).where(LimitSet.design_id == design_id)
    )
    made = LimitSet(
        design_id=design_id,
        version=(version or 0) + 1,
        content=content,
        content_sha256=sha256_of(content),
        source="invented design notes 3 and 4",
        reason="first figures" if not version else "measured anew",
        made_by_id=builders.a_person(session, "quality").id,
        made_at=builders.START,
        approved_by_id=builders.a_person(session, "supervisor").id,
        approved_at=approved_at,
    )
    session.add(made)
    session.flush()
    session.add_all(spared_by(made.id, figures))
    session.flush()
    return made
