"""MEAs of an invented bench, read again and again while they lose voltage."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Kind
from service.runs.tables import Snapshot, SnapshotKind
from service.stacks.tables import Build, Layer, Moment, Stack
from service.store.tables import Part
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.ready import ready
from tests.taps.tapping import a_snapshot

LOSSES_UV_H = (30.0, 30.0, 120.0, 30.0)
"""What the MEAs of the first build lose; the third is the weak one."""
BEGIN_V = 0.680


@dataclass(frozen=True)
class ReadStack:
    """A stack of four cells, opened once: the weak MEA went from cell 3 to cell 1."""

    design_id: int
    stack_id: int
    serial: str
    first: int
    second: int
    meas: dict[int, int]
    """MEAs by their cell in the first build"""

    @property
    def weak(self) -> int:
        """The MEA that loses most."""
        return self.meas[3]


def read_over(
    session: Session,
    build: Build,
    begun_at: datetime,
    *,
    from_h: float,
    hours_h: float,
    volts: Sequence[tuple[float, float]],
    every_h: float = 40.0,
    density_a_cm2: float = 0.7,
) -> list[Snapshot]:
    """Snapshots while the meter counts on: volts at the beginning and loss in µV/h by cell."""
    found = []
    steps = int(hours_h / every_h)
    for step in range(steps + 1):
        ran_h = step * every_h
        wobble = 0.0002 * (-1) ** step
        found.append(
            a_snapshot(
                session,
                build,
                begun_at + timedelta(hours=ran_h),
                [round(at - loss * 1e-6 * ran_h + wobble, 6) for at, loss in volts],
                density_a_cm2=density_a_cm2,
                meter_hours=from_h + ran_h,
            )
        )
    return found


def a_read_stack(session: Session, design: Design | None = None) -> ReadStack:
    """600 h in the first build, 400 h in the second, whose level is 3 mV higher."""
    return ready(session, a_read_stack, lambda: _a_read_stack(session, design))


def _a_read_stack(session: Session, design: Design | None) -> ReadStack:
    stack = builders.a_stack(session, cells=4, design=design)
    first = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
    begun = FIRST_CLOSING + timedelta(hours=6)
    volts = [(BEGIN_V, loss) for loss in LOSSES_UV_H]
    read_over(session, first, begun, from_h=0.0, hours_h=600.0, volts=volts)
    builders.an_hour_reading(session, stack, 0.0, FIRST_CLOSING, moment=Moment.CLOSING)
    meas = mea_of_cells(session, [first.id])[first.id]
    second = builders.a_build(
        session,
        stack,
        laid=_with_meas_changed(session, stack, first, {1: meas[3], 3: meas[1]}),
        hours=600.0,
    )
    after = FIRST_CLOSING + timedelta(days=30, hours=6)
    losses = (LOSSES_UV_H[2], LOSSES_UV_H[1], LOSSES_UV_H[0], LOSSES_UV_H[3])
    ends = [BEGIN_V + 0.003 - loss * 600e-6 for loss in losses]
    volts = list(zip(ends, losses, strict=True))
    read_over(session, second, after, from_h=600.0, hours_h=400.0, volts=volts)
    builders.an_hour_reading(session, stack, 1000.0, after + timedelta(hours=400))
    session.flush()
    return ReadStack(stack.design_id, stack.id, stack.serial, first.id, second.id, meas)


def _with_meas_changed(
    session: Session, stack: Stack, build: Build, mea_of_cell: dict[int, int]
) -> list[builders.Laid]:
    """The pile of a build with other MEAs in some cells, and new gaskets."""
    rows = session.execute(
        select(Layer, Part)
        .join(Part, Part.id == Layer.part_id)
        .where(Layer.build_id == build.id)
        .order_by(Layer.position)
    ).all()
    gasket = builders.the_part_types(session)
    laid = []
    for layer, part in rows:
        kept = part
        if layer.cell in mea_of_cell and _kind(session, part) is Kind.MEA:
            kept = session.get_one(Part, mea_of_cell[layer.cell])
        if part.part_type_id in {gasket.gas_gasket.id, gasket.coolant_gasket.id}:
            kept = builders.a_part(
                session,
                gasket.gas_gasket
                if part.part_type_id == gasket.gas_gasket.id
                else gasket.coolant_gasket,
                stack=stack,
            )
        laid.append((kept, layer.facing))
    return laid


def _kind(session: Session, part: Part) -> Kind:
    return session.scalars(
        select(builders.PartType.kind).where(builders.PartType.id == part.part_type_id)
    ).one()


def an_open_circuit(
    session: Session, build: Build, at: datetime, means_v: Sequence[float | None]
) -> Snapshot:
    """Voltages without load."""
    return a_snapshot(
        session, build, at, means_v, density_a_cm2=0.0, kind=SnapshotKind.OPEN_CIRCUIT
    )


def first_mea(session: Session, build: Build) -> int:
    """The MEA in the first cell of a build."""
    return mea_of_cells(session, [build.id])[build.id][1]


def a_moved_mea(session: Session) -> tuple[ReadStack, str]:
    """The weak MEA after its stack was opened again: in cell 2 of another one, 100 h more."""
    made = a_read_stack(session)
    stack, second = session.get_one(Stack, made.stack_id), session.get_one(Build, made.second)
    spare = builders.a_part(session, builders.the_part_types(session).mea, stack=stack)
    laid = _with_meas_changed(session, stack, second, {1: spare.id})
    opened_at = FIRST_CLOSING + timedelta(days=60)
    builders.a_build(session, stack, laid=laid, closed_at=opened_at, hours=1000.0)
    other = builders.a_stack(session, design=session.get_one(Design, stack.design_id))
    mea = session.get_one(Part, made.weak)
    others = [builders.a_part(session, builders.the_part_types(session).mea) for _ in range(2)]
    pile = builders.a_pile(session, other, 3, meas=[others[0], mea, others[1]])
    begun_at = opened_at + timedelta(days=2)
    build = builders.a_build(session, other, laid=pile, closed_at=begun_at)
    builders.an_hour_reading(session, other, 0.0, begun_at, moment=Moment.CLOSING)
    read_over(
        session,
        build,
        begun_at + timedelta(hours=1),
        from_h=0.0,
        hours_h=100.0,
        volts=[(0.66, 30.0), (0.56, 120.0), (0.66, 30.0)],
        every_h=20.0,
    )
    session.flush()
    return made, other.serial
