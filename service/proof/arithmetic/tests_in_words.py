"""What a test of the closed stack gave, line by line: value ± U (k = 2), limit, verdict.

A rate below what the method can see is said as such, and never as 0. Source: as in leak_results.
"""

from dataclasses import dataclass
from math import floor, log10

from service.limits.arithmetic.leak_figures import mbar_l_s
from service.limits.arithmetic.leak_paths import SET_UPS, Path
from service.limits.arithmetic.permeation import ML_MIN
from service.limits.arithmetic.shorts import CellCheck
from service.physics.arithmetic.gases import NORMAL, volume_flow
from service.physics.arithmetic.tightness import Detection
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.electrical_tests import (
    CellChecked,
    InsulationFound,
    InsulationOutcome,
    ShortOutcome,
)
from service.proof.arithmetic.leak_results import HydrogenFound, LeakResult, PathFound, Rate
from service.proof.arithmetic.leak_searches import SearchOutcome
from service.proof.arithmetic.stack_tests import Result

THIN = "\u2009"
UNIT = f"{THIN}mbar·L/s"
NOTHING_SET = "none is set"
NAMED_MOST = 12


@dataclass(frozen=True, slots=True)
class ResultLine:
    """One value of a test; verdict None where no limit was in force for it."""

    what: str
    value: str
    limit: str
    source: str
    verdict: Verdict | None
    aside: str = ""


def lines_of(result: Result) -> tuple[ResultLine, ...]:
    """Return what the test gave, value by value."""
    if isinstance(result, LeakResult):
        return _leak_lines(result)
    if isinstance(result, InsulationOutcome):
        return tuple(insulation_line(reading) for reading in result.found)
    if isinstance(result, SearchOutcome):
        return _search_lines(result)
    return _short_lines(result)


def what_of(result: Result) -> str:
    """Say which test of its kind it is, in a few words."""
    if isinstance(result, LeakResult):
        by = f", helium by {result.helium}" if result.helium else ""
        return f"set-up {result.set_up}, {SET_UPS[result.set_up - 1].name}{by}"
    if isinstance(result, InsulationOutcome):
        return " and ".join(dict.fromkeys(str(reading.condition) for reading in result.found))
    return str(result.way)


def rate_words(rate: Rate, *, is_bound: bool = False) -> str:
    """Return a leak rate with its uncertainty; below detection or inward is said so.

    >>> rate_words(Rate(2.4e-7, 2e-8, 3e-8, 6e-8, Detection.SEEN))
    '0.00585 ± 0.00097\\u2009mbar·L/s'
    """
    if rate.seen is Detection.BELOW_DETECTION:
        limit = digits(rate.detection_limit_mbar_l_s)
        return f"below detection, which is {limit}{UNIT}"
    if rate.seen is Detection.INWARD:
        return f"gas came in: {estimate_words(rate.in_mbar_l_s)}{UNIT}"
    return f"{'at most ' if is_bound else ''}{estimate_words(rate.in_mbar_l_s)}{UNIT}"


def estimate_words(estimate: Estimate) -> str:
    """Return a value ± its expanded uncertainty (k = 2), with the digits that count."""
    value, expanded = written(estimate)
    if expanded == "0":
        return value
    return f"{value} ± {expanded}".replace("-", "\u2212")


def digits(value: float, most: int = 2) -> str:
    """Return a number with so many digits that count, never as a power of ten.

    >>> digits(0.012345), digits(1234.5)
    ('0.012', '1200')
    """
    if not value:
        return "0"
    places = most - 1 - floor(log10(abs(value)))
    return f"{round(value, places):.{max(0, places)}f}"


def path_line(path: PathFound) -> ResultLine:
    """Return one path after one test."""
    return ResultLine(
        f"leak {path.path}",
        rate_words(path.rate, is_bound=path.is_bound),
        NOTHING_SET if path.limit_mbar_l_s is None else f"at most {path.limit_mbar_l_s:g}{UNIT}",
        path.source,
        path.verdict,
        "; ".join(filter(None, (_each_cell(path), _as_hydrogen(path.hydrogen)))),
    )


def _each_cell(path: PathFound) -> str:
    """What passes the membrane of a cell, and how much of all is permeation, in mL/min."""
    if path.path is not Path.ANODE_CATHODE or not path.cells or path.rate.rate_mol_s <= 0:
        return ""
    per_cell = digits(ml_min(path.rate.rate_mol_s / path.cells))
    words = f"{per_cell}{THIN}mL/min for each cell at {NORMAL.name}"
    if path.permeation is None:
        return words
    least, most = path.permeation.least_mol_s, path.permeation.most_mol_s
    left = [digits(ml_min(max(0.0, path.rate.rate_mol_s - part))) for part in (most, least)]
    return (
        f"{words}; of all {digits(ml_min(path.rate.rate_mol_s))}{THIN}mL/min permeation is"
        f" {digits(ml_min(least))} to {digits(ml_min(most))}, leak {left[0]} to {left[1]}"
    )


def ml_min(rate_mol_s: float) -> float:
    """Convert mol/s to mL/min at 0 °C and 101.325 kPa."""
    return volume_flow(rate_mol_s) / ML_MIN


def _as_hydrogen(hydrogen: HydrogenFound | None) -> str:
    if hydrogen is None:
        return ""
    least, most = digits(mbar_l_s(hydrogen.least_mol_s)), digits(mbar_l_s(hydrogen.most_mol_s))
    rate_text = most if least == most or hydrogen.at_most else f"{least} to {most}"
    bound = "at most " if hydrogen.at_most else ""
    is_of_one_law = hydrogen.least_mol_s == hydrogen.most_mol_s
    law = hydrogen.regime if is_of_one_law else "by both laws of flow"
    return f"as hydrogen at running pressure {bound}{rate_text}{UNIT}, {law}"


def _leak_lines(result: LeakResult) -> tuple[ResultLine, ...]:
    limit = result.limit_mbar_l_s
    verdict = result.verdict if len(result.pressurised) != 1 and limit is not None else None
    lines = [
        ResultLine(
            "helium found" if result.helium else "all that was lost",
            rate_words(result.lost),
            NOTHING_SET if limit is None else f"at most {digits(limit, 3)}{UNIT}",
            "" if limit is None else "from the limits of the paths",
            verdict,
            _in_ml_min(result) if result.helium else "",
        )
    ]
    lines += [
        ResultLine(
            f"arrived in the {arrival.circuit} circuit", rate_words(arrival.rate), "–", "", None
        )
        for arrival in result.arrived
    ]
    return (*lines, *(path_line(path) for path in result.paths))


def _in_ml_min(result: LeakResult) -> str:
    """A rate of helium as a flow, of all and for each cell."""
    rate = Estimate(ml_min(result.lost.rate_mol_s), ml_min(result.lost.u_mol_s))
    words = f"{estimate_words(rate)}{THIN}mL/min at {NORMAL.name}"
    if result.cells:
        each = estimate_words(rate.scaled(1 / result.cells))
        words += f"; {each}{THIN}mL/min for each of {result.cells} cells"
    return words


def insulation_line(reading: InsulationFound) -> ResultLine:
    """Return one reading of insulation."""
    value = f"{estimate_words(Estimate(reading.resistance_mohm, reading.u_mohm))}{THIN}MΩ"
    if reading.over_range:
        value = f"more than {reading.resistance_mohm:g}{THIN}MΩ"
    current = "" if reading.current_ua is None else f"{digits(reading.current_ua)}{THIN}µA"
    bound = "less than " if reading.over_range else ""
    return ResultLine(
        f"insulation {reading.between}, {reading.condition}",
        value,
        NOTHING_SET if reading.limit_mohm is None else f"at least {_ohms(reading.limit_mohm)}",
        reading.standard,
        reading.verdict,
        current and f"{bound}{current} at the working voltage",
    )


def _ohms(mohm: float) -> str:
    """A limit of insulation; kΩ where it is low."""
    value, unit = (mohm, "MΩ") if mohm >= 0.1 else (mohm * 1e3, "kΩ")
    return f"{float(f'{value:.3g}'):g}{THIN}{unit}"


def shorts_line(result: ShortOutcome) -> ResultLine:
    """Return all cells in one line."""
    names = [
        f"{check}: {_cells(result.cells_that_are(check))}"
        for check in (CellCheck.SHORTED, CellCheck.SUSPECT, CellCheck.NOT_MEASURED)
        if result.cells_that_are(check)
    ]
    sentence = "; ".join(names) or f"no short seen in {len(result.cells)} cells"
    limit = "no cell shorted or suspect"
    return ResultLine("shorts of cells", sentence, limit, "", result.verdict, f"by {result.way}")


def _cells(numbers: tuple[int, ...]) -> str:
    more = len(numbers) - NAMED_MOST
    numbers_text = ", ".join(str(number) for number in numbers[:NAMED_MOST])
    return f"cell{'s' if len(numbers) > 1 else ''} {numbers_text}" + (
        f" and {more} more" if more > 0 else ""
    )


def _short_lines(result: ShortOutcome) -> tuple[ResultLine, ...]:
    bad = [cell for cell in result.cells if cell.check in {CellCheck.SHORTED, CellCheck.SUSPECT}]
    return (shorts_line(result), *(_cell_line(cell, result.unit) for cell in bad[:NAMED_MOST]))


def _search_lines(result: SearchOutcome) -> tuple[ResultLine, ...]:
    sentence = f"suspect: {_cells(result.suspects)}" if result.suspects else "no cell stands out"
    first = ResultLine("cells searched", sentence, "–", "", None, f"by {result.way}")
    out = [cell for cell in result.cells if cell.cell in result.suspects]
    return (
        first,
        *(
            ResultLine(f"cell {cell.cell}: {cell.suspicion}", cell.why, "–", "", None)
            for cell in out[:NAMED_MOST]
        ),
    )


def _cell_line(cell: CellChecked, unit: str) -> ResultLine:
    value = "not measured" if cell.value is None else f"{cell.value:.4g}{THIN}{unit}"
    return ResultLine(f"cell {cell.cell}: {cell.check}", value, cell.why, "", None)
