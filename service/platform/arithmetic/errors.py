"""Errors of the pure computations.

TradeError
├── OutOfRange     a value outside what the computation is valid for
├── NoSolution     a bounded search ended without an answer
└── Inconsistent   values that contradict each other
"""


class TradeError(ValueError):
    """A computation could not be done with what it was given."""


class OutOfRange(TradeError):  # noqa: N818
    """A value outside the range a computation is valid for."""

    def __init__(self, name: str, value: object, unit: str, allowed: str) -> None:
        super().__init__(f"{name} is {value} {unit}".rstrip() + f"; allowed: {allowed}.")
        self.name, self.value, self.unit, self.allowed = name, value, unit, allowed


class NoSolution(TradeError):  # noqa: N818
    """A bounded search ended without an answer; ``last`` is where it stood."""

    def __init__(self, what: str, last: object) -> None:
        super().__init__(f"{what}: no solution; the last state was {last}.")
        self.last = last


class Inconsistent(TradeError):  # noqa: N818
    """Two values that cannot both be right."""
