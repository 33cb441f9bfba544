"""The values of a computed closing as lines: each with its uncertainty, its limit, the verdict."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.calculators.arithmetic.outcomes import plain
from service.closing.arithmetic.closing_verdicts import values_of
from service.closing.arithmetic.outcome import ClosingOutcome, RodOutcome
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.limits.arithmetic.limits import Found, Judged, Quantity
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class Shown:
    """A value with its expanded uncertainty (k = 2) as text; empty where it is exact."""

    value: str
    expanded: str
    unit: str

    @property
    def text(self) -> str:
        """Value ± U with its unit."""
        pm = f" ± {self.expanded}" if self.expanded else ""
        return f"{self.value}{pm}\u2009{self.unit}".rstrip("\u2009")


@dataclass(frozen=True, slots=True)
class Line:
    """One value against its limit; without a limit ``limit``, ``verdict`` and ``source`` are
    empty.
    """

    name: str
    words: str
    value: Estimate
    shown: Shown
    limit: str = ""
    verdict: Verdict | None = None
    source: str = ""


def shown(value: Estimate | float, unit: str, places: int | None = None) -> Shown:
    """A value as text: as many digits as count, or so many decimals where it is exact."""
    estimate = value if isinstance(value, Estimate) else Estimate(value)
    if estimate.u:
        number, expanded = written(estimate)
    else:
        number = plain(estimate.value) if places is None else f"{estimate.value:.{places}f}"
        expanded = ""
    return Shown(number.replace("-", "−"), expanded, unit)


def limit_words(least: float | None, most: float | None, unit: str) -> str:
    """A limit in words."""
    behind = f"\u2009{unit}" if unit else ""
    if least is not None and most is not None:
        return f"{least:g} to {most:g}{behind}"
    if least is not None:
        return f"at least {least:g}{behind}"
    return f"at most {most:g}{behind}" if most is not None else ""


def lines_of(outcome: ClosingOutcome, clamp: ClampFigures | None) -> Iterable[Line]:
    """Every value there is, in the order of the quantities."""
    judged: dict[Quantity, list[Judged]] = {}
    for one in outcome.judged:
        judged.setdefault(one.quantity, []).append(one)
    found: dict[Quantity, list[Found]] = {}
    for value in values_of(outcome):
        found.setdefault(value.quantity, []).append(value)
    for quantity in Quantity:
        name = quantity.name.lower()
        for one in judged.get(quantity, ()):
            yield Line(
                name,
                _called(quantity, one.of),
                one.value,
                shown(one.value, quantity.unit),
                limit_words(one.least, one.most, quantity.unit),
                one.verdict,
                one.source,
            )
        if quantity not in judged:
            for bare in found.get(quantity, ()):
                words = _called(quantity, bare.of)
                yield Line(name, words, bare.value, shown(bare.value, quantity.unit))
        if quantity is Quantity.SHARE_OF_PROOF and clamp is not None and outcome.rods:
            yield _stress(outcome.rods, clamp)


def _called(quantity: Quantity, of: str) -> str:
    return f"{quantity}, {of}" if of else str(quantity)


def _stress(rods: Sequence[RodOutcome], clamp: ClampFigures) -> Line:
    """Pull of the rod that bears most over the stress area of its thread."""
    most = max(rods, key=lambda rod: rod.preload_n.value)
    stress = most.preload_n.scaled(1e-6 / clamp.thread_size.stress_area_m2)
    return Line("bolt_stress", f"bolt stress, rod {most.number}", stress, shown(stress, "MPa"))
