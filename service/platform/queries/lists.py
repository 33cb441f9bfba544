"""Lists a page at a time, both ways: the one way of every list page and every list of the API.

    NEWEST = Order((Lot.id,), descending=True)
    return listing(session, statement, NEWEST, turn, partial(read_all, LotFacts))

A page goes on from the keys of a row and not from a count of rows, so that it costs the same
however far it lies, and rows added meanwhile neither come twice nor are left out. A list that can
be sorted in several ways has several orders; what filters it stands in its statement.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Generic, TypeVar, cast

from sqlalchemy import Select, tuple_
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import as_kept
from service.platform.errors import Refused

CURSOR = "page"
"""The name of a cursor in addresses and in the API."""
AFTER, BEFORE = "after:", "before:"
LARGEST = 2**63 - 1

Row = TypeVar("Row")
Other = TypeVar("Other")


@dataclass(frozen=True, slots=True)
class Turn:
    """Which page is asked for: how many rows, from the cursor a page beside it gave."""

    limit: int = 50
    cursor: str = ""

    @property
    def is_back(self) -> bool:
        """Say whether the rows before the cursor are asked for."""
        return self.cursor.startswith(BEFORE)


FIRST = Turn()


def from_keys(turn: Turn, *keys: Any) -> Turn:
    """Return a turn that goes on after these keys, unless one is None or it has a cursor."""
    return turn if turn.cursor or None in keys else Turn(turn.limit, cursor_at(AFTER, keys))


@dataclass(frozen=True, slots=True)
class Listing(Generic[Row]):
    """One page of a list, with the cursors of those beside it; empty where there is none.

    ``total`` is known only where an index counts it.
    """

    rows: tuple[Row, ...]
    further: str = ""
    back: str = ""
    total: int | None = None

    def of(self, rows: Iterable[Other]) -> "Listing[Other]":
        """Return the same page with other rows for its own."""
        return Listing(tuple(rows), self.further, self.back, self.total)

    @property
    def last_key(self) -> Any:
        """The first key of the last row, where further ones follow."""
        return keys_in(self.further)[0] if self.further else None


@dataclass(frozen=True, slots=True)
class Order:
    """Columns that order a list, all one way; together they name one row, and none is NULL."""

    keys: tuple[Any, ...]
    descending: bool = False

    def from_cursor(self, cursor: str) -> tuple[Any, ...]:
        """Return the values of the keys in a cursor. Raises Refused where it is none of this."""
        return values_in(cursor, [key.type.python_type for key in self.keys])

    def turned(self, statement: Select[*tuple[Any, ...]], turn: Turn) -> Select[*tuple[Any, ...]]:
        """Return a statement with what it takes to be one page: keys, place, order, limit."""
        is_falling = self.descending != turn.is_back
        if turn.cursor:
            values = self.from_cursor(turn.cursor)
            column, place = (
                (self.keys[0], values[0])
                if len(values) == 1
                else (tuple_(*self.keys), tuple_(*values, types=[key.type for key in self.keys]))
            )
            statement = statement.where(column < place if is_falling else column > place)
        labelled = [key.label(f"list_key_{number}") for number, key in enumerate(self.keys)]
        order = [key.desc() if is_falling else key.asc() for key in self.keys]
        # one row more than the page holds says whether there are further ones
        return statement.add_columns(*labelled).order_by(*order).limit(turn.limit + 1)


def listing(
    session: Session,
    statement: Select[*tuple[Any, ...]],
    order: Order,
    turn: Turn,
    read: Callable[[Sequence[Any]], Iterable[Row]],
    *,
    total: Select[int] | None = None,
) -> Listing[Row]:
    """Return one page of what a filtered statement finds; ``read`` is given all its rows.

    One statement, and one for the ``total``, which an index has to count.
    """
    rows = session.execute(order.turned(statement, turn)).all()
    count = len(order.keys)
    page = cut(rows, turn, lambda row: tuple(getattr(row, f"list_key_{at}") for at in range(count)))
    row_count = None if total is None else cast("int", session.scalar(total))
    return Listing(tuple(read(page.rows)), page.further, page.back, row_count)


def cut(rows: Sequence[Row], turn: Turn, keys: Callable[[Row], Sequence[Any]]) -> Listing[Row]:
    """Return the page of rows read from its cursor on, one more than it holds where there are more.

    Rows of a page that goes back come in the turned order, nearest first.
    """
    page_rows, has_more = list(rows[: turn.limit]), len(rows) > turn.limit
    is_back = turn.is_back
    if is_back:
        page_rows.reverse()
    has_further, has_back = (bool(rows), has_more) if is_back else (has_more, bool(turn.cursor))
    return Listing(
        tuple(page_rows),
        cursor_at(AFTER, keys(page_rows[-1])) if page_rows and has_further else "",
        cursor_at(BEFORE, keys(page_rows[0])) if page_rows and has_back else "",
    )


def cursor_at(side: str, keys: Sequence[Any]) -> str:
    """Return the cursor of the rows after or before the one with these keys."""
    values = [key.isoformat() if isinstance(key, datetime) else key for key in keys]
    return side + json.dumps(values, ensure_ascii=False, separators=(",", ":"))[1:-1]


def values_in(cursor: str, kinds: Sequence[type]) -> tuple[Any, ...]:
    """Return the values of the keys in a cursor. Raises Refused where they are not of ``kinds``."""
    keys = keys_in(cursor)
    if len(keys) != len(kinds):
        raise _no_place(cursor)
    return tuple(_as(kind, key, cursor) for kind, key in zip(kinds, keys, strict=True))


def keys_in(cursor: str) -> list[Any]:
    """Return the keys in a cursor, as JSON keeps them. Raises Refused for what is none."""
    side = next((side for side in (AFTER, BEFORE) if cursor.startswith(side)), None)
    try:
        values = json.loads(f"[{cursor[len(side or '') :]}]")
    except (ValueError, RecursionError):
        values = []
    if side is None or not values:
        raise _no_place(cursor)
    return list(values)


def _as(kind: type, value: Any, cursor: str) -> Any:
    if kind is datetime and isinstance(value, str):
        try:
            at = as_kept(datetime.fromisoformat(value))
        except ValueError:
            raise _no_place(cursor) from None
        if at.tzinfo is not None:
            return at
    elif issubclass(kind, StrEnum):
        if value in list(kind):
            return kind(value)
    elif type(value) is kind and (
        abs(value) <= LARGEST if isinstance(value, int) else "\x00" not in str(value)
    ):
        return value
    raise _no_place(cursor)


def _no_place(cursor: str) -> Refused:
    return Refused(CURSOR, cursor, "is no place in this list.", "Begin at its first page.")
