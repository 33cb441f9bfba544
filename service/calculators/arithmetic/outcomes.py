"""What a calculator answers: values with uncertainty and unit, tables, sentences, cautions.

Common practice, no source.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import floor, log10

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.map_figures import MapFigures
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.fields import Field, Section, Show
from service.platform.arithmetic.units import IN_SI, Measure, from_si
from service.platform.arithmetic.verdicts import Verdict

AS_GIVEN = "computed from answers taken as exact"


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
        shown = self.shown
        return (written(shown)[0] if shown.u else plain(shown.value)).replace("-", "−")

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


class Units:
    """The units chosen for the results."""

    def __init__(self, shows: tuple[Show, ...], chosen: Mapping[str, str]) -> None:
        self._shows = {show.name: show for show in shows}
        self._units = {show.name: chosen.get(show.name) or show.unit for show in shows}

    def figure(self, estimate: Estimate | float, show: str) -> Figure:
        """Return a value in SI, shown in the unit chosen under this name."""
        known = estimate if isinstance(estimate, Estimate) else Estimate(estimate)
        return Figure(known, self._shows[show].measure, self._units[show])


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
        asked: tuple[Field | Show, ...] = (*self.fields, *self.shows)
        return next((part.label for part in asked if part.name == name), "")

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
    known = share if isinstance(share, Estimate) else Estimate(share)
    return Figure(known.scaled(100.0), None, "%")


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
