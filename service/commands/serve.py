"""``layerbook serve``: the server process."""

import os
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine
from sqlalchemy.engine import make_url

from service.commands import terminal
from service.people.changes.people import make_first_code
from service.people.queries.people import anybody_is_known
from service.platform.database import housekeeping, make_engine, now_utc, reading

FIRST_PERSON = """
Nobody is known to this database yet. Open the address below and add the first person, an admin,
with this one-time code. It holds for one hour; starting the server again gives a new one.

    {code}

“layerbook person add” in another terminal, with the same settings, does the same.
"""


def serve(
    host: Annotated[
        str | None, typer.Option(help="Address to listen on, instead of LAYERBOOK_HOST.")
    ] = None,
    port: Annotated[
        int | None, typer.Option(help="Port to listen on, instead of LAYERBOOK_PORT.")
    ] = None,
    migrate: Annotated[
        bool, typer.Option("--migrate", help="First bring older tables up to date.")
    ] = False,
) -> None:
    """Serve the pages and the JSON API until stopped."""
    import uvicorn

    if host is not None:
        os.environ["LAYERBOOK_HOST"] = host
    if port is not None:
        os.environ["LAYERBOOK_PORT"] = str(port)
    settings = terminal.settings()
    with terminal.database(settings, migrate_older=migrate) as engine:
        with reading(engine) as session:
            somebody = anybody_is_known(session)
        if not somebody:
            with housekeeping(engine) as session:
                code = make_first_code(session, now_utc())
            terminal.say(FIRST_PERSON.format(code=code))
    terminal.say(
        f"Serving {settings.lab_name} at http://{settings.host}:{settings.port} (Ctrl+C to stop)"
    )
    uvicorn.run(
        "service.app:make_app",
        factory=True,
        host=settings.host,
        port=settings.port,
        workers=settings.workers,
        log_level="warning",
        server_header=False,
        timeout_graceful_shutdown=10,
    )


# ``layerbook migrate``: bring the database to the tables this version needs.


def migrate() -> None:
    """Bring the database to the tables this version needs; an empty one gets them."""
    from service.operation.migrating import revision_of
    from service.stacks.changes.build_features import fill_makeups

    settings = terminal.settings()
    with terminal.database(settings, migrate_older=True) as engine:
        revision = revision_of(engine)
        with housekeeping(engine) as session:
            gathered = sum(fill_makeups(session, now_utc()))
    print(f"{make_url(settings.database_url).render_as_string()} is up to date (step {revision}).")
    if gathered:
        print(f"What comparisons need was gathered of {gathered} builds.")


# ``layerbook backup``, ``restore``, ``verify``: keep everything, bring it back, compare hashes.


Archive = Annotated[Path, typer.Argument(help="The archive, such as layerbook-2026-11-25.tar.gz.")]


def backup(file: Archive) -> None:
    """Write all rows and attachments into one archive; the server may go on."""
    from service.operation.files import make_backup, size_of

    settings = terminal.settings()
    with (
        terminal.database(settings) as engine,
        terminal.progress("saving", size_of(engine)) as advance,
    ):
        manifest = make_backup(engine, settings.data_folder, file, now_utc(), advance)
    rows = sum(manifest.rows.values())
    print(f"{file}: {rows} rows, {len(manifest.sha256) - len(manifest.rows)} attachments.")


def restore(file: Archive) -> None:
    """Bring a backup into an empty database, SQLite or PostgreSQL, and compare every hash."""
    from service.operation.files import read_manifest, restore_backup

    settings = terminal.settings()
    if not file.is_file():
        raise terminal.stop(f"There is no file “{file}”.")
    with terminal.progress("reading", file.stat().st_size) as advance:
        manifest = read_manifest(file, advance)
    with terminal.database(settings), terminal.progress("restoring", manifest.size) as advance:
        restore_backup(file, manifest, settings.database_url, settings.data_folder, advance)
    engine = make_engine(settings.database_url)
    try:
        _compare(engine, settings.data_folder)
    finally:
        engine.dispose()
    print(f"Restored what was saved at {manifest.made_at}: {sum(manifest.rows.values())} rows.")


def verify() -> None:
    """Compute the hash of every record and attachment anew and compare it with the one kept."""
    settings = terminal.settings()
    with terminal.database(settings) as engine:
        _compare(engine, settings.data_folder)


def _compare(engine: Engine, folder: Path) -> None:
    from service.operation.files import amount, check_all

    with terminal.progress("comparing hashes", amount(engine)) as advance:
        checks = check_all(engine, folder, advance)
    for sentence in checks.wrong:
        terminal.say(sentence)
    if checks.wrong:
        raise terminal.stop(f"{len(checks.wrong)} of what was signed or attached no longer hold.")
    and_runs = f" and {checks.runs} files of runs" if checks.runs else ""
    joint = "," if checks.runs else " and"
    print(f"{checks.records} records{joint} {checks.attachments} attachments{and_runs} hold.")
