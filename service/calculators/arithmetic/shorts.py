"""The calculator of cell-to-cell shorts, from resistances or open-circuit voltages.

Source: as in shorts.
"""

import re

from service.calculators.arithmetic.answers import Answers, NotRead, Refusal
from service.calculators.arithmetic.fields import Section, choice, lines, number, quantity
from service.calculators.arithmetic.outcomes import (
    Calculator,
    Outcome,
    Result,
    Table,
    Units,
    number_of,
    plain,
)
from service.limits.arithmetic.shorts import (
    LEAST_RESISTANCE_OHM_CM2,
    CellCheck,
    CellFinding,
    shorts_by_resistance,
    shorts_by_voltage,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure, read_quantity
from service.platform.arithmetic.verdicts import Verdict

BY_RESISTANCE, BY_VOLTAGE = "resistances, dry, before gas", "open-circuit voltages"
NOT_MEASURED = {"-", "–", "—", "none", "not measured"}
MOST_CELLS = 400


def _values(answers: Answers, name: str, measure: Measure, unit: str) -> list[float | None]:
    """One value a cell in SI; a stroke stands for a cell that was not measured."""
    answers.need(name)
    found: list[float | None] = []
    rows = [row.strip() for row in re.split(r"[\n;]", answers.text(name)) if row.strip()]
    if len(rows) > MOST_CELLS:
        right = f"Right would be up to {MOST_CELLS}."
        raise answers.refuse(name, f"These are {len(rows)} cells.", right)
    for cell, row in enumerate(rows, 1):
        if row.casefold() in NOT_MEASURED:
            found.append(None)
            continue
        try:
            found.append(read_quantity(row, measure, unit).si)
        except TradeError as trouble:
            right = "Right would be one value a line, or - for a cell that was not measured."
            raise NotRead(Refusal(name, row, f"Cell {cell}: {trouble}", right)) from trouble
    return found


def _work(answers: Answers, units: Units) -> Outcome:
    del units
    if answers.text("by") == BY_RESISTANCE:
        unit = answers.typed.get("resistances_unit", "").strip() or "Ω"
        values = _values(answers, "resistances", Measure.RESISTANCE, unit)
        answers.need("area")
        least = answers.number_or("least_area_resistance", LEAST_RESISTANCE_OHM_CM2)
        found = shorts_by_resistance(values, answers.si("area") * 1e4, least)
        shown, source = "Ω·cm²", "resistance times area against the limit; median"
    else:
        unit = answers.typed.get("voltages_unit", "").strip() or "V"
        values = _values(answers, "voltages", Measure.VOLTAGE, unit)
        found = shorts_by_voltage(values, **_bounds(answers))
        shown, source = "V", "Iglewicz & Hoaglin (1993): median and median absolute deviation"
    return _outcome(found, shown, source)


def _bounds(answers: Answers) -> dict[str, float]:
    names = (("least_v", "least_voltage"), ("shorted_below_v", "shorted_below"))
    return {name: answers.si(field) for name, field in names if answers.has(field)}


def _outcome(found: tuple[CellFinding, ...], unit: str, source: str) -> Outcome:
    bad = [one for one in found if one.check in {CellCheck.SHORTED, CellCheck.SUSPECT}]
    missing = sum(one.check is CellCheck.NOT_MEASURED for one in found)
    verdict = Verdict.PASS
    if any(one.check is CellCheck.SHORTED for one in found):
        verdict = Verdict.FAIL
    elif bad or missing:
        verdict = Verdict.UNDECIDED
    rows = tuple(
        (
            f"cell {one.cell}",
            "not measured" if one.value is None else f"{plain(one.value)}\u2009{unit}",
            str(one.check),
            one.why,
        )
        for one in found
    )
    counted = (
        Result("cells", "Cells", number_of(float(len(found)))),
        Result("not_free", "Shorted or suspect", number_of(float(len(bad)))),
        Result("not_measured", "Not measured", number_of(float(missing))),
    )
    said = [f"Cell {one.cell} is {one.check}: {one.why}." for one in bad[:12]]
    if not said:
        said = ["No short is seen in the cells that were measured."]
    if missing:
        said.append("A cell that was not measured is no cell without a short.")
    table = Table("cells", "Cell by cell", ("cell", "value", "says", "why"), rows)
    why = {
        Verdict.PASS: "No short is seen in any cell.",
        Verdict.FAIL: "At least one cell is shorted.",
        Verdict.UNDECIDED: "A cell is suspect, or was not measured.",
    }[verdict]
    cautions = ("electrical", "hydrogen")
    return Outcome(counted, source, tuple(said), (table,), cautions, "", verdict, why)


SHORTS = Calculator(
    "shorts",
    "Shorted cells",
    "Which cells are shorted or suspect, from their resistances or open-circuit voltages.",
    (
        Section(
            "Readings, cell 1 first",
            (
                choice("by", "Measured are", (BY_RESISTANCE, BY_VOLTAGE)),
                lines(
                    "resistances",
                    "Resistances",
                    measure=Measure.RESISTANCE,
                    unit="Ω",
                    only_for="by resistances",
                    required=False,
                    example="41\n38\n40\n-\n6.2\n39",
                    named=("the resistance of cell",),
                    help="One a line, or parted by semicolons; - for a cell not measured.",
                ),
                lines(
                    "voltages",
                    "Open-circuit voltages",
                    measure=Measure.VOLTAGE,
                    unit="V",
                    only_for="by voltages",
                    required=False,
                    named=("the voltage of cell",),
                    help="One a line, or parted by semicolons; - for a cell not measured.",
                ),
            ),
        ),
        Section(
            "Limits",
            (
                quantity(
                    "area",
                    "Active area",
                    Measure.AREA,
                    "cm²",
                    only_for="by resistances",
                    required=False,
                    example="100",
                    named=("the active area",),
                    help="For resistances.",
                ),
                number(
                    "least_area_resistance",
                    "Least resistance times area",
                    "Ω·cm²",
                    only_for="by resistances, optional",
                    required=False,
                    above=True,
                    named=("the limit",),
                    help="Left empty: 1000 Ω·cm², a common target for a new MEA.",
                ),
                quantity(
                    "least_voltage",
                    "Least voltage of a good cell",
                    Measure.VOLTAGE,
                    "V",
                    only_for="by voltages, optional",
                    required=False,
                    named=("the least voltage",),
                ),
                quantity(
                    "shorted_below",
                    "Shorted below",
                    Measure.VOLTAGE,
                    "V",
                    only_for="by voltages, optional",
                    required=False,
                    named=("the voltage of a shorted cell",),
                ),
            ),
        ),
    ),
    _work,
)
