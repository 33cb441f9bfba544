"""What comparisons need to know of builds: each MEA with the lots, the tools and hours around it.

As known now. These values are kept packed beside the builds (`stacks/changes/build_features.py`),
since a comparison looks at all builds of a design at once.
"""

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select
from sqlalchemy.orm import Session, aliased

from service.closing.queries.build_torques import BuildTorques, build_torques
from service.closing.queries.closing_results import counting, kept_results
from service.life.arithmetic.build_features import NEVER, Makeup, MeaAround
from service.platform.arithmetic.vocabulary import Joint, Kind
from service.platform.queries.answers import grouped
from service.platform.queries.statements import known, param_list, statement
from service.records.tables import Involvement, RebuildRecord, RecordPerson
from service.stacks.queries.build_spans import BuildSpan, build_spans
from service.stacks.queries.meters import Meters
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.tables import Part, PartType

OWN = aliased(Layer)


@dataclass(frozen=True, slots=True)
class MadeUp:
    """The makeup of one build, and whose it is."""

    build_id: int
    stack_id: int
    design_id: int
    makeup: Makeup


def makeups_of(session: Session, build_ids: Collection[int]) -> tuple[MadeUp, ...]:
    """Return what each of these builds was made of. Builds not known any more are left out.

    Eleven statements, however many builds.
    """
    params = {"build_ids": list(build_ids)}
    builds: Sequence[Any] = session.execute(_builds(), params).all()
    layers = grouped(session.execute(_layers(), params), "build_id")
    sat = _sat(session, params)
    stacks = {build.stack_id for build in builds}
    stacks |= {stay.stack_id for stays in sat.values() for stay in stays}
    spans = build_spans(session, stacks)
    lives = _Lives(sat, spans.builds, spans.meters)
    torques = build_torques(session, build_ids)
    record_ids = [build.record_id for build in builds]
    pressures = _pressures(session, record_ids)
    people = _people(session, record_ids)
    return tuple(
        MadeUp(
            build.build_id,
            build.stack_id,
            build.design_id,
            _makeup(
                build,
                layers[build.build_id],
                lives,
                _Closing(
                    torques.get(build.build_id),
                    pressures.get(build.record_id),
                    people.get(build.record_id, ()),
                ),
            ),
        )
        for build in builds
    )


def minutes(time: datetime) -> int:
    """Return a time in minutes since 1970."""
    return int(time.timestamp() // 60)


def _makeup(build: Any, layers: Sequence[Any], lives: "_Lives", closing: "_Closing") -> Makeup:
    torques, meters = closing.torques, lives.meters.get(build.stack_id)
    ran = lives.spans[build.build_id].ran.hours
    meter = meters.meters[-1] if meters and build.opened_at is None else None
    counts = meter is not None and meter.removed_at is None and meter.newest is not None
    shown_hours = meter.newest.hours if meter and counts and meter.newest else None
    return Makeup(
        closed=minutes(build.closed_at),
        opened=minutes(build.opened_at) if build.opened_at else NEVER,
        cells=max((layer.cell for layer in layers if layer.cell), default=0),
        ran_h=ran,
        meter=meter.id if meter and counts else 0,
        not_ran_h=0.0 if shown_hours is None else shown_hours - ran,
        torque_outside=bool(torques.out_of_tolerance) if torques else None,
        gdl_pressure_mpa=closing.gdl_pressure_mpa,
        drivers=tuple(tool.instrument_id for tool in torques.instruments) if torques else (),
        people=closing.people,
        meas=tuple(_around(build, layers, lives)),
    )


@dataclass(frozen=True, slots=True)
class _Lives:
    """The builds each MEA sat in, in order of closing, their hours, and the meters of stacks."""

    sat: dict[int, list[Any]]
    spans: dict[int, BuildSpan]
    meters: dict[int, Meters]


@dataclass(frozen=True, slots=True)
class _Closing:
    """With what torque, to what pressure in MPa and by whom one build was closed."""

    torques: BuildTorques | None
    gdl_pressure_mpa: float | None
    people: tuple[int, ...]


def _around(build: Any, layers: Sequence[Any], lives: _Lives) -> list[MeaAround]:
    """Each MEA with what touched it: its cell's layers and the coolant gaskets beside the cell."""
    of_cell: dict[int, list[Any]] = defaultdict(list)
    layer_at = {layer.position: layer for layer in layers}
    for layer in layers:
        if layer.cell is not None:
            of_cell[layer.cell].append(layer)
    parts = []
    for mea in (layer for layer in layers if layer.kind is Kind.MEA):
        neighbours = of_cell.get(mea.cell, [])
        first = min((layer.position for layer in neighbours), default=mea.position)
        last = max((layer.position for layer in neighbours), default=mea.position)
        beside = [
            layer
            for layer in (layer_at.get(first - 1), layer_at.get(last + 1))
            if layer is not None and layer.joint is Joint.COOLANT
        ]
        gaskets = [layer for layer in neighbours if layer.kind is Kind.GASKET]
        earlier = [
            stay for stay in lives.sat.get(mea.part_id, ()) if stay.closed_at < build.closed_at
        ]
        elsewhere = [stay.stack_id for stay in earlier if stay.stack_id != build.stack_id]
        parts.append(
            MeaAround(
                part_id=mea.part_id,
                lot_id=mea.lot_id,
                plate_lots=tuple(
                    neighbours.lot_id
                    for neighbours in neighbours
                    if neighbours.kind is Kind.HALF_PLATE
                ),
                gasket_lots=tuple(layer.lot_id for layer in [*gaskets, *beside]),
                cell=mea.cell,
                openings=len(earlier),
                came_from=elsewhere[-1] if elsewhere else None,
                hours_before=mea.hours_before
                + sum(lives.spans[stay.build_id].ran.hours for stay in earlier),
            )
        )
    return parts


@statement
def _builds() -> Any:
    return (
        select(
            Build.id.label("build_id"),
            Build.stack_id,
            Build.record_id,
            Stack.design_id,
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
        )
        .join(Stack, Stack.id == Build.stack_id)
        .join(BuildPeriod, and_(BuildPeriod.build_id == Build.id, known(BuildPeriod)))
        .where(Build.id.in_(param_list("build_ids")))
        .order_by(Build.id)
    )


@statement
def _layers() -> Any:
    return (
        select(
            Layer.build_id,
            Layer.position,
            Layer.cell,
            Layer.part_id,
            PartType.kind,
            PartType.joint,
            Part.lot_id,
            Part.hours_before,
        )
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(
            Layer.build_id.in_(param_list("build_ids")),
            known(Layer),
            PartType.kind.in_((Kind.MEA, Kind.HALF_PLATE, Kind.GASKET)),
        )
        .order_by(Layer.build_id, Layer.position)
    )


MEAS = (
    select(OWN.part_id)
    .join(Part, Part.id == OWN.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .where(OWN.build_id.in_(param_list("build_ids")), known(OWN), PartType.kind == Kind.MEA)
)
STAYS = (
    select(Layer.part_id, Layer.build_id, BuildPeriod.stack_id, BuildPeriod.closed_at)
    .join(BuildPeriod, and_(BuildPeriod.build_id == Layer.build_id, known(BuildPeriod)))
    .where(Layer.part_id.in_(MEAS), known(Layer))
    .order_by(BuildPeriod.closed_at, Layer.build_id)
)


def _sat(session: Session, params: dict[str, list[int]]) -> dict[int, list[Any]]:
    """Every build each MEA of these builds sat in, in the order of closing. One statement."""
    return grouped(session.execute(STAYS, params), "part_id")


def _pressures(session: Session, record_ids: Collection[int]) -> dict[int, float]:
    """The mean GDL pressure of each closing by the result that counts, MPa. One statement."""
    pressures = {}
    for record_id, results in kept_results(session, record_ids).items():
        result = counting(results)
        outcome = result.outcome if result else None
        closed = outcome.closed if outcome else None
        if closed and closed.gdl_pressure_mpa:
            pressures[record_id] = closed.gdl_pressure_mpa.value
    return pressures


WORKERS = (
    select(RecordPerson.record_id, RecordPerson.person_id)
    .where(
        RecordPerson.record_id.in_(param_list("record_ids")),
        RecordPerson.involvement == Involvement.WORKED,
        known(RecordPerson),
    )
    .order_by(RecordPerson.record_id, RecordPerson.person_id)
)

WRITERS = select(RebuildRecord.id, RebuildRecord.written_by_id).where(
    RebuildRecord.id.in_(param_list("record_ids"))
)


def _people(session: Session, record_ids: Collection[int]) -> dict[int, tuple[int, ...]]:
    """Who wrote each record and who worked on it. Two statements."""
    people_of: dict[int, dict[int, None]] = defaultdict(dict)
    params = {"record_ids": list(record_ids)}
    written: Any = session.execute(WRITERS, params)
    worked: Any = session.execute(WORKERS, params)
    for record_id, person_id in [*written, *worked]:
        people_of[record_id].setdefault(person_id)
    return {record_id: tuple(some) for record_id, some in people_of.items()}
