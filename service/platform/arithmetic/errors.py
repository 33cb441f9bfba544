"""Errors of the pure computations, each with the keys of the inputs it is about.

TradeError
├── OutOfRange     a value outside what the computation is valid for
├── NoSolution     a bounded search ended without an answer
└── Inconsistent   values that contradict each other
"""


class TradeError(ValueError):
    """A computation could not be done with what it was given.

    ``fields`` are the keys of its inputs: one, or all that contradict each other.
    """

    fields: tuple[str, ...] = ()


class OutOfRange(TradeError):  # noqa: N818
    """A value outside the range a computation is valid for."""

    def __init__(
        self, name: str, value: object, unit: str, allowed: str, *, field: str = ""
    ) -> None:
        super().__init__(f"{name} is {value} {unit}".rstrip() + f"; allowed: {allowed}.")
        self.name, self.value, self.unit, self.allowed = name, value, unit, allowed
        self.fields = (field,) if field else ()


class NoSolution(TradeError):  # noqa: N818
    """A bounded search ended without an answer; ``why`` is for people.

    ``last`` is where the search stood: for the log, no one who asks is told.
    """

    def __init__(
        self, what: str, why: str = "", *, last: object = None, fields: tuple[str, ...] = ()
    ) -> None:
        super().__init__(f"{what}: no solution; {why}." if why else f"{what}: no solution.")
        self.last, self.fields = last, fields


class Inconsistent(TradeError):  # noqa: N818
    """Values that cannot all be right."""

    def __init__(self, said: str, *fields: str) -> None:
        super().__init__(said)
        self.fields = fields
