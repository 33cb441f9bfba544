"""What tests begin with, written once in a process and copied: a copy instead of its statements."""

import pickle
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import cache
from hashlib import blake2b
from io import BytesIO
from typing import Any, TypeVar

from sqlalchemy import Engine, inspect
from sqlalchemy.orm import Session

from service.operation.tables import metadata
from service.platform.tables import Base

Made = TypeVar("Made")
_KEPT: dict[Any, tuple[sqlite3.Connection, Any]] = {}
_BEGUN_WITH: set[Any] = set()
_SCHEMA = "SELECT page_size || group_concat(sql, ';') FROM sqlite_master, pragma_page_size"


def ready(session: Session, key: Any, make: Callable[[], Made]) -> Made:
    """Call ``make``, or copy what it wrote when it first began with an empty SQLite file.

    ``key`` says what is written; rows in what is given are read anew. A copy stays whatever becomes
    of the transaction. Where there are rows, and on PostgreSQL, nothing is copied.
    A copy brings its schema with it, so each schema has one of its own: triggers stay lifted.
    """
    if session.get_bind().dialect.name != "sqlite" or session.new or session.identity_map.keys():
        return make()
    driver: Any = session.connection().connection.driver_connection
    if driver.execute(_any_row()).fetchone()[0]:
        return make()
    key = key, driver.execute(_SCHEMA).fetchone()[0]
    if key in _KEPT:
        kept, made = _KEPT[key]
        driver.execute("ROLLBACK")
        kept.backup(driver)
        driver.execute("BEGIN")
        return _Given(session, made).load()
    made, kept = make(), sqlite3.connect(":memory:", check_same_thread=False)
    session.flush()
    driver.execute("COMMIT")
    driver.backup(kept)
    _KEPT[key] = kept, _kept(made)
    driver.execute("BEGIN")
    return made


class _Keeper(pickle.Pickler):
    """Keeps rows by their keys."""

    def persistent_id(self, made: Any) -> Any:
        return (type(made), inspect(made).identity) if isinstance(made, Base) else None


class _Given(pickle.Unpickler):
    """Gives what was kept, its rows of the session."""

    def __init__(self, session: Session, kept: bytes) -> None:
        super().__init__(BytesIO(kept))
        self.session = session

    def persistent_load(self, row: Any) -> Any:
        return self.session.get_one(*row)


def _kept(made: Any) -> bytes:
    file = BytesIO()
    _Keeper(file).dump(made)
    return file.getvalue()


def retold(engine: Engine, key: Any, tell: Callable[[], Made]) -> Made:
    """Call ``tell``, or copy what it committed when it began with the very same SQLite file.

    ``key`` names whatever else it depends on; what is given must be no row. Only what is told a
    second time from the same beginning is kept. On PostgreSQL nothing is copied.
    """
    if engine.dialect.name != "sqlite":
        return tell()
    with closing(engine.raw_connection()) as connection:
        driver: Any = connection.driver_connection
        key = key, blake2b(driver.serialize()).digest()
        if key in _KEPT:
            kept, made = _KEPT[key]
            kept.backup(driver)
            return made
    made = tell()
    if key in _BEGUN_WITH:
        kept = sqlite3.connect(":memory:", check_same_thread=False)
        with closing(engine.raw_connection()) as connection:
            driver = connection.driver_connection
            driver.backup(kept)
        _KEPT[key] = kept, made
    _BEGUN_WITH.add(key)
    return made


@cache
def _any_row() -> str:
    rows = (f"EXISTS (SELECT 1 FROM {table})" for table in metadata.tables)  # noqa: S608 - ours
    return f"SELECT {' OR '.join(rows)}"
