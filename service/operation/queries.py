"""All rows of all tables as plain values, the same from either engine: what a backup keeps.

Times are ISO 8601 in UTC, yes and no are true and false, words and numbers as they are. Sign-in
sessions and attempts stay out, and files on their way in: whoever restores signs in again.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Boolean, Column, Date, Table, func, select, text
from sqlalchemy.orm import Session

from service.operation.tables import metadata
from service.platform.tables import UtcDateTime

LEFT_OUT = frozenset({"sign_in_session", "sign_in_attempt", "run_upload"})
AT_ONCE = 2_000

Row = list[Any]


def kept_tables() -> list[Table]:
    """Return every table a backup keeps, what is named before what names it as far as possible."""
    return [table for table in metadata.tables.values() if table.name not in LEFT_OUT]


def count_rows(session: Session) -> dict[str, int]:
    """Count the rows of each table."""
    return {
        table.name: session.scalar(select(func.count()).select_from(table)) or 0
        for table in kept_tables()
    }


def rows_of(session: Session, table: Table) -> Iterator[Row]:
    """Return every row in the order of its key, values in the order of the table's columns."""
    columns = ", ".join(f'"{column.name}"' for column in table.columns)
    key = ", ".join(f'"{column.name}"' for column in table.primary_key)
    statement = text(f'SELECT {columns} FROM "{table.name}" ORDER BY {key}')  # noqa: S608 - our names
    plain = [
        (index, _plain(column)) for index, column in enumerate(table.columns) if _plain(column)
    ]
    rows = session.connection().execution_options(yield_per=AT_ONCE).execute(statement)
    for fetched in rows:
        row = list(fetched)
        for index, make in plain:
            if row[index] is not None and make is not None:
                row[index] = make(row[index])
        yield row


def read_back(table: Table, columns: list[str]) -> Callable[[Row], Row]:
    """Make plain values, in the order of these columns, fit for pouring into the table."""
    times = [
        index for index, name in enumerate(columns) if isinstance(table.c[name].type, UtcDateTime)
    ]
    days = [index for index, name in enumerate(columns) if isinstance(table.c[name].type, Date)]

    def back(row: Row) -> Row:
        for index in times:
            if row[index] is not None:
                row[index] = datetime.fromisoformat(row[index])
        for index in days:
            if row[index] is not None:
                row[index] = date.fromisoformat(row[index])
        return row

    return back


def _plain(column: Column[Any]) -> Callable[[Any], Any] | None:
    if isinstance(column.type, UtcDateTime):
        return _time
    if isinstance(column.type, Date):
        return str
    if isinstance(column.type, Boolean):
        return bool
    return None


def _time(value: str | datetime) -> str:
    if isinstance(value, datetime):
        time = value.astimezone(UTC).replace(tzinfo=None)
    else:
        time = datetime.fromisoformat(value)
    return f"{time.isoformat(timespec='microseconds')}Z"


# Comparing a record of 700 layers with its hash takes longer than everything else on a stack's
# sheet. Both engines can say whether two views of the data are the same one: SQLite counts commits
# of other connections (``PRAGMA data_version``) and changes of its own, PostgreSQL names its
# snapshots. What was verified under the same view need not be verified again; the first commit ends
# it.
