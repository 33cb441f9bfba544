"""What can be seen on a part when a stack is opened: one list of conditions for each kind.

"None seen" and "not inspected" are answers of their own, and stand alone.
Source: common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.vocabulary import Kind

NONE_SEEN = "none seen"
NOT_INSPECTED = "not inspected"
STANDING_ALONE = (NONE_SEEN, NOT_INSPECTED)

SEVERITIES = {
    0: "noted, of no consequence",
    1: "slight",
    2: "part needs a decision",
    3: "part must not be used again",
}
TO_BE_DECIDED = 2
"""The severity that leaves a part undecided until somebody decides."""
NOT_AGAIN = 3
"""The severity that puts a part on hold."""


@dataclass(frozen=True, slots=True)
class FindingEntry:
    """One thing seen on a part. ``severity`` 0 to 3, None where nobody has judged it."""

    condition: str
    severity: int | None = None
    where: str = ""
    note: str = ""


_MEA = (
    "pinhole",
    "tear",
    "crack",
    "thin spot",
    "burn mark",
    "torn at the frame",
    "imprint of channels",
    "wrinkle",
    "layers coming apart",
    "frame lifted",
    "bare catalyst area",
    "discoloured",
    "salt or dirt",
    "dry and brittle",
    "swollen",
    "out of register",
    "fibres pulled out",
    "gas diffusion layer crushed",
    "gas diffusion layer pressed into channels",
    "gas diffusion layer stuck to the plate",
    "flooding stain",
    "carbon eaten away",
)
_PLATE = (
    "hairline crack",
    "broken through",
    "chipped at a port",
    "chipped at an edge",
    "channel blocked",
    "lands worn",
    "deposit",
    "pitted",
    "arc mark",
    "bowed",
    "coolant seepage",
    "coating lifting",
    "stuck on lifting",
    "port scaled",
)
_GASKET = (
    "flattened for good",
    "squeezed out",
    "out of its groove",
    "twisted",
    "cut or nicked",
    "bonded to the plate",
    "swollen",
    "hardened or cracked",
    "attacked",
    "not there",
    "two instead of one",
    "dirt under the seal",
    "standing into a port",
)
_COLLECTOR = (
    "tarnished",
    "corroded",
    "plating worn",
    "plating blistered",
    "arc mark",
    "uneven contact print",
    "terminal loose",
    "bent",
)
_INSULATOR = ("cracked", "bowed", "tracking mark", "worn", "discoloured", "wet", "port scaled")
_END = ("bowed", "cracked", "corroded", "bearing face worn", "port scaled", "wet")
_ROD = ("thread galled", "bent", "necked", "corroded", "thread worn")
_SLEEVE = ("cut", "worn", "tracking mark", "cracked", "too short")
_SPRING = ("flattened for good", "stacked the wrong way", "cracked", "corroded", "not there")
_NUT = ("thread galled", "bearing face worn", "corroded", "washer not there")
_ANY = ("wet", "free water", "particles", "other, see the note")

_OF_KIND: dict[Kind, tuple[str, ...]] = {
    Kind.MEA: _MEA,
    Kind.HALF_PLATE: _PLATE,
    Kind.GASKET: _GASKET,
    Kind.BLANK_CELL: _PLATE,
    Kind.CURRENT_COLLECTOR: _COLLECTOR,
    Kind.INSULATOR_PLATE: _INSULATOR,
    Kind.COMPRESSION_PLATE: _END,
    Kind.TIE_ROD: _ROD,
    Kind.SLEEVE: _SLEEVE,
    Kind.DISC_SPRING: _SPRING,
    Kind.NUT: _NUT,
}


def conditions_of(kind: Kind) -> tuple[str, ...]:
    """Return conditions seen on a part of this kind, without the two that stand alone."""
    return tuple(dict.fromkeys((*_OF_KIND[kind], *_ANY)))


def check_findings(kind: Kind, findings: Sequence[FindingEntry]) -> None:
    """Check that these findings make one answer for a part of this kind.

    Raises Inconsistent where nothing is said, where "none seen" or "not inspected" stands beside
    something else or carries a severity, or where the same condition is named twice at the same
    place; OutOfRange for a condition or severity that is not in the list.

    >>> check_findings(Kind.MEA, [FindingEntry("pinhole", 3), FindingEntry("discoloured", 1)])
    """
    if not findings:
        raise Inconsistent(f"Say what was seen, or “{NONE_SEEN}”, or “{NOT_INSPECTED}”.")
    allowed_conditions = conditions_of(kind)
    places: set[tuple[str, str]] = set()
    for finding in findings:
        condition, alone = finding.condition, finding.condition in STANDING_ALONE
        if not alone and condition not in allowed_conditions:
            raise OutOfRange("condition", condition, "", f"one of: {', '.join(allowed_conditions)}")
        if alone and len(findings) > 1:
            raise Inconsistent(f"“{condition}” cannot stand beside another finding.")
        if alone and finding.severity is not None:
            raise Inconsistent(f"“{condition}” has no severity.")
        if finding.severity is not None and finding.severity not in SEVERITIES:
            raise OutOfRange("severity", finding.severity, "", "0 to 3")
        place = (condition, finding.where.strip().casefold())
        if place in places:
            raise Inconsistent(f"“{condition}” is named twice at the same place.")
        places.add(place)
