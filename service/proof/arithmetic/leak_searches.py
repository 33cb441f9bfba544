"""Which cell leaks: one reading a cell, what stands out of them, and what to open next.

JSON forms “leak search 1” and “leak search result 1”. A search gives suspicion and no verdict.
With hydrogen at the anode and nitrogen at the cathode a cell shows the voltage of their partial
pressures, so a cell whose membrane or seal leaks reads low; a sniffer along the pile reads high at
a leak. Sources: Nernst; robust spread as in shorts. The rest is common practice, no source.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

from service.limits.arithmetic.shorts import LEAST_SPREAD_V, OUTLYING
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import finite, not_below_zero, within
from service.platform.arithmetic.verdicts import Verdict
from service.store.arithmetic.instruments import InstrumentKind

FORM, RESULT_FORM = "leak search 1", "leak search result 1"
FORMULAS = (FORM,)
LEAST_CELLS = 3
"""Fewer readings have no middle that one could stand out of."""
LEAST_SHARE = 0.1
"""Spread of a sniffer below which readings are alike, as a share of their median."""
MOST_SHARE = 1 / 3
"""Share of the cells above which suspects point to the set-up before the cells."""
ALIKE = 0.3


class SearchWay(StrEnum):
    """How the cell that leaks is looked for."""

    VOLTAGE = "open-circuit voltage, hydrogen and nitrogen"
    SNIFFER = "sniffer along the pile"


SEARCHED_WITH: dict[SearchWay, tuple[InstrumentKind, ...]] = {
    SearchWay.VOLTAGE: (
        InstrumentKind.MULTIMETER,
        InstrumentKind.CELL_MONITOR,
        InstrumentKind.POTENTIOSTAT,
    ),
    SearchWay.SNIFFER: (InstrumentKind.HELIUM_DETECTOR, InstrumentKind.GAS_DETECTOR),
}


class CellSuspicion(StrEnum):
    """What a reading says of a cell."""

    QUIET = "does not stand out"
    SUSPECT = "suspect"
    BESIDE = "beside a suspect"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class LeakSearch:
    """One value a cell, cell 1 first, in the unit it was read in; None: not measured.

    ``blank_cells`` are the numbers of cells without an MEA: nothing is asked of them.
    """

    way: SearchWay
    values: tuple[float | None, ...]
    unit: str
    blank_cells: tuple[int, ...] = ()
    invalid_because: str | None = None

    def __post_init__(self) -> None:
        """Refuse what no cell can have, and too few readings to compare."""
        for cell, value in enumerate(self.values, 1):
            if value is None:
                continue
            if self.way is SearchWay.VOLTAGE:
                within(f"the voltage of cell {cell}", value, "V", -1.0, 1.3, "values")
            else:
                finite(f"the reading at cell {cell}", value, self.unit, "values")
                not_below_zero(f"the reading at cell {cell}", value, self.unit, "values")
            if cell in self.blank_cells:
                raise Inconsistent(f"Cell {cell} is blank: it has no reading.", "values")
        if sum(value is not None for value in self.values) < LEAST_CELLS:
            raise Inconsistent(f"Fewer than {LEAST_CELLS} cells were measured.", "values")


@dataclass(frozen=True, slots=True)
class CellSearched:
    """One cell: its reading, what it says, and why in words."""

    cell: int
    value: float | None
    suspicion: CellSuspicion
    why: str


@dataclass(frozen=True, slots=True)
class SearchOutcome:
    """What a search points to. ``verdict`` stays undecided: it is no test of tightness."""

    way: SearchWay
    unit: str
    cells: tuple[CellSearched, ...]
    remarks: tuple[str, ...]
    formulas: tuple[str, ...] = FORMULAS
    verdict: Verdict = Verdict.UNDECIDED

    @property
    def suspects(self) -> tuple[int, ...]:
        """The numbers of the cells that stand out."""
        return tuple(cell.cell for cell in self.cells if cell.suspicion is CellSuspicion.SUSPECT)

    @property
    def most(self) -> float:
        """The greatest reading, for a picture of the cells."""
        return max((abs(cell.value) for cell in self.cells if cell.value is not None), default=0.0)


def search_cells(search: LeakSearch) -> SearchOutcome:
    """Say which cells stand out, and what the readings support to open next."""
    read = {cell: value for cell, value in enumerate(search.values, 1) if value is not None}
    middle = median(read.values())
    by_voltage = search.way is SearchWay.VOLTAGE
    floor = LEAST_SPREAD_V if by_voltage else LEAST_SHARE * middle
    spread = max(median(abs(value - middle) for value in read.values()), floor)
    sign = -1.0 if by_voltage else 1.0

    def off(cell: int) -> float:
        """How far a cell stands out to the side of a leak, in robust spreads."""
        if cell not in read:
            return 0.0
        away = sign * (read[cell] - middle)
        return 0.6745 * away / spread if spread else (0.0 if away <= 0 else 2 * OUTLYING)

    suspects = [cell for cell in read if off(cell) > OUTLYING]
    if not by_voltage:
        # Gas spreads along the pile: of neighbours that read high the highest is the place.
        high = set(suspects)
        suspects = [
            cell
            for cell in suspects
            if all(read[cell] >= read[beside] for beside in (cell - 1, cell + 1) if beside in high)
        ]
    cells = tuple(
        _cell(cell, value, search.unit, suspects, is_out=off(cell) > OUTLYING, middle=middle)
        for cell, value in enumerate(search.values, 1)
        if cell not in search.blank_cells
    )
    remarks = tuple(_to_open(search, suspects, off, len(cells)))
    return SearchOutcome(search.way, search.unit, cells, remarks)


def _cell(
    cell: int,
    value: float | None,
    unit: str,
    suspects: Sequence[int],
    *,
    is_out: bool,
    middle: float,
) -> CellSearched:
    if value is None:
        return CellSearched(cell, None, CellSuspicion.NOT_MEASURED, "no reading")
    why = f"{value:.4g} {unit}, the median is {middle:.4g} {unit}"
    if cell in suspects:
        return CellSearched(cell, value, CellSuspicion.SUSPECT, why)
    if is_out:
        return CellSearched(cell, value, CellSuspicion.BESIDE, why)
    return CellSearched(cell, value, CellSuspicion.QUIET, "")


def _to_open(
    search: LeakSearch, suspects: Sequence[int], off: Callable[[int], float], count: int
) -> Iterator[str]:
    """What to open next, only as far as the readings go."""
    missing = [
        cell
        for cell, value in enumerate(search.values, 1)
        if value is None and cell not in search.blank_cells
    ]
    if not suspects:
        yield "No cell stands out: these readings give no reason to open any of them."
    elif len(suspects) > MOST_SHARE * count:
        yield (
            f"{len(suspects)} of {count} cells stand out: look at gas feed, leads and the set-up"
            " before opening."
        )
    else:
        yield from _side_by_side(search, suspects)
        for cell in sorted(suspects, key=off, reverse=True):
            from_fixed, from_free = cell, len(search.values) - cell + 1
            end, cells = ("fixed", from_fixed) if from_fixed < from_free else ("free", from_free)
            yield (
                f"Open next to cell {cell}: {cells} {'cell' if cells == 1 else 'cells'} from the"
                f" {end} end. It is suspected, not found to leak."
            )
    if missing:
        names = ", ".join(map(str, missing[:12]))
        yield f"Not measured: cell {names}. Nothing is said of them."


def _side_by_side(search: LeakSearch, suspects: Sequence[int]) -> Iterator[str]:
    """A voltage lead one plate off takes from one cell what it adds to its neighbour."""
    if search.way is SearchWay.SNIFFER:
        return
    read = dict(enumerate(search.values, 1))
    middle = median(value for value in read.values() if value is not None)
    for cell in suspects:
        for neighbour in (cell - 1, cell + 1):
            low, high = read[cell], read.get(neighbour)
            if low is None or high is None:
                continue
            lacks, adds = middle - low, high - middle
            if adds > LEAST_SPREAD_V and abs(lacks - adds) <= ALIKE * lacks:
                yield (
                    f"Cell {neighbour} reads as much above the median as cell {cell} below: check"
                    " the lead between them first."
                )
