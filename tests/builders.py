"""Rows of an invented laboratory, straight into the tables, at times that never change.

Plain functions which take a session and flush; nobody reads a clock. Names and serials count up
within one database, so that a test may ask for as many as it likes. A stack that an empty SQLite
file begins with is copied (`tests.ready`) and stays in it without a commit.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

from argon2 import PasswordHasher
from sqlalchemy import func, insert, select, update
from sqlalchemy.orm import Session

from service.designs.arithmetic import pile
from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_toml import write_pattern
from service.designs.arithmetic.pattern_types import drawing
from service.designs.tables import ChecklistLine, Design, DesignPort, DesignRod
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingMark
from service.limits.arithmetic.figures import DesignFigures, figures_as_data
from service.limits.tables import LimitSet
from service.people.tables import ApiToken, Person, PersonRole, Role
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.vocabulary import (
    Back,
    End,
    Facing,
    Joint,
    Kind,
    Material,
    ReadingKind,
    Side,
    Stage,
    Usability,
    Whereabouts,
)
from service.platform.tables import Base
from service.proof.tables import BuildRelease
from service.records.queries.content import record_content
from service.records.tables import (
    Decision,
    Involvement,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordPerson,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.tables import (
    Build,
    BuildPeriod,
    Fixing,
    HourMeter,
    HourReading,
    Layer,
    Moment,
    Stack,
)
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import InstrumentKind, TorqueTool
from service.store.tables import Calibration, Instrument, Lot, Part, PartType
from tests.ready import ready

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
"""When the invented laboratory opened: people, types and lots are from then."""
FIRST_CLOSING = datetime(2026, 2, 2, 14, 20, tzinfo=UTC)
OPEN_FOR = timedelta(hours=5)
"""From an opening to the next closing."""
PASSWORD = "green water, grey air"
QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
"""Argon2id as everywhere, in a thousandth of the time, for passwords that are no secret."""
_HASH = QUICK.hash(PASSWORD)


def a_person(session: Session, *roles: Role | str, name: str = "", login: str = "") -> Person:
    """Somebody with these roles, who signs in with `PASSWORD`."""
    number = _next(session, Person)
    name = name or f"Person {number}"
    person = Person(
        login=login or f"person-{number}",
        name=name,
        password_hash=_HASH,
        active=True,
        added_at=START,
    )
    session.add(person)
    session.flush()
    session.add_all(PersonRole(person_id=person.id, role=Role(role)) for role in roles)
    session.flush()
    return person


def a_token(session: Session, person: Person) -> str:
    """The secret of an API token of somebody."""
    secret = f"token-of-{person.id}"
    session.add(
        ApiToken(
            token_sha256=sha256_of(secret),
            person_id=person.id,
            label="for a test",
            made_at=START,
            last_used_at=None,
            revoked_at=None,
        )
    )
    return secret


def a_design(
    session: Session,
    cells: tuple[int, int] = (1, 120),
    rods: int = 4,
    *,
    pattern: Pattern | None = None,
) -> Design:
    """A design with its rods in a rectangle or ring, ports at the fixed end, a checklist.

    With a pattern (`the_pattern`, say) it asks for a sleeve, a disc spring and a nut on each rod.
    """
    number = _next(session, Design)
    design = Design(
        name=f"Tarn {number}",
        revision="A",
        active_area_cm2=100.0,
        least_cells=cells[0],
        most_cells=cells[1],
        cooling="a coolant layer between all cells and outside both end cells",
        plate_width_mm=180.0,
        plate_height_mm=140.0,
        rod_length_mm=400.0,
        target_torque_nm=9.0,
        torque_tolerance_percent=5.0,
        tightening_passes=3,
        pattern=pattern
        and write_pattern(replace(pattern, least_cells=cells[0], most_cells=cells[1])),
        rod_sleeves=1 if pattern else None,
        rod_disc_springs=1 if pattern else None,
        rod_nuts=1 if pattern else None,
        made_at=START,
        frozen_at=None,
    )
    session.add(design)
    session.flush()
    _insert(
        session,
        DesignRod,
        [
            {
                "design_id": design.id,
                "number": rod + 1,
                "x_mm": 80.0 if rod % 2 else -80.0,
                "y_mm": 60.0 - rod // 2 * (120.0 / max(1, (rods + 1) // 2 - 1)),
                "turn": (rod * (rods // 2 + 1)) % rods + 1 if rods % 2 else rod + 1,
            }
            for rod in range(rods)
        ],
    )
    _insert(
        session,
        DesignPort,
        [
            {
                "design_id": design.id,
                "end": "fixed end",
                "fluid": fluid,
                "label": f"{fluid} {way}",
            }
            for fluid in ("fuel", "air", "coolant")
            for way in ("in", "out")
        ],
    )
    lines = (
        ("Load taken off, fuel shut and locked.", None, None, False, False),
        ("Anode side purged with nitrogen: hydrogen no more than", "% vol", 0.4, True, False),
        ("Each cell discharged: stack voltage no more than", "V", 0.5, True, True),
    )
    _insert(
        session,
        ChecklistLine,
        [
            {
                "design_id": design.id,
                "number": number,
                "wording": wording,
                "unit": unit,
                "reading_most": most,
                "needs_instrument": needs_instrument,
                "needs_witness": needs_witness,
            }
            for number, (wording, unit, most, needs_instrument, needs_witness) in enumerate(
                lines, 1
            )
        ],
    )
    return design


@dataclass(frozen=True)
class PartTypes:
    """The part types of the invented laboratory."""

    mea: PartType
    mea_directional: PartType
    blank_cell: PartType
    fuel_plate: PartType
    air_plate: PartType
    fuel_plate_flush: PartType
    air_plate_channelled: PartType
    gas_gasket: PartType
    coolant_gasket: PartType
    collector_flush: PartType
    collector_channelled: PartType
    insulator_plate: PartType
    compression_plate: PartType
    tie_rod: PartType
    sleeve: PartType
    disc_spring: PartType
    nut: PartType


_TYPES: dict[str, dict[str, object]] = {
    "mea": {"kind": Kind.MEA, "material": Material.MEMBRANE, "thickness_mm": 0.5},
    "mea_directional": {
        "kind": Kind.MEA,
        "material": Material.MEMBRANE,
        "thickness_mm": 0.5,
        "marked_face": "anode",
    },
    "blank_cell": {"kind": Kind.BLANK_CELL, "material": Material.METAL, "thickness_mm": 0.5},
    "fuel_plate": {"kind": Kind.HALF_PLATE, "side": Side.FUEL, "back": Back.CHANNELLED},
    "air_plate": {"kind": Kind.HALF_PLATE, "side": Side.AIR, "back": Back.FLUSH},
    "fuel_plate_flush": {"kind": Kind.HALF_PLATE, "side": Side.FUEL, "back": Back.FLUSH},
    "air_plate_channelled": {"kind": Kind.HALF_PLATE, "side": Side.AIR, "back": Back.CHANNELLED},
    "gas_gasket": {"kind": Kind.GASKET, "joint": Joint.GAS},
    "coolant_gasket": {"kind": Kind.GASKET, "joint": Joint.COOLANT},
    "collector_flush": {
        "kind": Kind.CURRENT_COLLECTOR,
        "material": Material.METAL,
        "thickness_mm": 2.0,
        "back": Back.FLUSH,
    },
    "collector_channelled": {
        "kind": Kind.CURRENT_COLLECTOR,
        "material": Material.METAL,
        "thickness_mm": 2.0,
        "back": Back.CHANNELLED,
    },
    "insulator_plate": {
        "kind": Kind.INSULATOR_PLATE,
        "material": Material.PLASTIC,
        "thickness_mm": 8.0,
    },
    "compression_plate": {
        "kind": Kind.COMPRESSION_PLATE,
        "material": Material.METAL,
        "thickness_mm": 20.0,
    },
    "tie_rod": {"kind": Kind.TIE_ROD, "material": Material.METAL, "thickness_mm": None},
    "sleeve": {"kind": Kind.SLEEVE, "material": Material.PLASTIC, "thickness_mm": None},
    "disc_spring": {"kind": Kind.DISC_SPRING, "material": Material.METAL, "thickness_mm": 2.0},
    "nut": {"kind": Kind.NUT, "material": Material.METAL, "thickness_mm": None, "counted": True},
}


def the_part_types(session: Session) -> PartTypes:
    """The part types; made once in a database."""
    made = {
        row.drawing_number: row
        for row in session.scalars(select(PartType).where(PartType.revision == "A"))
    }
    types = {}
    for number, (name, given) in enumerate(_TYPES.items(), 1):
        drawing = f"TEL-{number:03}"
        if drawing not in made:
            made[drawing] = _a_type(drawing, name, given)
            session.add(made[drawing])
        types[name] = made[drawing]
    session.flush()
    return PartTypes(**types)


def the_pattern(session: Session, **of_the_mea: object) -> Pattern:
    """The pattern of the piles of `a_pile`, each type named with its revision."""
    types = the_part_types(session)

    def item(part_type: PartType, **more: object) -> Item:
        return Item(
            part_type.kind,
            drawing(part_type.drawing_number, part_type.revision),
            side=part_type.side,
            back=part_type.back if part_type.back is not Back.NONE else None,
            joint=part_type.joint,
            renew_at_opening=part_type.renew_at_opening,
            **more,
        )

    gas, coolant = item(types.gas_gasket), item(types.coolant_gasket)
    mea = {"blank_may_stand": True, **of_the_mea}
    return Pattern(
        head=(item(types.insulator_plate), item(types.collector_flush), coolant),
        cell=(
            item(types.fuel_plate, facing=Facing.FREE_END),
            gas,
            item(types.mea, **mea),
            gas,
            item(types.air_plate, facing=Facing.FIXED_END),
        ),
        between=(coolant,),
        tail=(coolant, item(types.collector_channelled), item(types.insulator_plate)),
        least_cells=1,
        most_cells=120,
    )


def _a_type(drawing: str, name: str, given: dict[str, object]) -> PartType:
    kind = given["kind"]
    gasket, plate = kind is Kind.GASKET, kind is Kind.HALF_PLATE
    values: dict[str, object] = {
        "name": name.replace("_", " "),
        "material": Material.ELASTOMER if gasket else Material.GRAPHITE,
        "thickness_mm": 0.4 if gasket else 2.5,
        "side": None,
        "back": Back.NONE,
        "joint": None,
        "marked_face": "gas side" if plate else None,
        "counted": gasket,
        "renew_at_opening": gasket,
        "openings_most": 1 if gasket else None,
        "hours_most": None,
        "shelf_life_months": 60 if gasket else None,
    }
    return PartType(drawing_number=drawing, revision="A", made_at=START, **(values | given))


def a_lot(
    session: Session, part_type: PartType, *, label: str = "", quantity: int | None = None
) -> Lot:
    """A lot of a type, received when the laboratory opened."""
    label = label or f"L-{_next(session, Lot):04}"
    lot = Lot(
        part_type_id=part_type.id,
        label=label,
        label_key=serial_key(label),
        supplier="Fellside Seals (invented)",
        received_at=START,
        produced_at=None,
        expires_at=None,
        quantity=quantity,
    )
    session.add(lot)
    session.flush()
    return lot


def a_material(session: Session, label: str) -> Lot:
    """A lot of a material of its own type: a roll, an ink, a coating batch."""
    material = _a_type(f"MT-{label}", f"type of {label}", {"kind": Kind.MATERIAL, "counted": True})
    session.add(material)
    session.flush()
    return a_lot(session, material, label=label)


def a_part(
    session: Session,
    part_type: PartType,
    *,
    serial: str = "",
    lot: Lot | None = None,
    whereabouts: Whereabouts = Whereabouts.IN_STORE,
    usability: Usability = Usability.ACCEPTED,
    stack: Stack | None = None,
    hours_before: float = 0.0,
    maker: str = "",
) -> Part:
    """A part in store: one with a serial, or the next item of its lot where the type is counted."""
    item = None
    if part_type.counted and not serial:
        lot = lot or _the_lot_of(session, part_type)
        item = _next_item(session, lot)
    elif not serial:
        serial = _serial(part_type, _next(session, Part))
    part = Part(
        part_type_id=part_type.id,
        lot_id=lot.id if lot else None,
        serial=serial or None,
        serial_key=serial_key(serial) if serial else None,
        item_number=item,
        maker=maker,
        maker_key=maker.casefold(),
        hours_before=hours_before,
        whereabouts=Whereabouts.FITTED if stack else whereabouts,
        stack_id=stack.id if stack else None,
        usability=usability,
        reserved_for_stack_id=None,
        added_at=START,
    )
    session.add(part)
    session.flush()
    return part


def some_parts(
    session: Session, part_types: Sequence[PartType], stack: Stack | None = None
) -> list[Part]:
    """As many parts as types are named: as by `a_part` for each, in few statements."""
    first = _next(session, Part)
    lots = {kind: _the_lot_of(session, kind) for kind in dict.fromkeys(part_types) if kind.counted}
    items = {kind: count(_next_item(session, lot)) for kind, lot in lots.items()}
    serials = [
        None if kind.counted else _serial(kind, number)
        for number, kind in enumerate(part_types, first)
    ]
    rows = [
        {
            "part_type_id": kind.id,
            "lot_id": lots[kind].id if kind.counted else None,
            "serial": serial,
            "serial_key": serial and serial_key(serial),
            "item_number": next(items[kind]) if kind.counted else None,
            "hours_before": 0.0,
            "whereabouts": Whereabouts.FITTED if stack else Whereabouts.IN_STORE,
            "stack_id": stack.id if stack else None,
            "usability": Usability.ACCEPTED,
            "reserved_for_stack_id": None,
            "added_at": START,
        }
        for kind, serial in zip(part_types, serials, strict=True)
    ]
    _insert(session, Part, rows)
    return list(session.scalars(select(Part).where(Part.id >= first).order_by(Part.id)))


def _serial(part_type: PartType, number: int) -> str:
    return f"{part_type.kind.value[:1].upper()}-{number:05}"


def _next_item(session: Session, lot: Lot) -> int:
    taken = select(func.coalesce(func.max(Part.item_number), 0)).where(Part.lot_id == lot.id)
    return (session.scalar(taken) or 0) + 1


def _the_lot_of(session: Session, part_type: PartType) -> Lot:
    lot = session.scalar(select(Lot).where(Lot.part_type_id == part_type.id).order_by(Lot.id))
    return lot or a_lot(session, part_type)


def a_stack(
    session: Session,
    *,
    cells: int = 0,
    serial: str = "",
    design: Design | None = None,
    meter_hours: float = 0.0,
) -> Stack:
    """A stack with an hour meter; with ``cells`` its first build is closed and approved too."""
    if design:
        return _a_stack(session, cells, serial, design, meter_hours)
    return ready(
        session,
        (a_stack, cells, serial, meter_hours),
        lambda: _a_stack(session, cells, serial, a_design(session), meter_hours),
    )


def _a_stack(
    session: Session, cells: int, serial: str, design: Design, meter_hours: float
) -> Stack:
    if design.frozen_at is None:
        design.frozen_at = START
    serial = serial or f"TARN-{_next(session, Stack):03}"
    stack = Stack(
        serial=serial,
        serial_key=serial_key(serial),
        design_id=design.id,
        place="bench 1",
        added_at=START,
    )
    session.add(stack)
    session.flush()
    meter = HourMeter(stack_id=stack.id, number=1, fitted_at=START, removed_at=None)
    session.add(meter)
    session.flush()
    an_hour_reading(session, stack, meter_hours, START, moment=Moment.FITTED)
    if cells:
        a_build(session, stack, cells=cells)
    return stack


def an_hour_reading(
    session: Session,
    stack: Stack,
    hours: float,
    taken_at: datetime,
    *,
    moment: Moment = Moment.RUNNING,
    record: RebuildRecord | None = None,
    by: Person | None = None,
) -> HourReading:
    """What the stack's newest meter showed."""
    meter = session.scalars(
        select(HourMeter).where(HourMeter.stack_id == stack.id).order_by(HourMeter.number.desc())
    ).first()
    assert meter is not None
    reading = HourReading(
        stack_id=stack.id,
        meter_id=meter.id,
        moment=moment,
        hours=hours,
        taken_at=taken_at,
        record_id=record.id if record else None,
        step_id=None,
        by_id=(by or _somebody(session, Role.BUILDER)).id,
        known_from=taken_at,
        known_until=None,
        correction_id=None,
        replaces_id=None,
    )
    session.add(reading)
    session.flush()
    return reading


def a_torque_instrument(
    session: Session,
    *,
    label: str = "",
    done_at: datetime = START - timedelta(days=30),
    due_at: datetime = START + timedelta(days=335),
    result: CalibrationResult = CalibrationResult.IN_TOLERANCE,
    kind: InstrumentKind = InstrumentKind.TORQUE_DRIVER,
    unit: str = "N·m",
    tool: TorqueTool = TorqueTool.READING,
) -> Instrument:
    """An instrument with one calibration, valid when the laboratory opened and long after."""
    label = label or f"TD-{_next(session, Instrument):02}"
    instrument = Instrument(
        kind=kind,
        tool=tool if kind is InstrumentKind.TORQUE_DRIVER else None,
        label=label,
        label_key=serial_key(label),
        range_least=2.0 if unit == "N·m" else 0.0,
        range_most=300.0 if unit == "mm" else 20.0,
        unit=unit,
        in_use=True,
        added_at=START,
    )
    session.add(instrument)
    session.flush()
    session.add(
        Calibration(
            instrument_id=instrument.id,
            done_at=done_at,
            due_at=due_at,
            certificate=f"C-{instrument.id:04}",
            result=result,
            error_percent=0.4,
            written_by_id=_somebody(session, Role.QUALITY).id,
            written_at=START,
        )
    )
    session.flush()
    return instrument


Laid = tuple[Part, Facing]


def a_pile(
    session: Session,
    stack: Stack | None = None,
    cells: int = 4,
    *,
    mea: PartType | None = None,
    meas: list[Part] | None = None,
) -> list[Laid]:
    """Parts of a pile cooled at both ends, from the fixed end: N + 1 coolant layers.

    ``meas`` are the MEAs (or blank cells) to use; else new ones of type ``mea`` are made.
    """
    types = the_part_types(session)
    mea = mea or types.mea
    cell = (
        (types.fuel_plate, Facing.FREE_END),
        (types.gas_gasket, Facing.EITHER),
        (mea, Facing.FIXED_END if mea.marked_face else Facing.EITHER),
        (types.gas_gasket, Facing.EITHER),
        (types.air_plate, Facing.FIXED_END),
        (types.coolant_gasket, Facing.EITHER),
    )
    head = (types.insulator_plate, types.collector_flush, types.coolant_gasket)
    tail = (types.collector_channelled, types.insulator_plate)
    whole = [
        *((part_type, Facing.EITHER) for part_type in head),
        *(cell * cells),
        *((part_type, Facing.EITHER) for part_type in tail),
    ]
    given = dict(zip(range(len(head) + 2, len(whole), len(cell)), meas or (), strict=False))
    made = iter(
        some_parts(session, [kind for at, (kind, _) in enumerate(whole) if at not in given], stack)
    )
    return [(given.get(at) or next(made), facing) for at, (_, facing) in enumerate(whole)]


def some_fixings(session: Session, stack: Stack) -> list[tuple[Part, int | None, End | None]]:
    """A compression plate at each end; rod, sleeve, spring and nut at each rod."""
    types = the_part_types(session)
    rods = session.scalars(
        select(DesignRod.number)
        .where(DesignRod.design_id == stack.design_id)
        .order_by(DesignRod.number)
    ).all()
    each = (types.tie_rod, types.sleeve, types.disc_spring, types.nut)
    places: list[tuple[PartType, int | None, End | None]] = [
        *((types.compression_plate, None, end) for end in End),
        *((part_type, rod, None) for rod in rods for part_type in each),
    ]
    parts = some_parts(session, [part_type for part_type, _, _ in places], stack)
    return [(part, rod, end) for part, (_, rod, end) in zip(parts, places, strict=True)]


def a_build(
    session: Session,
    stack: Stack,
    *,
    cells: int = 4,
    closed_at: datetime | None = None,
    laid: list[Laid] | None = None,
    approved: bool = True,
    hours: float | None = None,
    builder: Person | None = None,
    taken_over_at: datetime | None = None,
) -> Build:
    """The next build of a stack, closed under a record of its own; the one before is opened.

    A later build keeps the parts and fixings of the one before and renews the gaskets, unless
    ``laid`` gives the pile. Closings are 30 days apart unless ``closed_at`` says otherwise. With
    ``taken_over_at`` it was closed elsewhere, and its record handed in then.
    """
    number = 1 + (
        session.scalar(select(func.max(Build.number)).where(Build.stack_id == stack.id)) or 0
    )
    closed_at = closed_at or FIRST_CLOSING + timedelta(days=30 * (number - 1))
    opened_at = closed_at - OPEN_FOR
    builder = builder or _somebody(session, Role.BUILDER)
    base = session.scalar(
        select(Build).where(Build.stack_id == stack.id, Build.number == number - 1)
    )
    record = a_record(
        session,
        stack,
        kind=RecordKind.TAKEN_OVER
        if taken_over_at
        else RecordKind.REBUILD
        if base
        else RecordKind.FIRST_BUILD,
        performed_from=opened_at - timedelta(hours=1),
        builder=builder,
        base=base,
    )
    writer = Journal(session, record, builder, opened_at)
    if base:
        laid, fixings = _reopened(session, base, writer, closed_at, laid)
        if hours is not None:
            an_hour_reading(
                session, stack, hours, opened_at, moment=Moment.OPENING, record=record, by=builder
            )
    else:
        fixings = some_fixings(session, stack)
        for part, rod, end in fixings:
            writer.note(
                StepKind.FIXING_FITTED,
                part_id=part.id,
                rod_number=rod,
                end=end,
                whereabouts_before=Whereabouts.IN_STORE,
            )
    laid = laid or a_pile(session, stack, cells)
    for part, facing in laid:
        is_new = part.whereabouts is Whereabouts.FITTED
        before = Whereabouts.IN_STORE if is_new else part.whereabouts
        part.whereabouts, part.stack_id = Whereabouts.FITTED, stack.id
        writer.note(
            StepKind.PUT_ON,
            end=End.FREE,
            part_id=part.id,
            facing=facing,
            whereabouts_before=before,
        )
    _tighten(session, stack, writer)
    record.opened_at, record.closed_at = opened_at if base else None, closed_at
    writer.note(StepKind.CLOSED)
    writer.write()
    record.version += writer.sequence
    build = Build(stack_id=stack.id, number=number, record_id=record.id)
    session.add(build)
    session.flush()
    _facts(session, build, laid, fixings, closed_at)
    handed_in_at = taken_over_at or closed_at + timedelta(hours=1)
    hand_in(session, record, handed_in_at)
    if approved:
        approve(session, record, handed_in_at + timedelta(hours=2))
    return build


def a_record(
    session: Session,
    stack: Stack,
    *,
    kind: RecordKind = RecordKind.REBUILD,
    performed_from: datetime = FIRST_CLOSING,
    builder: Person | None = None,
    base: Build | None = None,
) -> RebuildRecord:
    """An open record, one person at work on it."""
    builder = builder or _somebody(session, Role.BUILDER)
    record = RebuildRecord(
        stack_id=stack.id,
        kind=kind,
        state=RecordState.OPEN,
        reason="asked for by the test plan",
        performed_from=performed_from,
        opened_at=None,
        closed_at=None,
        written_by_id=builder.id,
        written_at=performed_from,
        base_build_id=base.id if base else None,
        version=1,
        handed_in_at=None,
        handed_in_by_id=None,
        content=None,
        content_sha256=None,
    )
    session.add(record)
    session.flush()
    session.add(
        RecordPerson(record_id=record.id, person_id=builder.id, involvement=Involvement.WORKED)
    )
    session.flush()
    return record


def hand_in(session: Session, record: RebuildRecord, at: datetime) -> None:
    """Freeze a record's content as it stands."""
    record.handed_in_at, record.handed_in_by_id = at, record.written_by_id
    session.flush()
    content = record_content(session, [record.id])[record.id]
    record.state = RecordState.HANDED_IN
    record.content, record.content_sha256 = content.canonical, content.sha256
    record.version += 1
    session.flush()


def approve(
    session: Session, record: RebuildRecord, at: datetime, supervisor: Person | None = None
) -> None:
    """Sign a record handed in."""
    supervisor = supervisor or _somebody(session, Role.SUPERVISOR)
    record.state = RecordState.APPROVED
    record.version += 1
    session.add(
        Decision(
            record_id=record.id,
            correction_id=None,
            meaning=Meaning.APPROVED,
            person_id=supervisor.id,
            person_name=supervisor.name,
            person_roles=Role.SUPERVISOR.value,
            at=at,
            content_sha256=record.content_sha256,
        )
    )
    session.flush()


def a_failing_mark(
    session: Session, part_id: int, at: datetime | None = None, **given: Any
) -> FailingMark:
    """A person's word that an MEA is failing, said when it began unless told else."""
    at = at or START
    if "confirmed_by_id" not in given:
        given["confirmed_by_id"] = a_person(session, Role.QUALITY).id
    mark = FailingMark(
        part_id=part_id,
        **{
            "says": MeaWord.FAILED,
            "failed_at": at,
            "confirmed_at": at,
            "reason": "below 0.60 V twice",
        }
        | given,
    )
    session.add(mark)
    session.flush()
    return mark


def a_release(session: Session, build: Build, at: datetime | None = None) -> BuildRelease:
    """A release of a build, given by somebody under limits that ask for nothing."""
    design_id = session.get_one(Stack, build.stack_id).design_id
    content = canonical_json(figures_as_data(DesignFigures()))
    limits = session.scalar(select(LimitSet).where(LimitSet.design_id == design_id))
    if limits is None:
        limits = LimitSet(
            design_id=design_id,
            version=1,
            content=content,
            content_sha256=sha256_of(content),
            source="nothing is limited",
            reason="a beginning",
            made_by_id=_somebody(session, Role.QUALITY).id,
            made_at=START,
            approved_by_id=_somebody(session, Role.SUPERVISOR).id,
            approved_at=START,
        )
        session.add(limits)
        session.flush()
    closed_at = session.scalars(
        select(BuildPeriod.closed_at).where(BuildPeriod.build_id == build.id)
    ).one()
    told = canonical_json({"build": build.number})
    release = BuildRelease(
        build_id=build.id,
        limit_set_id=limits.id,
        content=told,
        content_sha256=sha256_of(told),
        released_by_id=_somebody(session, Role.SUPERVISOR).id,
        released_at=at or closed_at + timedelta(hours=4),
    )
    session.add(release)
    session.flush()
    return release


class Journal:
    """Writes the steps of one record, ten seconds apart."""

    def __init__(
        self, session: Session, record: RebuildRecord, by: Person, begun_at: datetime
    ) -> None:
        self.session, self.record, self.by, self.at = session, record, by, begun_at
        self.sequence = 0
        self.noted: list[dict[str, Any]] = []

    def values(self, kind: StepKind, **given: object) -> dict[str, Any]:
        """Give the values of the next step, for whoever writes it."""
        self.sequence += 1
        self.at += timedelta(seconds=10)
        return {
            "record_id": self.record.id,
            "sequence": self.sequence,
            "kind": kind,
            "standing": False,
            "done_at": self.at,
            "written_at": self.at,
            "by_id": self.by.id,
            "end": None,
            "part_id": None,
            "exposed_part_id": None,
            "facing": None,
            "rod_number": None,
            "whereabouts_before": None,
            "scanned": None,
            "undone_at": None,
            "undone_by_id": None,
        } | given

    def step(self, kind: StepKind, **given: object) -> Step:
        """Write the next step."""
        step = Step(**self.values(kind, **given))
        self.session.add(step)
        return step

    def note(self, kind: StepKind, **given: object) -> dict[str, Any]:
        """Keep the next step until `write`."""
        self.noted.append(self.values(kind, **given))
        return self.noted[-1]

    def write(self) -> None:
        """Write all that was noted."""
        _insert(self.session, Step, self.noted)
        self.noted = []


def _reopened(
    session: Session,
    base: Build,
    writer: Journal,
    closed_at: datetime,
    laid: list[Laid] | None,
) -> tuple[list[Laid], list[tuple[Part, int | None, End | None]]]:
    """Open the build before: lift everything off from the free end, renew the gaskets."""
    stack = session.get_one(Stack, base.stack_id)
    now, opened_at = closed_at + timedelta(hours=1), closed_at - OPEN_FOR
    writer.note(StepKind.OPENED)
    known = (Layer.build_id == base.id, Layer.known_until.is_(None))
    before = session.execute(
        select(Part, Layer.facing, PartType)
        .join(Layer, Layer.part_id == Part.id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(*known)
        .order_by(Layer.position)
    ).all()
    for at in range(len(before) - 1, -1, -1):
        part = before[at][0]
        exposed = before[at - 1][0].id if at else None
        writer.note(
            StepKind.LIFTED_OFF,
            end=End.FREE,
            part_id=part.id,
            exposed_part_id=exposed,
            whereabouts_before=Whereabouts.FITTED,
        )
        part.whereabouts, part.stack_id = Whereabouts.LIFTED_OFF, None
    if laid is None:
        renewed = iter(
            some_parts(session, [kind for *_, kind in before if kind.renew_at_opening], stack)
        )
        laid = [
            (next(renewed) if kind.renew_at_opening else part, facing)
            for part, facing, kind in before
        ]
    fixings = [
        (part, rod, end)
        for part, rod, end in session.execute(
            select(Part, Fixing.rod_number, Fixing.end)
            .join(Fixing, Fixing.part_id == Part.id)
            .where(Fixing.build_id == base.id, Fixing.known_until.is_(None))
            .order_by(Fixing.id)
        )
    ]
    for table in (Layer, Fixing):
        session.execute(
            update(table)
            .where(table.build_id == base.id, table.known_until.is_(None))
            .values(present=False)
        )
    period = session.scalars(
        select(BuildPeriod).where(
            BuildPeriod.build_id == base.id, BuildPeriod.known_until.is_(None)
        )
    ).one()
    period.known_until = now
    session.flush()
    session.add(
        BuildPeriod(
            stack_id=stack.id,
            build_id=base.id,
            closed_at=period.closed_at,
            opened_at=opened_at,
            opened_by_record_id=writer.record.id,
            known_from=now,
            known_until=None,
            correction_id=None,
        )
    )
    session.flush()
    return laid, fixings


def _tighten(session: Session, stack: Stack, writer: Journal) -> None:
    design = session.get_one(Design, stack.design_id)
    instrument = session.scalars(
        select(Instrument).where(Instrument.kind == InstrumentKind.TORQUE_DRIVER)
    ).first() or a_torque_instrument(session)
    calibration = session.scalars(
        select(Calibration).where(Calibration.instrument_id == instrument.id)
    ).first()
    rods = session.scalars(
        select(DesignRod.number).where(DesignRod.design_id == design.id).order_by(DesignRod.turn)
    ).all()
    passes = range(1, design.tightening_passes + 1)
    noted = [
        (pass_number, writer.note(StepKind.TORQUE, rod_number=rod))
        for pass_number in passes
        for rod in rods
    ]
    writer.write()
    step_ids = dict(
        session.execute(
            select(Step.sequence, Step.id).where(Step.record_id == writer.record.id)
        ).all()
    )
    _insert(
        session,
        TorqueReading,
        [
            {
                "record_id": writer.record.id,
                "step_id": step_ids[step["sequence"]],
                "rod_number": step["rod_number"],
                "pass_number": pass_number,
                "stage": Stage.CLOSING,
                "kind": ReadingKind.SET,
                "torque_nm": (
                    torque_nm := design.target_torque_nm * pass_number / design.tightening_passes
                ),
                "entered": f"{torque_nm:g} N·m",
                "instrument_id": instrument.id,
                "calibration_id": calibration.id if calibration else None,
                "concession_id": None,
                "taken_at": step["done_at"],
                "by_id": writer.by.id,
                "known_from": step["done_at"],
                "known_until": None,
                "correction_id": None,
                "replaces_id": None,
            }
            for pass_number, step in noted
        ],
    )


def _facts(
    session: Session,
    build: Build,
    laid: list[Laid],
    fixings: list[tuple[Part, int | None, End | None]],
    closed_at: datetime,
) -> None:
    now = closed_at + timedelta(hours=1)
    known = {"known_from": now, "known_until": None, "correction_id": None}
    session.add(
        BuildPeriod(
            stack_id=build.stack_id,
            build_id=build.id,
            closed_at=closed_at,
            opened_at=None,
            opened_by_record_id=None,
            **known,
        )
    )
    types = {row.id: row for row in session.scalars(select(PartType))}
    shapes = [
        pile.Layer(
            position,
            part.id,
            types[part.part_type_id].kind,
            "",
            "",
            facing,
            side=types[part.part_type_id].side,
            joint=types[part.part_type_id].joint,
        )
        for position, (part, facing) in enumerate(laid, 1)
    ]
    layers = [
        {
            "build_id": build.id,
            "position": shape.position,
            "part_id": shape.part,
            "facing": shape.facing,
            "cell": shape.cell,
            "present": True,
            **known,
        }
        for shape in pile.number_cells(shapes)
    ]
    _insert(session, Layer, layers)
    _insert(
        session,
        Fixing,
        [
            {
                "build_id": build.id,
                "kind": types[part.part_type_id].kind,
                "rod_number": rod,
                "end": end,
                "part_id": part.id,
                "present": True,
                **known,
            }
            for part, rod, end in fixings
        ],
    )


def _insert(session: Session, table: type[Base], rows: list[dict[str, Any]]) -> None:
    """Write rows in one statement."""
    session.flush()
    if rows:
        session.execute(insert(table), rows, execution_options={"render_nulls": True})


def _somebody(session: Session, role: Role) -> Person:
    """Anybody with exactly one role; the same person every time."""
    login = f"the-{role.value}"
    person = session.scalar(select(Person).where(Person.login == login))
    return person or a_person(session, role, name=f"The {role.value}", login=login)


def _next(session: Session, table: type[Base]) -> int:
    return 1 + (session.scalar(select(func.max(table.id))) or 0)  # type: ignore[attr-defined]
