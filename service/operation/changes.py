"""Bringing the rows of a backup into an empty database, all or nothing, on either engine."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, func, inspect, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import AddConstraint, DropConstraint, ForeignKeyConstraint, MetaData

from service.operation.migrating import connected, known_revisions, migrate, triggers
from service.operation.queries import Row
from service.operation.tables import metadata
from service.platform.errors import Refused
from service.platform.tables import UtcDateTime

# Many rows at once into one table, through its constraints and triggers, on either engine.
#
# For invented histories and for restoring a backup, where a row at a time would take hours.


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
    times = [
        index for index, name in enumerate(names) if isinstance(table.c[name].type, UtcDateTime)
    ]
    some: list[tuple[Any, ...]] = []
    for row in rows:
        for index in times:
            if isinstance(row[index], datetime):
                row[index] = _as_sqlite_keeps_it(row[index])
        some.append(tuple(row))
        if len(some) == AT_ONCE:
            connection.exec_driver_sql(statement, some)
            some = []
    if some:
        connection.exec_driver_sql(statement, some)


def next_ids(connection: Connection) -> dict[str, int]:
    """Return the first free id of every table that counts its rows.

    Nobody else may insert meanwhile.
    """
    tables = [table for table in metadata.sorted_tables if "id" in table.c]
    if connection.dialect.name == "postgresql":
        names = ", ".join(f'"{table.name}"' for table in tables)
        connection.exec_driver_sql(f"LOCK TABLE {names} IN SHARE ROW EXCLUSIVE MODE")
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


def _as_sqlite_keeps_it(time: datetime) -> str:
    return time.replace(tzinfo=None).isoformat(" ", "microseconds")


TableRows = tuple[str, list[str], Iterable[Row]]


def restore_rows(url: str, revision: str, tables: Iterable[TableRows]) -> None:
    """Fill an empty database with the rows of a backup made at a migration step, then go on.

    Rows come as (table, columns, rows) with plain values. Foreign keys rest until all rows are in
    and are checked then. Raises Refused where the database holds rows, or for a step not known.
    """
    if revision not in known_revisions():
        raise Refused(
            "backup", revision, "it was made by a newer version of this program.", "Install that."
        )
    _refuse_rows(url)
    migrate(url, revision)
    with connected(url) as connection, _alone(connection):
        triggers().lift(connection)
        keys = _lay_keys_aside(connection)
        with _rules_kept(connection):
            for name, columns, rows in tables:
                pour_tuples(connection, metadata.tables[name], columns, rows)
            for key in keys:
                connection.execute(AddConstraint(key))
        count_on(connection)
        triggers().lay(connection)
    migrate(url)


@contextmanager
def _alone(connection: Connection) -> Iterator[None]:
    """One transaction: SQLite's is begun already."""
    if connection.in_transaction():
        yield
    else:
        with connection.begin():
            yield


@contextmanager
def _rules_kept(connection: Connection) -> Iterator[None]:
    try:
        yield
    except (DBAPIError, connection.dialect.loaded_dbapi.Error) as trouble:
        raise Refused(
            "backup", "", f"the database refuses a row of it, nothing was restored: {trouble}"
        ) from trouble


def _refuse_rows(url: str) -> None:
    with connected(url) as connection:
        names = inspect(connection).get_table_names()
        for table in metadata.sorted_tables:
            if table.name in names and connection.execute(select(1).select_from(table)).first():
                raise Refused(
                    "database",
                    table.name,
                    "there are rows already.",
                    "Restore into an empty database: choose another data folder or URL.",
                )


def _lay_keys_aside(connection: Connection) -> list[ForeignKeyConstraint]:
    """Drop PostgreSQL's foreign keys for the time being; SQLite's rest by a pragma."""
    if connection.dialect.name == "sqlite":
        return []
    metadata = MetaData()
    metadata.reflect(connection)
    keys = [
        key
        for table in metadata.tables.values()
        for key in table.constraints
        if isinstance(key, ForeignKeyConstraint)
    ]
    for key in keys:
        connection.execute(DropConstraint(key))
    return keys
