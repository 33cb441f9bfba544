"""What lots are made of: the roles of the lots that went into a lot. Common practice, no source."""

from enum import StrEnum

from service.platform.arithmetic.fields import choice, day, words

MOST_LEVELS = 8
"""Levels of a tree of lots that are read, from the delivery down to the roll."""


class LotRole(StrEnum):
    """What a lot was to the lot that is made of it."""

    MEMBRANE = "membrane"
    LAYER_ANODE = "anode diffusion layer"
    LAYER_CATHODE = "cathode diffusion layer"
    INK = "catalyst ink"
    ADHESIVE = "frame adhesive"
    HOT_PRESS = "hot-press run"
    COMPOUND = "compound"
    MOULD = "mould"
    COATING = "coating"


INPUT_FIELDS = (
    choice("role", "It is its", tuple(LotRole)),
    day("since", "Counts from", help="Of a coating: the day it was put on. Empty: from making."),
)
"""What is said of an input lot, beside which it is."""
ROLE_COLUMNS = {
    role: words(
        role.name.lower(),
        f"{role.capitalize()} lot",
        required=False,
        headings=(f"{role} lot", str(role), *more),
    )
    for role, more in (
        (LotRole.MEMBRANE, ("membrane roll", "Membranrolle")),
        (LotRole.LAYER_ANODE, ("GDL anode", "anode GDL")),
        (LotRole.LAYER_CATHODE, ("GDL cathode", "cathode GDL")),
        (LotRole.INK, ("ink", "ink batch", "Tinte")),
        (LotRole.ADHESIVE, ("adhesive", "Kleber")),
        (LotRole.HOT_PRESS, ("hot press run", "press run")),
        (LotRole.COMPOUND, ("compound batch", "resin", "Compound")),
        (LotRole.MOULD, ("mold", "Form", "Werkzeug")),
        (LotRole.COATING, ("coating batch", "Beschichtung")),
    )
}
"""The column of a list of parts that names the lot in each role."""
INPUT_COLUMNS = tuple(column.name for column in ROLE_COLUMNS.values())
COATED = day("coated", "Coated on", headings=("coated on", "coating date", "beschichtet am"))
