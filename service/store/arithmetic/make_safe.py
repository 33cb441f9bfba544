"""Make-safe lists of a site: what an act asks for beforehand, and what was recorded of it.

It tells what was recorded and when, never what the state of the stack is.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.fields import choice, figure, notes, number, words, yes
from service.store.arithmetic.instruments import (
    GasMatrix,
    InstrumentKind,
    Principle,
    kinds_that_read,
)

GOOD_FOR_UNSAID = 24 * 60.0
"""min; how long an exception stands, and a reading stays good of which its list does not say it.

Common practice, no source.
"""


class SafeAct(StrEnum):
    """An act a site can have a make-safe list for."""

    OPENING = "opening"
    RE_TORQUE = "re-torque"
    LEAK_TEST = "leak test"


@dataclass(frozen=True, slots=True)
class LineAsked:
    """One line of a make-safe list; ``unit`` None where no reading is asked for.

    Limits in ``unit``. ``good_minutes`` is how long what was recorded stays good; ``short`` what
    the line is called in a sentence.
    """

    number: int
    wording: str
    unit: str | None = None
    reading_most: float | None = None
    needs_instrument: bool = False
    needs_witness: bool = False
    reading_least: float | None = None
    good_minutes: float | None = None
    short: str = ""
    instrument_kind: InstrumentKind | None = None
    principle: Principle | None = None
    gas_matrix: GasMatrix | None = None
    needs_bump_test: bool = False

    @property
    def names_instrument(self) -> bool:
        """Say whether an instrument has to be named."""
        return self.needs_instrument or self.needs_bump_test or self.instrument_kind is not None

    @property
    def kinds(self) -> tuple[InstrumentKind, ...]:
        """The kinds of instruments that fit."""
        if self.instrument_kind is not None:
            return (self.instrument_kind,)
        return kinds_that_read(self.unit)

    @property
    def good_for(self) -> float | None:
        """How many minutes what was recorded stays good; None: it does not go stale."""
        if self.good_minutes is not None:
            return self.good_minutes
        return GOOD_FOR_UNSAID if self.unit else None

    @property
    def limits(self) -> str:
        """The limits of its reading in words; empty where it has none.

        >>> LineAsked(1, "Oxygen in the room", "% vol", 23.5, reading_least=19.5).limits
        '19.5 to 23.5\u2009% vol'
        """
        least, most = self.reading_least, self.reading_most
        if least is None and most is None:
            return ""
        if least is not None and most is not None:
            return f"{least:g} to {most:g}\u2009{self.unit}"
        bound = f"at least {least:g}" if most is None else f"at most {most:g}"
        return f"{bound}\u2009{self.unit}"

    @property
    def asked_in_words(self) -> str:
        """What else it asks for, in words; empty: nothing."""
        read_in = f"reads in {self.gas_matrix}" if self.gas_matrix else ""
        parts = (
            self.limits,
            "" if self.good_for is None else f"good for {in_time(self.good_for)}",
            str(self.instrument_kind or ("instrument" if self.needs_instrument else "")),
            str(self.principle or ""),
            read_in,
            "bump test of the day" if self.needs_bump_test else "",
            "witness" if self.needs_witness else "",
        )
        return ", ".join(filter(None, parts))


LINE_FIELDS = (
    notes("wording", "What is done or measured", required=True, longest=1000),
    words("short", "In short", required=False, longest=40, help="Such as hydrogen."),
    words("unit", "Unit of the reading", required=False, longest=20,
          help="Empty: no reading is asked for."),
    figure("reading_least", "Reading at least", required=False),
    figure("reading_most", "Reading at most", required=False),
    number("good_minutes", "Stays good for", "min", above=True, most=10_000.0, required=False,
           help="Older than this it is read again. A reading needs it."),
    choice("instrument_kind", "Kind of instrument", tuple(InstrumentKind), required=False),
    choice("principle", "Principle of the instrument", tuple(Principle), required=False),
    choice("gas_matrix", "Gas it is read in", tuple(GasMatrix), required=False,
           help="A catalytic head reads low without oxygen: say inert gas for a purge."),
    yes("needs_instrument", "Names the instrument"),
    yes("needs_bump_test", "Bump test of the day"),
    yes("needs_witness", "Names a witness"),
)  # fmt: skip
"""What is said of one line of a list."""


class LeavesNone(StrEnum):
    """Answer that an act is to have no list once one is withdrawn."""

    YES = "yes"


WORDS: Mapping[str, Callable[[Any], Any]] = {
    "instrument_kind": InstrumentKind,
    "principle": Principle,
    "gas_matrix": GasMatrix,
}


def lines_as_data(lines: Iterable[LineAsked]) -> dict[str, Any]:
    """Return the lines of a list as plain data; what is not said is left out."""
    return {
        "lines": [
            {name: value for name, value in asdict(line).items() if value not in (None, "", False)}
            for line in lines
        ]
    }


def lines_from_data(content: Mapping[str, Any]) -> tuple[LineAsked, ...]:
    """Return the lines of plain data, as `lines_as_data` gives them."""
    return tuple(
        LineAsked(**{name: WORDS.get(name, _same)(value) for name, value in line.items()})
        for line in content["lines"]
    )


def _same(value: Any) -> Any:
    return value


def differences(
    before: Sequence[LineAsked], after: Sequence[LineAsked]
) -> list[tuple[str, str | None, str | None]]:
    """Return what changes from one list to another, line by line: which, before, then."""
    old, new = ({line.number: _in_words(line) for line in lines} for lines in (before, after))
    return [
        (f"line {number}", old.get(number), new.get(number))
        for number in sorted(old.keys() | new.keys())
        if old.get(number) != new.get(number)
    ]


def _in_words(line: LineAsked) -> str:
    short = f" ({line.short})" if line.short else ""
    asked = f"; {line.asked_in_words}" if line.asked_in_words else ""
    return f"{line.wording}{short}{asked}"


@dataclass(frozen=True, slots=True)
class StaleLine:
    """A line whose record is older than it stays good."""

    line: LineAsked
    age: timedelta

    @property
    def in_words(self) -> str:
        """Which line, how old what was recorded is, and how long it stays good."""
        name = f" ({self.line.short})" if self.line.short else ""
        age = in_time(self.age / timedelta(minutes=1))
        good = in_time(self.line.good_for or 0)
        return f"line {self.line.number}{name}, {age} old, good for {good}"


def gone_stale(
    lines: Iterable[LineAsked], recorded: Mapping[int, datetime], at: datetime
) -> tuple[StaleLine, ...]:
    """Return the lines that were recorded and are to be recorded again at a time.

    ``recorded``: when what counts of each line was done.
    """
    return tuple(
        StaleLine(line, at - recorded[line.number])
        for line in lines
        if line.number in recorded
        and line.good_for is not None
        and at - recorded[line.number] > timedelta(minutes=line.good_for)
    )


def stands(recorded_at: datetime, at: datetime) -> bool:
    """Say whether an exception recorded at one time still stands at another."""
    return at - recorded_at <= timedelta(minutes=GOOD_FOR_UNSAID)


def read_again(stale: Sequence[StaleLine]) -> str:
    """Return what is to be read again, in one sentence; empty: nothing."""
    return f"Read again: {'; '.join(each.in_words for each in stale)}." if stale else ""


def in_time(minutes: float) -> str:
    """Return a time in minutes below two hours, else in hours.

    >>> in_time(30), in_time(63 * 60 + 10)
    ('30\u2009min', '63\u2009h')
    """
    if minutes < 120:
        return f"{minutes:.3g}\u2009min"
    return f"{minutes / 60:.0f}\u2009h"


def check_reading(line: LineAsked, reading: float | None) -> None:
    """Say whether a reading meets the line, in the line's unit.

    Without a lower limit its magnitude counts. Raises Inconsistent where a reading is missing or
    not asked for, OutOfRange outside the limits.

    >>> check_reading(LineAsked(1, "Voltage of the stack", "V", 1.0), -0.2)
    """
    if line.unit is None:
        if reading is not None:
            raise Inconsistent(f"Line {line.number} asks for no reading.")
        return
    if reading is None:
        raise Inconsistent(f"Line {line.number} asks for a reading in {line.unit}.")
    least, most = line.reading_least, line.reading_most
    size = abs(reading) if least is None else reading
    if (least is not None and size < least) or (most is not None and size > most):
        subject = f"the reading of line {line.number}"
        raise OutOfRange(subject, f"{reading:g}", line.unit, line.limits.replace("\u2009", " "))


def lines_missing(
    checklist: Sequence[LineAsked], recorded: Collection[int]
) -> tuple[LineAsked, ...]:
    """Return the lines of the checklist not recorded yet, in their order."""
    return tuple(line for line in checklist if line.number not in recorded)


def recorded_complete(time_text: str, by: Sequence[str]) -> str:
    """Return the sentence about a complete checklist.

    It says what was recorded and nothing more.

    >>> recorded_complete("14:20", ["A. Ilves", "B. Orr"])
    'Checks recorded complete at 14:20 by A. Ilves and B. Orr; conditions may have changed.'
    """
    names = " and ".join(", ".join(by).rsplit(", ", 1)) if by else "nobody named"
    return f"Checks recorded complete at {time_text} by {names}; conditions may have changed."


# The make-safe list a site begins with, in the order of the work.
#
# A beginning to be made one's own: limits and order belong to the site's procedures. Common
# practice, no source; the limit for hydrogen is a tenth of the lower flammable limit of 4 % by
# volume (ISO/TR 15916), from which sites derive their own.


DEFAULT_LINES = (
    LineAsked(1, "Load taken off and disconnected; cells bridged or discharged as the site asks."),
    LineAsked(2, "Air and hydrogen shut off in the procedure's order; both locked and tagged."),
    LineAsked(3, "Coolant pump, heaters and load locked and tagged."),
    LineAsked(
        4,
        "Fuel side purged with inert gas; hydrogen at the outlet",
        "% vol",
        0.4,
        needs_instrument=True,
        needs_witness=True,
        good_minutes=30.0,
        short="hydrogen",
        instrument_kind=InstrumentKind.GAS_DETECTOR,
        principle=Principle.THERMAL_CONDUCTIVITY,
        gas_matrix=GasMatrix.INERT,
        needs_bump_test=True,
    ),
    LineAsked(5, "Air side purged with inert gas or air as the procedure gives."),
    LineAsked(
        6,
        "Voltage of the whole stack, bleed taken off for 5 min",
        "V",
        1.0,
        needs_instrument=True,
        needs_witness=True,
        good_minutes=60.0,
        short="stack voltage",
    ),
    *(
        LineAsked(
            number, wording, unit, most, needs_instrument=True, good_minutes=60.0, short=short
        )
        for number, wording, unit, most, short in (
            (7, "Largest voltage of a single cell, bleed taken off", "V", 0.1, "cell voltage"),
            (8, "Gauge pressure of the fuel circuit, port opened", "kPa", 1.0, "fuel pressure"),
            (9, "Gauge pressure of the air circuit, port opened", "kPa", 1.0, "air pressure"),
            (
                10,
                "Gauge pressure of the coolant circuit, port opened",
                "kPa",
                1.0,
                "coolant pressure",
            ),
            (11, "Temperature of the stack's middle", "°C", 40.0, "temperature"),
        )
    ),
    LineAsked(12, "Coolant drained and blown out; tray beneath for what is left in low points."),
    LineAsked(
        13, "Clamp looked at: rods guarded, press or guide at hand, nobody in line with a rod."
    ),
    LineAsked(14, "Room: ventilation on, hydrogen and oxygen monitors tried, no ignition source."),
    LineAsked(15, "Gloves without powder, covers for the ports and plastic wedges at hand."),
)
