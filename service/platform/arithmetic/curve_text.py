"""A material's curve as one line of text: points, or a standard form with its numbers.

Loads in MPa (stress) or N/mm (line load), strain and squeeze as shares of 1, lengths in mm:
``points: 0 0; 0.1 0.4; 0.2 1.1``, ``densifying: modulus 3; limit 0.55``,
``power: scale 5; exponent 1.5; greatest 0.6``, ``rubber cord: diameter 1.2; modulus 4``.
Common practice, no source.
"""

from enum import Enum

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.material_curves import Curve, Densifying, Points, Power, RubberCord
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.typed_fields import as_typed

POINTS = "points"


class CurveOf(Enum):
    """What a curve gives; the value is the SI in one unit of its text."""

    STRESS = 1e6  # MPa
    LINE_LOAD = 1e3  # N/mm

    @property
    def unit(self) -> str:
        """The unit of its loads."""
        return "MPa" if self is CurveOf.STRESS else "N/mm"


_NAMES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "densifying": (("modulus",), ("limit",)),
    "power": (("scale",), ("exponent", "greatest")),
    "rubber cord": (("diameter", "modulus"), ("greatest",)),
}
"""Of each form: what it needs, what may be left out."""


def read_curve(text: str, of: CurveOf) -> Curve:
    """Read the curve that is written here.

    Raises OutOfRange or Inconsistent saying what would be right.

    >>> read_curve("densifying: modulus 3; limit 0.55", CurveOf.STRESS)
    Densifying(modulus=3000000.0, limit=0.55)
    """
    form, colon, rest = text.strip().partition(":")
    form = " ".join(form.casefold().split())
    if not colon or form not in {POINTS, *_NAMES} or (form == "rubber cord" and of is _STRESS):
        forms = [POINTS, *(name for name in _NAMES if name != "rubber cord" or of is not _STRESS)]
        raise OutOfRange(
            "the curve",
            text.strip() or "empty",
            "",
            f"one of {', '.join(forms)} with its numbers, such as"
            f" “points: 0 0; 0.1 0.4; 0.2 1.1” (share and {of.unit})",
        )
    rows = [row.split() for row in rest.replace("\n", ";").split(";") if row.strip()]
    if form == POINTS:
        return Points(tuple(_point(row, of) for row in rows))
    return _of_form(form, rows, of)


_STRESS = CurveOf.STRESS


def _point(row: list[str], of: CurveOf) -> tuple[float, float]:
    if len(row) != 2:
        raise OutOfRange(
            "a point of the curve", " ".join(row), "", f"a share and a load in {of.unit}"
        )
    return read_number(row[0]), read_number(row[1]) * of.value


def _of_form(form: str, rows: list[list[str]], of: CurveOf) -> Curve:
    needed, more = _NAMES[form]
    numbers: dict[str, float] = {}
    for row in rows:
        if len(row) != 2 or row[0].casefold() not in {*needed, *more}:
            columns = "; ".join(f"{name} …" for name in (*needed, *more))
            raise OutOfRange("the curve", " ".join(row), "", f"{form}: {columns}")
        numbers[row[0].casefold()] = read_number(row[1])
    missing = [name for name in needed if name not in numbers]
    if missing:
        raise Inconsistent(f"The curve “{form}” needs its {missing[0]}, such as “{missing[0]} 3”.")
    if form == "densifying":
        return Densifying(numbers["modulus"] * of.value, numbers.get("limit", 0.6))
    if form == "power":
        rest = {name: numbers[name] for name in more if name in numbers}
        return Power(numbers["scale"] * of.value, **rest)
    return RubberCord(
        numbers["diameter"] / 1e3, numbers["modulus"] * 1e6, numbers.get("greatest", 0.45)
    )


def write_curve(curve: Curve, of: CurveOf) -> str:
    """Return the curve as text that `read_curve` reads.

    >>> write_curve(Points(((0.1, 4e5),)), CurveOf.STRESS)
    'points: 0 0; 0.1 0.4'
    """
    if isinstance(curve, Points):
        rows = "; ".join(f"{as_typed(x)} {as_typed(y / of.value)}" for x, y in curve.points)
        return f"{POINTS}: {rows}"
    if isinstance(curve, Densifying):
        return f"densifying: {_rows(modulus=curve.modulus / of.value, limit=curve.limit)}"
    if isinstance(curve, Power):
        numbers = {"scale": curve.scale / of.value, "exponent": curve.exponent}
        return f"power: {_rows(**numbers, greatest=curve.greatest)}"
    lengths = {"diameter": 1e3 * curve.diameter_m, "modulus": curve.modulus_pa / 1e6}
    return f"rubber cord: {_rows(**lengths, greatest=curve.greatest)}"


def _rows(**numbers: float) -> str:
    return "; ".join(f"{name} {as_typed(value)}" for name, value in numbers.items())
