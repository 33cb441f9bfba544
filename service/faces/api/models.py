"""What goes in and out as JSON: units stand in the names, times are ISO 8601 with a zone."""

from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.records.permissions import Person
from service.records.tables.rebuild_records import Involvement, RecordKind
from service.trade.words import End, Facing, ReadingKind, Stage

Words = Annotated[str, Field(max_length=4000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]


class Out(BaseModel):
    """Parent of all answers: read from the attributes of a query's answer."""

    model_config = ConfigDict(from_attributes=True)


class In(BaseModel):
    """Parent of everything sent: unknown fields are refused, so that no slip is lost."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


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
    hours: Hours
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


class HoursRead(In):
    """What an hour meter showed, in h."""

    hours: float = Field(ge=0, le=10_000_000)
    taken_at: AwareDatetime


class TorqueRead(In):
    """One torque reading; the torque as a number in N·m."""

    rod_number: int = Field(ge=1, le=1000)
    pass_number: int = Field(ge=1, le=100)
    stage: Stage = Stage.CLOSING
    kind: ReadingKind = ReadingKind.SET
    torque_nm: float = Field(gt=0, le=100_000)
    instrument: Name = Field(description="mark on the instrument")
    taken_at: AwareDatetime


class PersonAt(In):
    """Somebody who took part in an event."""

    login: Name
    involvement: Involvement = Involvement.WORKED


class MakeSafe(In):
    """One line of the make-safe checklist as recorded."""

    line_number: int = Field(ge=1, le=1000)
    reading: float | None = None
    instrument: Name | None = None
    person: Name | None = Field(default=None, description="login; empty: the caller")
    witness: Name | None = Field(default=None, description="login")
    done_at: AwareDatetime
    note: Words = ""


class Opening(In):
    """The release of the clamp, with what the hour meter showed, in h."""

    opened_at: AwareDatetime
    hours: float | None = Field(default=None, ge=0, le=10_000_000)
    hours_unknown_because: Words = ""
    exception: Words = Field(
        default="", description="why the make-safe checklist is not complete, if it is not"
    )


class Seen(In):
    """A condition seen on a part, or “none seen”, or “not inspected”."""

    condition: Name
    severity: int | None = Field(default=None, ge=0, le=3)
    where: Annotated[str, Field(max_length=200)] = ""
    note: Words = ""


class Lifted(In):
    """A layer lifted off; the serial is checked against the outermost layer at that end."""

    end: End
    serial: Annotated[str, Field(max_length=400)] = ""
    findings: list[Seen] = Field(min_length=1, max_length=50)
    done_at: AwareDatetime
    note: Words = ""


class PutOn(In):
    """A layer put on: the text of its code, or its part number in these records."""

    end: End
    scanned: Annotated[str, Field(max_length=400)] = ""
    part_id: int | None = Field(default=None, ge=1, le=2**53)
    lot_id: int | None = Field(default=None, ge=1, le=2**53)
    facing: Facing | None = None
    done_at: AwareDatetime
    note: Words = ""


class FixingFitted(In):
    """A fixing put to a rod, or a compression plate to an end."""

    rod_number: int | None = Field(default=None, ge=1, le=1000)
    end: End | None = None
    scanned: Annotated[str, Field(max_length=400)] = ""
    part_id: int | None = Field(default=None, ge=1, le=2**53)
    lot_id: int | None = Field(default=None, ge=1, le=2**53)
    done_at: AwareDatetime


class FixingRemoved(In):
    """A fixing taken off, by its part number in these records."""

    part_id: int = Field(ge=1, le=2**53)
    done_at: AwareDatetime


class Closing(In):
    """The closing of the clamp, with what the hour meter showed, in h."""

    closed_at: AwareDatetime
    hours: float | None = Field(default=None, ge=0, le=10_000_000)


class WholeRecord(In):
    """A whole event at once, taken in the order of these fields; all of it or nothing."""

    stack: Name = Field(description="serial of the stack")
    kind: RecordKind
    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    performed_from: AwareDatetime
    people: list[PersonAt] = Field(default=[], max_length=50)
    make_safe: list[MakeSafe] = Field(default=[], max_length=200)
    torque_as_found: list[TorqueRead] = Field(default=[], max_length=5000)
    opening: Opening | None = None
    fixings_removed: list[FixingRemoved] = Field(default=[], max_length=5000)
    lifted_off: list[Lifted] = Field(default=[], max_length=5000)
    put_on: list[PutOn] = Field(default=[], max_length=5000)
    fixings_fitted: list[FixingFitted] = Field(default=[], max_length=5000)
    torque_at_closing: list[TorqueRead] = Field(default=[], max_length=5000)
    closing: Closing | None = None
    hand_in: bool = False


def logins_of(record: WholeRecord, caller: Person) -> set[str]:
    """All logins a record names, the caller's own among them."""
    named = {person.login for person in record.people} | {caller.login}
    for line in record.make_safe:
        named |= {login for login in (line.person, line.witness) if login}
    return named


def instruments_of(record: WholeRecord) -> set[str]:
    """Marks of all instruments a record names."""
    readings = (*record.torque_as_found, *record.torque_at_closing)
    return {reading.instrument for reading in readings} | {
        line.instrument for line in record.make_safe if line.instrument
    }
