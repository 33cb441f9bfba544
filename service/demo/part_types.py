"""The part types of the three designs. Serials begin with the key of their type."""

from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side
from service.store.changes.part_types import PartTypeEntry

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
    "WR": _fixing(Kind.TIE_ROD, "tie rod M6 × 150", "TEL-1160", METAL),
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
    "HR": _fixing(Kind.TIE_ROD, "tie rod M8 × 260", "TEL-2160", METAL),
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
    "SR": _fixing(Kind.TIE_ROD, "tie rod M8 × 430", "TEL-3160", METAL),
    "SS": _fixing(Kind.SLEEVE, "rod sleeve 10 × 280", "TEL-3161", PLASTIC),
    "SD": _fixing(Kind.DISC_SPRING, "disc spring 20 × 10.2 × 1.1", "TEL-3162", METAL, 1.1),
    "SN": _fixing(Kind.NUT, "nut M8 with washer and cap", "TEL-3163", METAL),
}
