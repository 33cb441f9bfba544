"""What a calculator answers: values with uncertainty and unit, tables, sentences, cautions.

Common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import floor, isfinite, log10
from typing import NamedTuple

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.fields import Field, Section, Show
from service.platform.arithmetic.pressures import Pressure, Zero
from service.platform.arithmetic.units import IN_SI, Measure, UnitEntry, from_si
from service.platform.arithmetic.verdicts import Verdict

FILL_IN = "This has to be filled in."


@dataclass(frozen=True, slots=True)
class Refusal:
    """An answer that cannot be taken: the field (empty where it is no single one), what was typed,
    why, and what would be right. ``together`` are all fields that contradict each other.
    """

    field: str
    value: str
    reason: str
    right_would_be: str = ""
    is_missing: bool = False
    together: tuple[str, ...] = ()

    @property
    def in_words(self) -> str:
        """Reason and what would be right, as one sentence or two."""
        return f"{self.reason} {self.right_would_be}".strip()


class NotRead(TradeError):  # noqa: N818  # it says what happened
    """Some answers could not be taken."""

    is_placed = True

    def __init__(self, *refusals: Refusal) -> None:
        super().__init__(" ".join(refusal.in_words for refusal in refusals))
        self.refusals = refusals


Answer = UnitEntry | Pressure | float | str


@dataclass(frozen=True, slots=True)
class Answers:
    """What was typed, read. Asked for a field that was left out, `si` and `number` refuse it."""

    typed: Mapping[str, str]
    read: Mapping[str, Answer]
    asked: dict[str, None] = field(default_factory=dict)
    """the fields whose answers were used so far, in that order"""

    def has(self, name: str) -> bool:
        """Say whether the field was filled in."""
        if name not in self.read:
            return False
        self.asked[name] = None
        return True

    def need(self, *names: str) -> None:
        """Refuse those of the fields that were left out, all together."""
        missing = [name for name in names if not self.has(name)]
        if missing:
            raise NotRead(*(Refusal(name, "", FILL_IN, is_missing=True) for name in missing))

    def entry(self, name: str) -> UnitEntry:
        """Return a quantity with the unit it was given in."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, UnitEntry):
            raise TypeError(f"{name} is no quantity")
        return answer

    def si(self, name: str) -> float:
        """Return a quantity in its SI unit."""
        return self.entry(name).si

    def si_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a quantity in its SI unit, or what holds where it was left out."""
        return self.si(name) if self.has(name) else otherwise

    def number(self, name: str) -> float:
        """Return a plain number."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, float):
            raise TypeError(f"{name} is no number")
        return answer

    def number_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a plain number, or what holds where it was left out."""
        return self.number(name) if self.has(name) else otherwise

    def share_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a percentage as a share of 1."""
        return self.number_or(name, 100 * otherwise) / 100

    def count(self, name: str) -> int:
        """Return a whole number."""
        return int(self.number(name))

    def text(self, name: str) -> str:
        """Return the words, or the default choice."""
        return str(self.read.get(name, ""))

    def absolute(self, name: str, zero: Zero, barometer_pa: float) -> float:
        """Return a pressure in Pa absolute; ``zero`` holds where its text does not say."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, Pressure):
            raise TypeError(f"{name} is no pressure")
        try:
            return answer.absolute(barometer_pa, zero)
        except TradeError as trouble:
            words = str(trouble)
            raise self.refuse(name, f"{words[:1].upper()}{words[1:]}") from trouble

    def counts_from(self, name: str, zero: Zero) -> Zero:
        """Return what a pressure counts from: as its text says, else ``zero``."""
        answer = self.read[name]
        own_zero = answer.zero if isinstance(answer, Pressure) else Zero.NOT_SAID
        return zero if own_zero is Zero.NOT_SAID else own_zero

    def refuse(self, name: str, reason: str, right: str = "") -> NotRead:
        """Return the error to be raised where a field's answer does not fit the others."""
        return NotRead(Refusal(name, self.typed.get(name, ""), reason, right))


class MapRod(NamedTuple):
    """A rod on the map: number, place in mm, load in N and its standard uncertainty."""

    number: int
    x_mm: float
    y_mm: float
    load_n: float
    u: float


@dataclass(frozen=True, slots=True)
class MapFigures:
    """What a drawing of the pressure needs: lengths in mm, pressures in MPa."""

    plate_mm: tuple[float, float]
    area_mm: tuple[float, float]
    rods: tuple[MapRod, ...]
    xs_mm: tuple[float, ...]
    ys_mm: tuple[float, ...]
    pressures_mpa: tuple[tuple[float, ...], ...]
    resultant_mm: tuple[float, float]
    lost_share: float


@dataclass(frozen=True, slots=True)
class Figure:
    """A value in SI with its uncertainty, and the unit it is shown in.

    Without a measure ``estimate`` is in ``unit`` itself.
    """

    estimate: Estimate
    measure: Measure | None = None
    unit: str = ""

    @property
    def shown(self) -> Estimate:
        """Value and standard uncertainty in the unit shown."""
        if self.measure is None:
            return self.estimate
        factor = 1 / IN_SI[self.measure][self.unit]
        scaled = self.estimate.scaled(factor)
        value = from_si(self.estimate.value, self.unit, self.measure)
        return Estimate(value, scaled.u, scaled.parts)

    @property
    def si_unit(self) -> str:
        """The unit of ``estimate``."""
        return next(iter(IN_SI[self.measure])) if self.measure else self.unit

    @property
    def value_text(self) -> str:
        """The value, with as many digits as count."""
        value = self.shown
        return (written(value)[0] if value.u else plain(value.value)).replace("-", "−")

    @property
    def expanded_text(self) -> str:
        """The expanded uncertainty (k = 2); empty where nothing was uncertain."""
        return written(self.shown)[1] if self.shown.u else ""

    @property
    def text(self) -> str:
        """Value ± expanded uncertainty with its unit."""
        pm = f" ± {self.expanded_text}" if self.expanded_text else ""
        return f"{self.value_text}{pm}\u2009{self.unit}".rstrip("\u2009")


def plain(value: float, digits: int = 4) -> str:
    """Return a number with so many digits that count, where readable without an exponent.

    >>> plain(0.00012357), plain(21200.0), plain(2.5), plain(1e-9), plain(1234.0, 2)
    ('0.0001236', '21200', '2.5', '1e-09', '1200')
    """
    if value == 0 or not 1e-5 <= abs(value) < 1e9:
        return f"{value:.{digits}g}"
    places = digits - 1 - floor(log10(abs(value)))
    text = f"{round(value, places):.{max(0, places)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


@dataclass(frozen=True, slots=True)
class Result:
    """One result: its name in an answer for machines, what it is called, and a note."""

    name: str
    label: str
    figure: Figure
    note: str = ""


Cell = str | Figure


@dataclass(frozen=True, slots=True)
class Table:
    """Several values of the same kind side by side; the first cell of a row names it."""

    name: str
    title: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The answer of a calculator. ``cautions`` are topics, ``formula`` the version of the formula
    where it has one, ``source`` where the formula is printed.
    """

    results: tuple[Result, ...]
    source: str
    sentences: tuple[str, ...] = ()
    tables: tuple[Table, ...] = ()
    cautions: tuple[str, ...] = ()
    formula: str = ""
    verdict: Verdict | None = None
    verdict_why: str = ""
    map: MapFigures | None = None

    @property
    def is_finite(self) -> bool:
        """Say whether every figure and its uncertainty are numbers one can write."""
        cells = (cell for table in self.tables for row in table.rows for cell in row)
        figures = (
            *(result.figure for result in self.results),
            *(cell for cell in cells if isinstance(cell, Figure)),
        )
        return all(isfinite(f.estimate.value) and isfinite(f.estimate.u) for f in figures)


class Units:
    """The units chosen for the results."""

    def __init__(self, shows: tuple[Show, ...], chosen: Mapping[str, str]) -> None:
        self._shows = {show.name: show for show in shows}
        self._units = {show.name: chosen.get(show.name) or show.unit for show in shows}

    def figure(self, estimate: Estimate | float, show: str) -> Figure:
        """Return a value in SI, shown in the unit chosen under this name."""
        value = estimate if isinstance(estimate, Estimate) else Estimate(estimate)
        return Figure(value, self._shows[show].measure, self._units[show])


@dataclass(frozen=True, slots=True)
class Calculator:
    """A calculator as data: what it is called, what it asks, what it does."""

    name: str
    title: str
    line: str
    sections: tuple[Section, ...]
    work: Callable[[Answers, Units], Outcome]
    shows: tuple[Show, ...] = ()
    note: str = ""
    more_example: Mapping[str, str] = field(default_factory=dict)

    @property
    def fields(self) -> tuple[Field, ...]:
        """All fields in the order they are asked."""
        return tuple(field for section in self.sections for field in section.fields)

    def label_of(self, name: str) -> str:
        """Return what the field or choice of unit of this name is called.

        Empty where it is none.
        """
        parts: tuple[Field | Show, ...] = (*self.fields, *self.shows)
        return next((part.label for part in parts if part.name == name), "")

    @property
    def example(self) -> dict[str, str]:
        """An invented example: what is typed, by field."""
        example = {field.name: field.example for field in self.fields if field.example}
        return {**example, **self.more_example}


def number_of(value: float | Estimate, unit: str = "") -> Figure:
    """Return a figure without a choice of units."""
    return Figure(value if isinstance(value, Estimate) else Estimate(value), None, unit)


def percent_of(share: Estimate | float) -> Figure:
    """Return a share of 1 in percent."""
    value = share if isinstance(share, Estimate) else Estimate(share)
    return Figure(value.scaled(100.0), None, "%")


def parts_table(
    estimate: Estimate, title: str, show: Callable[[float], Figure]
) -> tuple[Table, ...]:
    """Return what makes an uncertainty, as a table, without what adds < 0.5 % of the variance.

    Empty where nothing is uncertain.
    """
    rows = tuple(
        (name, _added(show(2 * part)), f"{100 * share:.0f}\u2009%")
        for name, part in estimate.parts
        if (share := part**2 / estimate.u**2) >= 0.005
    )
    headings = ("comes from", "adds, k = 2", "share of the variance")
    return (Table("uncertainty", title, headings, rows),) if rows else ()


def _added(figure: Figure) -> str:
    return f"{plain(figure.shown.value, 2)}\u2009{figure.unit}"
