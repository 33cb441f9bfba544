"""Fields as data: what is asked, in which unit, in which range, and by which names it goes.

A form, an address, a column of a list, a line of the trail and the API are made from the same
field, so none can lag behind. Common practice, no source.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Any

from service.platform.arithmetic.units import IN_SI, Measure, labels

LARGEST: dict[Measure, float] = {
    Measure.TORQUE: 1e3,
    Measure.FORCE: 1e7,
    Measure.PRESSURE: 2e12,
    Measure.LENGTH: 20.0,
    Measure.AREA: 1.0,
    Measure.VOLUME: 0.1,
    Measure.LEAK_RATE: 1e4,
    Measure.FLOW: 1.0,
    Measure.LINE_LOAD: 1e8,
    Measure.STIFFNESS: 1e12,
    Measure.TEMPERATURE_CHANGE: 500.0,
    Measure.RESISTANCE: 1e15,
    Measure.VOLTAGE: 1e5,
    Measure.CURRENT: 5e3,
    Measure.DURATION: 1e8,
}
"""More than this, in SI units, no stack and no tool of its laboratory has: another unit was meant.
Common practice, no source."""
SMALLEST = 1e-15
"""Less than this in its field's unit, and not nothing, is no size."""


class Asks(StrEnum):
    """What kind of answer a field takes."""

    QUANTITY = "quantity"
    PRESSURE = "pressure"  # may say gauge or absolute
    NUMBER = "number"
    WHOLE = "whole number"
    CHOICE = "choice"
    WORDS = "words"
    LINES = "lines"
    SERIAL = "serial"  # as marked on a thing: every sign counts
    NOTES = "notes"  # as long as somebody likes
    DAY = "day"  # kept as its noon in the laboratory's zone
    DATE = "date"
    MOMENT = "date and time"
    YES = "yes"


@dataclass(frozen=True, slots=True)
class Field:
    """One question.

    ``unit`` is the one its number is in where none is chosen or typed behind it. ``least`` and
    ``most`` bound it, in that unit; ``above`` leaves ``least`` itself out. ``example`` is an
    invented answer, ``only_for`` says which choice asks for it, ``section`` the heading it stands
    under. ``headings`` are those its column goes by in a list, ``column`` what it is called there
    and ``trail`` in the audit trail, where not by its label and name. ``otherwise`` holds where it
    is left empty; a day that is ``ahead`` may lie in the future.
    """

    name: str
    label: str
    asks: Asks = Asks.QUANTITY
    measure: Measure | None = None
    unit: str = ""
    choices: tuple[str, ...] = ()
    help: str = ""
    required: bool = True
    least: float = -inf
    most: float = inf
    above: bool = False
    example: str = ""
    only_for: str = ""
    section: str = ""
    headings: tuple[str, ...] = ()
    column: str = ""
    trail: str = ""
    otherwise: float | str | None = None
    longest: int = 200
    ahead: bool = False

    @property
    def is_number(self) -> bool:
        """Say whether it is answered with a number."""
        return self.asks in {Asks.QUANTITY, Asks.PRESSURE, Asks.NUMBER, Asks.WHOLE}

    @property
    def right(self) -> str:
        """What would be right where nothing is given."""
        return self.help or (
            f"Such as {self.example}." if self.example else f"{self.label}, in words."
        )

    @property
    def in_list(self) -> str:
        """What it is called as a column of a list."""
        return self.column or f"{self.label[:1].lower()}{self.label[1:]}"

    @property
    def in_trail(self) -> str:
        """What the audit trail calls it."""
        return self.trail or self.name

    @property
    def units(self) -> tuple[str, ...]:
        """Units it can be given in; none where it has no choice of them."""
        return labels(self.measure) if self.measure else ()

    @property
    def unit_name(self) -> str:
        """Under which name its unit is sent."""
        return f"{self.name}_unit"

    @property
    def first_choice(self) -> str:
        """What holds where nothing is chosen."""
        return self.choices[0] if self.choices else ""

    @property
    def range_in_words(self) -> str:
        """What would be right, in words."""
        unit = f" {self.unit}" if self.unit else ""
        if self.most == inf:
            if self.above:
                return "more than zero" if self.least == 0 else f"more than {self.least:g}{unit}"
            return "zero or more" if self.least == 0 else f"{self.least:g}{unit} or more"
        if self.above and self.least == 0:
            return f"more than zero, up to {self.most:g}{unit}"
        beyond = "more than " if self.above else ""
        return f"{beyond}{self.least:g} to {self.most:g}{unit}"


def by_name(described: Iterable[Field]) -> dict[str, Field]:
    """Return fields by name."""
    return {field.name: field for field in described}


@dataclass(frozen=True, slots=True)
class Section:
    """Fields that belong together, under one heading."""

    title: str
    fields: tuple[Field, ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Show:
    """A choice of unit for results: ``name`` is how it is sent, ``unit`` where none is chosen."""

    name: str
    label: str
    measure: Measure
    unit: str

    @property
    def units(self) -> tuple[str, ...]:
        """Units it can be shown in."""
        return labels(self.measure)


def quantity(name: str, label: str, measure: Measure, unit: str, **more: Any) -> Field:
    """Describe a quantity with its unit, more than zero where nothing else is said."""
    bounds: dict[str, Any] = {"least": 0.0, "above": "least" not in more}
    if measure in LARGEST:
        bounds["most"] = float(f"{LARGEST[measure] / IN_SI[measure][unit]:.6g}")
    return Field(name, label, Asks.QUANTITY, measure, unit, **{**bounds, **more})


def deviation(name: str, label: str, measure: Measure, unit: str, **more: Any) -> Field:
    """Describe how far off a quantity may be, ±; may be left out."""
    return quantity(name, label, measure, unit, **{"least": 0.0, "required": False, **more})


def pressure(name: str, label: str, unit: str = "kPa", **more: Any) -> Field:
    """Describe a pressure of a gas.

    What it counts from stands behind it, or in the field ``zero``.
    """
    return Field(name, label, Asks.PRESSURE, Measure.PRESSURE, unit, **more)


def temperature(name: str, label: str, **more: Any) -> Field:
    """Describe a temperature, in °C where nothing else is said."""
    return Field(name, label, Asks.QUANTITY, Measure.TEMPERATURE, "°C", **more)


def number(name: str, label: str, unit: str = "", **more: Any) -> Field:
    """Return a plain number, zero or more where nothing else is said."""
    return Field(name, label, Asks.NUMBER, None, unit, **{"least": 0.0, **more})


def figure(name: str, label: str, unit: str = "", **more: Any) -> Field:
    """A number that is bounded by what is computed from it alone."""
    return Field(name, label, Asks.NUMBER, None, unit, **more)


def percent(name: str, label: str, **more: Any) -> Field:
    """Describe a share in percent; may be left out."""
    return number(name, label, "%", **{"most": 90.0, "required": False, **more})


def whole(name: str, label: str, **more: Any) -> Field:
    """Describe a whole number, one or more where nothing else is said."""
    return Field(name, label, Asks.WHOLE, **{"least": 1.0, "most": 1000.0, **more})


def choice(name: str, label: str, choices: tuple[str, ...], **more: Any) -> Field:
    """Describe a choice among words; the first where none is chosen."""
    return Field(name, label, Asks.CHOICE, choices=choices, **{"example": choices[0], **more})


def words(name: str, label: str, **more: Any) -> Field:
    """Describe a field of words, such as a thread's size."""
    return Field(name, label, Asks.WORDS, **more)


def serial(name: str, label: str, **more: Any) -> Field:
    """What is marked on a thing."""
    return Field(name, label, Asks.SERIAL, **more)


def notes(name: str = "notes", label: str = "Notes", **more: Any) -> Field:
    """Words as long as somebody likes; may be left out."""
    return Field(name, label, Asks.NOTES, **{"required": False, "longest": 4000, **more})


def day(name: str, label: str, **more: Any) -> Field:
    """A day; may be left out."""
    return Field(name, label, Asks.DAY, **{"required": False, **more})


def date(name: str, label: str, **more: Any) -> Field:
    """Describe a day of the calendar, such as one of UTC."""
    return Field(name, label, Asks.DATE, **more)


def moment(name: str, label: str, **more: Any) -> Field:
    """Describe a date with a time of day."""
    return Field(name, label, Asks.MOMENT, **more)


def reason(name: str = "reason", label: str = "Reason", **more: Any) -> Field:
    """Describe why something is done, which stands in the trail."""
    return notes(name, label, required=True, **more)


def yes(name: str, label: str, **more: Any) -> Field:
    """A box that is ticked or not."""
    return Field(name, label, Asks.YES, **{"required": False, **more})


def lines(name: str, label: str, **more: Any) -> Field:
    """Describe several answers, one a line."""
    return Field(name, label, Asks.LINES, **more)
