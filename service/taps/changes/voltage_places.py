"""Where cell voltages belong: the build that ran at their time, and the cells its channels read."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select

from service.designs.tables import Design
from service.platform.changes import not_ahead
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.stacks.queries.builds import BuildFacts, builds_of
from service.stacks.tables.stacks import Layer, Stack
from service.taps.queries import taps_of


@dataclass(frozen=True, slots=True)
class VoltagePlace:
    """The stack and build voltages belong to."""

    stack_id: int
    serial: str
    active_area_cm2: float
    build: BuildFacts
    cells: int


def voltage_place(
    work: Work,
    stack_id: int,
    at: datetime,
    channels: Sequence[str],
    *,
    when: str = "taken_at",
    field: str = "voltages",
) -> VoltagePlace:
    """Which build ran at a time, and do these channels read its cells?

    Raises Refused beside ``when`` where no build was closed then, beside ``field`` where the
    channels read more or fewer cells than it has, and NotFound for an unknown stack.
    """
    row = work.session.execute(
        select(Stack.serial, Design.active_area_cm2)
        .join(Design, Design.id == Stack.design_id)
        .where(Stack.id == stack_id)
    ).first()
    if row is None:
        raise NotFound("stack", stack_id)
    not_ahead(when, at, work.now)
    build = _build_at(work, stack_id, at, when)
    cells = work.session.scalar(
        select(func.max(Layer.cell)).where(
            Layer.build_id == build.build_id, Layer.known_until.is_(None)
        )
    )
    place = VoltagePlace(stack_id, row.serial, row.active_area_cm2, build, cells or 0)
    _refuse_other_cells(work, place, at, channels, field)
    return place


def _build_at(work: Work, stack_id: int, at: datetime, when: str) -> BuildFacts:
    builds = builds_of(work.session, stack_id)
    found = [b for b in builds if b.closed_at <= at and (not b.opened_at or at < b.opened_at)]
    if found:
        return found[-1]
    before = [build for build in builds if build.closed_at <= at]
    if before and before[-1].opened_at:
        why = f"the stack stood open then: build {before[-1].number} was opened at"
        why += f" {before[-1].opened_at:%Y-%m-%d %H:%M} UTC."
    elif builds:
        first = builds[0]
        why = f"build {first.number} was closed later, at {first.closed_at:%Y-%m-%d %H:%M} UTC."
    else:
        why = "the stack has no build."
    raise Refused(when, f"{at:%Y-%m-%d %H:%M} UTC", why, "A time at which a build was closed.")


def _refuse_other_cells(
    work: Work, place: VoltagePlace, at: datetime, channels: Sequence[str], field: str
) -> None:
    taps = taps_of(work.session, [place.stack_id])
    read = taps.cell_of(place.stack_id, at, channels)
    has = f"build {place.build.number} has {place.cells} cells."
    for channel, cell in zip(channels, read, strict=True):
        if cell is not None and cell > place.cells:
            raise Refused(
                field,
                channel,
                f"it reads cell {cell}, but {has}",
                "Channels of this build's cells, or a tap map valid at that time.",
            )
    told = len({cell for cell in read if cell is not None})
    if told != place.cells:
        by_map = " by the tap map valid then" if taps.map_at(place.stack_id, at) else ""
        raise Refused(
            field,
            f"{len(channels)} channels",
            f"they read {told} cells{by_map}, but {has}",
            "One value for each channel, a stroke where nothing was read.",
        )
