"""A laboratory in which some MEAs fail: stacks, lots, drivers, hours, and people's word."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.life.tables import FailingMark
from service.platform.database import housekeeping
from service.stacks.changes.build_features import fill_makeups
from service.stacks.tables import Build, Stack
from service.store.tables import Lot, Part
from tests import builders
from tests.ready import ready

BETWEEN = timedelta(days=20)


@dataclass
class FailingLab:
    """Stacks of one design whose MEAs come from two lots in turn; ids as they were made."""

    design: Design
    lots: tuple[Lot, Lot]
    stacks: list[Stack]
    builds: list[Build]
    meas: list[list[Part]]


def a_mark(session: Session, part: Part, **given: Any) -> FailingMark:
    """Somebody's word that an MEA is failing."""
    at = builders.FIRST_CLOSING + timedelta(days=15)
    return builders.a_failing_mark(session, part.id, at, **{"reason": "pinhole seen"} | given)


def failing_lab(
    session: Session,
    *,
    stacks: int = 4,
    cells: int = 6,
    failing: tuple[tuple[int, int], ...] = ((0, 0), (1, 0), (2, 2), (3, 4)),
) -> FailingLab:
    """Stacks of ``cells`` cells, all run 500 h; ``failing`` names stack and place from 0.

    Even places hold MEAs of lot A-1, odd ones of lot B-2.
    """
    key = failing_lab, stacks, cells, failing
    return ready(session, key, lambda: _failing_lab(session, stacks, cells, failing))


def _failing_lab(
    session: Session, stacks: int, cells: int, failing: tuple[tuple[int, int], ...]
) -> FailingLab:
    types = builders.the_part_types(session)
    design = builders.a_design(session)
    lots = (
        builders.a_lot(session, types.mea, label="A-1"),
        builders.a_lot(session, types.mea, label="B-2"),
    )
    lab = FailingLab(design, lots, [], [], [])
    for number in range(stacks):
        stack = builders.a_stack(session, serial=f"TEL-{number + 1}", design=design)
        meas = [
            builders.a_part(
                session, types.mea, serial=f"MEA-{number + 1}{cell + 1:02}", lot=lots[cell % 2]
            )
            for cell in range(cells)
        ]
        pile = builders.a_pile(session, stack, cells, meas=meas)
        lab.builds.append(builders.a_build(session, stack, laid=pile))
        builders.an_hour_reading(session, stack, 500.0, builders.FIRST_CLOSING + BETWEEN)
        lab.stacks.append(stack)
        lab.meas.append(meas)
    for stack_at, place in failing:
        a_mark(session, lab.meas[stack_at][place])
    session.flush()
    return lab


def fill(engine: Engine) -> int:
    """Write the makeups that are missing; tell how many."""
    with housekeeping(engine) as session:
        return sum(fill_makeups(session, builders.START))
