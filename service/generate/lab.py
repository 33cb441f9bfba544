"""What stands around the generated stacks: people, instruments, a design, part types, lots.

All of it is invented and says so; nobody generated can sign in.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import ChecklistLine, Design, DesignPort, DesignRod
from service.people.tables import Person, PersonRole, Role
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Material, Side
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import InstrumentKind, TorqueTool
from service.store.tables import Calibration, Instrument, Lot, PartType

CALIBRATED_EVERY = timedelta(days=180)
BUILDERS, SUPERVISORS = 4, 2
LOT_SIZE = 240
"""parts of a generated lot: a box of MEAs, a sheet of gaskets"""

G, M, E, P = Material.GRAPHITE, Material.METAL, Material.ELASTOMER, Material.PLASTIC
TYPES: dict[str, dict[str, Any]] = {
    "mea": {"kind": Kind.MEA, "material": Material.MEMBRANE, "thickness_mm": 0.45},
    "fuel_plate": {
        "kind": Kind.HALF_PLATE,
        "side": Side.FUEL,
        "back": Back.CHANNELLED,
        "marked_face": "gas side",
    },
    "air_plate": {
        "kind": Kind.HALF_PLATE,
        "side": Side.AIR,
        "back": Back.FLUSH,
        "marked_face": "gas side",
    },
    "gas_gasket": {"kind": Kind.GASKET, "joint": Joint.GAS, "material": E, "thickness_mm": 0.3},
    "coolant_gasket": {
        "kind": Kind.GASKET,
        "joint": Joint.COOLANT,
        "material": E,
        "thickness_mm": 0.5,
    },
    "collector_flush": {"kind": Kind.CURRENT_COLLECTOR, "material": M, "back": Back.FLUSH},
    "collector_channelled": {
        "kind": Kind.CURRENT_COLLECTOR,
        "material": M,
        "back": Back.CHANNELLED,
    },
    "insulator_plate": {"kind": Kind.INSULATOR_PLATE, "material": P, "thickness_mm": 10.0},
    "compression_plate": {"kind": Kind.COMPRESSION_PLATE, "material": M, "thickness_mm": 18.0},
    "tie_rod": {"kind": Kind.TIE_ROD, "material": M, "thickness_mm": None},
    "sleeve": {"kind": Kind.SLEEVE, "material": P, "thickness_mm": None},
    "disc_spring": {"kind": Kind.DISC_SPRING, "material": M, "thickness_mm": 1.8},
    "nut": {"kind": Kind.NUT, "material": M, "thickness_mm": None, "counted": True},
}
CHECKLIST = (
    ("Load taken off; fuel shut, vented and locked.", None, None, False, False),
    ("Anode purged with nitrogen: hydrogen at the outlet no more than", "% vol", 0.4, True, False),
    ("Cells discharged: voltage of the stack no more than", "V", 0.5, True, True),
)  # fmt: skip


FACING = {"fuel_plate": Facing.FREE_END, "air_plate": Facing.FIXED_END}


@dataclass
class Laid:
    """One part on the pile."""

    part_id: int
    name: str

    @property
    def kind(self) -> Kind:
        """What it is."""
        kind: Kind = TYPES[self.name]["kind"]
        return kind

    @property
    def facing(self) -> Facing:
        """How it lies: half plates look at the membrane with their gas side."""
        return FACING.get(self.name, Facing.EITHER)


@dataclass
class Lab:
    """Ids of what the histories refer to; lots are opened as parts are taken from them."""

    design_id: int
    rods: list[int]
    torque_nm: float
    passes: int
    types: dict[str, int]
    new_lot: Callable[[str, int], int]
    lots: dict[str, int] = field(default_factory=dict, init=False)
    taken: dict[str, int] = field(default_factory=dict, init=False)
    builders: list[int]
    supervisors: list[tuple[int, str]]
    instruments: dict[InstrumentKind, int]
    calibrations: dict[int, list[tuple[datetime, int]]] = field(default_factory=dict)

    def take(self, name: str) -> tuple[int, int]:
        """Return the lot the next part of a type comes from, and the part's number in it."""
        number = self.taken.get(name, 0)
        if number % LOT_SIZE == 0:
            self.lots[name] = self.new_lot(name, number // LOT_SIZE + 1)
        self.taken[name] = number + 1
        return self.lots[name], number % LOT_SIZE + 1

    def calibration(self, instrument_id: int, at: datetime) -> int:
        """Return the calibration that was valid at a time."""
        return [key for done_at, key in self.calibrations[instrument_id] if done_at <= at][-1]


def stand_up(session: Session, *, mark: str, cells: int, since: datetime, until: datetime) -> Lab:
    """Make the surroundings of one generated laboratory; ``mark`` tells it from others."""
    rods = 4 if cells <= 20 else 8 if cells <= 60 else 12
    design = _design(session, mark, cells, rods, since)
    types = _types(session, since)

    def new_lot(name: str, number: int) -> int:
        return _lot(session, types[name], f"{mark}-{name}-{number:03}", since)

    people = _people(session, mark, since)
    lab = Lab(
        design_id=design.id,
        rods=list(range(1, rods + 1)),
        torque_nm=design.target_torque_nm,
        passes=design.tightening_passes,
        types=types,
        new_lot=new_lot,
        builders=[person.id for person in people[:BUILDERS]],
        supervisors=[(person.id, person.name) for person in people[BUILDERS:]],
        instruments={},
    )
    for kind, unit, most in (
        (InstrumentKind.TORQUE_DRIVER, "N·m", 20.0),
        (InstrumentKind.GAS_DETECTOR, "% vol", 4.0),
        (InstrumentKind.MULTIMETER, "V", 600.0),
    ):
        instrument = _instrument(session, kind, (f"{mark}-{kind.value}", unit, most), since)
        lab.instruments[kind] = instrument.id
        _calibrate(session, lab, instrument, until)
    session.flush()
    return lab


def _design(session: Session, mark: str, cells: int, rods: int, since: datetime) -> Design:
    design = Design(
        name=f"{mark} {cells} cells",
        revision="A",
        active_area_cm2=200.0,
        least_cells=1,
        most_cells=cells,
        cooling="a coolant layer between all cells and outside both end cells",
        plate_width_mm=240.0,
        plate_height_mm=160.0,
        rod_length_mm=100.0 + cells * 7.0,
        target_torque_nm=10.0,
        torque_tolerance_percent=6.0,
        tightening_passes=3,
        notes="Generated: no such stack exists.",
        made_at=since,
        frozen_at=since,
    )
    session.add(design)
    session.flush()
    half = rods // 2
    for at in range(rods):
        row, column = divmod(at, half)
        session.add(
            DesignRod(
                design_id=design.id,
                number=at + 1,
                x_mm=-105.0 + 210.0 * column / max(1, half - 1),
                y_mm=-70.0 if row else 70.0,
                turn=(2 * column + 1) if row == column % 2 else (2 * column + 2),
            )
        )
    for end, label in (("fixed end", "in"), ("free end", "out")):
        for fluid in ("fuel", "air", "coolant"):
            port = DesignPort(design_id=design.id, end=end, fluid=fluid, label=f"{fluid} {label}")
            session.add(port)
    for number, (wording, unit, most, needs_instrument, needs_witness) in enumerate(CHECKLIST, 1):
        session.add(
            ChecklistLine(
                design_id=design.id,
                number=number,
                wording=wording,
                unit=unit,
                reading_most=most,
                needs_instrument=needs_instrument,
                needs_witness=needs_witness,
            )
        )
    return design


def _types(session: Session, since: datetime) -> dict[str, int]:
    names = {f"GEN-{number:02}": name for number, name in enumerate(TYPES, 1)}
    rows_statement = select(PartType.drawing_number, PartType.id).where(PartType.revision == "A")
    id_of_drawing = {row.drawing_number: row.id for row in session.execute(rows_statement)}
    types = {}
    for drawing, name in names.items():
        if drawing not in id_of_drawing:
            part_type = _type(drawing, name, since)
            session.add(part_type)
            session.flush()
            id_of_drawing[drawing] = part_type.id
        types[name] = id_of_drawing[drawing]
    return types


def _type(drawing: str, name: str, since: datetime) -> PartType:
    gasket = TYPES[name]["kind"] is Kind.GASKET
    usual: dict[str, Any] = {
        "material": G,
        "thickness_mm": 2.2,
        "side": None,
        "back": Back.NONE,
        "joint": None,
        "marked_face": None,
        "counted": gasket,
        "renew_at_opening": gasket,
        "openings_most": 1 if gasket else None,
        "hours_most": None,
        "shelf_life_months": None,
    }
    words = name.replace("_", " ")
    return PartType(
        name=f"{words} (generated)",
        drawing_number=drawing,
        revision="A",
        made_at=since,
        **(usual | TYPES[name]),
    )


def _lot(session: Session, type_id: int, label: str, since: datetime) -> int:
    lot = Lot(
        part_type_id=type_id,
        label=label,
        label_key=serial_key(label),
        supplier="generated",
        received_at=since,
        produced_at=None,
        expires_at=None,
        quantity=None,
    )
    session.add(lot)
    session.flush()
    return lot.id


def _people(session: Session, mark: str, since: datetime) -> list[Person]:
    people = []
    for role, count in ((Role.BUILDER, BUILDERS), (Role.SUPERVISOR, SUPERVISORS)):
        for number in range(1, count + 1):
            person = Person(
                login=f"{mark}-{role.value}-{number}".lower(),
                name=f"Generated {role.value} {number}",
                password_hash="",
                active=False,
                added_at=since,
            )
            session.add(person)
            session.flush()
            session.add(PersonRole(person_id=person.id, role=role))
            people.append(person)
    return people


def _instrument(
    session: Session, kind: InstrumentKind, description: tuple[str, str, float], since: datetime
) -> Instrument:
    label, unit, most = description
    instrument = Instrument(
        kind=kind,
        tool=TorqueTool.READING if kind is InstrumentKind.TORQUE_DRIVER else None,
        label=label,
        label_key=serial_key(label),
        range_least=0.0,
        range_most=most,
        unit=unit,
        in_use=True,
        added_at=since,
    )
    session.add(instrument)
    session.flush()
    return instrument


def _calibrate(session: Session, lab: Lab, instrument: Instrument, until: datetime) -> None:
    calibrations: list[tuple[datetime, int]] = []
    done_at = instrument.added_at - timedelta(days=1)
    while done_at <= until:
        calibration = Calibration(
            instrument_id=instrument.id,
            done_at=done_at,
            due_at=done_at + CALIBRATED_EVERY + timedelta(days=14),
            certificate=f"{instrument.label} {len(calibrations) + 1}",
            result=CalibrationResult.IN_TOLERANCE,
            error_percent=0.5,
            written_by_id=lab.builders[0],
            written_at=done_at,
        )
        session.add(calibration)
        session.flush()
        calibrations.append((done_at, calibration.id))
        done_at += CALIBRATED_EVERY
    lab.calibrations[instrument.id] = calibrations
