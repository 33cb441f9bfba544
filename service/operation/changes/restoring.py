"""Bringing the rows of a backup into an empty database, all or nothing, on either engine."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager

from sqlalchemy import Connection, inspect, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.schema import AddConstraint, DropConstraint, ForeignKeyConstraint, MetaData

from service.operation.changes.bulk_insert import count_on, pour_tuples
from service.operation.migrating import connected, known_revisions, migrate, triggers
from service.operation.queries.whole_tables import Row
from service.operation.tables import metadata
from service.platform.errors import Refused

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
        there = inspect(connection).get_table_names()
        for table in metadata.sorted_tables:
            if table.name in there and connection.execute(select(1).select_from(table)).first():
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
    there = MetaData()
    there.reflect(connection)
    keys = [
        key
        for table in there.tables.values()
        for key in table.constraints
        if isinstance(key, ForeignKeyConstraint)
    ]
    for key in keys:
        connection.execute(DropConstraint(key))
    return keys
