"""Every kind of entry of a record, each described once.

``ENTRIES`` drives the forms of the bench, the routes for machines and the replay of a whole record.
What an entry is made of stands in its model: the names, bounds and words of JSON. A form has the
same fields under the names of the function which makes the entry; a `Fact` says where they differ.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, Field

from service.bench.arithmetic.next_act import Place
from service.bench.changes.bench import accept_departure, undo_last
from service.bench.changes.donor_entries import DonorNamed
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, lift_off_down_to, note_finding, put_on
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.changes.checks import record_closing_check, record_corner_heights
from service.closing.changes.click_tools import press_nut, set_tool
from service.closing.changes.held_closings import record_held_closing
from service.closing.changes.torque import read_torque
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.physics.arithmetic.conditions import NOT_INSPECTED, FindingEntry
from service.platform.arithmetic.vocabulary import End, Facing, Press, ReadingKind, Stage
from service.platform.changes import In, KnownTime, Name, Words
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether
from service.proof.changes import stack_tests
from service.records.changes.bench_fixings import (
    FoundState,
    fit_as_found,
    fit_fixing,
    fit_from_lot,
    remove_fixings,
)
from service.records.changes.bench_opening import (
    close_stack,
    open_stack,
)
from service.records.changes.deviations import Stands, Unloaded
from service.records.changes.donations import take_parts_from
from service.records.changes.handovers import hand_over
from service.records.changes.make_safe import record_bump_test, record_exception, record_make_safe
from service.records.tables import Involvement, RecordKind, ToolCheck
from service.store.arithmetic.make_safe import SafeAct

IT_STANDS = "answers the question whether what departs stands; with the reason"
HOURS_STAND = "why a reading of the meter stays for which time does not suffice"

# What an entry is made of. In JSON units stand in the names and times have a zone; instruments go
# by their marks and people by their logins.


@dataclass(frozen=True, slots=True)
class Fact:
    """One field of an entry, as forms and the function that makes the entry know it."""

    name: str = ""
    unit: str = ""
    stands_for: Literal["", "instrument", "person"] = ""
    """what JSON names by a mark or a login, and a form by its number"""
    json_name: str = ""
    type: Any = None
    required: bool = False
    """of a form, which may ask for more than JSON, and leaves a time empty that is now"""
    least: float | None = None
    most: float | None = None
    """for words: how many signs"""


Mark = Annotated[Name, Fact("instrument_id", stands_for="instrument")]
Code = Annotated[str, Field(max_length=400)]
Number = Annotated[int, Field(ge=1, le=2**53)]
Rod = Annotated[int, Field(ge=1, le=1000)]
Hours = Annotated[float, Field(ge=0, le=10_000_000), Fact(unit="h")]


class DoneThen(In):
    """When something was done, with a note."""

    done_at: KnownTime
    note: Words = ""


class MakeSafe(DoneThen):
    """One line of the make-safe list of an act as recorded."""

    act: SafeAct | None = Field(default=None, description="empty: the opening")
    line_number: int = Field(ge=1, le=1000)
    reading: float | None = None
    instrument: Mark | None = None
    person: Annotated[Name | None, Fact("person_id", stands_for="person")] = Field(
        default=None, description="login; empty: the caller"
    )
    witness: Annotated[Name | None, Fact("witness_id", stands_for="person")] = Field(
        default=None, description="login"
    )


class Excepted(In):
    """An act without a complete make-safe list, and why."""

    act: SafeAct | None = Field(default=None, description="empty: the opening")
    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    done_at: KnownTime


class BumpTested(DoneThen):
    """An instrument tried with a test gas, which counts for the site's day."""

    instrument: Mark
    gas: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="test gas with its share, such as 2 % hydrogen in nitrogen"
    )
    passed: bool
    reading: float | None = Field(default=None, description="in the unit of the instrument")
    person: Annotated[Name | None, Fact("person_id", stands_for="person")] = Field(
        default=None, description="login; empty: the caller"
    )


class HandedOver(DoneThen):
    """Work left by one person and taken on by another."""

    from_person: Annotated[Name, Fact("from_person_id", stands_for="person")] = Field(
        description="login of who hands over"
    )
    to_person: Annotated[Name, Fact("to_person_id", stands_for="person")] = Field(
        description="login of who takes over"
    )
    pile: Annotated[str, Field(min_length=1, max_length=4000)] = Field(
        description="state of the pile, in words"
    )
    covers: Annotated[str, Field(min_length=1, max_length=4000)] = Field(
        description="covers fitted, in words"
    )


class Opened(In):
    """The release of the clamp, with what the hour meter showed, in h."""

    opened_at: KnownTime
    hours: Hours | None = None
    hours_unknown_because: Words = ""
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(default="", description=HOURS_STAND)


class Opening(Opened):
    """The release of the clamp, with what the hour meter showed, in h."""

    exception: Words = Field(
        default="", description="why the make-safe checklist is not complete, if it is not"
    )


class Seen(In):
    """A condition seen on a part, or “none seen”, or “not inspected”."""

    condition: Name = Field(description="the laboratory's word for it, or its code")
    severity: int | None = Field(default=None, ge=0, le=3)
    where: Annotated[str, Field(max_length=200)] = ""
    note: Words = ""
    face: Annotated[str, Field(max_length=60)] = Field(
        default="", description="of the part, such as “anode face”"
    )
    places: list[Annotated[str, Field(max_length=2)]] = Field(
        default=[], max_length=36, description="squares of that face: A1 to F6"
    )
    area_percent: float | None = Field(default=None, gt=0, le=100, description="% of that face")


class Lifted(DoneThen):
    """A layer lifted off; the serial is checked against the outermost layer at that end."""

    end: End
    serial: Annotated[Code, Fact("scanned")] = ""
    part_id: Annotated[Number | None, Fact(required=True)] = None
    findings: list[Seen] = Field(min_length=1, max_length=50)
    facing: Facing | None = Field(
        default=None, description="end its marked face looked at, where that was seen"
    )
    unread: Annotated[str, Field(max_length=1000)] = Field(
        default="", description="where no serial can be read: what is seen instead"
    )
    departs_because: Annotated[str, Field(max_length=2000)] = Field(
        default="", description="why it is lifted off where the plan leaves it in"
    )
    stands: Stands | None = Field(default=None, description=IT_STANDS)


class LiftedSeveral(DoneThen):
    """All layers lifted off from an end down to and with one part."""

    end: End
    part_id: Number
    condition: Name = Field(
        default=NOT_INSPECTED, description="“none seen” or “not inspected”, of each of them"
    )
    departs_because: Annotated[str, Field(max_length=2000)] = Field(
        default="", description="why layers are lifted off which the plan leaves in"
    )
    stands: Stands | None = Field(default=None, description=IT_STANDS)


class FindingNoted(DoneThen):
    """What was seen on a part that stays in the stack, or was lifted off before."""

    part_id: Number
    findings: list[Seen] = Field(min_length=1, max_length=50)


class PutOn(DoneThen):
    """A layer put on: the text of its code, or its part number in these records."""

    end: End
    scanned: Code = ""
    part_id: Number | None = None
    lot_id: Number | None = None
    facing: Facing | None = None
    departs_because: Annotated[str, Field(max_length=2000)] = Field(
        default="", description="why it is put on where design or plan want another part"
    )
    stands: Stands | None = Field(default=None, description=IT_STANDS)


class FixingFitted(DoneThen):
    """A fixing put to a rod, or a compression plate to an end."""

    rod_number: Rod | None = None
    end: End | None = None
    scanned: Code = ""
    part_id: Number | None = None
    lot_id: Number | None = None


class FittedFromLot(DoneThen):
    """Counted items of one lot fitted at several rods."""

    lot_id: Number
    rod_numbers: list[Rod] = Field(min_length=1, max_length=1000)
    each: int = Field(default=1, ge=1, le=40, description="items at each rod")


class FittedAsFound(DoneThen):
    """Fixings that sat in the stack before it was known here, where none is entered."""

    part_type_id: Number
    each: int = Field(default=1, ge=1, le=40, description="at each rod")
    length_mm: Annotated[float, Field(gt=0, le=100_000), Fact(unit="mm")] | None = Field(
        default=None, description="of a tie rod"
    )
    state: FoundState = FoundState.NOT_INSPECTED


class FixingsRemoved(DoneThen):
    """Fixings taken off, by their part numbers in these records."""

    part_ids: list[Number] = Field(min_length=1, max_length=5000)


class FixingRemoved(DoneThen):
    """A fixing taken off, by its part number in these records."""

    part_id: Number


class _Nut(In):
    rod_number: Rod
    pass_number: int = Field(ge=1, le=100)
    stage: Stage = Stage.CLOSING
    kind: ReadingKind = ReadingKind.SET
    instrument: Mark = Field(description="mark on the instrument")
    taken_at: KnownTime
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(
        default="", description="why a torque outside the band of its pass stays"
    )
    unloaded_first: Unloaded | None = Field(
        default=None, description="of a torque above the last target: was the stack unloaded first"
    )


class TorqueRead(_Nut):
    """One torque reading; the torque as a number in N·m."""

    torque_nm: float = Field(gt=0, le=100_000)


Typed = Annotated[str, Field(min_length=1, max_length=60)]


class TorqueEntered(_Nut):
    """One torque reading as typed: in N·m, or with its unit behind the number."""

    entered: Typed


class ToolSet(In):
    """What a click tool is set to in a pass, and what a tester read of it before or after."""

    pass_number: int = Field(ge=1, le=100)
    moment: ToolCheck = Field(default=ToolCheck.BEFORE, description="of the check")
    instrument: Mark = Field(description="mark on the click tool")
    entered: Typed = Field(description="what it is set to, in N·m or with its unit")
    checked: Annotated[str, Field(max_length=60)] = Field(
        default="", description="what the tester read; after a pass always"
    )
    tester: Annotated[Name | None, Fact("tester_id", stands_for="instrument")] = None
    done_at: KnownTime
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(
        default="", description="why a setting or a check that departs stays"
    )
    unloaded_first: Unloaded | None = Field(
        default=None, description="after an over-tightened nut: was the stack unloaded first"
    )


class NutPressed(In):
    """How a nut answered the click tool set in this pass; a last circular pass moves none."""

    rod_number: Rod
    pass_number: int = Field(ge=1, le=100)
    press: Press
    scanned: Code = ""
    taken_at: KnownTime


class Checked(DoneThen):
    """One check of the closing; a length in mm, with the instrument it was measured with."""

    check: ClosingCheck
    rod_number: Rod | None = None
    reading_mm: Annotated[float, Field(ge=0, le=100_000), Fact(unit="mm")] | None = None
    instrument: Mark | None = None


class CornersMeasured(DoneThen):
    """The height at each corner after a pass, in mm, by the corner's name."""

    pass_number: int = Field(ge=1, le=100)
    heights: dict[Name, Annotated[float, Field(gt=0, le=100_000)]] = Field(max_length=50)
    instrument: Mark = Field(description="mark on the height gauge")


class HeldDown(DoneThen):
    """A closing to height or by press force, its nuts run down to hold; heights in mm."""

    mode: ClosingMode
    held_by: HeldBy | None = Field(default=None, description="of a closing to height")
    press: Annotated[str, Field(max_length=200)] = Field(default="", description="its mark")
    force_kn: Annotated[float, Field(gt=0, le=100_000), Fact(unit="kN")] | None = None
    load_cell: Annotated[Name | None, Fact("load_cell_id", stands_for="instrument")] = None
    height_before_mm: Annotated[float, Field(gt=0, le=100_000), Fact(unit="mm")] | None = Field(
        default=None, description="under the press"
    )
    height_after_mm: Annotated[float, Field(gt=0, le=100_000), Fact(unit="mm", required=True)] = (
        Field(description="once the press is let off")
    )
    gauge: Annotated[Name, Fact("gauge_id", stands_for="instrument", required=True)]
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(
        default="", description="why a height or a force outside its tolerance stays"
    )


class Closing(In):
    """The closing of the clamp, with what the hour meter showed, in h."""

    closed_at: KnownTime
    hours: Hours | None = None
    note: Words = ""
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(default="", description=HOURS_STAND)


class StackTestSent(DoneThen):
    """One test as typed. Instruments are named by their marks."""

    typed: Annotated[
        dict[str, Annotated[str, Field(max_length=200)]],
        Field(
            max_length=60,
            description="what was set and read, as typed: texts with their units, by field",
        ),
    ]
    instrument: Mark


class LeakTestSent(StackTestSent):
    """A test of tightness; the instrument is the pressure gauge."""

    thermometer: Annotated[Name | None, Fact("thermometer_id", stands_for="instrument")] = None
    meter: Annotated[Name | None, Fact("meter_id", stands_for="instrument")] = Field(
        default=None, description="flow meter, where one was read"
    )
    trace: Annotated[str, Field(max_length=400_000)] = Field(
        default="",
        description="lines of time, pressure and temperature; it gives the readings and is kept",
    )
    stands: Stands | None = Field(default=None, description=IT_STANDS)
    outside_because: Words = Field(
        default="", description="why a test stays that was made otherwise than its set-up asks"
    )


class CellsRead(StackTestSent):
    """A check for shorts, or a search for the cell that leaks.

    One value a cell from the fixed end, a stroke where none was taken.
    """

    values: list[Annotated[str, Field(max_length=60)]] = Field(max_length=2000)


class Departed(In):
    """A departure from the design accepted: a finding that needs a concession, as it reads."""

    departs_from: Annotated[str, Field(min_length=1, max_length=4000)]
    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    done_at: KnownTime


class Undone(In):
    """The last entry that stands, undone."""

    because: Words = Field(default="", description="why, where somebody else made it")


NotDone = Annotated[
    dict[Name, Words],
    Field(
        max_length=200,
        description="why what is missing is not done, by its key as the question names it",
    ),
]


class HandedIn(In):
    """The hand-in, with a reason for each thing that is not done."""

    not_done: NotDone = Field(default={})


# The kinds of entry.


@dataclass(frozen=True, slots=True)
class Entry:
    """One kind of entry: who makes it of what, where its form stands, where the work goes on."""

    make: Callable[..., object]
    """function of ``changes``: work, number of the record, version, then the facts by name"""
    facts: type[In]
    at: Place | None = None
    """where its form stands; none: beneath every place"""
    goes_on: Place | None = None
    """none: where the work stands by then"""
    keeps: tuple[str, ...] = ()
    """fields of the form the next page begins with"""
    also: Mapping[str, object] = field(default_factory=dict)
    """facts of an entry made by itself, which those of a whole record do without"""
    made: str = "made"
    has_photos: bool = False
    leaves_bench: bool = False
    is_at_bench: bool = True


ENTRIES: Mapping[str, Entry] = {
    "make-safe": Entry(record_make_safe, MakeSafe, Place.MAKE_SAFE),
    "bump-test": Entry(record_bump_test, BumpTested, Place.BUMP_TEST, Place.MAKE_SAFE),
    "exception": Entry(record_exception, Excepted, Place.EXCEPTION),
    "open": Entry(open_stack, Opened, Place.OPENING),
    "lift": Entry(lift_off, Lifted, Place.LIFTING, keeps=("end",), has_photos=True),
    "lift-several": Entry(lift_off_down_to, LiftedSeveral, Place.SEVERAL, keeps=("end",)),
    "finding": Entry(note_finding, FindingNoted, Place.FINDING, Place.FINDING),
    "donor": Entry(take_parts_from, DonorNamed, Place.DONOR, Place.PUTTING_ON),
    "put-on": Entry(put_on, PutOn, Place.PUTTING_ON, keeps=("end",), also={"by_pattern": True}),
    "fit-fixing": Entry(fit_fixing, FixingFitted, Place.FIXINGS, Place.FIXINGS),
    "fit-from-lot": Entry(fit_from_lot, FittedFromLot, Place.FROM_LOT, Place.FROM_LOT),
    "fit-as-found": Entry(fit_as_found, FittedAsFound, Place.AS_FOUND, Place.FIXINGS),
    "remove-fixings": Entry(remove_fixings, FixingsRemoved, Place.OFF, Place.OFF),
    "torque": Entry(read_torque, TorqueEntered, Place.TORQUE, Place.TORQUE, keeps=("stage",)),
    "tool-setting": Entry(set_tool, ToolSet, Place.TORQUE, Place.TORQUE),
    "nut-pressed": Entry(press_nut, NutPressed, Place.TORQUE, Place.TORQUE),
    "corner-heights": Entry(record_corner_heights, CornersMeasured, Place.CORNERS),
    "held-closing": Entry(record_held_closing, HeldDown, Place.HELD),
    "closing-check": Entry(record_closing_check, Checked, Place.CHECKS, Place.CHECKS),
    "close": Entry(close_stack, Closing, Place.CLOSING),
    "leak-test": Entry(
        stack_tests.record_leak_test, LeakTestSent, Place.TESTS, Place.TESTS, keeps=("test",)
    ),
    "insulation-test": Entry(
        stack_tests.record_insulation_test, StackTestSent, Place.TESTS, Place.TESTS, keeps=("test",)
    ),
    "short-check": Entry(
        stack_tests.record_short_check, CellsRead, Place.TESTS, Place.TESTS, keeps=("test",)
    ),
    "leak-search": Entry(
        stack_tests.record_leak_search, CellsRead, Place.TESTS, Place.TESTS, keeps=("test",)
    ),
    "departure": Entry(accept_departure, Departed, is_at_bench=False),
    "undo": Entry(undo_last, Undone, keeps=("at", "end"), made="undone"),
    "handover": Entry(hand_over, HandedOver, Place.HANDOVER),
    "hand-in": Entry(hand_in, HandedIn, Place.HANDING_IN, leaves_bench=True),
}


@cache
def facts_of(model: type[In]) -> tuple[Fact, ...]:
    """Read from its model what an entry is made of."""
    facts = []
    for json_name, info in model.model_fields.items():
        declared, noted = _unwrapped(info.annotation)
        noted += info.metadata
        fact = next((each for each in noted if isinstance(each, Fact)), Fact())
        is_time = declared is AwareDatetime
        is_left_out = is_time or NoneType in get_args(info.annotation)
        facts.append(
            replace(
                fact,
                name=fact.name or json_name,
                json_name=json_name,
                type=datetime if is_time else declared,
                required=fact.required
                or (not is_left_out and (info.is_required() or declared is not str)),
                least=_limit(noted, "ge"),
                most=_limit(noted, "max_length" if declared is str else "le"),
            )
        )
    return tuple(facts)


def _limit(noted: list[Any], name: str) -> float | None:
    return next((getattr(each, name) for each in noted if hasattr(each, name)), None)


def _unwrapped(declared: Any) -> tuple[Any, list[Any]]:
    """Give a type without “or none”, and what is noted beside it."""
    noted: list[Any] = []
    while get_origin(declared) in (Annotated, Union, UnionType):
        first, *others = get_args(declared)
        if get_origin(declared) is Annotated:
            for member in others:
                noted += getattr(member, "metadata", [member])
        declared = first
    return declared, noted


# A whole event at once: its entries in their order.


class PersonAt(In):
    """Somebody who took part in an event."""

    login: Name
    involvement: Involvement = Involvement.WORKED


class WholeRecord(In):
    """A whole event at once, taken in the order of these fields; all of it or nothing."""

    stack: Name = Field(description="serial of the stack")
    kind: RecordKind
    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    performed_from: KnownTime = Field(
        description="with its zone; of old paper a year, month or day: 1998, 1998-05, 1998-05-12"
    )
    comes_after: int | None = Field(
        default=None,
        ge=0,
        le=2**53,
        description="where dates leave it open: the record it came after; 0: before all of them",
    )
    people: list[PersonAt] = Field(default=[], max_length=50)
    bump_tests: list[BumpTested] = Field(default=[], max_length=50)
    make_safe: list[MakeSafe] = Field(default=[], max_length=200)
    torque_as_found: list[TorqueRead] = Field(default=[], max_length=5000)
    opening: Opening | None = None
    fixings_removed: list[FixingRemoved] = Field(default=[], max_length=5000)
    lifted_off: list[Lifted] = Field(default=[], max_length=5000)
    findings: list[FindingNoted] = Field(default=[], max_length=5000)
    donors: list[DonorNamed] = Field(default=[], max_length=50)
    put_on: list[PutOn] = Field(default=[], max_length=5000)
    fixings_fitted: list[FixingFitted] = Field(default=[], max_length=5000)
    torque_at_closing: list[TorqueRead] = Field(default=[], max_length=5000)
    tool_settings: list[ToolSet] = Field(default=[], max_length=200)
    nuts_pressed: list[NutPressed] = Field(default=[], max_length=5000)
    corner_heights: list[CornersMeasured] = Field(default=[], max_length=200)
    held_closing: HeldDown | None = None
    closing_checks: list[Checked] = Field(default=[], max_length=1000)
    closing: Closing | None = None
    leak_tests: list[LeakTestSent] = Field(default=[], max_length=100)
    insulation_tests: list[StackTestSent] = Field(default=[], max_length=100)
    short_checks: list[CellsRead] = Field(default=[], max_length=100)
    leak_searches: list[CellsRead] = Field(default=[], max_length=100)
    handovers: list[HandedOver] = Field(default=[], max_length=100)
    departures: list[Departed] = Field(default=[], max_length=1000)
    hand_in: bool = False
    not_done: NotDone = Field(default={})


IN_ORDER: Mapping[str, str] = {
    "bump_tests": "bump-test",
    "make_safe": "make-safe",
    "torque_as_found": "torque",
    "opening": "open",
    "fixings_removed": "remove-fixings",
    "lifted_off": "lift",
    "findings": "finding",
    "donors": "donor",
    "put_on": "put-on",
    "fixings_fitted": "fit-fixing",
    "torque_at_closing": "torque",
    "tool_settings": "tool-setting",
    "nuts_pressed": "nut-pressed",
    "corner_heights": "corner-heights",
    "held_closing": "held-closing",
    "closing_checks": "closing-check",
    "closing": "close",
    "leak_tests": "leak-test",
    "insulation_tests": "insulation-test",
    "short_checks": "short-check",
    "leak_searches": "leak-search",
    "handovers": "handover",
    "departures": "departure",
    "hand_in": "hand-in",
}
"""The fields of a whole record that are entries."""


@dataclass(frozen=True, slots=True)
class Sent:
    """One entry as sent: where in the call it stands, empty for the whole; its kind and facts."""

    place: str
    name: str
    facts: In


def entries_of(record: WholeRecord) -> Iterator[Sent]:
    """Give the entries of a whole record in their order."""
    for place, name in IN_ORDER.items():
        value = getattr(record, place)
        if isinstance(value, list):
            for number, facts in enumerate(value):
                yield Sent(f"{place}.{number}", name, _as_entry(place, facts))
        elif value is True:
            yield Sent("", name, HandedIn(not_done=record.not_done))
        elif isinstance(value, In):
            if isinstance(value, Opening) and value.exception:
                excepted = Excepted(reason=value.exception, done_at=value.opened_at)
                yield Sent(place, "exception", excepted)
            yield Sent(place, name, _as_entry(place, value))


def _as_entry(place: str, facts: In) -> In:
    """Give what a whole record says in fewer words as the entry says it."""
    if isinstance(facts, TorqueRead):
        stage = Stage.AS_FOUND if place == "torque_as_found" else Stage.CLOSING
        return facts.model_copy(update={"stage": stage})
    if isinstance(facts, FixingRemoved):
        return FixingsRemoved(part_ids=[facts.part_id], **facts.model_dump(exclude={"part_id"}))
    if isinstance(facts, Opening):
        return Opened(**facts.model_dump(exclude={"exception"}))
    return facts


@dataclass(frozen=True, slots=True)
class Names:
    """The numbers of the instruments and people that entries name."""

    instrument: Mapping[str, int]
    person: Mapping[str, int]


def named_in(bodies: Iterable[In]) -> tuple[set[str], set[str]]:
    """Give the marks of the instruments and the logins of the people that entries name."""
    names: dict[str, set[str]] = {"instrument": set(), "person": set()}
    for facts in bodies:
        for fact in facts_of(type(facts)):
            if fact.stands_for and (name := getattr(facts, fact.json_name)):
                names[fact.stands_for].add(name)
    return names["instrument"], names["person"]


def make_entry(
    work: Work, record_id: int, version: int | None, sent: Sent, names: Names, **also: object
) -> object:
    """Make an entry of what was sent for it; give what its change gives.

    Raises Refused by the field of the call, with its place in it.
    """
    facts, fields = dict(also), {}
    for fact in facts_of(type(sent.facts)):
        value = getattr(sent.facts, fact.json_name)
        if fact.stands_for:
            value = getattr(names, fact.stands_for)[value] if value else None
        elif fact.name == "findings":
            value = [
                FindingEntry(**finding.model_dump(exclude={"places"}), places=tuple(finding.places))
                for finding in value
            ]
        facts[fact.name], fields[fact.name] = value, fact.json_name
    try:
        return ENTRIES[sent.name].make(work, record_id, version, **facts)
    except (Refused, RefusedTogether) as trouble:
        for refusal in trouble.refusals if isinstance(trouble, RefusedTogether) else (trouble,):
            name = fields.get(refusal.field, refusal.field)
            refusal.field = f"{sent.place}.{name}" if sent.place else name
        raise
