"""Errors of the pure computations, each with the keys of the inputs it is about.

TradeError
├── OutOfRange     a value outside what the computation is valid for
├── NoSolution     a bounded search ended without an answer
└── Inconsistent   values that contradict each other
"""

from collections.abc import Iterator
from contextlib import contextmanager


class TradeError(ValueError):
    """A computation could not be done with what it was given.

    ``fields`` are the keys of its inputs: one, or all that contradict each other; once
    ``is_placed``, those of the fields a person filled in.
    """

    fields: tuple[str, ...] = ()
    is_placed = False


@contextmanager
def placed(*fields: str, **by_key: str) -> Iterator[None]:
    """Give a trouble raised inside to the fields that a computation's inputs come from.

    ``by_key`` says which field an input comes from. A trouble that names none of its inputs is a
    contradiction of all fields where ``fields`` are given, else it goes on as it is.

    >>> with placed("rods", count="rods"):
    ...     raise OutOfRange("the number of rods", 0, "", "1 or more", "count")
    Traceback (most recent call last):
    service.platform.arithmetic.errors.OutOfRange: the number of rods is 0; allowed: 1 or more.
    """
    try:
        yield
    except TradeError as trouble:
        field_names = [by_key[key] for key in trouble.fields if key in by_key]
        if field_names or (fields and not trouble.is_placed):
            trouble.fields = tuple(dict.fromkeys(field_names or (*fields, *by_key.values())))
            trouble.is_placed = True
        raise


class OutOfRange(TradeError):  # noqa: N818
    """A value outside the range a computation is valid for."""

    def __init__(self, name: str, value: object, unit: str, allowed: str, *fields: str) -> None:
        super().__init__(f"{name} is {value} {unit}".rstrip() + f"; allowed: {allowed}.")
        self.name, self.value, self.unit, self.allowed = name, value, unit, allowed
        self.fields = tuple(filter(None, fields))


class NoSolution(TradeError):  # noqa: N818
    """A bounded search ended without an answer; ``why`` is for people.

    ``last`` is where the search stood: for the log, no one who asks is told.
    """

    def __init__(
        self, problem: str, why: str = "", *, last: object = None, fields: tuple[str, ...] = ()
    ) -> None:
        super().__init__(f"{problem}: no solution; {why}." if why else f"{problem}: no solution.")
        self.last, self.fields = last, fields


class Inconsistent(TradeError):  # noqa: N818
    """Values that cannot all be right."""

    def __init__(self, sentence: str, *fields: str) -> None:
        super().__init__(sentence)
        self.fields = fields
