"""What happens to a closed stack: warm, relaxed, with more cells on the same rods.

Sources: as in clamp_changes.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.closing_results import thread_left
from service.calculators.arithmetic.outcomes import Cell, Table, Units
from service.closing.arithmetic.clamp_changes import (
    CellsChange,
    ClampChange,
    change_of_cells,
    relaxed,
    warmed,
)
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.springs import ClosedState
from service.platform.arithmetic.errors import NoSolution
from service.platform.arithmetic.estimates import Estimate

NOTHING = "none"


def changes_of(
    answers: Answers, assembly: Assembly, closed: ClosedState, units: Units
) -> tuple[tuple[str, ...], tuple[Table, ...]]:
    """Sentences and tables of what was asked beyond the closed state."""
    said: list[str] = []
    tables: list[Table] = []
    happened: list[tuple[str, ClampChange]] = []
    if answers.has("warmer"):
        warmer = answers.entry("warmer")
        happened.append(
            (f"{warmer.value:g}\u2009{warmer.unit} warmer", warmed(assembly, closed, warmer.si))
        )
    if answers.has("height_lost"):
        lost = answers.entry("height_lost")
        happened.append(
            (f"{lost.value:g}\u2009{lost.unit} of height lost", relaxed(assembly, closed, lost.si))
        )
    if happened:
        tables.append(_happened_table(happened, units))
        said += [_force_sentence(when, change) for when, change in happened]
    if answers.has("cells_added") and answers.count("cells_added"):
        by = answers.count("cells_added")
        change = change_of_cells(assembly, closed.force_n, by, assembly.cells[-1])
        tables.append(_cells_table(answers, assembly, change, units))
        if change.after.protrusion_m is not None:
            count = len(change.assembly_after.cells)
            said += thread_left(answers, change.after.protrusion_m, f" with {count} cells")
    return tuple(said), tuple(tables)


def _force_sentence(when: str, change: ClampChange) -> str:
    gained = -100 * change.share_lost
    word = "gains" if gained >= 0 else "loses"
    return f"{when}: the clamp {word} {abs(gained):.1f}\u2009% of its force."


def _happened_table(happened: list[tuple[str, ClampChange]], units: Units) -> Table:
    def shown(value: float | None, show: str) -> Cell:
        return NOTHING if value is None else units.figure(value, show)

    first = happened[0][1]
    rows: tuple[tuple[Cell, ...], ...] = (
        (
            "force of all rods",
            units.figure(first.force_before_n, "force_in"),
            *(units.figure(change.force_after_n, "force_in") for _when, change in happened),
        ),
        (
            "GDL pressure",
            shown(first.gdl_pressure_before_pa, "pressure_in"),
            *(shown(change.gdl_pressure_after_pa, "pressure_in") for _w, change in happened),
        ),
        (
            "line load",
            shown(first.line_load_before_n_m, "line_load_in"),
            *(shown(change.line_load_after_n_m, "line_load_in") for _w, change in happened),
        ),
        (
            "change of the closed height",
            units.figure(0.0, "length_in"),
            *(units.figure(change.height_change_m, "length_in") for _w, change in happened),
        ),
    )
    headings = ("", "as closed", *(when for when, _change in happened))
    return Table("changes", "What happens to the closed clamp", headings, rows)


def _cells_table(answers: Answers, assembly: Assembly, change: CellsChange, units: Units) -> Table:
    both = (change.before, change.after)

    def row(name: str, show: str, values: tuple[Estimate | float | None, ...]) -> tuple[Cell, ...]:
        cells = (NOTHING if v is None else units.figure(v, show) for v in values)
        return (name, *cells)

    rows = [
        row("GDL pressure", "pressure_in", tuple(state.gdl_pressure_pa for state in both)),
        row("line load", "line_load_in", tuple(state.line_load_n_m for state in both)),
        row("closed height", "length_in", tuple(state.closed_height_m for state in both)),
        row("thread out of the nut", "length_in", tuple(state.protrusion_m for state in both)),
        row("nut travel", "length_in", tuple(state.nut_travel_m for state in both)),
    ]
    if answers.has("warmer"):
        by = answers.si("warmer")
        pair = zip((assembly, change.assembly_after), both, strict=True)
        forces = tuple(_warm_force(stack, state, by) for stack, state in pair)
        rows.append(row("force of all rods, warm", "force_in", forces))
    counts = (len(assembly.cells), len(change.assembly_after.cells))
    headings = ("", *(f"{count} cells" for count in counts))
    return Table("cells", "On the same rods with the same torque", headings, tuple(rows))


def _warm_force(assembly: Assembly, closed: ClosedState, by: float) -> float | None:
    try:
        return warmed(assembly, closed, by).force_after_n
    except NoSolution:
        return None
