"""The voltages of a stack's cells from moment to moment, and each MEA's own line through them.

A cell's number is a label within one build; what lasts is the MEA. So a history belongs to the MEA
and names the cell it sat in at each moment. Volts, hours of the stack, A/cm².
Common practice, no source.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

import numpy as np

from service.condition.arithmetic.cell_outliers import Spread, spread
from service.condition.arithmetic.reference_voltages import NEAR_PERCENT, is_near

NO_LOAD_A_CM2 = 0.002
JOINED = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class MeaVoltage:
    """What was read of one cell: the MEA in it (None: not known) and its voltage in V."""

    part_id: int | None
    voltage_v: float


@dataclass(frozen=True, slots=True)
class StackMoment:
    """The cells of a stack at one moment; ``hours_h`` of the stack, None where not known."""

    key: str
    begins_at: datetime
    ends_at: datetime
    hours_h: float | None
    build: int
    density_a_cm2: float | None
    cells: Mapping[int, MeaVoltage]

    @property
    def at(self) -> datetime:
        """Its middle."""
        return self.begins_at + (self.ends_at - self.begins_at) / 2

    @property
    def is_open(self) -> bool:
        """Say whether it stood without load."""
        return self.density_a_cm2 is not None and self.density_a_cm2 <= NO_LOAD_A_CM2


@dataclass(frozen=True, slots=True)
class MeaReading:
    """One reading of an MEA, and the cell it sat in."""

    at: datetime
    hours_h: float | None
    build: int
    cell: int
    voltage_v: float
    from_median_v: float


@dataclass(frozen=True, slots=True)
class MeaHistory:
    """Every reading of one MEA in this stack, in the order of time."""

    part_id: int
    readings: tuple[MeaReading, ...]

    @property
    def first(self) -> MeaReading:
        """Its first reading here."""
        return self.readings[0]

    @property
    def newest(self) -> MeaReading:
        """Its newest reading here."""
        return self.readings[-1]

    @property
    def change_v(self) -> float | None:
        """Newest less first; None of a single reading."""
        if len(self.readings) < 2:
            return None
        return self.newest.voltage_v - self.first.voltage_v

    @property
    def places(self) -> tuple[tuple[int, int], ...]:
        """The builds it was read in, each with its cell."""
        return tuple(dict.fromkeys((reading.build, reading.cell) for reading in self.readings))


@dataclass(frozen=True, slots=True)
class SpreadAt:
    """How far the cells lay apart at one moment."""

    at: datetime
    hours_h: float | None
    build: int
    spread: Spread
    weakest_part_id: int | None


@dataclass(frozen=True, slots=True)
class OpenFall:
    """One time without load: how each cell's voltage moved through it, V/h by least squares."""

    begins_at: datetime
    ends_at: datetime
    moments: int
    build: int
    falls: Mapping[int, tuple[int | None, float, float]]
    """cell → MEA, voltage at the first moment, rate"""


def moments_near(
    moments: Iterable[StackMoment], reference_a_cm2: float, percent: float = NEAR_PERCENT
) -> tuple[StackMoment, ...]:
    """Return moments that can be set beside each other, near one density, in the order of time."""
    near = (moment for moment in moments if is_near(moment.density_a_cm2, reference_a_cm2, percent))
    return tuple(sorted(near, key=lambda moment: moment.at))


def mea_histories(moments: Sequence[StackMoment]) -> tuple[MeaHistory, ...]:
    """Return what was read of each MEA in whichever cell, the weakest at its newest first.

    Moments in the order of time.
    """
    readings_of: dict[int, list[MeaReading]] = defaultdict(list)
    for moment in moments:
        if not moment.cells:
            continue
        time, middle = (
            moment.at,
            median(cell_voltage.voltage_v for cell_voltage in moment.cells.values()),
        )
        for cell, cell_voltage in moment.cells.items():
            if cell_voltage.part_id is not None:
                readings_of[cell_voltage.part_id].append(
                    MeaReading(
                        time,
                        moment.hours_h,
                        moment.build,
                        cell,
                        cell_voltage.voltage_v,
                        cell_voltage.voltage_v - middle,
                    )
                )
    histories = (MeaHistory(part_id, tuple(readings)) for part_id, readings in readings_of.items())
    return tuple(
        sorted(histories, key=lambda history: (-history.newest.build, history.newest.voltage_v))
    )


def spread_history(moments: Sequence[StackMoment]) -> tuple[SpreadAt, ...]:
    """Return how far the cells lay apart at each moment with two cells or more."""
    spreads = []
    for moment in moments:
        if len(moment.cells) > 1:
            apart = spread(
                {cell: cell_voltage.voltage_v for cell, cell_voltage in moment.cells.items()}
            )
            weakest = moment.cells[apart.least_cell].part_id
            spreads.append(SpreadAt(moment.at, moment.hours_h, moment.build, apart, weakest))
    return tuple(spreads)


def open_falls(
    moments: Sequence[StackMoment], joined: timedelta = JOINED, least: int = 3
) -> tuple[OpenFall, ...]:
    """Return how the open-circuit voltages moved while the load stayed off.

    ``moments`` are all of a stack in the order of time; those without load follow each other when
    no more than ``joined`` lies between them and nothing with load. A time needs ``least`` moments.
    """
    groups: list[list[StackMoment]] = []
    before: StackMoment | None = None
    for moment in moments:
        if moment.is_open:
            if before is not None and _goes_on(before, moment, joined):
                groups[-1].append(moment)
            else:
                groups.append([moment])
        before = moment
    return tuple(_fall(group) for group in groups if len(group) >= least)


def _goes_on(before: StackMoment, moment: StackMoment, joined: timedelta) -> bool:
    if not before.is_open or before.build != moment.build:
        return False
    return moment.begins_at - before.ends_at <= joined


def _fall(group: Sequence[StackMoment]) -> OpenFall:
    falls = {}
    for cell in sorted({cell for moment in group for cell in moment.cells}):
        open_voltages = [
            (moment.at, moment.cells[cell]) for moment in group if cell in moment.cells
        ]
        if len(open_voltages) < 3:
            continue
        hours = np.array([(pair - group[0].at).total_seconds() / 3600 for pair, _ in open_voltages])
        volts = np.array([cell_voltage.voltage_v for _, cell_voltage in open_voltages])
        slope = float(np.polynomial.polynomial.polyfit(hours, volts, 1)[1])
        falls[cell] = (open_voltages[-1][1].part_id, float(volts[0]), slope)
    return OpenFall(group[0].begins_at, group[-1].ends_at, len(group), group[0].build, falls)
