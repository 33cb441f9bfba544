"""Statements put together once: that takes longer than most of them take to be answered.

    rows = session.execute(prepared(lambda: select(…).where(Part.id == given("part_id"))),
                           {"part_id": part_id})

Everything that changes from call to call is a ``given`` value, never a variable of the function
around; what makes another statement of it (as known now, or then) is named as a variant.
"""

from collections.abc import Callable, Hashable, Iterable
from datetime import datetime
from types import CodeType
from typing import Any

from sqlalchemy import BindParameter, bindparam

from service.records.tables.base import UtcDateTime

_made: dict[tuple[CodeType, Hashable], Any] = {}
KNOWN_AT: BindParameter[datetime] = bindparam("known_at", type_=UtcDateTime)


def prepared(make: Callable[[], Any], variant: Hashable = None) -> Any:
    """The statement a lambda makes, made at its first call only."""
    key = (make.__code__, variant)
    statement = _made.get(key)
    if statement is None:
        statement = _made[key] = make()
    return statement


def given(name: str) -> Any:
    """One value, named in the call."""
    return bindparam(name)


def given_all(name: str) -> Any:
    """Several values for an IN, named in the call."""
    return bindparam(name, expanding=True)


def then(known_at: datetime | None) -> BindParameter[datetime] | None:
    """The time of knowing as a given value, or None for now."""
    return None if known_at is None else KNOWN_AT


def told(known_at: datetime | None, **values: Any) -> dict[str, Any]:
    """The given values of a call, with the time of knowing where there is one."""
    listed = {
        name: list(value) if isinstance(value, Iterable) and not isinstance(value, str) else value
        for name, value in values.items()
    }
    return listed if known_at is None else {**listed, "known_at": known_at}
