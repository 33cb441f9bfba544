"""What is answered as JSON: units stand in the names, times are ISO 8601 with a zone."""

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from service.faces.api.closing_models import ClosingSummary


class Out(BaseModel):
    """Parent of all answers: read from the attributes of a query's answer."""

    model_config = ConfigDict(from_attributes=True)


class Health(Out):
    """Whether the database answers and is at the newest migration."""

    state: Literal["ready", "not migrated", "no answer"]
    database: str
    migration: str | None


class Hours(Out):
    """Operating hours in h; ``at_least`` where a stretch is not known."""

    hours: float
    at_least: bool


class StackHours(Out):
    """Hours of a stack at its newest reading."""

    hours: Hours
    read_at: datetime | None


class Stack(Out):
    """One stack of the list."""

    serial: str
    design: str
    place: str
    state: str
    build_number: int | None
    cells: int | None
    last_approved_build: int | None
    being_written_id: int | None = Field(description="number of the record being written")
    holds: int = Field(description="standing holds on fitted parts and their lots")
    hours: StackHours


class Limits(Out):
    """What the stacks of a design are computed with and judged by; units stand in the names."""

    design: str
    version: int
    source: str
    approved_by: str
    approved_at: datetime
    content_sha256: str
    figures: dict[str, Any]


class Stacks(Out):
    """One page of stacks; ``after`` continues, null at the end."""

    rows: list[Stack]
    after: str | None


class Layer(Out):
    """One layer, position 1 at the fixed end; thickness in mm."""

    position: int
    part: int = Field(description="lasting number of the part")
    kind: str
    label: str
    part_type: str
    facing: str
    material: str
    thickness_mm: float
    side: str | None
    back: str
    joint: str | None
    lot: str | None
    cell: int | None


class Build(Out):
    """One build and the record that made it."""

    number: int
    closed_at: datetime
    opened_at: datetime | None
    record_id: int
    state: str = Field(description="released, or not released")


class Fixing(Out):
    """One tie rod, sleeve, spring, nut or compression plate."""

    kind: str
    rod_number: int | None
    end: str | None
    part_id: int
    label: str
    part_type: str


class LayerMap(Out):
    """The pile of a stack in one build."""

    serial: str
    on: datetime | None
    known_at: datetime | None
    build: Build | None
    open_since: datetime | None = Field(
        description="on the date asked for the stack stood open; the build before is given"
    )
    content_holds: bool | None = Field(
        description="whether the record's content still has the hash it was handed in with"
    )
    layers: list[Layer]
    fixings: list[Fixing]


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


class Sitting(Out):
    """One build a part sat in."""

    stack_serial: str
    build_number: int
    record_id: int
    record_state: str
    closed_at: datetime
    opened_at: datetime | None
    position: int | None
    cell: int | None
    facing: str | None
    rod_number: int | None
    hours: Hours


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


class Record(Out):
    """One rebuild record in a list."""

    id: int
    stack: str
    kind: str
    state: str
    reason: str
    performed_from: datetime
    written_at: datetime
    written_by: str
    handed_in_at: datetime | None
    build: int | None
    content_holds: bool | None = Field(
        default=None, description="whether it still has the hash it was handed in with"
    )


class Records(Out):
    """One page of records, newest first; ``before`` continues, 0 at the end."""

    rows: list[Record]
    before: int


class RecordContent(Out):
    """A record's content: as handed in and frozen, else as it stands now."""

    id: int
    state: str
    version: int
    content_sha256: str | None
    content_holds: bool | None
    closing: ClosingSummary | None = Field(
        default=None, description="what its closing gave, as kept at hand-in"
    )
    content: dict[str, Any]


class Entry(Out):
    """One entry of the audit trail."""

    class Changed(Out):
        """One field, before and after."""

        field: str
        before: str | float | bool | None
        after: str | float | bool | None

    id: int
    at: datetime
    person_name: str
    act: str
    subject_kind: str
    subject_id: int | None
    subject_label: str
    stack_id: int | None
    record_id: int | None
    changes: list[Changed]
    reason: str
    via: str


class Trail(Out):
    """One page of the trail, newest first; ``older`` continues, null at the end."""

    entries: list[Entry]
    older: int | None


class Made(Out):
    """The number of what was made."""

    id: int
