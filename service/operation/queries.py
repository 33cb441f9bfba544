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
    plain = [(at, _plain(column)) for at, column in enumerate(table.columns) if _plain(column)]
    rows = session.connection().execution_options(yield_per=AT_ONCE).execute(statement)
    for found in rows:
        row = list(found)
        for at, make in plain:
            if row[at] is not None and make is not None:
                row[at] = make(row[at])
        yield row


def read_back(table: Table, columns: list[str]) -> Callable[[Row], Row]:
    """Make plain values, in the order of these columns, fit for pouring into the table."""
    times = [at for at, name in enumerate(columns) if isinstance(table.c[name].type, UtcDateTime)]
    days = [at for at, name in enumerate(columns) if isinstance(table.c[name].type, Date)]

    def back(row: Row) -> Row:
        for at in times:
            if row[at] is not None:
                row[at] = datetime.fromisoformat(row[at])
        for at in days:
            if row[at] is not None:
                row[at] = date.fromisoformat(row[at])
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
        at = value.astimezone(UTC).replace(tzinfo=None)
    else:
        at = datetime.fromisoformat(value)
    return f"{at.isoformat(timespec='microseconds')}Z"


# Comparing a record of 700 layers with its hash takes longer than everything else on a stack's
# sheet. Both engines can say whether two views of the data are the same one: SQLite counts commits
# of other connections (``PRAGMA data_version``) and changes of its own, PostgreSQL names its
# snapshots. What was verified under the same view need not be verified again; the first commit ends
# it.
