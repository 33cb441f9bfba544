"""The calculator of cell-to-cell shorts, from resistances or open-circuit voltages.

Source: as in shorts.
"""

import re

from service.calculators.arithmetic import desk
from service.limits.arithmetic.shorts import (
    LEAST_RESISTANCE_OHM_CM2,
    CellCheck,
    CellFinding,
    shorts_by_resistance,
    shorts_by_voltage,
)
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import TradeError, placed
from service.platform.arithmetic.units import Measure, read_quantity
from service.platform.arithmetic.verdicts import Verdict

BY_RESISTANCE, BY_VOLTAGE = "resistances, dry, before gas", "open-circuit voltages"
NOT_MEASURED = {"-", "–", "—", "none", "not measured"}
MOST_CELLS = 400


def _values(answers: desk.Answers, name: str, measure: Measure, unit: str) -> list[float | None]:
    """One value a cell in SI; a stroke stands for a cell that was not measured."""
    answers.need(name)
    values_read: list[float | None] = []
    rows = [row.strip() for row in re.split(r"[\n;]", answers.text(name)) if row.strip()]
    if len(rows) > MOST_CELLS:
        right = f"Right would be up to {MOST_CELLS}."
        raise answers.refuse(name, f"These are {len(rows)} cells.", right)
    for cell, row in enumerate(rows, 1):
        if row.casefold() in NOT_MEASURED:
            values_read.append(None)
            continue
        try:
            values_read.append(read_quantity(row, measure, unit).si)
        except TradeError as trouble:
            right = "Right would be one value a line, or - for a cell that was not measured."
            raise desk.NotRead(
                desk.Refusal(name, row, f"Cell {cell}: {trouble}", right)
            ) from trouble
    return values_read


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    del units
    if answers.text("by") == BY_RESISTANCE:
        unit = answers.typed.get("resistances_unit", "").strip() or "Ω"
        values = _values(answers, "resistances", Measure.RESISTANCE, unit)
        answers.need("area")
        least = answers.number_or("least_area_resistance", LEAST_RESISTANCE_OHM_CM2)
        with placed("resistances", "area", "least_area_resistance"):
            cells = shorts_by_resistance(values, answers.si("area") * 1e4, least)
        result_unit, source = "Ω·cm²", "resistance times area against the limit; median"
    else:
        unit = answers.typed.get("voltages_unit", "").strip() or "V"
        values = _values(answers, "voltages", Measure.VOLTAGE, unit)
        with placed("voltages", least_v="least_voltage", shorted_below_v="shorted_below"):
            cells = shorts_by_voltage(values, **_bounds(answers))
        result_unit, source = "V", "Iglewicz & Hoaglin (1993): median and median absolute deviation"
    return _outcome(cells, result_unit, source)


def _bounds(answers: desk.Answers) -> dict[str, float]:
    names = (("least_v", "least_voltage"), ("shorted_below_v", "shorted_below"))
    return {name: answers.si(field) for name, field in names if answers.has(field)}


def _outcome(cells: tuple[CellFinding, ...], unit: str, source: str) -> desk.Outcome:
    bad = [cell for cell in cells if cell.check in {CellCheck.SHORTED, CellCheck.SUSPECT}]
    missing = sum(cell.check is CellCheck.NOT_MEASURED for cell in cells)
    verdict = Verdict.PASS
    if any(cell.check is CellCheck.SHORTED for cell in cells):
        verdict = Verdict.FAIL
    elif bad or missing:
        verdict = Verdict.UNDECIDED
    rows = tuple(
        (
            f"cell {cell.cell}",
            "not measured" if cell.value is None else f"{desk.plain(cell.value)}\u2009{unit}",
            str(cell.check),
            cell.why,
        )
        for cell in cells
    )
    counted = (
        desk.Result("cells", "Cells", desk.number_of(float(len(cells)))),
        desk.Result("not_free", "Shorted or suspect", desk.number_of(float(len(bad)))),
        desk.Result("not_measured", "Not measured", desk.number_of(float(missing))),
    )
    sentences = [f"Cell {cell.cell} is {cell.check}: {cell.why}." for cell in bad[:12]]
    if not sentences:
        sentences = ["No short is seen in the cells that were measured."]
    if missing:
        sentences.append("A cell that was not measured is no cell without a short.")
    table = desk.Table("cells", "Cell by cell", ("cell", "value", "says", "why"), rows)
    why = {
        Verdict.PASS: "No short is seen in any cell.",
        Verdict.FAIL: "At least one cell is shorted.",
        Verdict.UNDECIDED: "A cell is suspect, or was not measured.",
    }[verdict]
    cautions = ("electrical", "hydrogen")
    return desk.Outcome(counted, source, tuple(sentences), (table,), cautions, "", verdict, why)


SHORTS = desk.Calculator(
    "shorts",
    "Shorted cells",
    "Which cells are shorted or suspect, from their resistances or open-circuit voltages.",
    (
        fields.Section(
            "Readings, cell 1 first",
            (
                fields.choice("by", "Measured are", (BY_RESISTANCE, BY_VOLTAGE)),
                fields.lines(
                    "resistances",
                    "Resistances",
                    measure=Measure.RESISTANCE,
                    unit="Ω",
                    only_for="by resistances",
                    required=False,
                    example="41\n38\n40\n-\n6.2\n39",
                    help="One a line, or separated by semicolons; - for a cell not measured.",
                ),
                fields.lines(
                    "voltages",
                    "Open-circuit voltages",
                    measure=Measure.VOLTAGE,
                    unit="V",
                    only_for="by voltages",
                    required=False,
                    help="One a line, or separated by semicolons; - for a cell not measured.",
                ),
            ),
        ),
        fields.Section(
            "Limits",
            (
                fields.quantity(
                    "area",
                    "Active area",
                    Measure.AREA,
                    "cm²",
                    only_for="by resistances",
                    required=False,
                    example="100",
                    help="For resistances.",
                ),
                fields.number(
                    "least_area_resistance",
                    "Least resistance times area",
                    "Ω·cm²",
                    only_for="by resistances, optional",
                    required=False,
                    above=True,
                    help="Left empty: 1000 Ω·cm², a common target for a new MEA.",
                ),
                fields.quantity(
                    "least_voltage",
                    "Least voltage of a good cell",
                    Measure.VOLTAGE,
                    "V",
                    only_for="by voltages, optional",
                    required=False,
                ),
                fields.quantity(
                    "shorted_below",
                    "Shorted below",
                    Measure.VOLTAGE,
                    "V",
                    only_for="by voltages, optional",
                    required=False,
                ),
            ),
        ),
    ),
    _work,
)
