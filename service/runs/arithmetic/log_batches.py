"""Some rows of a log: times, cell voltages and signals as arrays in the laboratory's units."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.runs.arithmetic.log_columns import Signal
from service.runs.arithmetic.log_times import FloatArray


@dataclass(frozen=True, slots=True)
class LogBatch:
    """Rows of a log in order, each array of shape (n,); not a number where nothing was logged.

    ``time_s`` counts from 1970-01-01 UTC where the log has clock times, else from the log's own
    zero; None where it has no time. ``cell_v`` by channel number, in V; ``signals`` in the units
    of log_units.kept_in: A, A/cm², V, °C, L/min, kPa, h. ``first_row`` counts from 1.
    """

    first_row: int
    time_s: FloatArray | None
    cell_v: Mapping[int, FloatArray]
    signals: Mapping[Signal, FloatArray]

    @property
    def rows(self) -> int:
        """How many rows."""
        if self.time_s is not None:
            return len(self.time_s)
        return len(next(iter((*self.cell_v.values(), *self.signals.values()))))

    def current_a(self, area_cm2: float) -> FloatArray | None:
        """Return the current, or where only its density was logged, that times the active area."""
        if Signal.CURRENT in self.signals:
            return self.signals[Signal.CURRENT]
        density = self.signals.get(Signal.CURRENT_DENSITY)
        return None if density is None else density * area_cm2
