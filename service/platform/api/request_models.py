"""What is sent as JSON: units stand in the names, times are ISO 8601 with a zone."""

from collections.abc import Callable, Sequence
from datetime import date
from math import isfinite
from typing import Annotated, Any, TypeVar

from pydantic import AwareDatetime, Field

from service.platform.api.answers import with_fields
from service.platform.arithmetic.fields import Asks
from service.platform.arithmetic.fields import Field as Described
from service.platform.changes import In, Name, Words

__all__ = ["HoursRead", "In", "Name", "Why", "Words", "asks"]

TYPES: dict[Asks, Any] = {
    Asks.WHOLE: int,
    Asks.NUMBER: float,
    Asks.DATE: date,
    Asks.MOMENT: AwareDatetime,
    Asks.YES: bool,
}
M = TypeVar("M", bound=In)


def asks(described: Sequence[Described]) -> Callable[[type[M]], type[M]]:
    """Give a model described fields, as a form asks for them, before those it says itself."""
    return lambda model: with_fields(model, {field.name: _sent(field) for field in described})


def _sent(field: Described) -> tuple[Any, Any]:
    if field.asks not in TYPES:
        bounds: dict[str, Any] = {"min_length": int(field.required), "max_length": field.longest}
        return str, Field(... if field.required else "", description=field.help or None, **bounds)
    least = "gt" if field.above else "ge"
    sides = ((least, field.least), ("le", field.most))
    bounds = {side: bound for side, bound in sides if isfinite(bound)}
    field_type = TYPES[field.asks]
    return field_type if field.required else field_type | None, Field(
        ... if field.required else None, description=field.help or None, **bounds
    )


class HoursRead(In):
    """What an hour meter showed, in h."""

    hours: float = Field(ge=0, le=10_000_000)
    taken_at: AwareDatetime


class Why(In):
    """The reason of what is done."""

    reason: Annotated[str, Field(min_length=1, max_length=4000)]
