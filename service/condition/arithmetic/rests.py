"""Times without load in a log: each channel's open-circuit level, its drift and its fall.

Rows come batch by batch; only those without load are kept, so memory grows with the rests alone.
Times in s, A/cm², V. Common practice, no source.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.condition.arithmetic.open_circuit import (
    LEAST_S,
    SETTLE_S,
    THRESHOLD_V,
    Decay,
    OpenLevel,
    OpenPhase,
    decays,
    open_levels,
    open_phases,
)
from service.platform.arithmetic.errors import Inconsistent
from service.runs.arithmetic.log_batches import LogBatch

MOST_ROWS = 300_000

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rest:
    """One time without load: rows (times from its beginning, volts rows × channels), by channel
    the level once it has settled and how it fell below the threshold.

    ``levels`` is None where the rest ended before anything settled.
    """

    begins_s: float
    ends_s: float
    times_s: Array
    voltages_v: Array
    levels: tuple[OpenLevel | None, ...] | None
    falls: tuple[Decay | None, ...]

    @property
    def lasted_s(self) -> float:
        """From its first to its last row."""
        return self.ends_s - self.begins_s


@dataclass(slots=True)
class RestFinder:
    """Takes the batches of a log in order; ``channels`` in the order the voltages are wanted."""

    channels: tuple[int, ...]
    area_cm2: float
    idle_a_cm2: float
    rows: int = 0
    is_full: bool = False
    _times: list[Array] = field(default_factory=list)
    _densities: list[Array] = field(default_factory=list)
    _volts: list[Array] = field(default_factory=list)

    def feed(self, batch: LogBatch) -> None:
        """Keep the rows without load, and the first with load behind each rest.

        Raises Inconsistent where the log has no current or no time.
        """
        current = batch.current_a(self.area_cm2)
        if current is None:
            raise Inconsistent("The log has no current: nobody can tell when there was no load.")
        if batch.time_s is None:
            raise Inconsistent("The log has no time: how fast a voltage falls cannot be told.")
        self.rows += batch.rows
        if self.is_full:
            return
        density = current / self.area_cm2
        idle = np.abs(np.nan_to_num(density, nan=np.inf)) <= self.idle_a_cm2
        is_kept = idle | np.concatenate(([True], idle[:-1]))
        self._times.append(batch.time_s[is_kept])
        self._densities.append(density[is_kept])
        self._volts.append(
            np.column_stack([batch.cell_v[channel] for channel in self.channels])[is_kept]
        )
        self.is_full = sum(len(times) for times in self._times) > MOST_ROWS

    def rests(
        self, threshold_v: float = THRESHOLD_V, settle_s: float = SETTLE_S, least_s: float = LEAST_S
    ) -> tuple[Rest, ...]:
        """Return the times without load of at least ``least_s``, in order."""
        if not self._times:
            return ()
        times, density = np.concatenate(self._times), np.concatenate(self._densities)
        volts = np.concatenate(self._volts)
        rising = np.concatenate(([True], np.diff(times) > 0))
        times, density, volts = times[rising], density[rising], volts[rising]
        if not len(times):
            return ()
        phases = open_phases(times, density, max(self.idle_a_cm2, 1e-9), least_s)
        return tuple(_rest(phase, times, volts, threshold_v, settle_s) for phase in phases)


def _rest(
    phase: OpenPhase, times: Array, volts: Array, threshold_v: float, settle_s: float
) -> Rest:
    seconds, read = times[phase.first : phase.end], volts[phase.first : phase.end]
    try:
        levels = open_levels(seconds, read, settle_s)
    except Inconsistent:
        levels = None
    return Rest(
        phase.begins_s,
        phase.ends_s,
        seconds - seconds[0],
        read,
        levels,
        decays(seconds, read, threshold_v),
    )
