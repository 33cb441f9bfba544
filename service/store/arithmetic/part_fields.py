"""What is said of part types, parts and lots: one description for form, list, trail and machines.

Headings are the words of lists in English and German laboratories. What is measured of a part is
of the free part, not pressed, so the type's free thickness counts where it is known; so does a
gasket's free height. Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import replace
from math import inf

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import (
    choice,
    day,
    moment,
    notes,
    number,
    serial,
    whole,
    words,
    yes,
)
from service.platform.arithmetic.vocabulary import (
    Back,
    Joint,
    Kind,
    Material,
    Side,
    Usability,
    Whereabouts,
)
from service.store.arithmetic.lot_roles import COATED, ROLE_COLUMNS

SERIAL = serial(
    "serial",
    "Serial number",
    help="As marked on the part. Case and surrounding space make no difference.",
    headings=("serial number", "serial", "serial no", "serial nr", "sn", "s n", "part serial",
     "Seriennummer", "Serien Nr", "Serien Nummer", "Ser Nr", "SNr", "Fabriknummer"),
)  # fmt: skip
MAKER = words(
    "maker",
    "Maker",
    required=False,
    help="Two makers can give one serial. Empty: the supplier of its lot.",
)
HOURS = number(
    "hours_before",
    "Hours it comes with",
    "h",
    required=False,
    otherwise=0.0,
    help="Of operation, before it came here. 0 for a new part.",
    trail="hours before",
    headings=("hours before", "hours", "operating hours", "run hours", "running hours", "h before",
     "Betriebsstunden", "Laufzeit", "Stunden", "Bh", "Vorlaufzeit"),
)  # fmt: skip
THICKNESS = number(
    "measured_thickness_mm",
    "Measured thickness",
    "mm",
    above=True,
    required=False,
    help="Of the free part, not pressed. Empty: not measured.",
    column="measured thickness in mm",
    trail="measured thickness",
    headings=(
     "measured thickness mm", "measured thickness", "thickness measured", "thickness as measured",
     "gemessene Dicke", "Dicke gemessen", "Dicke Ist", "Istdicke"),
)  # fmt: skip
PLACE = words(
    "place",
    "Shelf, tray or address",
    required=False,
    headings=("place", "location", "storage location", "storage", "shelf", "bin", "tray",
     "Lagerort", "Lagerplatz", "Ort", "Regal", "Fach", "Platz"),
)  # fmt: skip
USABILITY = choice(
    "usability",
    "Whether it may be used",
    tuple(Usability),
    required=False,
    otherwise=Usability.NOT_INSPECTED,
    trail="whether it may be used",
    headings=("may be used", "usability", "status", "state", "inspection", "inspection status",
     "quality status", "Prüfstatus", "Zustand", "Freigabe", "Freigabestatus", "QS Status"),
)  # fmt: skip
WHEREABOUTS = choice("whereabouts", "Where it is", tuple(Whereabouts), trail="where it is")
NOTES = notes(
    headings=("notes", "note", "remark", "remarks", "comment", "comments",
     "Bemerkung", "Bemerkungen", "Anmerkung", "Notiz", "Kommentar", "Hinweis"),
)  # fmt: skip

MEASURED = (THICKNESS,)
"""What is measured of one part; None: not measured."""
PART_FIELDS = (SERIAL, MAKER, HOURS, *MEASURED, WHEREABOUTS, PLACE, USABILITY, NOTES)
CHANGED_FIELDS = (
    replace(SERIAL, required=False),
    MAKER,
    replace(HOURS, required=True),
    *MEASURED,
    NOTES,
)
"""What is said again when a part is changed; a counted item has no serial."""

LABEL = serial(
    "label",
    "Label",
    help="As written on the bag or box, such as L-2207. Case and surrounding space make no"
    " difference.",
)
SUPPLIER = words(
    "supplier",
    "Supplier or maker",
    required=False,
    headings=("supplier", "vendor", "maker", "manufacturer", "made by", "Lieferant", "Hersteller"),
)
QUANTITY = whole(
    "quantity",
    "Quantity received",
    unit="items",
    least=0,
    most=inf,
    required=False,
    column="quantity",
    help="Needed for counted items, so that what was taken can be set against it.",
    headings=("quantity", "qty", "pieces", "pcs", "amount", "count",
     "Menge", "Anzahl", "Stück", "Stückzahl", "Stk"),
)  # fmt: skip
PRODUCED = day(
    "produced_at",
    "Made on",
    headings=(
     "made on", "produced", "produced on", "production date", "date of manufacture", "manufactured",
     "mfg date", "Herstelldatum", "Herstellungsdatum", "Fertigungsdatum", "Produktionsdatum",
     "gefertigt am", "hergestellt am"),
)  # fmt: skip
RECEIVED = day(
    "received_at",
    "Received on",
    headings=(
     "received on", "received", "date received", "delivery date", "delivered", "incoming date",
     "Eingang", "Eingangsdatum", "Wareneingang", "Lieferdatum", "geliefert am", "eingegangen am"),
)  # fmt: skip
EXPIRES = day(
    "expires_at",
    "Expires on",
    ahead=True,
    help="Left empty, it follows from the day of making and the shelf life of the part type.",
    headings=(
     "expires on", "expires", "expiry", "expiry date", "expiration date", "use by", "best before",
     "shelf life until", "Verfallsdatum", "Ablaufdatum", "haltbar bis", "verwendbar bis", "MHD"),
)  # fmt: skip
BAG_OPENED = moment("bag_opened_at", "Bag opened at")
EXTENDED_TO = day("extended_to", "May be used until", ahead=True, required=True)
LOOKED_AT = words(
    "looked_at",
    "What was looked at",
    longest=1000,
    example="edge seals, no bloom",
    help="Samples taken, what was measured and how they looked.",
)
LOT_FIELDS = (LABEL, SUPPLIER, RECEIVED, PRODUCED, EXPIRES, QUANTITY, NOTES)

WHAT_IT_IS, FACES, LIMITS = "What it is", "Its faces", "Limits"
PART_TYPE_FIELDS = (
    choice("kind", "Kind", tuple(Kind), section=WHAT_IT_IS),
    words("name", "Name", section=WHAT_IT_IS,
          help="What people call it, such as MEA 100 cm², carbon paper."),
    serial("drawing_number", "Drawing number", section=WHAT_IT_IS, example="TF-2140"),
    serial("revision", "Revision", section=WHAT_IT_IS, example="A"),
    choice("material", "Material", tuple(Material), section=WHAT_IT_IS,
           help="As the sectional drawing tells it by its hatching."),
    number("thickness_mm", "Thickness as fitted", "mm", above=True, required=False,
           section=WHAT_IT_IS, help="Needed for every layer of the pile."),
    yes("counted", "Items have no serial numbers: they are counted by lots", section=WHAT_IT_IS,
        help="Gaskets, sleeves and nuts, as a rule."),
    choice("side", "Gas it meets", tuple(Side), required=False, section=FACES,
           help="A half plate meets fuel or air."),
    choice("back", "Back, for the coolant", tuple(Back), section=FACES,
           help="Half plates and current collectors: channels in the back, flush, or no coolant"
           " there."),
    choice("joint", "Joint a gasket seals", tuple(Joint), required=False, section=FACES),
    words("marked_face", "Face that facing tells of", required=False, section=FACES,
          help="Such as anode side, if it matters which way round it lies. Leave empty where either"
          " way is right."),
    yes("renew_at_opening", "Renewed at each opening", section=LIMITS),
    whole("openings_most", "Openings a part may live through, at most", least=0, most=inf,
          required=False, section=LIMITS),
    number("hours_most", "Hours of operation, at most", "h", above=True, required=False,
           section=LIMITS),
    whole("shelf_life_months", "Shelf life from making", unit="months", most=1200, required=False,
          section=LIMITS),
    whole("open_life_days", "Life once its bag is opened", unit="days", most=3650, required=False,
          section=LIMITS, help="Counts for bags opened from now on."),
)  # fmt: skip
ANY_TIME = ("name", *(field.name for field in PART_TYPE_FIELDS if field.section == LIMITS))
"""What may change of a type once something of it exists: layer maps are read by the rest."""

# Columns of a list of parts, which name a part's type and lot beside what is said of it.

PART_TYPE = words(
    "part_type",
    "Part type",
    headings=("part type", "type", "component", "part name", "item", "description", "part",
     "Teiletyp", "Bauteil", "Bauteiltyp", "Komponente", "Bezeichnung", "Benennung", "Teil", "Typ"),
)  # fmt: skip
DRAWING = words(
    "drawing_number",
    "Drawing number",
    headings=(
     "drawing number", "drawing", "drawing no", "dwg", "part number", "part no", "pn", "p n",
     "Zeichnungsnummer", "Zeichnung", "Zeichnungs Nr", "Artikelnummer", "Artikel Nr", "Teilenummer",
     "Sachnummer"),
)  # fmt: skip
REVISION = words(
    "revision",
    "Revision",
    headings=("revision", "rev", "issue", "Änderungsstand", "Index", "Revisionsstand", "Stand"),
)
LOT = words(
    "lot",
    "Lot",
    headings=("lot", "lot number", "lot no", "batch", "batch number", "batch no", "bag",
     "Charge", "Chargennummer", "Chargen Nr", "Los", "Losnummer", "Los Nr"),
)  # fmt: skip
POSITION = words(
    "position",
    "Position from the fixed end",
    headings=("position", "pos", "layer", "layer no", "layer number", "no", "nr", "number",
     "Lage", "Lagennummer", "Schicht", "Lfd Nr"),
)  # fmt: skip
FACING = words(
    "facing",
    "Which end its marked face looks at",
    headings=("facing", "orientation", "marked face to", "faces", "side up", "direction",
     "Ausrichtung", "Orientierung", "Blickrichtung", "Seite nach", "Richtung"),
)  # fmt: skip
DAYS = tuple(
    replace(field, name=field.name.removesuffix("_at")) for field in (PRODUCED, RECEIVED, EXPIRES)
)
PART_COLUMNS = (
    SERIAL, PART_TYPE, DRAWING, REVISION, LOT, QUANTITY, SUPPLIER, *DAYS, HOURS, *MEASURED, PLACE,
    USABILITY, NOTES, *ROLE_COLUMNS.values(), COATED,
)  # fmt: skip
STACK_COLUMNS = (POSITION, PART_TYPE, DRAWING, REVISION, SERIAL, SUPPLIER, LOT, FACING, HOURS)

# What was measured of one part's thickness, against what its type gives.

MOST_TIMES = 10.0
"""A part so many times as thick as its type was measured in another unit."""
USUAL_SHARE = 0.2
"""Beyond this share of the type's thickness a remark is made."""


def check_measured(measured: Mapping[str, float | None], should_be_mm: float | None) -> None:
    """Refuse what no part of the type can measure; raises OutOfRange with the field's name.

    >>> check_measured({"measured_thickness_mm": 480.0}, 0.5)
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the measured thickness is 480 mm; allowed: \
above 0 and at most 5 mm, ten times the 0.5 mm of its type (480 µm would be 0.48 mm).
    """
    measured_mm = measured[THICKNESS.name]
    if measured_mm is None:
        return
    if should_be_mm is None:
        right, is_right = "above 0 mm", 0 < measured_mm < inf
    else:
        most = MOST_TIMES * should_be_mm
        right = f"above 0 and at most {most:g} mm, ten times the {should_be_mm:g} mm of its type"
        is_right = 0 < measured_mm <= most
        if 0 < measured_mm / 1e3 <= most < measured_mm:
            right += f" ({measured_mm:g} µm would be {measured_mm / 1e3:g} mm)"
    if not is_right:
        raise OutOfRange("the measured thickness", f"{measured_mm:g}", "mm", right, THICKNESS.name)


def remarks_on(measured: Mapping[str, float | None], should_be_mm: float | None) -> dict[str, str]:
    """What is striking about what was measured, by field? Empty where nothing is.

    >>> remarks_on({"measured_thickness_mm": 0.65}, 0.5)
    {'measured_thickness_mm': '30\u2009% more than the 0.5\u2009mm of its type.'}
    >>> remarks_on({"measured_thickness_mm": 0.55}, 0.5)
    {}
    """
    measured_mm = measured[THICKNESS.name]
    if measured_mm is None or should_be_mm is None:
        return {}
    share = measured_mm / should_be_mm - 1
    if abs(share) <= USUAL_SHARE:
        return {}
    word = "more" if share > 0 else "less"
    percent = f"{100 * abs(share):.0f}\u2009%"
    return {THICKNESS.name: f"{percent} {word} than the {should_be_mm:g}\u2009mm of its type."}


def hints_of_type(should_be_mm: float | None) -> dict[str, str]:
    """What the type gives, by field of what is measured."""
    return {THICKNESS.name: f"Its type gives {should_be_mm:g}\u2009mm."} if should_be_mm else {}
