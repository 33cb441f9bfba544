"""Torque readings of one record as a table: rods in tightening order, passes side by side."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.platform.arithmetic.vocabulary import Stage
from service.records.queries.record_entries import TorqueRead


@dataclass(frozen=True, slots=True)
class TorqueCell:
    """The readings of one rod in one pass: the one that counts, and those it came after."""

    counts: TorqueRead | None
    before: tuple[TorqueRead, ...]


@dataclass(frozen=True, slots=True)
class TorqueTable:
    """Readings of one stage: one row a rod in tightening order, one column a pass."""

    stage: Stage
    passes: tuple[int, ...]
    rows: tuple[tuple[int, tuple[TorqueCell, ...]], ...]

    @property
    def last(self) -> tuple[TorqueRead, ...]:
        """The last reading of each rod that has one."""
        found = []
        for _rod, cells in self.rows:
            counting = [cell.counts for cell in cells if cell.counts is not None]
            if counting:
                found.append(counting[-1])
        return tuple(found)


def torque_table(reads: Iterable[TorqueRead], rods: Sequence[int], stage: Stage) -> TorqueTable:
    """The readings of one stage, given in the order they were entered: the last one counts.

    Rods no longer in the design come after those of ``rods``.
    """
    by_place: dict[tuple[int, int], list[TorqueRead]] = {}
    for read in reads:
        if read.stage is stage:
            by_place.setdefault((read.rod_number, read.pass_number), []).append(read)
    passes = tuple(sorted({number for _rod, number in by_place}))
    strange = sorted({rod for rod, _number in by_place} - set(rods))
    rows = tuple(
        (rod, tuple(_cell(by_place.get((rod, number), ())) for number in passes))
        for rod in (*rods, *strange)
    )
    return TorqueTable(stage, passes, rows)


def _cell(found: Sequence[TorqueRead]) -> TorqueCell:
    counting = [read for read in found if not read.corrected]
    last = counting[-1] if counting else None
    return TorqueCell(last, tuple(read for read in found if read is not last))
