"""The trade's words: what a part can be, how it can lie, what was seen on it.

Values are what is stored and printed; the names are for the code. Common practice, no source,
where nothing else is said.
"""

from enum import StrEnum


class Kind(StrEnum):
    """What a part is."""

    MEA = "MEA"
    HALF_PLATE = "half plate"
    GASKET = "gasket"
    BLANK_CELL = "blank cell"
    CURRENT_COLLECTOR = "current collector"
    INSULATOR_PLATE = "insulator plate"
    COMPRESSION_PLATE = "compression plate"
    TIE_ROD = "tie rod"
    SLEEVE = "sleeve"
    DISC_SPRING = "disc spring"
    NUT = "nut"
    MATERIAL = "material"


LAYER_KINDS = (
    Kind.MEA,
    Kind.HALF_PLATE,
    Kind.GASKET,
    Kind.BLANK_CELL,
    Kind.CURRENT_COLLECTOR,
    Kind.INSULATOR_PLATE,
)
FIXING_KINDS = (Kind.COMPRESSION_PLATE, Kind.TIE_ROD, Kind.SLEEVE, Kind.DISC_SPRING, Kind.NUT)


class Material(StrEnum):
    """What a part is made of, as far as a sectional drawing tells it."""

    GRAPHITE = "graphite"
    METAL = "metal"
    ELASTOMER = "elastomer"
    MEMBRANE = "membrane"
    PLASTIC = "insulating plastic"


class Side(StrEnum):
    """Which gas a half plate (or a gasket's face) meets."""

    FUEL = "fuel"
    AIR = "air"


class Back(StrEnum):
    """The coolant face of a half plate or collector."""

    CHANNELLED = "channelled"
    FLUSH = "flush"
    NONE = "none"


class Joint(StrEnum):
    """Which joint a gasket seals."""

    GAS = "gas"
    COOLANT = "coolant"


class Facing(StrEnum):
    """Which end the marked face of a part looks at; the part type names the marked face."""

    FIXED_END = "fixed end"
    FREE_END = "free end"
    EITHER = "either way"


class End(StrEnum):
    """The two ends of a pile: positions count from the fixed end."""

    FIXED = "fixed end"
    FREE = "free end"


class Whereabouts(StrEnum):
    """Where a part is."""

    EXPECTED = "expected"
    IN_STORE = "in store"
    FITTED = "fitted"
    LIFTED_OFF = "lifted off"
    AWAY = "away"
    SCRAPPED = "scrapped"
    MISSING = "cannot be found"


class Usability(StrEnum):
    """The words for whether a part may be used."""

    NOT_INSPECTED = "not inspected"
    ACCEPTED = "accepted"
    ACCEPTED_USED = "accepted used"
    ON_HOLD = "on hold"
    UNDER_CONCESSION = "under concession"
    REJECTED = "rejected"


class ReadingKind(StrEnum):
    """What a torque reading says: they cannot be compared across kinds."""

    SET = "set"
    RESIDUAL = "residual"
    BREAKAWAY = "breakaway"


class Press(StrEnum):
    """How a nut answered a click tool, which shows no reading."""

    CLICKED = "clicked"
    MOVED = "moved"
    NOT_MOVED = "not moved"


class Stage(StrEnum):
    """When in an event a torque reading was taken."""

    AS_FOUND = "as found"
    CLOSING = "closing"
