"""The hours of one part kept apart: at load, gas-exposed, calendar.

A stack's running is told in stretches between readings of its meter or lines of its log. A part
has those of its stays. At load: hours in which the stack gave current through the part's cell; a
blank cell gives none, nor does a cell bridged or shorted in service, whatever the stack does.
Gas-exposed: hours with gas in the stack, and those pass a blank or bridged cell as well, since
its ports and channels carry flow. Calendar: hours between fitting and removal, running or not.
Common practice, no source.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.stacks.arithmetic.running_hours import Hours

NONE_RUN = Hours()


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a stack's time and the hours it ran in it, in h.

    ``gas_exposed_h`` None where nobody told: then it is at least the hours at load.
    ``at_least`` where the stack may have run more than is known.
    """

    begin: datetime
    end: datetime
    at_load_h: float
    gas_exposed_h: float | None
    at_least: bool = False


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay of a part in a stack; ``end`` None where it is there still.

    ``cell`` None for a part outside the cells, which has the hours of the stack.
    """

    begin: datetime
    end: datetime | None
    cell: int | None = None
    blank: bool = False


@dataclass(frozen=True, slots=True)
class Bridge:
    """A cell bridged or shorted in service; ``end`` None where it is so still."""

    cell: int
    begin: datetime
    end: datetime | None


@dataclass(frozen=True, slots=True)
class PartHours:
    """Hours of a part, each kind apart, in h.

    ``out_of_load`` are the hours the stack was at load while the part's cell was blank or
    bridged. ``shared`` where a stretch had to be shared out by time, because nobody read the
    meter at a bridge's beginning or end. ``calendar_h`` None where dates leave it unknown.
    """

    at_load: Hours = NONE_RUN
    gas_exposed: Hours = NONE_RUN
    calendar_h: float | None = 0.0
    out_of_load: Hours = NONE_RUN
    shared: bool = False

    def __add__(self, other: "PartHours") -> "PartHours":
        """Hours of two stays."""
        return PartHours(
            self.at_load + other.at_load,
            self.gas_exposed + other.gas_exposed,
            None
            if self.calendar_h is None or other.calendar_h is None
            else self.calendar_h + other.calendar_h,
            self.out_of_load + other.out_of_load,
            self.shared or other.shared,
        )


def part_hours(
    stay: Stay, stretches: Iterable[Stretch], bridges: Sequence[Bridge], now: datetime
) -> PartHours:
    """Compute the hours of each kind a part has from one stay in a stack.

    ``stretches`` do not overlap in what they count and may come in any order; ``bridges`` of
    other cells do not matter, nor do any to a part outside the cells. A stretch that reaches
    over an end of the stay or of a bridge is shared out by time. ``now`` ends the calendar of a
    part which is there still.

    Raises Inconsistent for an end before its beginning, OutOfRange for hours below zero, or more
    of them at load than gas-exposed.

    >>> from datetime import UTC, datetime
    >>> day = [datetime(2026, 3, day, tzinfo=UTC) for day in range(1, 12)]
    >>> run = Stretch(day[0], day[10], at_load_h=200.0, gas_exposed_h=210.0)
    >>> found = part_hours(Stay(day[0], day[10], 3), [run], [Bridge(3, day[5], None)], day[10])
    >>> found.at_load.hours, found.gas_exposed.hours, found.calendar_h, found.out_of_load.hours
    (100.0, 210.0, 240.0, 100.0)
    """
    _in_order("the stay", stay.begin, stay.end)
    out_of_load = _out_of_load(stay, bridges)
    hours = PartHours(calendar_h=max(0.0, _h(stay.begin, stay.end or now)))
    for stretch in stretches:
        _plausible(stretch)
        share = _share(stretch, stay.begin, stay.end)
        if not share:
            continue
        out = share if stay.blank else sum(_share(stretch, *span) for span in out_of_load)
        gas_h = stretch.gas_exposed_h
        gas_at_least = stretch.at_least or gas_h is None
        hours += PartHours(
            Hours(stretch.at_load_h * max(0.0, share - out), stretch.at_least and out < share),
            Hours(share * (stretch.at_load_h if gas_h is None else gas_h), gas_at_least),
            0.0,
            Hours(stretch.at_load_h * out, stretch.at_least and out > 0),
            stretch.at_load_h > 0 and (share < 1 or 0 < out < share),
        )
    return hours


def _out_of_load(stay: Stay, bridges: Sequence[Bridge]) -> list[tuple[datetime, datetime | None]]:
    """The spans of a stay in which its cell was bridged, in order and overlapping nowhere."""
    spans: list[tuple[datetime, datetime | None]] = []
    for bridge in sorted(bridges, key=lambda bridge: bridge.begin):
        _in_order("the bridge", bridge.begin, bridge.end)
        if stay.cell is None or bridge.cell != stay.cell:
            continue
        begin, end = max(bridge.begin, stay.begin), _earlier(bridge.end, stay.end)
        if end is not None and end <= begin:
            continue
        if spans and (spans[-1][1] is None or begin <= spans[-1][1]):
            last = spans.pop()
            ends = (last[1], end)
            begin = last[0]
            end = None if None in ends else max(span for span in ends if span is not None)
        spans.append((begin, end))
    return spans


def _share(stretch: Stretch, begin: datetime, end: datetime | None) -> float:
    """Which share of a stretch, of 1, falls between two times? One of no length is where it is."""
    whole = _h(stretch.begin, stretch.end)
    if whole == 0:
        return float(begin <= stretch.begin and (end is None or stretch.begin < end))
    first, last = max(stretch.begin, begin), _earlier(stretch.end, end)
    return max(0.0, _h(first, last or stretch.end)) / whole


def _earlier(earlier: datetime | None, later: datetime | None) -> datetime | None:
    """The earlier of two ends; None is no end."""
    return min((end for end in (earlier, later) if end is not None), default=None)


def _h(begin: datetime, end: datetime) -> float:
    return (end - begin).total_seconds() / 3600


def _in_order(stretch_name: str, begin: datetime, end: datetime | None) -> None:
    if end is not None and end < begin:
        raise Inconsistent(f"The end of {stretch_name} is before its beginning.")


def _plausible(stretch: Stretch) -> None:
    _in_order("the stretch", stretch.begin, stretch.end)
    if stretch.at_load_h < 0:
        raise OutOfRange("the time at load", stretch.at_load_h, "h", "0 or more")
    gas_h = stretch.gas_exposed_h
    if gas_h is not None and gas_h < stretch.at_load_h:
        raise OutOfRange("the gas-exposed time", gas_h, "h", "no less than the time at load")
