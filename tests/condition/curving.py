"""Stacks whose cells were read: rebuilt with their MEAs in other cells, curves and voltages."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import log10
from typing import Any

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.condition.arithmetic.measured_curves import MeasuredPoint
from service.platform.arithmetic.vocabulary import Kind
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Part, PartType
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.operation.keeping import Lab, a_lab

AT = (0.0, 0.01, 0.06, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)
DAY = timedelta(days=1)


def volts(density: float, cell: int, loss: float = 0.0) -> float:
    """A cell's voltage at a density: higher cells a millivolt lower, ``loss`` more ohmic."""
    if density < 0.01:
        return 0.98 - cell / 1000
    return 0.86 - 0.06 * log10(density) * 0.5 - (0.15 + loss) * density - cell / 1000


def some_points(cells: int, loss: float = 0.0) -> tuple[MeasuredPoint, ...]:
    """A curve of so many channels."""
    return tuple(
        MeasuredPoint(
            density,
            density * 100,
            20,
            tuple(round(volts(density, cell, loss), 6) for cell in range(1, cells + 1)),
            (0.001,) * cells,
        )
        for density in AT
    )


@dataclass
class ReadStack:
    """A stack of four cells, opened once: its first MEA went out, the others moved up a cell."""

    lab: Lab
    stack_id: int
    serial: str
    build_ids: tuple[int, int]
    first_meas: tuple[int, ...]
    """in cells 1 to 4 of build 1"""
    second_meas: tuple[int, ...]
    """in cells 1 to 4 of build 2"""
    reopened_at: datetime

    @property
    def before(self) -> datetime:
        """A time in build 1."""
        return FIRST_CLOSING + 10 * DAY

    @property
    def after(self) -> datetime:
        """A time in build 2."""
        return FIRST_CLOSING + 40 * DAY


def a_read_stack(engine: Engine, serial: str = "TARN-V1") -> ReadStack:
    """Make it; nothing is read of it yet."""
    lab = a_lab(engine)

    def make(session: Session) -> Any:
        stack = builders.a_stack(session, cells=4, serial=serial)
        first = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        old = meas_of(session, first.id)
        fresh = builders.a_part(session, builders.the_part_types(session).mea, stack=stack)
        parts = [session.get_one(Part, part_id) for part_id in (*old[1:], fresh.id)]
        laid = builders.a_pile(session, stack, 4, meas=parts)
        second = builders.a_build(session, stack, laid=laid, hours=300.0)
        builders.an_hour_reading(session, stack, 100.0, FIRST_CLOSING + 10 * DAY)
        builders.an_hour_reading(session, stack, 400.0, FIRST_CLOSING + 40 * DAY)
        return ReadStack(
            lab,
            stack.id,
            serial,
            (first.id, second.id),
            old,
            tuple(part.id for part in parts),
            FIRST_CLOSING + 30 * DAY - builders.OPEN_FOR,
        )

    made: ReadStack = lab.rows(make)
    return made


def meas_of(session: Session, build_id: int) -> tuple[int, ...]:
    """The MEAs of a build from cell 1 on."""
    return tuple(
        session.scalars(
            select(Layer.part_id)
            .join(Part, Part.id == Layer.part_id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(
                Layer.build_id == build_id,
                PartType.kind == Kind.MEA,
                Layer.known_until.is_(None),
            )
            .order_by(Layer.position)
        )
    )


def stack_of(session: Session, stack_id: int) -> Stack:
    """The row of a stack."""
    return session.get_one(Stack, stack_id)
