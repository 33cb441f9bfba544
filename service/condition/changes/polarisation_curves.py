"""Polarisation curves typed in, and curves made void.

Curves out of a sweep's file come in with it, see `sweeps`.
"""

import json
from collections.abc import Sequence
from datetime import datetime

from service.condition.arithmetic.measured_curves import MeasuredPoint, in_order, points_as_text
from service.platform import changes
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import within
from service.platform.audit import Did
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.runs.tables import CurveDirection, PolarisationCurve
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables.stacks import Stack
from service.taps.changes.voltage_places import VoltagePlace, voltage_place


def add_curve(
    work: Work,
    stack_id: int,
    *,
    taken_at: datetime,
    channels: Sequence[str],
    points: Sequence[MeasuredPoint],
    direction: CurveDirection = CurveDirection.TYPED,
    occasion: str = "",
    temperature_c: float | None = None,
    meter_hours: float | None = None,
) -> int:
    """Add a polarisation curve of all channels of a stack; give its id.

    Which cell each channel read, the tap map valid then says. Raises Refused where no build was
    closed then or the channels do not read its cells, NotFound for an unknown stack.
    """
    need(work.by, Act.RUN_WRITE)
    place = voltage_place(work, stack_id, taken_at, channels, field="rows")
    row = curve_row(
        work,
        place,
        taken_at=taken_at,
        channels=channels,
        points=points,
        direction=direction,
        occasion=occasion,
        temperature_c=temperature_c,
        meter_hours=meter_hours,
    )
    work.session.flush()
    work.note(
        Did.CURVE_ADDED,
        ("curve", row.id, curve_label(place.serial, taken_at)),
        [
            ("taken at", None, taken_at),
            ("build", None, place.build.number),
            ("points", None, len(points)),
            ("channels", None, len(channels)),
            ("direction", None, direction),
            ("occasion", None, row.occasion or None),
            ("temperature", None, None if temperature_c is None else f"{temperature_c:g} °C"),
            ("hour meter", None, None if meter_hours is None else f"{meter_hours:g} h"),
        ],
        stack_id=stack_id,
    )
    judge_stack(work, stack_id)
    return row.id


def curve_row(
    work: Work,
    place: VoltagePlace,
    *,
    taken_at: datetime,
    channels: Sequence[str],
    points: Sequence[MeasuredPoint],
    direction: CurveDirection,
    occasion: str,
    temperature_c: float | None,
    meter_hours: float | None,
    reading_id: int | None = None,
) -> PolarisationCurve:
    """Add a curve inside a larger change, which asks for leave and writes the trail."""
    try:
        kept = in_order(points)
    except (Inconsistent, OutOfRange) as trouble:
        raise Refused("rows", "", str(trouble), "Points at several current densities.") from trouble
    if len(kept[0].means_v) != len(channels):
        raise Refused(
            "rows",
            f"{len(kept[0].means_v)} voltages a point",
            f"there are {len(channels)} channels.",
            "As many voltages as channels.",
        )
    row = PolarisationCurve(
        reading_id=reading_id,
        stack_id=place.stack_id,
        build_id=place.build.build_id,
        taken_at=taken_at,
        direction=direction,
        occasion=changes.optional_words("occasion", occasion),
        temperature_c=cell_temperature(temperature_c),
        meter_hours=changes.not_below_zero("meter_hours", meter_hours, "h"),
        channels=json.dumps(list(channels), separators=(",", ":")),
        points=points_as_text(kept),
        by_id=work.by.id,
        known_from=work.now,
        known_until=None,
    )
    work.session.add(row)
    return row


def void_curve(work: Work, curve_id: int, *, reason: str) -> None:
    """Make a curve void: it stays as it was, and counts no more. Raises Refused, NotFound."""
    need(work.by, Act.RUN_WRITE)
    why = changes.reason(reason)
    row = work.session.get(PolarisationCurve, curve_id, with_for_update=True)
    if row is None:
        raise NotFound("polarisation curve", curve_id)
    serial = work.session.get_one(Stack, row.stack_id).serial
    label = curve_label(serial, row.taken_at)
    if row.known_until is not None:
        raise Refused("curve", label, "it is void already.")
    row.known_until = work.now
    work.session.flush()
    work.note(
        Did.CURVE_VOID,
        ("curve", row.id, label),
        [("known until", None, work.now)],
        reason=why,
        stack_id=row.stack_id,
    )
    judge_stack(work, row.stack_id)


def cell_temperature(temperature_c: float | None) -> float | None:
    """A stack's temperature in °C, or None. Raises Refused for one no stack has."""
    if temperature_c is None:
        return None
    try:
        return within("the temperature", temperature_c, "°C", -50.0, 200.0)
    except OutOfRange as trouble:
        raise Refused(
            "temperature_c", f"{temperature_c:g}", "no stack has it.", "-50 to 200 °C."
        ) from trouble


def curve_label(serial: str, taken_at: datetime) -> str:
    """What the trail calls a curve."""
    return f"polarisation curve of {serial}, {taken_at:%Y-%m-%d %H:%M} UTC"
