"""What the columns of a list can be, the headings they go by, and how their cells are read.

Headings are the words of lists in English and German laboratories. Common practice, no source.
"""

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.platform.arithmetic.dates import parse_date
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.vocabulary import Usability
from service.platform.errors import Refused
from service.platform.files.days import noon
from service.platform.files.tables_in import Cell, text_of


@dataclass(frozen=True, slots=True)
class Field:
    """One thing a column can say: its name, what people call it, and its usual headings."""

    name: str
    label: str
    headings: tuple[str, ...]


PART_TYPE = Field(
    "part_type",
    "part type",
    ("part type", "type", "component", "part name", "item", "description", "part",
     "Teiletyp", "Bauteil", "Bauteiltyp", "Komponente", "Bezeichnung", "Benennung", "Teil", "Typ"),
)  # fmt: skip
DRAWING = Field(
    "drawing_number",
    "drawing number",
    ("drawing number", "drawing", "drawing no", "dwg", "part number", "part no", "pn", "p n",
     "Zeichnungsnummer", "Zeichnung", "Zeichnungs Nr", "Artikelnummer", "Artikel Nr", "Teilenummer",
     "Sachnummer"),
)  # fmt: skip
REVISION = Field(
    "revision",
    "revision",
    ("revision", "rev", "issue", "Änderungsstand", "Index", "Revisionsstand", "Stand"),
)
SERIAL = Field(
    "serial",
    "serial number",
    ("serial number", "serial", "serial no", "serial nr", "sn", "s n", "part serial",
     "Seriennummer", "Serien Nr", "Serien Nummer", "Ser Nr", "SNr", "Fabriknummer"),
)  # fmt: skip
LOT = Field(
    "lot",
    "lot",
    ("lot", "lot number", "lot no", "batch", "batch number", "batch no", "bag",
     "Charge", "Chargennummer", "Chargen Nr", "Los", "Losnummer", "Los Nr"),
)  # fmt: skip
SUPPLIER = Field(
    "supplier",
    "supplier or maker",
    ("supplier", "vendor", "maker", "manufacturer", "made by", "Lieferant", "Hersteller"),
)
PRODUCED = Field(
    "produced",
    "made on",
    ("made on", "produced", "produced on", "production date", "date of manufacture", "manufactured",
     "mfg date", "Herstelldatum", "Herstellungsdatum", "Fertigungsdatum", "Produktionsdatum",
     "gefertigt am", "hergestellt am"),
)  # fmt: skip
RECEIVED = Field(
    "received",
    "received on",
    ("received on", "received", "date received", "delivery date", "delivered", "incoming date",
     "Eingang", "Eingangsdatum", "Wareneingang", "Lieferdatum", "geliefert am", "eingegangen am"),
)  # fmt: skip
EXPIRES = Field(
    "expires",
    "expires on",
    ("expires on", "expires", "expiry", "expiry date", "expiration date", "use by", "best before",
     "shelf life until", "Verfallsdatum", "Ablaufdatum", "haltbar bis", "verwendbar bis", "MHD"),
)  # fmt: skip
HOURS = Field(
    "hours_before",
    "hours it comes with",
    ("hours before", "hours", "operating hours", "run hours", "running hours", "h before",
     "Betriebsstunden", "Laufzeit", "Stunden", "Bh", "Vorlaufzeit"),
)  # fmt: skip
THICKNESS = Field(
    "measured_thickness_mm",
    "measured thickness in mm",
    ("measured thickness mm", "measured thickness", "thickness measured", "thickness as measured",
     "gemessene Dicke", "Dicke gemessen", "Dicke Ist", "Istdicke"),
)  # fmt: skip
PLACE = Field(
    "place",
    "shelf, tray or address",
    ("place", "location", "storage location", "storage", "shelf", "bin", "tray",
     "Lagerort", "Lagerplatz", "Ort", "Regal", "Fach", "Platz"),
)  # fmt: skip
USABILITY = Field(
    "usability",
    "whether it may be used",
    ("may be used", "usability", "status", "state", "inspection", "inspection status",
     "quality status", "Prüfstatus", "Zustand", "Freigabe", "Freigabestatus", "QS Status"),
)  # fmt: skip
QUANTITY = Field(
    "quantity",
    "quantity",
    ("quantity", "qty", "pieces", "pcs", "amount", "count",
     "Menge", "Anzahl", "Stück", "Stückzahl", "Stk"),
)  # fmt: skip
NOTES = Field(
    "notes",
    "notes",
    ("notes", "note", "remark", "remarks", "comment", "comments",
     "Bemerkung", "Bemerkungen", "Anmerkung", "Notiz", "Kommentar", "Hinweis"),
)  # fmt: skip
POSITION = Field(
    "position",
    "position from the fixed end",
    ("position", "pos", "layer", "layer no", "layer number", "no", "nr", "number",
     "Lage", "Lagennummer", "Schicht", "Lfd Nr"),
)  # fmt: skip
FACING = Field(
    "facing",
    "which end its marked face looks at",
    ("facing", "orientation", "marked face to", "faces", "side up", "direction",
     "Ausrichtung", "Orientierung", "Blickrichtung", "Seite nach", "Richtung"),
)  # fmt: skip

PART_FIELDS = (
    SERIAL,
    PART_TYPE,
    DRAWING,
    REVISION,
    LOT,
    QUANTITY,
    SUPPLIER,
    PRODUCED,
    RECEIVED,
    EXPIRES,
    HOURS,
    THICKNESS,
    PLACE,
    USABILITY,
    NOTES,
)
STACK_FIELDS = (POSITION, PART_TYPE, DRAWING, REVISION, SERIAL, LOT, FACING, HOURS)

USABILITY_WORDS = {
    Usability.NOT_INSPECTED: ("not inspected", "uninspected", "new", "to be inspected",
                              "ungeprüft", "nicht geprüft", "neu", "offen"),
    Usability.ACCEPTED: ("accepted", "ok", "o.k.", "i.o.", "io", "good", "pass", "passed",
                         "approved", "freigegeben", "frei", "gut", "in ordnung"),
    Usability.ACCEPTED_USED: ("accepted used", "accepted, used", "used", "used ok", "reusable",
                              "gebraucht", "gebraucht frei", "wiederverwendbar"),
    Usability.REJECTED: ("rejected", "nok", "n.i.o.", "nio", "bad", "fail", "failed", "not ok",
                         "gesperrt endgültig", "ausschuss", "abgelehnt"),
    Usability.ON_HOLD: ("on hold", "hold", "held", "blocked", "quarantine", "quarantined",
                        "gesperrt"),
    Usability.UNDER_CONCESSION: ("under concession", "concession", "sonderfreigabe"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reading:
    """How cells are to be read: the lab's zone, the present, which mark is decimal, day first."""

    zone: ZoneInfo
    now: datetime
    day_first: bool = False
    decimal: str | None = None


def day_in(cell: Cell, field: str, how: Reading, *, ahead: bool = False) -> datetime | None:
    """Return the day in a cell, kept as noon; None where it is empty. Raises Refused."""
    if cell is None or cell == "":
        return None
    text = text_of(cell)
    try:
        day = cell.date() if isinstance(cell, datetime) else None
        day = day or parse_date(text, day_first=how.day_first)
    except OutOfRange as trouble:
        raise Refused(field, text, "this is no day.", f"Right: {trouble.allowed}.") from None
    time = noon(day, how.zone, how.now)
    if time is not None and not ahead and time > how.now + timedelta(minutes=5):
        raise Refused(field, text, "it lies ahead.", "A day up to today would be right.")
    return time


def number_in(cell: Cell, field: str, how: Reading) -> float | None:
    """Return the number in a cell; None where it is empty. Raises Refused."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, int | float):
        value = float(cell)
    else:
        try:
            value = read_number(text_of(cell), decimal=how.decimal)
        except OutOfRange as trouble:
            text = text_of(cell)
            right = f"Right: {trouble.allowed}."
            raise Refused(field, text, "this is no number.", right) from None
    if not math.isfinite(value):
        raise Refused(field, text_of(cell), "this is no number.", "Digits, such as 12.5.")
    return value


def whole_in(cell: Cell, field: str, how: Reading, *, least: int = 0) -> int | None:
    """Return the whole number in a cell; None where it is empty. Raises Refused."""
    value = number_in(cell, field, how)
    if value is None:
        return None
    if not value.is_integer() or value < least or value > 10_000_000:
        right = f"A whole number of {least} or more would be right."
        raise Refused(field, text_of(cell), "this is no whole number that fits.", right)
    return int(value)


def usability_in(cell: Cell, field: str) -> Usability:
    """Return what may be done with the part; empty means not inspected. Raises Refused."""
    text = text_of(cell)
    word = text.casefold()
    if not word:
        return Usability.NOT_INSPECTED
    for usability, words in USABILITY_WORDS.items():
        if word in words:
            if usability in {Usability.ON_HOLD, Usability.UNDER_CONCESSION}:
                how = "placed with its reason once the part is here"
                raise Refused(field, text, f"a hold or concession is {how}.", "Leave it empty.")
            return usability
    allowed = ", ".join(
        word for word in Usability if word not in {Usability.ON_HOLD, Usability.UNDER_CONCESSION}
    )
    raise Refused(field, text, "this word is not known here.", f"Right: {allowed}.")
