"""Stacks, builds and layer maps as JSON."""

from datetime import datetime

from pydantic import Field

from service.platform.api.answers import Hours, Out, Page


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


class Stacks(Page):
    """One page of stacks; ``after`` is the serial ``next`` goes on after, null at the end."""

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


# Parts and their lives as JSON.


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
