"""Three invented designs: of different active area, rods and cooling."""

from service.designs.changes.designs import DesignEntry, LineEntry, PortEntry, RodEntry
from service.platform.arithmetic.vocabulary import End

PURGED = LineEntry(
    "Fuel and air sides purged with nitrogen: hydrogen at the outlet", "% vol", 0.4, True
)
DISCHARGED = LineEntry(
    "Voltage of the stack five minutes after the bleed resistor was taken off", "V", 1.0, True, True
)
VENTED = LineEntry(
    "Fuel, air and coolant vented: greatest reading of the three gauges", "kPa", 2.0, True
)
SHUT = LineEntry(
    "Load off; hydrogen, air and coolant pump shut, locked and tagged", needs_witness=True
)
COOLED = LineEntry("Coolant cooled down: temperature at the outlet", "°C", 40.0, True)
DRAINED = LineEntry("Coolant drained and blown out; tray under the stack for what remains")
AREA = LineEntry("Ventilation and hydrogen detector on, no ignition source near, gloves on")
PRESSED = LineEntry(
    "Press takes the springs' load; nobody in line with the rods", needs_witness=True
)


def _ports(fixed: str, free: str = "") -> tuple[PortEntry, ...]:
    return tuple(
        PortEntry(end, label.split()[0], label)
        for end, labels in ((End.FIXED, fixed), (End.FREE, free))
        for label in labels.split(", ")
        if label
    )


def _rods(
    places: tuple[tuple[float, float], ...], crosswise: tuple[int, ...]
) -> tuple[RodEntry, ...]:
    """Rods numbered clockwise from the upper left; ``crosswise`` names them in turn."""
    return tuple(
        RodEntry(number, x, y, crosswise.index(number) + 1)
        for number, (x, y) in enumerate(places, 1)
    )


WREN = DesignEntry(
    name="Wren",
    revision="B",
    active_area_cm2=25.0,
    least_cells=2,
    most_cells=10,
    cooling="between the cells only; the end cells are not cooled on their outer side",
    plate_width_mm=110.0,
    plate_height_mm=110.0,
    rod_length_mm=150.0,
    target_torque_nm=2.7,
    torque_tolerance_percent=6.0,
    tightening_passes=3,
    notes="Invented. A small stack for trying materials; four M6 rods.",
    rods=_rods(((-44, 44), (44, 44), (44, -44), (-44, -44)), (1, 3, 2, 4)),
    ports=_ports("fuel in, fuel out, air in, air out, coolant in, coolant out"),
    checklist=(SHUT, PURGED, DISCHARGED, VENTED, AREA),
)
HERON = DesignEntry(
    name="Heron",
    revision="A",
    active_area_cm2=100.0,
    least_cells=4,
    most_cells=20,
    cooling="every cell on both sides: N + 1 coolant layers, outside both end cells too",
    plate_width_mm=190.0,
    plate_height_mm=150.0,
    rod_length_mm=260.0,
    target_torque_nm=4.6,
    torque_tolerance_percent=5.0,
    tightening_passes=3,
    notes="Invented. The fuel face of its MEA bears the mark; eight M8 rods.",
    rods=_rods(
        ((-80, 62), (0, 62), (80, 62), (80, 0), (80, -62), (0, -62), (-80, -62), (-80, 0)),
        (1, 5, 3, 7, 2, 6, 4, 8),
    ),
    ports=_ports("fuel in, fuel out, air in, air out, coolant in", "coolant out"),
    checklist=(SHUT, PURGED, DISCHARGED, VENTED, COOLED, DRAINED, AREA),
)
STORK = DesignEntry(
    name="Stork",
    revision="C",
    active_area_cm2=220.0,
    least_cells=20,
    most_cells=60,
    cooling="on the fuel side of every cell: N coolant layers, the last half plate stands dry",
    plate_width_mm=300.0,
    plate_height_mm=210.0,
    rod_length_mm=430.0,
    target_torque_nm=5.6,
    torque_tolerance_percent=5.0,
    tightening_passes=3,
    notes="Invented. Twelve M8 rods with three disc springs each.",
    rods=_rods(
        (
            *((-135, 92), (-45, 92), (45, 92), (135, 92), (135, 30), (135, -30)),
            *((135, -92), (45, -92), (-45, -92), (-135, -92), (-135, -30), (-135, 30)),
        ),
        (1, 7, 4, 10, 2, 8, 5, 11, 3, 9, 6, 12),
    ),
    ports=_ports("fuel in, air in, coolant in", "fuel out, air out, coolant out"),
    checklist=(SHUT, PURGED, DISCHARGED, VENTED, COOLED, DRAINED, PRESSED, AREA),
)
DESIGNS = (WREN, HERON, STORK)
