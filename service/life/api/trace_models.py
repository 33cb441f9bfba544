"""A trace as JSON."""

from datetime import datetime

from pydantic import Field

from service.platform.api.answers import Hours, Out
from service.stacks.api.part_models import Events, Finding, Part
from service.stacks.api.stack_models import Layer, Sitting


class RodTorque(Out):
    """The last reading on one nut, N·m."""

    rod_number: int
    torque_nm: float
    pass_number: int
    kind: str
    taken_at: datetime
    out_of_tolerance: bool


class InstrumentTrust(Out):
    """An instrument as it stood when the readings were taken."""

    label: str
    was_valid: bool
    last_good_at: datetime | None
    found_out_at: datetime | None
    error_percent: float | None
    by_concession: bool
    accuracy_percent: float | None = Field(
        description="greatest deviation, % of the reading; none: as is usual for its kind"
    )
    resolution: float | None = Field(description="smallest step shown, in the instrument's unit")


class Torques(Out):
    """Final readings of one build, N·m."""

    target_nm: float
    tolerance_percent: float
    mean_nm: float | None
    spread_nm: float | None
    rods: list[RodTorque]
    instruments: list[InstrumentTrust]


class AtWork(Out):
    """Who wrote, worked on and witnessed an event."""

    written_by: str
    worked: list[str]
    witnessed: list[str]


class TracedSitting(Sitting):
    """One build a part sat in, with the layers that touched it."""

    around: list[Layer]


class TracedBuild(Out):
    """One build with what was done to close it and what was found at its end."""

    sitting: TracedSitting
    at_work: AtWork
    approved_by: str | None
    approved_at: datetime | None
    torques: Torques | None
    findings: list[tuple[str, Finding]]


class LotMember(Out):
    """One part of a lot, and where it is today."""

    part_id: int
    label: str
    whereabouts: str
    usability: str
    stack_serial: str | None
    build_number: int | None
    position: int | None
    cell: int | None


class TracedLot(Out):
    """One lot around the part; ``members`` lists the first of them, ``total`` counts all."""

    label: str
    part_type: str
    kind: str
    supplier: str
    is_own: bool
    held_because: str | None
    total: int
    fitted: int
    stacks: list[str]
    members: list[LotMember]


class Trace(Out):
    """What was built around a part, and where all parts of the same lots are today."""

    part: Part
    hours: Hours
    events: Events
    builds: list[TracedBuild]
    lots: list[TracedLot]
