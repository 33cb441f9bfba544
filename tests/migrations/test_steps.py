"""Up from nothing, down again, with rows, alone and two at once: on both engines."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, inspect, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.operation.migrating import migrate, newest_revision, revision_of, triggers
from service.operation.tables import metadata
from service.platform.database import make_engine
from service.records.queries.content import verify
from service.records.tables import RebuildRecord
from service.stacks.tables import Layer
from tests import builders

pytestmark = [
    pytest.mark.both_engines,
    # SQLite does not tell SQLAlchemy of indexes on expressions; `indexes` below asks it itself.
    pytest.mark.filterwarnings("ignore:.*expression-based index"),
]
MIGRATIONS = Path(__file__).parents[2] / "migrations"


def steps() -> list[str]:
    """All revisions, oldest first."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    return [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()][::-1]


def newest_by_day() -> list[Any]:
    """All revisions, those before the newest by night only."""
    *older, newest = steps()
    return [*(pytest.param(step, marks=pytest.mark.night) for step in older), newest]


def shape(connection: Connection) -> dict[str, Any]:
    """What a database enforces, in words both engines share: names of everything, by table."""
    insight = inspect(connection)
    return {
        table: {
            "columns": {(c["name"], c["nullable"]) for c in insight.get_columns(table)},
            "checks": {check["name"] for check in insight.get_check_constraints(table)},
            "unique": {unique["name"] for unique in insight.get_unique_constraints(table)},
            "keys": {
                (key["name"], key["referred_table"], str(key["options"].get("ondelete")))
                for key in insight.get_foreign_keys(table)
            },
        }
        for table in insight.get_table_names()
    }


def indexes(connection: Connection) -> set[tuple[str, str]]:
    """Names of the indexes we made (PostgreSQL makes one for each unique constraint too)."""
    statement = (
        "SELECT name, tbl_name FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL"
        if connection.dialect.name == "sqlite"
        else "SELECT indexname, tablename FROM pg_indexes WHERE schemaname = 'public'"
        " AND indexname NOT IN (SELECT conname FROM pg_constraint)"
    )
    return {(row[0], row[1]) for row in connection.execute(text(statement))}


def test_there_is_one_newest_step() -> None:
    """Two heads would be two schemas."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))

    assert ScriptDirectory.from_config(config).get_heads() == [newest_revision()]


def test_the_tables_are_what_the_models_say(engine: Engine) -> None:
    """After all steps nothing is left for autogenerate to write, CHECKs included."""
    with engine.connect() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "compare_server_default": True,
                "autogenerate_plugins": [
                    "alembic.autogenerate.*",
                    "alembic.ext.checkconstraint_byname",
                ],
            },
        )

        assert compare_metadata(context, metadata) == []


def test_every_index_of_the_models_is_there(engine: Engine) -> None:
    """Partial ones and the one on lower(login) too."""
    wanted = {
        (index.name, table.name) for table in metadata.tables.values() for index in table.indexes
    }

    with engine.connect() as connection:
        assert indexes(connection) == wanted


def test_every_partial_index_keeps_its_condition(engine: Engine) -> None:
    """An index for “present” rows only must not hold for all."""
    partial = {
        index.name
        for table in metadata.tables.values()
        for index in table.indexes
        if index.dialect_options["sqlite"]["where"] is not None
    }
    statement = (
        "SELECT name FROM sqlite_master WHERE type = 'index' AND sql LIKE '% WHERE %'"
        if engine.dialect.name == "sqlite"
        else "SELECT indexname FROM pg_indexes WHERE schemaname = 'public'"
        " AND indexdef LIKE '% WHERE %'"
    )

    with engine.connect() as connection:
        assert set(connection.scalars(text(statement))) == partial


def test_both_engines_enforce_the_same(sqlite_template: Path, postgres_databases: Any) -> None:
    """Columns, CHECKs, unique and foreign keys, indexes: by name, on both."""
    shapes, made = [], []
    for url in (f"sqlite:///{sqlite_template}", postgres_databases.template):
        engine = make_engine(url)
        with engine.connect() as connection:
            shapes.append(shape(connection))
            made.append(indexes(connection))
        engine.dispose()

    assert shapes[0] == shapes[1]
    assert made[0] == made[1]


def test_every_guard_is_laid(engine: Engine) -> None:
    """Batch changes of SQLite drop triggers without a word: after all steps they are there."""
    with engine.connect() as connection:
        laid = {name for name, _table in triggers().laid(connection)}

    wanted = {guard.name for guard in triggers().GUARDS}
    assert wanted <= laid
    assert len(wanted) == len(triggers().GUARDS)
    assert all(name.endswith("_truncate") for name in laid - wanted)


def test_up_from_nothing_and_down_again(empty_url: str) -> None:
    """Nothing is left behind but Alembic's own table."""
    migrate(empty_url)
    engine = make_engine(empty_url)
    assert revision_of(engine) == newest_revision()

    engine.dispose()
    migrate(empty_url, "base")

    with engine.connect() as connection:
        assert inspect(connection).get_table_names() == ["alembic_version"]
        assert triggers().laid(connection) == []
    engine.dispose()


def test_migrating_twice_changes_nothing(newest_url: str) -> None:
    """The second finds it done."""
    engine = make_engine(newest_url)
    with engine.connect() as connection:
        before = shape(connection), triggers().laid(connection)
    engine.dispose()

    migrate(newest_url)

    with engine.connect() as connection:
        assert (shape(connection), triggers().laid(connection)) == before
    engine.dispose()


def test_two_who_migrate_at_once_do_not_meet(empty_url: str) -> None:
    """One works, the others wait and find it done."""
    with ThreadPoolExecutor(3) as pool:
        for done in [pool.submit(migrate, empty_url) for _ in range(3)]:
            done.result()

    engine = make_engine(empty_url)
    assert revision_of(engine) == newest_revision()
    engine.dispose()


def test_many_who_open_a_new_file_at_once_wait_for_each_other(tmp_path: Path) -> None:
    """SQLite refuses the change of a new file's journal at once, whatever its timeout."""
    for number in range(60):
        url = f"sqlite:///{tmp_path / str(number)}"
        with ThreadPoolExecutor(6) as pool:
            kept = list(pool.map(journal_of, [url] * 6))
        assert kept == ["wal"] * 6


def journal_of(url: str) -> str:
    """The journal a connection keeps."""
    engine = make_engine(url)
    with engine.connect() as connection:
        mode = connection.exec_driver_sql("PRAGMA journal_mode").scalar_one()
    engine.dispose()
    return str(mode)


@pytest.mark.parametrize("revision", newest_by_day())
def test_each_step_goes_up_down_and_up_with_rows_in_it(newest_url: str, revision: str) -> None:
    """The step before it holds no rows of ours yet; each later one keeps what is there."""
    before = (["base", *steps()])[steps().index(revision)]
    migrate(newest_url, revision)
    engine = make_engine(newest_url)
    if revision == newest_revision():
        with Session(engine) as session:
            builders.a_build(session, builders.a_stack(session, cells=2))
            session.commit()
    engine.dispose()

    migrate(newest_url, before)
    migrate(newest_url)

    assert revision_of(engine) == newest_revision()
    engine.dispose()


def test_rows_guards_and_hashes_survive_a_rebuilt_table(engine: Engine) -> None:
    """What a batch change of SQLite does to a table in use, and PostgreSQL by ALTER."""
    from alembic.operations import Operations

    from service.operation.migrating import connected

    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        builders.a_build(session, stack)
        session.commit()
        layers = session.scalars(select(Layer.id).order_by(Layer.id)).all()
    engine.dispose()

    url = engine.url.render_as_string(hide_password=False)
    with connected(url) as connection:
        operations = Operations(MigrationContext.configure(connection))
        with operations.batch_alter_table("layer", recreate="auto") as batch:
            batch.alter_column("position", comment="counted from the fixed end")
            batch.drop_constraint("ck_layer_position_counts_from_one")
            batch.create_check_constraint("ck_layer_position_counts_from_one", "position > 0")
        triggers().lay(connection)
        if engine.dialect.name == "postgresql":
            connection.commit()

    with Session(engine) as session:
        assert session.scalars(select(Layer.id).order_by(Layer.id)).all() == layers
        found = verify(session, session.scalars(select(RebuildRecord.id)).all())
        assert len(found) == 2
        assert all(one.holds for one in found.values())
        with pytest.raises(IntegrityError, match="written anew"):
            session.execute(text("UPDATE layer SET position = position + 100"))


@pytest.mark.night
def test_one_time_keys_of_before_keep_their_person_and_answer(empty_url: str) -> None:
    """What is still retried over an upgrade is not made twice; down again nothing is lost."""
    migrate(empty_url, "f8b3")
    engine = make_engine(empty_url)
    with engine.begin() as connection:
        connection.execute(
            text(
                "INSERT INTO person (id, login, name, password_hash, active, added_at)"
                " VALUES (1, 'mira', 'Mira', '', true, '2026-01-05 08:00:00+00:00')"
            )
        )
        connection.execute(
            text(
                "INSERT INTO entry_key (key, person_id, answer, at)"
                " VALUES ('bench-run-0001', 1, '294', '2026-01-05 08:00:00+00:00')"
            )
        )
    engine.dispose()
    columns = "person_id, sent_to, key, payload_sha256, answer"

    migrate(empty_url)

    with engine.connect() as connection:
        (row,) = connection.execute(text(f"SELECT {columns} FROM entry_key")).all()  # noqa: S608
    assert tuple(row) == (1, "", "bench-run-0001", "", "294")
    engine.dispose()
    migrate(empty_url, "f8b3")
    with engine.connect() as connection:
        (row,) = connection.execute(text("SELECT key, person_id, answer FROM entry_key")).all()
    assert tuple(row) == ("bench-run-0001", 1, "294")
    engine.dispose()
