"""Cell voltages of one moment, read off a monitor and typed in."""

import json
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select

from service.condition.arithmetic.polarisation import GREATEST_A_CM2, GREATEST_V
from service.condition.arithmetic.typed_voltages import MOST_CHANNELS, typed_channels
from service.condition.changes.polarisation_curves import cell_temperature
from service.platform import changes
from service.platform.audit import Did
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.runs.tables import Snapshot, SnapshotKind
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables.stacks import Stack
from service.taps.changes.voltage_places import voltage_place


def type_voltages(
    work: Work,
    stack_id: int,
    *,
    taken_at: datetime,
    current_a: float,
    voltages_v: Sequence[float | None],
    temperature_c: float | None = None,
    stack_voltage_v: float | None = None,
    meter_hours: float | None = None,
    channels: Sequence[str] = (),
) -> int:
    """Write down the voltages of a stack's channels at one moment, in V; give their id.

    ``current_a`` 0: open circuit. Channels without names are numbered in their order. Raises
    Refused where no build was closed then, the channels do not read its cells, or the same moment
    was typed in already; NotFound for an unknown stack.
    """
    need(work.by, Act.RUN_WRITE)
    names = tuple(channels) or typed_channels(len(voltages_v))
    if len(names) != len(voltages_v):
        raise Refused("voltages", f"{len(voltages_v)} values", f"there are {len(names)} channels.")
    place = voltage_place(work, stack_id, taken_at, names)
    changes.not_below_zero("current_a", current_a, "A")
    density = current_a / place.active_area_cm2
    if density > GREATEST_A_CM2:
        most = GREATEST_A_CM2 * place.active_area_cm2
        raise Refused(
            "current_a",
            f"{current_a:g}",
            f"it would be {density:.3g} A/cm².",
            f"At most {most:g} A.",
        )
    for name, volts in zip(names, voltages_v, strict=True):
        if volts is not None and not -GREATEST_V <= volts <= GREATEST_V:
            raise Refused("voltages", f"{name}: {volts:g} V", "no cell has it.", "In V.")
    if all(volts is None for volts in voltages_v):
        raise Refused("voltages", "", "no channel was read.", "One value at least.")
    if stack_voltage_v is not None and not abs(stack_voltage_v) <= GREATEST_V * MOST_CHANNELS:
        right = f"At most {GREATEST_V * MOST_CHANNELS:g} V."
        raise Refused("stack_voltage_v", f"{stack_voltage_v:g}", "no stack has it.", right)
    _refuse_twice(work, stack_id, taken_at)
    row = Snapshot(
        reading_id=None,
        stack_id=stack_id,
        build_id=place.build.build_id,
        kind=SnapshotKind.TYPED,
        from_at=taken_at,
        until_at=taken_at,
        row_count=1,
        current_a=current_a,
        density_a_cm2=density,
        temperature_c=cell_temperature(temperature_c),
        stack_voltage_v=stack_voltage_v,
        meter_hours=changes.not_below_zero("meter_hours", meter_hours, "h"),
        channels=json.dumps(list(names), separators=(",", ":")),
        means_v=json.dumps(list(voltages_v)),
        spreads_v=json.dumps([None] * len(voltages_v)),
        by_id=work.by.id,
        known_from=work.now,
        known_until=None,
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Did.VOLTAGES_TYPED,
        ("stack", stack_id, place.serial),
        [
            ("taken at", None, taken_at),
            ("current", None, f"{current_a:g} A"),
            ("voltages", None, ", ".join("–" if v is None else f"{v:g}" for v in voltages_v)),
        ],
        stack_id=stack_id,
    )
    judge_stack(work, stack_id)
    return row.id


def void_voltages(work: Work, snapshot_id: int, *, reason: str) -> None:
    """Make voltages that were typed in void: they stay as they were, and count no more.

    Those of a run go with their run. Raises Refused, NotFound.
    """
    need(work.by, Act.RUN_WRITE)
    why = changes.reason(reason)
    row = work.session.get(Snapshot, snapshot_id, with_for_update=True)
    if row is None:
        raise NotFound("snapshot", snapshot_id)
    if row.reading_id is not None:
        raise Refused(
            "snapshot",
            snapshot_id,
            "it was read from a run.",
            "Make the run void, or read it again.",
        )
    if row.known_until is not None:
        raise Refused("snapshot", snapshot_id, "it is void already.")
    row.known_until = work.now
    work.session.flush()
    serial = work.session.get_one(Stack, row.stack_id).serial
    work.note(
        Did.VOLTAGES_VOID,
        ("stack", row.stack_id, serial),
        [("taken at", row.from_at, None), ("voltages", row.means_v, None)],
        reason=why,
        stack_id=row.stack_id,
    )
    judge_stack(work, row.stack_id)


def _refuse_twice(work: Work, stack_id: int, taken_at: datetime) -> None:
    there = work.session.scalar(
        select(Snapshot.id).where(
            Snapshot.stack_id == stack_id,
            Snapshot.from_at == taken_at,
            Snapshot.kind == SnapshotKind.TYPED,
            Snapshot.known_until.is_(None),
        )
    )
    if there is not None:
        raise Refused(
            "taken_at",
            f"{taken_at:%Y-%m-%d %H:%M} UTC",
            "voltages of this moment were typed in already.",
            "Make those void first, or give another time.",
        )
