"""What can be seen on a part when a stack is opened, and where on it.

A laboratory keeps its words as versions (`records/arithmetic/lab_words.py`); `FIRST_WORDS` are
those a new one begins with. "None seen" and "not inspected" are answers of their own, and stand
alone. Source: common practice, no source.
"""

from collections.abc import Collection, Sequence
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
    """One thing seen on a part. ``severity`` 0 to 3, None where nobody has judged it.

    ``places`` are squares of the grid over ``face``, ``area_percent`` the share of the face,
    ``where`` says in words what no square does. ``code`` is that of the laboratory's word.
    """

    condition: str
    severity: int | None = None
    where: str = ""
    note: str = ""
    face: str = ""
    places: tuple[str, ...] = ()
    area_percent: float | None = None
    code: str | None = None

    @property
    def in_words(self) -> str:
        """What was seen and where, for a sentence."""
        place = place_in_words(self.face, self.places, self.area_percent)
        return ", ".join(filter(None, (self.condition, place, self.where.strip())))


# Where on a part: squares A1 to F6 over one of its faces. A1 is at the upper left as one looks at
# that face, with the edge up that is up in the stack. Common practice, no source.

COLUMNS = "ABCDEF"
ROWS = "123456"
PLACES = tuple(column + row for row in ROWS for column in COLUMNS)
_MEA_FACES = ("anode face", "cathode face")
_PLATE_FACES = ("gas face", "coolant face")
_END_FACES = ("face to the fixed end", "face to the free end")
_FACES: dict[Kind, tuple[str, ...]] = {
    Kind.MEA: _MEA_FACES,
    Kind.HALF_PLATE: _PLATE_FACES,
    Kind.BLANK_CELL: _PLATE_FACES,
    Kind.GASKET: _END_FACES,
    Kind.CURRENT_COLLECTOR: _END_FACES,
    Kind.INSULATOR_PLATE: _END_FACES,
    Kind.COMPRESSION_PLATE: _END_FACES,
}


def faces_of(kind: Kind) -> tuple[str, ...]:
    """Return the faces a place on a part of this kind can be on; none of rods, sleeves and nuts."""
    return _FACES.get(kind, ())


def place_in_words(face: str, places: Sequence[str], area_percent: float | None) -> str:
    """Say where on a part something is.

    >>> place_in_words("anode face", ["A1", "B1"], 5)
    'anode face A1 B1, 5\u2009% of it'
    """
    squares = " ".join((face, *places)).strip()
    area = "" if area_percent is None else f"{area_percent:g}\u2009% of it"
    return ", ".join(filter(None, (squares, area)))


def _check_place(kind: Kind, finding: FindingEntry) -> None:
    faces = faces_of(kind)
    if finding.face and finding.face not in faces:
        allowed = f"one of: {', '.join(faces)}" if faces else f"none: a {kind} has no faces"
        raise OutOfRange("face", finding.face, "", allowed)
    for place in finding.places:
        if place not in PLACES:
            raise OutOfRange("place", place, "", "A1 to F6")
    if (finding.places or finding.area_percent is not None) and not finding.face:
        what = f"place {' '.join(finding.places)}" if finding.places else "share of an area"
        raise Inconsistent(
            f"The {what} is on a face. Say on which: {' or '.join(faces) or 'none'}."
        )
    if finding.area_percent is not None and not 0 < finding.area_percent <= 100:
        raise OutOfRange("area", finding.area_percent, "%", "above 0 and at most 100 %")


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


def _first_words() -> dict[str, tuple[Kind, ...]]:
    """Each condition with its kinds; what weighs most on a part of some kind comes first."""
    lists = {kind: (*words, *_ANY) for kind, words in _OF_KIND.items()}
    rank = {word: at for listed in lists.values() for at, word in enumerate(listed)}
    for listed in lists.values():
        rank |= {word: min(rank[word], at) for at, word in enumerate(listed)}
    rank |= {word: len(rank) for word in _ANY}
    return {
        word: tuple(kind for kind in _OF_KIND if word in lists[kind])
        for word in sorted(rank, key=rank.__getitem__)
    }


FIRST_WORDS = _first_words()
"""Conditions a laboratory begins with, each with the kinds of part it is seen on."""


def check_findings(kind: Kind, findings: Sequence[FindingEntry], words: Collection[str]) -> None:
    """Check that these findings make one answer for a part of this kind.

    ``words`` are the conditions the laboratory has for it. Raises Inconsistent where nothing is
    said, where "none seen" or "not inspected" stands beside something else or carries a severity
    or place, where the same condition is named twice at the same place, or a place has no face;
    OutOfRange for a condition, severity, face, place or area that cannot be.

    >>> check_findings(Kind.MEA, [FindingEntry("pinhole", 3)], ["pinhole", "discoloured"])
    """
    if not findings:
        raise Inconsistent(f"Say what was seen, or “{NONE_SEEN}”, or “{NOT_INSPECTED}”.")
    seen: set[tuple[str, str, str, tuple[str, ...]]] = set()
    for finding in findings:
        condition, alone = finding.condition, finding.condition in STANDING_ALONE
        if not alone and condition not in words:
            raise OutOfRange("condition", condition, "", f"one of: {', '.join(words)}")
        if alone and len(findings) > 1:
            raise Inconsistent(f"“{condition}” cannot stand beside another finding.")
        if alone and finding.severity is not None:
            raise Inconsistent(f"“{condition}” has no severity.")
        if alone and (finding.face or finding.places or finding.area_percent is not None):
            raise Inconsistent(f"“{condition}” has no place.")
        if finding.severity is not None and finding.severity not in SEVERITIES:
            raise OutOfRange("severity", finding.severity, "", "0 to 3")
        _check_place(kind, finding)
        place = (condition, finding.where.strip().casefold(), finding.face, finding.places)
        if place in seen:
            raise Inconsistent(f"“{condition}” is named twice at the same place.")
        seen.add(place)
