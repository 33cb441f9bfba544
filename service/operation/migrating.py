"""Bringing a database to the schema this version needs, and telling whether it has it.

The steps are in the folder ``migrations``, outside the package.
"""

import importlib.util
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.operations import batch
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, make_url
from sqlalchemy.exc import DBAPIError

from service.platform.database import make_engine
from service.settings import shipped_folder


class Rebuilding(batch.BatchOperationsImpl):
    """Rebuilds a SQLite table from what it says itself, not from all tables its keys lead to."""

    def __init__(self, *given: Any) -> None:
        super().__init__(*given)  # type: ignore[no-untyped-call]
        self.reflect_kwargs["resolve_fks"] = False


batch.BatchOperationsImpl = Rebuilding  # type: ignore[misc]


class SchemaState(StrEnum):
    """How a database's schema stands to this program."""

    EMPTY = "empty"
    READY = "ready"
    OLDER = "older than this program"
    UNKNOWN = "not known to this program"


LOCK = 7_300_218_455  # any number, the same in every process: one migrates, the others wait
OTHERS_STEPS_MS = 600_000
"""How long SQLite waits for another process that migrates."""


@cache
def triggers() -> Any:
    """Load ``migrations/triggers.py``, which is no part of the package."""
    path = shipped_folder("migrations") / "triggers.py"
    spec = importlib.util.spec_from_file_location("layerbook_triggers", path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def newest_revision() -> str:
    """Name the step this version of the program needs."""
    return str(ScriptDirectory.from_config(_config()).get_current_head())


def revision_of(engine: Engine) -> str | None:
    """Name the step the database stands at; None for an empty one."""
    with engine.connect() as connection:
        return MigrationContext.configure(connection).get_current_revision()


def state_of(engine: Engine) -> SchemaState:
    """Say whether a database has the schema this program needs."""
    revision = revision_of(engine)
    if revision is None:
        return SchemaState.EMPTY
    if revision == newest_revision():
        return SchemaState.READY
    return SchemaState.OLDER if revision in known_revisions() else SchemaState.UNKNOWN


def known_revisions() -> list[str]:
    """Name every step this program knows, newest first."""
    return [step.revision for step in ScriptDirectory.from_config(_config()).walk_revisions()]


def migrate(url: str, revision: str = "head") -> None:
    """Bring the database up to a revision (or down to it, if it stands above).

    Two processes may call this at once: one works, the other waits and finds it done. On SQLite
    all steps are one transaction; on PostgreSQL each is one, under one lock.
    """
    with connected(url) as connection:
        config = _config()
        config.attributes["connection"] = connection
        below = _below(config, connection)
        if connection.dialect.name != "sqlite":
            connection.rollback()  # else the steps would take the looking for a transaction around
        if revision in below:
            command.downgrade(config, revision)
        else:
            command.upgrade(config, revision)


@contextmanager
def connected(url: str) -> Iterator[Connection]:
    """Return a connection fit for changing the schema, alone in doing so.

    It waits for whoever is.
    """
    if url.startswith("sqlite") and (file := make_url(url).database):
        Path(file).parent.mkdir(parents=True, exist_ok=True)
    engine = make_engine(url)
    try:
        if engine.dialect.name == "sqlite":
            with engine.connect().execution_options(writes=True) as connection:
                yield from _sqlite(connection)
        else:
            with engine.connect() as lock, engine.connect() as connection:
                lock.execution_options(isolation_level="AUTOCOMMIT")
                lock.exec_driver_sql("SET lock_timeout = 0")
                lock.exec_driver_sql(f"SELECT pg_advisory_lock({LOCK})")
                yield connection
    finally:
        engine.dispose()


def _sqlite(connection: Connection) -> Iterator[Connection]:
    # Rebuilding a table drops and renames it: foreign keys rest meanwhile and are checked after.
    for pragma in ("foreign_keys=OFF", f"busy_timeout={OTHERS_STEPS_MS}"):
        connection.connection.driver_connection.execute(  # type: ignore[union-attr]
            f"PRAGMA {pragma}"
        )
    with connection.begin():
        yield connection
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        if broken:
            raise RuntimeError(f"foreign keys lead nowhere: {broken[:5]}")


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(shipped_folder("migrations")).replace("%", "%%"))
    return config


def _below(config: Config, connection: Connection) -> set[str]:
    now = MigrationContext.configure(connection).get_current_revision()
    if now is None:
        return {"base"}
    steps = ScriptDirectory.from_config(config).iterate_revisions(now, "base")
    return {"base"} | {step.revision for step in steps if step.revision != now}


@dataclass(frozen=True, slots=True)
class Standing:
    """How a database stands: ready, not migrated, or without an answer."""

    state: str
    database: str
    migration: str | None


def standing(engine: Engine) -> Standing:
    """Say whether the database answers and is at the step this version needs."""
    try:
        revision = revision_of(engine)
    except DBAPIError:
        return Standing("no answer", engine.dialect.name, None)
    state = "ready" if revision == newest_revision() else "not migrated"
    return Standing(state, engine.dialect.name, revision)
