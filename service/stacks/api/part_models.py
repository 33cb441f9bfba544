"""Parts and their lives as JSON."""

from datetime import datetime

from pydantic import Field

from service.platform.api.answers import Hours, Out
from service.stacks.api.stack_models import Sitting


class Part(Out):
    """What a part is and how it stands on its three axes."""

    id: int
    label: str
    serial: str | None
    kind: str
    type_name: str
    drawing_number: str
    revision: str
    lot: str | None
    whereabouts: str
    place: str
    stack_serial: str | None
    usability: str
    reserved_for: str | None
    hours_before: float
    measured_thickness_mm: float | None = Field(
        description="mm, of the free part, by incoming inspection; none: not measured"
    )


class Kinds(Out):
    """Hours kept apart, in h: with current, with gas, and between closing and opening."""

    at_load: Hours
    gas_exposed: Hours
    calendar_h: float
    out_of_load: Hours = Field(description="at load while the part's own cell was blank or bridged")


class Finding(Out):
    """One finding on a part."""

    record_id: int
    stack_serial: str
    done_at: datetime
    written_at: datetime
    by: str
    condition: str
    severity: int | None
    where: str
    note: str


class Hold(Out):
    """One hold on a part or its lot."""

    of_lot: bool
    reason: str
    placed_by: str
    placed_at: datetime
    lifted_by: str | None
    lifted_at: datetime | None


class Events(Out):
    """Closings with the part clamped in, and openings that parted one of its faces."""

    load_cycles: int
    separations: int


class PartHistory(Out):
    """The whole life of a part."""

    part: Part
    hours: Hours = Field(description="by the hour meters, without blank and bridged time")
    kinds: Kinds
    events: Events
    sittings: list[Sitting]
    findings: list[Finding]
    holds: list[Hold]
