"""Statements made once: to make one anew takes longer than most of them take to be answered.

A statement is a constant of its module; where flags make several of it, or it needs names of its
own, a function of the module under ``@statement``. What changes from call to call is a ``param``,
its value named in the call, never a variable of the function around:

    TYPES = select(…).where(PartType.id.in_(param_list("ids")))
    rows = session.execute(TYPES, {"ids": list(ids)})

    @statement
    def _layers(is_then: bool) -> Any:
        return select(…).where(
            Layer.build_id == param("build_id"), known(Layer, as_of_param(is_then))
        )

    rows = session.execute(_layers(known_at is not None), params(known_at, build_id=build_id))
"""

from collections.abc import Callable, Iterable
from datetime import datetime
from functools import cache
from typing import Any, ParamSpec, Protocol, TypeVar, cast

from sqlalchemy import BindParameter, ColumnElement, and_, bindparam, or_

from service.platform.tables import UtcDateTime

Flags = ParamSpec("Flags")
Made = TypeVar("Made")

KNOWN_AT: BindParameter[datetime] = bindparam("known_at", type_=UtcDateTime)


def statement(make: Callable[Flags, Made]) -> Callable[Flags, Made]:
    """Keep the statement a function makes, one for each combination of its flags."""
    return cast("Callable[Flags, Made]", cache(make))


def param(name: str) -> Any:
    """Stand for one value, named in the call."""
    return bindparam(name)


def param_list(name: str) -> Any:
    """Stand for the values of an IN, named in the call."""
    return bindparam(name, expanding=True)


def as_of_param(is_then: bool) -> BindParameter[datetime] | None:
    """Stand for the time of knowing, or for now."""
    return KNOWN_AT if is_then else None


def params(known_at: datetime | None, **values: Any) -> dict[str, Any]:
    """Name the values of a call, with the time of knowing where there is one."""
    values_named = {
        name: list(value) if isinstance(value, Iterable) and not isinstance(value, str) else value
        for name, value in values.items()
    }
    return values_named if known_at is None else {**values_named, "known_at": known_at}


class HasKnown(Protocol):
    """A table whose rows say from when to when the lab knew them so."""

    known_from: Any
    known_until: Any


def known(
    table: type[HasKnown] | Any, at: datetime | ColumnElement[datetime] | None = None
) -> ColumnElement[bool]:
    """Return rows as known now, or as they were known at a time (from its first moment on)."""
    until: ColumnElement[bool] = table.known_until.is_(None)
    if at is None:
        return until
    return and_(table.known_from <= at, or_(until, table.known_until > at))
