"""A computed value with its standard uncertainty and what it comes from.

Propagation to first order with correlations, by the library ``uncertainties``.
Source: JCGM 100:2008 (GUM), 4.3 (type B), 5.1 and 5.2 (propagation), 7.2.6 (digits).
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum
from math import floor, hypot, log10, sqrt
from typing import Any

from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc

from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, not_below_zero

Uncertain = Any
"""A number of the library ``uncertainties``, or a float where nothing is uncertain."""

COVERAGE = 2.0
"""k of the expanded uncertainty: about 95 % for a normal distribution."""


class Shape(Enum):
    """How the values of a ± statement are spread: divisor of its half width."""

    RECTANGULAR = sqrt(3)
    TRIANGULAR = sqrt(6)
    NORMAL_95 = 1.96
    EXPANDED_K2 = 2.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard uncertainty ``u``, both in the unit the field's name says.

    ``parts`` name the sources and what each adds to ``u`` (same unit; squares add up), largest
    first.
    """

    value: float
    u: float = 0.0
    parts: tuple[tuple[str, float], ...] = ()

    @property
    def expanded(self) -> float:
        """Half width of the interval given to people: k = 2."""
        return COVERAGE * self.u

    @property
    def relative(self) -> float:
        """Standard uncertainty as a share of the value; infinite where the value is zero."""
        return self.u / abs(self.value) if self.value else float("inf") if self.u else 0.0

    def scaled(self, factor: float) -> "Estimate":
        """Return the same in another unit, one of which is ``1 / factor`` of this one."""
        parts = tuple((name, part * abs(factor)) for name, part in self.parts)
        return Estimate(self.value * factor, self.u * abs(factor), parts)


def standard_uncertainty(half_width: float, shape: Shape = Shape.RECTANGULAR) -> float:
    """Compute the standard uncertainty that belongs to a statement ± half width.

    >>> round(standard_uncertainty(0.06), 5)
    0.03464

    Source: GUM 4.3.7 (rectangular), 4.3.9 (triangular).
    """
    return not_below_zero("the half width", half_width, "") / float(shape.value)


def tagged(name: str, value: float, u: float) -> Uncertain:
    """Return a number that remembers ``name`` as the source of its uncertainty.

    Raises OutOfRange where ``u`` is negative or either is no number.
    """
    finite(name, value, "")
    not_below_zero(f"the uncertainty of {name}", u, "")
    return ufloat(value, u, tag=name) if u else value


def spread(estimate: Estimate) -> Uncertain:
    """Return an estimate as a number to compute with: its parts stay apart, with their names."""
    if not estimate.parts:
        return tagged("given", estimate.value, estimate.u)
    if not _adds_up(estimate):
        raise Inconsistent("The parts of an uncertainty do not add up to it.")
    total: Uncertain = estimate.value
    for name, part in estimate.parts:
        total = total + tagged(name, 0.0, part)
    return total


def _adds_up(estimate: Estimate) -> bool:
    return abs(hypot(*(part for _name, part in estimate.parts)) - estimate.u) <= 1e-6 * estimate.u


def estimate(number: Uncertain) -> Estimate:
    """Return the value, standard uncertainty and sources of a computed number.

    >>> length = tagged("ruler", 2.0, 0.03) + tagged("reading", 1.0, 0.04)
    >>> found = estimate(length)
    >>> round(found.u, 6), [name for name, _part in found.parts]
    (0.05, ['reading', 'ruler'])
    """
    if not isinstance(number, AffineScalarFunc):
        return Estimate(float(number))
    squares: dict[str, float] = {}
    for variable, part in number.error_components().items():
        name = variable.tag or "other"
        squares[name] = squares.get(name, 0.0) + part * part
    return combined(float(number.nominal_value), {n: sqrt(s) for n, s in squares.items()})


def combined(value: float, parts: Mapping[str, float]) -> Estimate:
    """Return an estimate from independent parts, named; each in the unit of the value."""
    sizes = sorted(
        ((name, abs(part)) for name, part in parts.items() if part), key=lambda p: (-p[1], p[0])
    )
    return Estimate(value, hypot(*(part for _name, part in sizes)), tuple(sizes))


def mean_of(values: Iterable[Uncertain]) -> Uncertain:
    """Return the mean, with what the values share counted as shared.

    Raises Inconsistent where empty.
    """
    values_list = list(values)
    if not values_list:
        raise Inconsistent("A mean needs one value at least.")
    return sum(values_list[1:], start=values_list[0]) / len(values_list)


def written(estimate: Estimate) -> tuple[str, str]:
    """Write value and expanded uncertainty (k = 2), the latter with two digits that count.

    >>> written(Estimate(6250.4, 731.0))
    ('6300', '1500')
    >>> written(Estimate(0.0056679, 0.00072288))
    ('0.0057', '0.0014')
    >>> written(Estimate(16.0))
    ('16', '0')
    """
    if not estimate.expanded:
        return f"{estimate.value:.6g}", "0"
    digits = 1 - floor(log10(estimate.expanded))
    if digits <= 0:
        value, half = round(estimate.value, digits), round(estimate.expanded, digits)
        return f"{value:.0f}", f"{half:.0f}"
    return f"{estimate.value:.{digits}f}", f"{estimate.expanded:.{digits}f}"
