"""Holds, concessions and instruments: listed, placed, given, added by whoever may on the pages."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, Field

from service.bench.changes.calibration_corrections import record_calibration
from service.platform.api.answers import Made, Out, Page, Turned, like, page_of
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Why, asks
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import Work, reading
from service.platform.permissions import Act, need
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.arithmetic.calibrations import MOST_POINTS, AsLeft, CalibrationResult, Point
from service.store.arithmetic.instrument_errors import Coverage
from service.store.arithmetic.instruments import (
    ADDED_FIELDS,
    AWAY_FIELDS,
    CALIBRATION_FIELDS,
    DEVICE_FIELDS,
    GasMatrix,
    InstrumentKind,
    Principle,
    TorqueTool,
)
from service.store.arithmetic.lot_roles import LotRole
from service.store.arithmetic.make_safe import LINE_FIELDS, LeavesNone, LineAsked, SafeAct
from service.store.changes.calibrations import (
    AwayEntry,
    CalibrationEntry,
    DeviceEntry,
    change_device,
    send_away,
    take_back,
)
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.identities import add_unread
from service.store.changes.instruments import InstrumentEntry, add_instrument
from service.store.changes.lot_inputs import add_input, remove_input
from service.store.changes.make_safe_lists import begin_list, propose_list, withdraw_list
from service.store.changes.part_axes import find_again, judge_part
from service.store.changes.shelf_lives import (
    Bag,
    ExtensionEntry,
    OpenedEntry,
    open_bag,
    propose_extension,
)
from service.store.queries import holds as queries
from service.store.queries import instruments as queries_of_instruments
from service.store.queries.lot_trees import InputLot, LotMade, made_from, made_of
from service.store.queries.lots import lot
from service.store.queries.make_safe_lists import ListOnPage, lines_of, make_safe_lists

router = APIRouter(tags=["parts"])
HoldNumber = Annotated[int, Path(ge=1, le=2**53)]


class AcceptanceSent(Why):
    """What a part accepted used rests on, and how far."""

    basis: Basis = Basis.NOT_RECORDED
    thickness_mm: float | None = Field(default=None, gt=0, le=1000)
    leak: Annotated[str, Field(max_length=200)] = ""
    finding_id: int | None = Field(default=None, ge=1, le=2**53, description="on the part")
    leak_test_id: int | None = Field(default=None, ge=1, le=2**53, description="of the part")
    hours_h: float | None = Field(default=None, ge=0, le=10_000_000)
    until_hours_h: float | None = Field(default=None, gt=0, le=10_000_000)
    until_openings: int | None = Field(default=None, ge=0, le=1000)
    design_id: int | None = Field(default=None, ge=1, le=2**53)
    cell_from: int | None = Field(default=None, ge=1, le=2000)
    cell_to: int | None = Field(default=None, ge=1, le=2000)
    same_anode_side: bool = False

    @property
    def acceptance(self) -> Acceptance:
        """What is meant."""
        return Acceptance(**self.model_dump(exclude={"usability", "judged", "reason"}))


class Judged(AcceptanceSent):
    """The word on use of a part; of one accepted used, what it rests on and how far."""

    usability: Usability


@router.post("/parts/{part_id}/judgements", status_code=201)
def judge(part_id: HoldNumber, body: Judged, call: Call) -> Made:
    """Say whether a part may be used, with the reason."""
    need(call.caller, Act.PART_JUDGE)

    def change(work: Work) -> int:
        judge_part(
            work,
            part_id,
            usability=body.usability,
            reason=body.reason,
            acceptance=body.acceptance,
        )
        return part_id

    return make_once(call, change)


class UnreadSent(In):
    """A part without a readable serial."""

    part_type_id: int = Field(ge=1, le=2**53)
    seen: str = Field(min_length=1, max_length=1000, description="marks, colour, damage")


@router.post("/parts/unread", status_code=201)
def unread(body: UnreadSent, call: Call) -> Made:
    """Add a part without a readable serial: it gets a temporary identity and is on hold."""
    need(call.caller, Act.PART_WRITE)
    return make_once(
        call, lambda work: add_unread(work, part_type_id=body.part_type_id, seen=body.seen)
    )


class FoundSent(In):
    """Where a part that could not be found lies now."""

    place: str = Field(min_length=1, max_length=200)


@router.post("/parts/{part_id}/found", status_code=201)
def found(part_id: HoldNumber, body: FoundSent, call: Call) -> Made:
    """Say that a part which could not be found is there again, not inspected."""
    need(call.caller, Act.PART_WRITE)

    def change(work: Work) -> int:
        find_again(work, part_id, place=body.place)
        return part_id

    return make_once(call, change)


class On(StrEnum):
    """What can be on hold or, but for a stack, be conceded."""

    PART = "part"
    LOT = "lot"
    PART_TYPE = "part type"
    DESIGN = "design"
    INSTRUMENT = "instrument"
    STACK = "stack"


@like(queries.HeldSubject)
class HeldSubject(Out):
    """What a hold or a concession is about."""

    kind: On
    more: str = Field(description="its part type, or the kind of part type or instrument")
    where: str = Field(description="where the part is now")


@like(queries.HoldRow)
class Hold(Out):
    """One hold, standing or lifted."""

    subject: HeldSubject


class Holds(Page):
    """Holds, the latest first."""

    rows: list[Hold]


class HoldSent(In):
    """A hold on one thing."""

    on: On
    id: int = Field(ge=1, le=2**53, description="its number")
    reason: str = Field(min_length=1, max_length=4000)

    @property
    def subject(self) -> Subject:
        """What is meant."""
        return Subject(**{f"{self.on.replace(' ', '_')}_id": self.id})


class LiftingSent(AcceptanceSent):
    """The lifting of a hold; ``judged``: what a part is from then on, null: what it was before."""

    judged: Usability | None = None


@router.get("/holds")
def holds(
    caller: Caller,
    engine: Database,
    turn: Turned,
    lifted: Annotated[bool, Query(description="lifted ones too")] = False,
) -> Holds:
    """List holds on parts, lots, part types, designs, instruments and stacks."""
    need(caller, Act.READ)
    with reading(engine) as session:
        rows = queries.holds(session, turn=turn, lifted_too=lifted)
    return Holds.from_answer(rows, **page_of(rows))


@router.post("/holds", status_code=201)
def place(body: HoldSent, call: Call) -> Made:
    """Place a hold, with the reason."""
    need(call.caller, Act.HOLD_WRITE)
    return make_once(call, lambda work: place_hold(work, body.subject, reason=body.reason))


@router.get("/holds/{hold_id}")
def hold(hold_id: HoldNumber, caller: Caller, engine: Database) -> Hold:
    """Return one hold."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return Hold.from_answer(queries.hold(session, hold_id))


@router.post("/holds/{hold_id}/lifting", status_code=201)
def lift(hold_id: HoldNumber, body: LiftingSent, call: Call) -> Made:
    """Lift a hold, with the reason."""
    need(call.caller, Act.HOLD_LIFT)

    def change(work: Work) -> int:
        accepted = body.acceptance if body.judged is Usability.ACCEPTED_USED else None
        lift_hold(work, hold_id, reason=body.reason, judged=body.judged, acceptance=accepted)
        return hold_id

    return make_once(call, change)


@router.post("/concessions", status_code=201)
def concede(body: HoldSent, call: Call) -> Made:
    """Allow uses in one record in spite of a hold, a judgement or a missing calibration."""
    need(call.caller, Act.CONCESSION_GIVE)
    return make_once(call, lambda work: give_concession(work, body.subject, reason=body.reason))


# Shelf lives of lots and parts.


class ShelfOf(StrEnum):
    """Whose shelf life it is."""

    LOT = "lots"
    PART = "parts"


class BagOpened(In):
    """When a bag was opened; the reason where it puts an earlier entry right."""

    bag_opened_at: AwareDatetime
    reason: str = Field(default="", max_length=1000)


class ExtensionSent(Why):
    """A longer shelf life after inspection."""

    extended_to: AwareDatetime
    looked_at: str = Field(min_length=1, max_length=1000)


@router.post("/{of}/{number}/bag-openings", status_code=201)
def bag_opened(of: ShelfOf, number: HoldNumber, body: BagOpened, call: Call) -> Made:
    """Note that a lot's or a part's bag was opened: the open life of its type runs from then on."""
    need(call.caller, Act.PART_WRITE)

    def change(work: Work) -> int:
        open_bag(work, _bag(of, number), OpenedEntry(body.bag_opened_at), reason=body.reason)
        return number

    return make_once(call, change)


@router.post("/{of}/{number}/shelf-life-extensions", status_code=201)
def extend(of: ShelfOf, number: HoldNumber, body: ExtensionSent, call: Call) -> Made:
    """Propose a longer shelf life after inspection; it counts once somebody else approved it."""
    need(call.caller, Act.LIMITS_WRITE)
    entry = ExtensionEntry(body.extended_to, body.looked_at)
    return make_once(
        call, lambda work: propose_extension(work, _bag(of, number), entry, reason=body.reason)
    )


def _bag(of: ShelfOf, number: int) -> Bag:
    return Bag(lot_id=number) if of is ShelfOf.LOT else Bag(part_id=number)


# What lots are made of.


@like(InputLot)
class InputLotOut(Out):
    """A lot that went into another, with what went into it; ``since`` null: from its making."""

    made_of: list["InputLotOut"]


@like(LotMade)
class LotMadeOut(Out):
    """A lot that something of a lot went into; ``level`` 1: at once."""


class Genealogy(Out):
    """What a lot is made of, and what was made of it."""

    made_of: list[InputLotOut]
    made: list[LotMadeOut]


class InputSent(In):
    """A lot that went into another one."""

    lot: int = Field(ge=1, le=2**53, description="lasting number of the lot")
    role: LotRole
    since: AwareDatetime | None = None


@router.get("/lots/{number}/genealogy")
def genealogy(number: HoldNumber, caller: Caller, engine: Database) -> Genealogy:
    """Return what a lot is made of, level by level, and the lots something of it went into."""
    need(caller, Act.READ)
    with reading(engine) as session:
        lot(session, number)
        trees, made = made_of(session, [number])[number], made_from(session, number)
    return Genealogy.model_validate({"made_of": trees, "made": made}, from_attributes=True)


@router.post("/lots/{number}/inputs", status_code=201)
def put_input_in(number: HoldNumber, body: InputSent, call: Call) -> Made:
    """Say that a lot is made of another one, as what, and from when on."""
    return make_once(
        call,
        lambda work: add_input(
            work, number, input_lot_id=body.lot, role=body.role, since=body.since
        ),
    )


@router.post("/lots/{number}/inputs/{input_number}/take-back", status_code=201)
def take_input_back(number: HoldNumber, input_number: HoldNumber, body: Why, call: Call) -> Made:
    """Take back that a lot is made of another one, with the reason."""

    def change(work: Work) -> int:
        remove_input(work, number, input_number, reason=body.reason)
        return input_number

    return make_once(call, change)


# Instruments, their calibrations and absences.


@like(queries_of_instruments.InstrumentRow)
class Instrument(Out):
    """One instrument with its last calibration; the range, offset and step in ``unit``."""


class Instruments(Page):
    """Instruments, by kind and mark."""

    rows: list[Instrument]


@like(Point)
class PointOfCertificate(Out):
    """One point of a certificate, in the instrument's unit; null: not read."""


@like(queries_of_instruments.CalibrationRow)
class CalibrationOut(Out):
    """One calibration; ``known_until``: a correction took its place then."""

    points: list[PointOfCertificate]


@like(queries_of_instruments.AwayRow)
class Absence(Out):
    """One absence; ``back_at`` null: it is still away."""


@like(queries_of_instruments.DeviceRow)
class Device(Out):
    """From when on which device bore the mark."""


class InstrumentWhole(Out):
    """One instrument with its calibrations, the latest first."""

    row: Instrument
    added_at: datetime
    readings: int
    calibrations: list[CalibrationOut]
    aways: list[Absence]
    devices: list[Device]


@asks(ADDED_FIELDS)
class InstrumentSent(In):
    """A new instrument."""

    kind: InstrumentKind
    tool: TorqueTool | None = None
    principle: Principle | None = None
    gas_matrix: GasMatrix | None = None
    accuracy_coverage: Coverage = Coverage.GREATEST


class PointSent(In):
    """One point of a certificate, in the instrument's unit; null: not read."""

    reference: float
    as_found: float | None = None
    as_left: float | None = None


@asks(CALIBRATION_FIELDS)
class CalibrationSent(In):
    """One calibration; the error as found is shown less true."""

    done_at: AwareDatetime
    due_at: AwareDatetime
    result: CalibrationResult
    as_left: AsLeft | None = None
    points: list[PointSent] = Field(default_factory=list, max_length=MOST_POINTS)


@asks(AWAY_FIELDS)
class AwaySent(In):
    """An instrument that goes away for calibration."""


class BackSent(In):
    """An instrument that is back."""

    back_at: AwareDatetime


@asks(DEVICE_FIELDS)
class DeviceSent(In):
    """Another device that bears the mark from a time on."""


InstrumentNumber = Annotated[int, Path(ge=1, le=2**53)]


@router.get("/instruments")
def instruments(
    caller: Caller,
    engine: Database,
    turn: Turned,
    kind: InstrumentKind | None = None,
    withdrawn: Annotated[bool, Query(description="those withdrawn from use too")] = False,
) -> Instruments:
    """List instruments with their last calibration, and where one is away."""
    need(caller, Act.READ)
    with reading(engine) as session:
        rows = queries_of_instruments.instrument_list(session, kind, turn, withdrawn=withdrawn)
    return Instruments.from_answer(rows, **page_of(rows))


@router.post("/instruments", status_code=201)
def add(body: InstrumentSent, call: Call) -> Made:
    """Add an instrument."""
    need(call.caller, Act.INSTRUMENT_WRITE)
    return make_once(call, lambda work: add_instrument(work, InstrumentEntry(**dict(body))))


@router.get("/instruments/{instrument_id}")
def instrument(
    instrument_id: InstrumentNumber, caller: Caller, engine: Database
) -> InstrumentWhole:
    """Return one instrument with all its calibrations."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return InstrumentWhole.from_answer(
            queries_of_instruments.instrument(session, instrument_id)
        )


@router.post("/instruments/{instrument_id}/calibrations", status_code=201)
def calibrate(instrument_id: InstrumentNumber, body: CalibrationSent, call: Call) -> Made:
    """Record a calibration."""
    need(call.caller, Act.INSTRUMENT_WRITE)
    return make_once(call, lambda work: record_calibration(work, instrument_id, entry_of(body)))


def entry_of(body: CalibrationSent) -> CalibrationEntry:
    """Return the calibration that was sent."""
    points = tuple(Point(**dict(point)) for point in body.points)
    return CalibrationEntry(**(dict(body) | {"points": points}))


@router.post("/instruments/{instrument_id}/away", status_code=201)
def away(instrument_id: InstrumentNumber, body: AwaySent, call: Call) -> Made:
    """Say that an instrument is away for calibration."""
    need(call.caller, Act.INSTRUMENT_WRITE)
    return make_once(call, lambda work: send_away(work, instrument_id, AwayEntry(**dict(body))))


@router.post("/instruments/{instrument_id}/back", status_code=201)
def back(instrument_id: InstrumentNumber, body: BackSent, call: Call) -> Made:
    """Say that an instrument is back."""
    need(call.caller, Act.INSTRUMENT_WRITE)
    return make_once(call, lambda work: take_back(work, instrument_id, body.back_at))


@router.post("/instruments/{instrument_id}/devices", status_code=201)
def device(instrument_id: InstrumentNumber, body: DeviceSent, call: Call) -> Made:
    """Say that another device bears the mark from a time on."""
    need(call.caller, Act.INSTRUMENT_WRITE)
    entry = DeviceEntry(**dict(body))
    return make_once(call, lambda work: change_device(work, instrument_id, entry))


@like(LineAsked)
class MakeSafeAsked(Out):
    """One line of a make-safe list."""


class MakeSafeVersion(Out):
    """The version of a list that is in force."""

    number: int
    approved_by: str
    approved_at: datetime
    reason: str
    lines: list[MakeSafeAsked]


@like(ListOnPage, only="id act place carried_from")
class MakeSafeListed(Out):
    """One list of the site for an act; without a place it is for everywhere."""

    in_force: MakeSafeVersion | None
    waiting: int | None = Field(description="proposal that waits for an approval")


class MakeSafeLists(Out):
    """All lists."""

    lists: list[MakeSafeListed]


@asks(LINE_FIELDS)
class MakeSafeLineSent(In):
    """One line of a list; limits in its unit."""

    reading_least: float | None = None
    reading_most: float | None = None
    instrument_kind: InstrumentKind | None = None
    principle: Principle | None = None
    gas_matrix: GasMatrix | None = None
    needs_instrument: bool = False
    needs_bump_test: bool = False
    needs_witness: bool = False


class VersionSent(Why):
    """A version of a list, which waits until somebody else approves it."""

    lines: list[MakeSafeLineSent] = Field(min_length=1, max_length=60)
    source: str = Field(default="", max_length=1000)

    @property
    def asked(self) -> list[LineAsked]:
        """Its lines, numbered as they come."""
        return [LineAsked(number, **dict(line)) for number, line in enumerate(self.lines, 1)]


class ListSent(VersionSent):
    """The first version of a list."""

    act: SafeAct
    place: str = Field(default="", max_length=200, description="as of stacks; empty: everywhere")


@router.get("/make-safe-lists")
def safe_lists(caller: Caller, engine: Database) -> MakeSafeLists:
    """List the site's make-safe lists with what is in force."""
    need(caller, Act.READ)
    with reading(engine) as session:
        rows = make_safe_lists(session)
    return MakeSafeLists(lists=[_listed(row) for row in rows])


def _listed(row: ListOnPage) -> MakeSafeListed:
    version = row.in_force
    in_force = version and MakeSafeVersion.from_answer(
        version, number=row.numbers[version.id], lines=lines_of(version)
    )
    waiting = row.waiting.id if row.waiting else None
    return MakeSafeListed.from_answer(row, in_force=in_force, waiting=waiting)


@router.post("/make-safe-lists", status_code=201)
def write_list(body: ListSent, call: Call) -> Made:
    """Propose the first version of a list; gives the list's number."""
    need(call.caller, Act.LIMITS_WRITE)
    return make_once(
        call,
        lambda work: begin_list(
            work, body.act, body.place, body.asked, source=body.source, reason=body.reason
        ),
    )


class WithdrawalSent(Why):
    """That a list be withdrawn, which waits until somebody else approves it."""

    leaves_none: LeavesNone | None = Field(
        default=None, description="yes: its act is to have no list; asked for where it has none"
    )


@router.post("/make-safe-lists/{list_id}/withdrawal", status_code=201)
def withdraw(list_id: HoldNumber, body: WithdrawalSent, call: Call) -> Made:
    """Propose that a list be withdrawn; gives the proposal's number."""
    need(call.caller, Act.LIMITS_WRITE)
    return make_once(call, lambda work: withdraw_list(work, list_id, **dict(body)))


@router.post("/make-safe-lists/{list_id}/versions", status_code=201)
def write_version(list_id: HoldNumber, body: VersionSent, call: Call) -> Made:
    """Propose a new version of a list; gives the proposal's number."""
    need(call.caller, Act.LIMITS_WRITE)
    return make_once(
        call,
        lambda work: propose_list(
            work, list_id, body.asked, source=body.source, reason=body.reason
        ),
    )
