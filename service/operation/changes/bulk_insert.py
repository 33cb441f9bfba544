"""Many rows at once into one table, through its constraints and triggers, on either engine.

For invented histories and for restoring a backup, where a row at a time would take hours.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, func, select, text

from service.operation.tables import metadata
from service.platform.tables.base import UtcDateTime

AT_ONCE = 5_000


def pour(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows which all name the same columns; times are aware, words plain text."""
    if rows:
        names = list(rows[0])
        pour_tuples(connection, table, names, ([row[name] for name in names] for row in rows))


def pour_tuples(
    connection: Connection, table: Table, names: Sequence[str], rows: Iterable[list[Any]]
) -> None:
    """Insert rows of values in the order of the column names."""
    columns = ", ".join(f'"{name}"' for name in names)
    if connection.dialect.name == "postgresql":
        cursor = connection.connection.cursor()
        with cursor.copy(f'COPY "{table.name}" ({columns}) FROM STDIN') as copy:
            for row in rows:
                copy.write_row(row)
        return
    marks = ", ".join("?" * len(names))
    statement = f'INSERT INTO "{table.name}" ({columns}) VALUES ({marks})'  # noqa: S608 - our names
    times = [at for at, name in enumerate(names) if isinstance(table.c[name].type, UtcDateTime)]
    some: list[tuple[Any, ...]] = []
    for row in rows:
        for at in times:
            if isinstance(row[at], datetime):
                row[at] = _as_sqlite_keeps_it(row[at])
        some.append(tuple(row))
        if len(some) == AT_ONCE:
            connection.exec_driver_sql(statement, some)
            some = []
    if some:
        connection.exec_driver_sql(statement, some)


def next_ids(connection: Connection) -> dict[str, int]:
    """The first free id of every table that counts its rows; nobody else may insert meanwhile."""
    tables = [table for table in metadata.sorted_tables if "id" in table.c]
    if connection.dialect.name == "postgresql":
        named = ", ".join(f'"{table.name}"' for table in tables)
        connection.exec_driver_sql(f"LOCK TABLE {named} IN SHARE ROW EXCLUSIVE MODE")
    return {
        table.name: 1 + (connection.scalar(select(func.max(table.c.id))) or 0) for table in tables
    }


def count_on(connection: Connection) -> None:
    """Let PostgreSQL's own counting go on after the ids that were given; SQLite does by itself."""
    if connection.dialect.name != "postgresql":
        return
    for table, following in next_ids(connection).items():
        connection.execute(
            text("SELECT setval(pg_get_serial_sequence(:table, 'id'), :following, false)"),
            {"table": table, "following": following},
        )


def _as_sqlite_keeps_it(at: datetime) -> str:
    return at.replace(tzinfo=None).isoformat(" ", "microseconds")
