"""What a changeover does to the clamp and the set points, as tables of before and after."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.calculators.arithmetic.outcomes import plain
from service.closing.arithmetic.closing_verdicts import values_of
from service.closing.arithmetic.outcome import ClosingOutcome
from service.closing.pages.lines import limit_words, shown
from service.limits.arithmetic.limits import Found
from service.limits.arithmetic.set_points import Row
from service.planning.queries.closing import ChangeoverClosing
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import Measure, from_si
from service.platform.arithmetic.verdicts import Verdict

UNITS: dict[str, tuple[Measure, str]] = {
    "m³/s": (Measure.FLOW, "L/min"),
    "kg/s": (Measure.MASS_FLOW, "g/min"),
    "W": (Measure.POWER, "kW"),
}
"""The unit people read of a set point, by the SI unit it is computed in."""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """One value before and after; ``limit`` and ``verdict`` are those of the value after."""

    words: str
    before: str
    after: str
    change: str
    limit: str = ""
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class ChangeoverClosingSheet:
    """Both tables, and in words what could not be computed."""

    limits: str
    torque: str
    clamp: tuple[BeforeAfter, ...]
    set_points: tuple[BeforeAfter, ...]
    no_set_points: str
    not_computed: tuple[str, ...]
    remarks: tuple[str, ...]


def changeover_closing_sheet(found: ChangeoverClosing) -> ChangeoverClosingSheet:
    """The sheet of what a changeover does."""
    before, after = found.before, found.after
    if before is None or after is None:
        return ChangeoverClosingSheet("", "", (), (), found.no_set_points, (), ())
    return ChangeoverClosingSheet(
        found.limits.name if found.limits else "",
        shown(found.torque_nm, "N·m").text,
        tuple(_clamp(before, after)),
        tuple(map(_set_point, found.set_points)),
        found.no_set_points,
        tuple(dict.fromkeys((*before.not_computed, *after.not_computed))),
        after.remarks,
    )


def _clamp(before: ClosingOutcome, after: ClosingOutcome) -> Iterator[BeforeAfter]:
    was, now = _by_name(values_of(before)), _by_name(values_of(after))
    judged = {(one.quantity, one.of): one for one in after.judged}
    for key in dict.fromkeys((*was, *now)):
        old, new = was.get(key), now.get(key)
        one = new or old
        if one is None:
            continue
        limit = judged.get((new.quantity, new.of)) if new else None
        unit = one.quantity.unit
        yield BeforeAfter(
            f"{one.quantity}, {one.of}" if one.of else str(one.quantity),
            shown(old.value, unit).text if old else "–",
            shown(new.value, unit).text if new else "–",
            _change(old.value, new.value, unit) if old and new else "–",
            limit_words(limit.least, limit.most, unit) if limit else "",
            limit.verdict if limit else None,
        )
    yield from _further(before, after)


def _further(before: ClosingOutcome, after: ClosingOutcome) -> Iterator[BeforeAfter]:
    """What has no limit and yet is set or felt at the bench."""
    if before.closed and after.closed:
        old, new = before.closed.nut_turn_deg / 360, after.closed.nut_turn_deg / 360
        yield BeforeAfter(
            "turns of a nut from finger-tight",
            f"{old:.2f}",
            f"{new:.2f}",
            f"{new - old:+.2f}".replace("-", "−"),
        )
    if before.wanted and after.wanted:
        yield BeforeAfter(
            f"torque for {after.wanted.gdl_pressure_mpa:.3g}\u2009MPa of GDL pressure",
            shown(before.wanted.torque_nm, "N·m").text,
            shown(after.wanted.torque_nm, "N·m").text,
            _change(before.wanted.torque_nm, after.wanted.torque_nm, "N·m"),
        )


def _by_name(values: Sequence[Found]) -> dict[tuple[str, int], Found]:
    """Values by quantity and place: the cell with the least pressure need not be the same."""
    found: dict[tuple[str, int], Found] = {}
    for one in values:
        at = sum(name == one.quantity for name, _at in found)
        found[one.quantity, at] = one
    return found


def _change(old: Estimate, new: Estimate, unit: str) -> str:
    places = len(shown(new, unit).value.partition(".")[2])
    off = round(new.value - old.value, places)
    if not off:
        return "none"
    return f"{off:+.{places}f}\u2009{unit}".rstrip("\u2009").replace("-", "−")


def _set_point(row: Row) -> BeforeAfter:
    measure, unit = UNITS.get(row.unit, (None, row.unit))

    def text(value: float) -> str:
        there = from_si(value, unit, measure) if measure else value
        return f"{plain(there)}\u2009{unit}".rstrip("\u2009").replace("-", "−")

    grown = "+" if row.change > 0 else ""
    change = f"{grown}{text(row.change)}" if row.change else "none"
    return BeforeAfter(row.name, text(row.before), text(row.after), change)
