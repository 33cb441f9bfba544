"""What is sent as JSON: units stand in the names, times are ISO 8601 with a zone."""

from typing import Annotated

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from service.platform.arithmetic.vocabulary import End, Facing, ReadingKind, Stage
from service.platform.permissions import Person
from service.records.tables import Involvement, RecordKind

Words = Annotated[str, Field(max_length=4000)]
Name = Annotated[str, Field(min_length=1, max_length=200)]


class In(BaseModel):
    """Parent of everything sent: unknown fields are refused, so that no slip is lost."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


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


class Why(In):
    """The reason of what is done."""

    reason: Annotated[str, Field(min_length=1, max_length=4000)]
