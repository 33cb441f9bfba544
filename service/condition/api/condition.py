"""A stack's condition read by machines, and voltages they send."""

from datetime import datetime
from typing import Annotated, Self

from fastapi import APIRouter, Query
from pydantic import AwareDatetime, BeforeValidator, Field, model_validator

from service.condition.arithmetic import cell_histories
from service.condition.arithmetic.measured_curves import MOST_POINTS, MeasuredPoint
from service.condition.arithmetic.polarisation import GREATEST_A_CM2, GREATEST_V
from service.condition.arithmetic.typed_voltages import MOST_CHANNELS
from service.condition.changes import type_voltages
from service.condition.queries import condition as queries
from service.condition.queries.condition import Asked, ShownMoment, read_condition
from service.condition.queries.polarisation_curves import CellCurve
from service.life.arithmetic.grounds import MeaWord
from service.platform.api.answers import Made, Out, like, read_from
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Name
from service.platform.database import reading
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.runs.tables import CurveDirection
from service.stacks.queries.stacks import find_stack

# What of a stack's condition is answered and sent as JSON: units stand in the names.


Volts = Annotated[float, Field(ge=-GREATEST_V, le=GREATEST_V)] | None


Channels = Annotated[
    list[Name],
    Field(max_length=MOST_CHANNELS, description="names of the channels; empty: numbered from 1"),
]


class CellRead(Out):
    """One cell at one moment; ``score`` null where none exists."""

    cell: int
    part_id: int | None
    mea: str | None
    voltage_v: float
    from_median_v: float | None
    score: float | None
    among_the_others: str


@like(ShownMoment, only="bridged not_read")
class Moment(Out):
    """The cells at one moment; ``low_v`` and ``high_v`` are where the rule marks a cell."""

    key: str = read_from("moment.key")
    at: datetime = read_from("moment.at")
    build_number: int = read_from("moment.build")
    density_a_cm2: float | None = read_from("moment.density_a_cm2")
    hours: float | None = read_from("moment.hours_h")
    median_v: float | None
    mad_v: float | None
    limit: float | None
    low_v: float | None
    high_v: float | None
    remarks: list[str]
    cells: list[CellRead]


@like(cell_histories.SpreadAt, only="at")
class SpreadRead(Out):
    """How far the cells lay apart at one moment."""

    hours: float | None = read_from("hours_h")
    build_number: int = read_from("build")
    cells: int = read_from("spread.cells")
    range_v: float = read_from("spread.range_v")
    deviation_v: float = read_from("spread.deviation_v")
    weakest_cell: int = read_from("spread.least_cell")


@like(cell_histories.MeaReading, only="at cell voltage_v")
class MeaRead(Out):
    """One reading of an MEA at the reference density."""

    hours: float | None = read_from("hours_h")
    build_number: int = read_from("build")


@like(cell_histories.MeaHistory, only="part_id")
class MeaLine(Out):
    """Every reading of one MEA in this stack, whichever cell it sat in."""

    mea: str
    failing: bool
    readings: list[MeaRead]


@like(queries.Condition, only="reference_a_cm2")
class Condition(Out):
    """What is known of a stack's condition at one reference current density."""

    serial: str = read_from("voltages.stack.serial")
    newest: Moment | None
    open_circuit: Moment | None
    spreads: list[SpreadRead]
    meas: list[MeaLine]


HEAD = "id build_number taken_at direction occasion temperature_c meter_hours run_id"


@like(CellCurve, only=HEAD)
class CurveHead(Out):
    """One polarisation curve without its points."""

    points: Annotated[int, BeforeValidator(len)]


@like(MeasuredPoint)
class CurvePoint(Out):
    """One point: means and spreads in V, in the order of the channels."""


@like(CellCurve, only=f"{HEAD} channels cells part_ids")
class Curve(Out):
    """One polarisation curve: which cell and MEA each channel read, and its points."""

    serial: str = read_from("stack")
    void: bool
    points: list[CurvePoint]


class PointSent(In):
    """One point of a curve; a voltage for each channel in V, null where it read nothing."""

    density_a_cm2: float = Field(ge=0, le=GREATEST_A_CM2)
    voltages_v: Annotated[list[Volts], Field(min_length=1, max_length=MOST_CHANNELS)]


class CurveSent(In):
    """A polarisation curve; times ISO 8601 with a zone."""

    taken_at: AwareDatetime
    direction: CurveDirection = CurveDirection.TYPED
    occasion: Annotated[str, Field(max_length=200)] = ""
    temperature_c: float | None = Field(default=None, ge=-50, le=200)
    meter_hours: float | None = Field(default=None, ge=0, le=10_000_000)
    channels: Channels = Field(default=[])
    points: Annotated[list[PointSent], Field(min_length=1, max_length=MOST_POINTS)]

    @model_validator(mode="after")
    def _even(self) -> Self:
        wide = {len(point.voltages_v) for point in self.points}
        if len(wide) > 1 or (self.channels and wide != {len(self.channels)}):
            raise ValueError("every point needs one voltage for each channel")
        return self


class VoltagesSent(In):
    """The voltages of all channels at one moment; a current of 0 is open circuit."""

    taken_at: AwareDatetime
    current_a: float = Field(ge=0, le=1e6)
    voltages_v: Annotated[list[Volts], Field(min_length=1, max_length=MOST_CHANNELS)]
    channels: Channels = Field(default=[])
    temperature_c: float | None = Field(default=None, ge=-50, le=200)
    stack_voltage_v: float | None = Field(default=None, ge=-10_000, le=10_000)
    meter_hours: float | None = Field(default=None, ge=0, le=10_000_000)


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
) -> Condition:
    """Return the cells at one moment with scores, their spread and each MEA's line over hours."""
    need(caller, Act.READ)
    with reading(engine) as session:
        condition = read_condition(
            session,
            find_stack(session, serial),
            Asked(moment=moment, density_a_cm2=density),
            known_at,
        )
    voltages = condition.voltages
    labels = voltages.labels
    meas = [
        MeaLine.from_answer(
            line,
            mea=labels[line.part_id],
            failing=voltages.marked.get(line.part_id) is MeaWord.FAILED,
        )
        for line in condition.histories
    ]
    return Condition.from_answer(
        condition,
        newest=_moment(condition.moment_shown, labels) if condition.moment_shown else None,
        open_circuit=_moment(condition.open_now, labels) if condition.open_now else None,
        meas=meas,
    )


@router.post("/stacks/{serial}/voltages", status_code=201)
def voltages(serial: str, entry: VoltagesSent, call: Call) -> Made:
    """Write down the voltages of all channels at one moment."""
    if entry.channels and len(entry.channels) != len(entry.voltages_v):
        raise Refused("channels", len(entry.channels), "there is not one voltage for each.")
    return make_once(
        call, lambda work: type_voltages(work, find_stack(work.session, serial), **dict(entry))
    )


def _moment(moment_shown: ShownMoment, labels: dict[int, str]) -> Moment:
    scores = moment_shown.scores
    scored = {cell.cell: cell for cell in scores.cells} if scores else {}
    return Moment.from_answer(
        moment_shown,
        median_v=scores.median_v if scores else None,
        mad_v=scores.mad_v if scores else None,
        limit=scores.limit if scores else None,
        low_v=scores.low_v if scores else None,
        high_v=scores.high_v if scores else None,
        remarks=list(scores.remarks) if scores else [moment_shown.no_scores],
        cells=[
            CellRead(
                cell=cell,
                part_id=cell_voltage.part_id,
                mea=labels.get(cell_voltage.part_id or 0),
                voltage_v=cell_voltage.voltage_v,
                from_median_v=scored[cell].from_median_v if cell in scored else None,
                score=scored[cell].score if cell in scored else None,
                among_the_others=str(scored[cell].apart) if cell in scored else "not compared",
            )
            for cell, cell_voltage in sorted(moment_shown.moment.cells.items())
        ],
    )
