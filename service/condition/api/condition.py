"""A stack's condition read by machines, and voltages they send."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import AwareDatetime

from service.condition.api import condition_models as models
from service.condition.arithmetic.polarisation import GREATEST_A_CM2
from service.condition.changes.typed_voltages import type_voltages
from service.condition.queries.condition import Asked, ShownMoment, read_condition
from service.platform.api.answers import Made
from service.platform.api.callers import Caller, Database, made_once
from service.platform.database import reading
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.stacks.api.stacks import OneTimeKey
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["condition"])


@router.get("/stacks/{serial}/condition")
def shown(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    density: Annotated[
        float | None, Query(ge=0.001, le=GREATEST_A_CM2, description="A/cm²; else as it comes")
    ] = None,
    moment: Annotated[str, Query(max_length=40, description="key of a moment; else newest")] = "",
    known_at: Annotated[
        AwareDatetime | None, Query(description="as it was known at this time")
    ] = None,
) -> models.Condition:
    """The cells at one moment with scores, their spread and each MEA's line over hours."""
    need(caller, Act.READ)
    with reading(engine) as session:
        found = read_condition(
            session,
            find_stack(session, serial),
            Asked(moment=moment, density_a_cm2=density),
            known_at,
        )
    voltages = found.voltages
    labels = voltages.labels
    return models.Condition(
        serial=voltages.stack.serial,
        reference_a_cm2=found.reference_a_cm2,
        newest=_moment(found.shown, labels) if found.shown else None,
        open_circuit=_moment(found.open_now, labels) if found.open_now else None,
        spreads=[
            models.SpreadRead(
                at=it.at,
                hours=it.hours_h,
                build_number=it.build,
                cells=it.spread.cells,
                range_v=it.spread.range_v,
                deviation_v=it.spread.deviation_v,
                weakest_cell=it.spread.least_cell,
            )
            for it in found.spreads
        ],
        meas=[
            models.MeaLine(
                part_id=line.part_id,
                mea=labels[line.part_id],
                failing=line.part_id in voltages.failing,
                readings=[
                    models.MeaRead(
                        at=it.at,
                        hours=it.hours_h,
                        build_number=it.build,
                        cell=it.cell,
                        voltage_v=it.voltage_v,
                    )
                    for it in line.readings
                ],
            )
            for line in found.histories
        ],
    )


@router.post("/stacks/{serial}/voltages", status_code=201)
def voltages(
    *,
    serial: str,
    sent: models.VoltagesSent,
    caller: Caller,
    engine: Database,
    key: OneTimeKey = None,
) -> Made:
    """Write down the voltages of all channels at one moment."""
    if sent.channels and len(sent.channels) != len(sent.voltages_v):
        raise Refused("channels", len(sent.channels), "there is not one voltage for each.")
    return made_once(
        engine,
        caller,
        key,
        lambda work: type_voltages(
            work,
            find_stack(work.session, serial),
            taken_at=sent.taken_at,
            current_a=sent.current_a,
            voltages_v=sent.voltages_v,
            temperature_c=sent.temperature_c,
            stack_voltage_v=sent.stack_voltage_v,
            meter_hours=sent.meter_hours,
            channels=sent.channels,
        ),
    )


def _moment(shown: ShownMoment, labels: dict[int, str]) -> models.Moment:
    scores = shown.scores
    scored = {it.cell: it for it in scores.cells} if scores else {}
    return models.Moment(
        key=shown.moment.key,
        at=shown.moment.at,
        build_number=shown.moment.build,
        density_a_cm2=shown.moment.density_a_cm2,
        hours=shown.moment.hours_h,
        median_v=scores.median_v if scores else None,
        mad_v=scores.mad_v if scores else None,
        limit=scores.limit if scores else None,
        low_v=scores.low_v if scores else None,
        high_v=scores.high_v if scores else None,
        remarks=list(scores.remarks) if scores else [shown.no_scores],
        bridged=list(shown.bridged),
        not_read=list(shown.not_read),
        cells=[
            models.CellRead(
                cell=cell,
                part_id=seen.part_id,
                mea=labels.get(seen.part_id or 0),
                voltage_v=seen.voltage_v,
                from_median_v=scored[cell].from_median_v if cell in scored else None,
                score=scored[cell].score if cell in scored else None,
                among_the_others=str(scored[cell].apart) if cell in scored else "not compared",
            )
            for cell, seen in sorted(shown.moment.cells.items())
        ],
    )
