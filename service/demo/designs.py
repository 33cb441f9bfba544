"""Three invented designs: of different active area, rods and cooling."""

from typing import Any

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_types import drawing
from service.designs.queries import DesignEntry, LineEntry, PatternEntry, PortEntry, RodEntry
from service.platform.arithmetic.vocabulary import Back, End, Facing, Joint, Kind, Material, Side
from service.store.changes.part_types import PartTypeEntry

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
    rod_length_mm=120.0,
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
    rod_length_mm=170.0,
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
    rod_length_mm=290.0,
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


# The part types of the three designs. Serials begin with the key of their type.


GRAPHITE, METAL, PLASTIC = Material.GRAPHITE, Material.METAL, Material.PLASTIC


def _plate(
    name: str, drawing: str, thickness: float, side: Side, back: Back, *, revision: str = "A"
) -> PartTypeEntry:
    return PartTypeEntry(
        Kind.HALF_PLATE,
        name,
        drawing,
        revision,
        GRAPHITE,
        thickness,
        side=side,
        back=back,
        marked_face="gas face",
        hours_most=8000.0,
    )


def _gasket(name: str, drawing: str, thickness: float, joint: Joint) -> PartTypeEntry:
    return PartTypeEntry(
        Kind.GASKET,
        name,
        drawing,
        "A",
        Material.ELASTOMER,
        thickness,
        joint=joint,
        counted=True,
        renew_at_opening=True,
        openings_most=1,
        shelf_life_months=60,
    )


def _layer(
    kind: Kind,
    name: str,
    drawing: str,
    material: Material,
    thickness: float,
    *,
    back: Back = Back.NONE,
    counted: bool = False,
) -> PartTypeEntry:
    return PartTypeEntry(kind, name, drawing, "A", material, thickness, back=back, counted=counted)


def _mea(name: str, drawing: str, thickness: float, marked: str | None = None) -> PartTypeEntry:
    return PartTypeEntry(
        Kind.MEA,
        name,
        drawing,
        "A",
        Material.MEMBRANE,
        thickness,
        marked_face=marked,
        openings_most=4,
        hours_most=5000.0,
        shelf_life_months=36,
        open_life_days=30,
    )


def _fixing(
    kind: Kind, name: str, drawing: str, material: Material, thickness: float | None = None
) -> PartTypeEntry:
    counted = kind is not Kind.COMPRESSION_PLATE
    return PartTypeEntry(kind, name, drawing, "A", material, thickness, counted=counted)


FUEL, AIR, FLUSH, CHANNELLED = Side.FUEL, Side.AIR, Back.FLUSH, Back.CHANNELLED


MEA, COLLECTOR, INSULATOR = Kind.MEA, Kind.CURRENT_COLLECTOR, Kind.INSULATOR_PLATE


PART_TYPES = {
    "WM": _mea("MEA 25 cm²", "TEL-1101", 0.45),
    "WF": _plate("fuel half plate 25 cm², channelled back", "TEL-1110", 2.0, FUEL, CHANNELLED),
    "WE": _plate("fuel end half plate 25 cm², flush back", "TEL-1111", 2.0, FUEL, FLUSH),
    "WA": _plate("air half plate 25 cm²", "TEL-1112", 2.0, AIR, FLUSH),
    "WG": _gasket("gas gasket 25 cm²", "TEL-1120", 0.3, Joint.GAS),
    "WK": _gasket("coolant gasket 25 cm²", "TEL-1121", 0.3, Joint.COOLANT),
    "WC": _layer(COLLECTOR, "current collector 25 cm²", "TEL-1130", METAL, 2.0, back=FLUSH),
    "WI": _layer(INSULATOR, "insulator plate 110 mm", "TEL-1140", PLASTIC, 6.0),
    "WP": _fixing(Kind.COMPRESSION_PLATE, "compression plate 110 mm", "TEL-1150", METAL, 15.0),
    "WR": _fixing(Kind.TIE_ROD, "tie rod M6 × 120", "TEL-1160", METAL),
    "WS": _fixing(Kind.SLEEVE, "rod sleeve 8 × 60", "TEL-1161", PLASTIC),
    "WN": _fixing(Kind.NUT, "nut M6 with washer", "TEL-1162", METAL),
    "HM": _mea("MEA 100 cm²", "TEL-2101", 0.5, "fuel face"),
    "HB": _layer(Kind.BLANK_CELL, "blank cell 100 cm²", "TEL-2102", METAL, 0.5, counted=True),
    "HF": _plate("fuel half plate 100 cm²", "TEL-2110", 2.4, FUEL, CHANNELLED, revision="C"),
    "HA": _plate("air half plate 100 cm²", "TEL-2112", 2.4, AIR, FLUSH, revision="C"),
    "HG": _gasket("gas gasket 100 cm²", "TEL-2120", 0.4, Joint.GAS),
    "HK": _gasket("coolant gasket 100 cm²", "TEL-2121", 0.4, Joint.COOLANT),
    "HC": _layer(COLLECTOR, "current collector 100 cm², flush", "TEL-2130", METAL, 3.0, back=FLUSH),
    "HD": _layer(
        COLLECTOR, "current collector 100 cm², channelled", "TEL-2131", METAL, 3.0, back=CHANNELLED
    ),
    "HI": _layer(INSULATOR, "insulator plate 190 mm", "TEL-2140", PLASTIC, 8.0),
    "HP": _fixing(Kind.COMPRESSION_PLATE, "compression plate 190 mm", "TEL-2150", METAL, 20.0),
    "HR": _fixing(Kind.TIE_ROD, "tie rod M8 × 170", "TEL-2160", METAL),
    "HS": _fixing(Kind.SLEEVE, "rod sleeve 10 × 140", "TEL-2161", PLASTIC),
    "HN": _fixing(Kind.NUT, "nut M8 with washer", "TEL-2162", METAL),
    "SM": _mea("MEA 220 cm²", "TEL-3101", 0.45, "fuel face"),
    "SW": _plate("fuel half plate 220 cm², channelled back", "TEL-3111", 1.6, FUEL, CHANNELLED),
    "SA": _plate("air half plate 220 cm²", "TEL-3112", 1.6, AIR, FLUSH),
    "SG": _gasket("gas gasket 220 cm²", "TEL-3120", 0.3, Joint.GAS),
    "SK": _gasket("coolant gasket 220 cm²", "TEL-3121", 0.3, Joint.COOLANT),
    "SC": _layer(COLLECTOR, "current collector 220 cm²", "TEL-3130", METAL, 3.0, back=FLUSH),
    "SI": _layer(INSULATOR, "insulator plate 300 mm", "TEL-3140", PLASTIC, 10.0),
    "SP": _fixing(Kind.COMPRESSION_PLATE, "compression plate 300 mm", "TEL-3150", METAL, 25.0),
    "SR": _fixing(Kind.TIE_ROD, "tie rod M8 × 290", "TEL-3160", METAL),
    "SS": _fixing(Kind.SLEEVE, "rod sleeve 10 × 280", "TEL-3161", PLASTIC),
    "SD": _fixing(Kind.DISC_SPRING, "disc spring 20 × 10.2 × 1.1", "TEL-3162", METAL, 1.1),
    "SN": _fixing(Kind.NUT, "nut M8 with washer and cap", "TEL-3163", METAL),
}


# The patterns of the three designs, and what belongs on each of their rods.


FIXED, FREE = Facing.FIXED_END, Facing.FREE_END


def _item(key: str, **more: Any) -> Item:
    """One place of a pattern, for a part type by its key."""
    part_type = PART_TYPES[key]
    return Item(
        part_type.kind,
        drawing(part_type.drawing_number, part_type.revision),
        renew_at_opening=part_type.renew_at_opening,
        **more,
    )


def _gas_side(key: str, mea: Item, *, air_plate: str) -> tuple[Item, ...]:
    """MEA between its gaskets, and the air half plate behind them."""
    return _item(key), mea, _item(key), _item(air_plate, facing=FIXED)


def _cells(entry: DesignEntry) -> dict[str, int]:
    return {"least_cells": entry.least_cells, "most_cells": entry.most_cells}


PATTERNS = {
    WREN.name: PatternEntry(
        Pattern(
            head=(_item("WI"), _item("WC"), _item("WE", facing=FREE)),
            cell=_gas_side("WG", _item("WM"), air_plate="WA"),
            between=(_item("WK", one_lot=True), _item("WF", facing=FREE)),
            tail=(_item("WC"), _item("WI")),
            **_cells(WREN),
        ),
        {Kind.SLEEVE: 1, Kind.NUT: 2},
    ),
    HERON.name: PatternEntry(
        Pattern(
            head=(_item("HI"), _item("HC"), _item("HK")),
            cell=(
                _item("HF", facing=FREE),
                *_gas_side(
                    "HG",
                    _item("HM", facing=FIXED, directional=True, blank_may_stand=True),
                    air_plate="HA",
                ),
            ),
            between=(_item("HK"),),
            tail=(_item("HK"), _item("HD"), _item("HI")),
            **_cells(HERON),
        ),
        {Kind.SLEEVE: 1, Kind.NUT: 2},
    ),
    STORK.name: PatternEntry(
        Pattern(
            head=(_item("SI"), _item("SC"), _item("SK"), _item("SW", facing=FREE)),
            cell=_gas_side("SG", _item("SM", facing=FIXED, directional=True), air_plate="SA"),
            between=(_item("SK"), _item("SW", facing=FREE)),
            tail=(_item("SC"), _item("SI")),
            **_cells(STORK),
        ),
        {Kind.SLEEVE: 1, Kind.DISC_SPRING: 3, Kind.NUT: 2},
    ),
}
