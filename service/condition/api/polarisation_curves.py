"""Polarisation curves read and sent by machines."""

from typing import Annotated

from fastapi import APIRouter, Path

from service.condition.api import condition as models
from service.condition.arithmetic.measured_curves import MeasuredPoint
from service.condition.arithmetic.typed_voltages import typed_channels
from service.condition.changes import add_curve, void_curve
from service.condition.queries.cell_histories import stack_voltages
from service.condition.queries.polarisation_curves import CellCurve, polarisation_curve
from service.platform.api.answers import Made
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.database import Work, changing, reading
from service.platform.permissions import Act, need
from service.runs.api import Void
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["condition"])
CurveNumber = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/stacks/{serial}/curves")
def curves(serial: str, caller: Caller, engine: Database) -> list[models.CurveHead]:
    """Return the polarisation curves of a stack in the order of time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        all_curves = stack_voltages(session, find_stack(session, serial)).curves
    return [models.CurveHead.from_answer(curve) for curve in all_curves]


@router.get("/curves/{curve_id}")
def curve(curve_id: CurveNumber, caller: Caller, engine: Database) -> models.Curve:
    """Return one polarisation curve with all its points."""
    need(caller, Act.READ)
    with reading(engine) as session:
        curve_row = polarisation_curve(session, curve_id)
    return _curve(curve_row)


@router.post("/stacks/{serial}/curves", status_code=201)
def add(serial: str, entry: models.CurveSent, call: Call) -> Made:
    """Add a polarisation curve of all channels; the tap map says which cell each read."""

    def change(work: Work) -> int:
        names = tuple(entry.channels) or typed_channels(len(entry.points[0].voltages_v))
        points = [
            MeasuredPoint(
                point.density_a_cm2,
                None,
                1,
                tuple(point.voltages_v),
                (None,) * len(point.voltages_v),
            )
            for point in entry.points
        ]
        values = dict(entry) | {"channels": names, "points": points}
        return add_curve(work, find_stack(work.session, serial), **values)

    return make_once(call, change)


@router.post("/curves/{curve_id}/void")
def void(curve_id: CurveNumber, entry: Void, caller: Caller, engine: Database) -> models.Curve:
    """Make a curve void: it stays as it was and counts no more."""
    with changing(engine, caller, via="api") as work:
        void_curve(work, curve_id, reason=entry.reason)
    with reading(engine) as session:
        return _curve(polarisation_curve(session, curve_id))


def _curve(cell_curve: CellCurve) -> models.Curve:
    return models.Curve.from_answer(cell_curve, void=cell_curve.known_until is not None)
