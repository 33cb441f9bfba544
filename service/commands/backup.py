"""``layerbook backup``, ``restore``, ``verify``: keep everything, bring it back, compare hashes."""

from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy import Engine

from service.commands import terminal
from service.platform.database import make_engine, now_utc

Archive = Annotated[Path, typer.Argument(help="The archive, such as layerbook-2026-11-25.tar.gz.")]


def backup(file: Archive) -> None:
    """Write all rows and attachments into one archive; the server may go on."""
    from service.operation.files.backup import make_backup, size_of

    given = terminal.settings()
    with (
        terminal.database(given) as engine,
        terminal.progress("saving", size_of(engine)) as done,
    ):
        manifest = make_backup(engine, given.data_folder, file, now_utc(), done)
    rows = sum(manifest.rows.values())
    print(f"{file}: {rows} rows, {len(manifest.sha256) - len(manifest.rows)} attachments.")


def restore(file: Archive) -> None:
    """Bring a backup into an empty database, SQLite or PostgreSQL, and compare every hash."""
    from service.operation.files.backup import read_manifest, restore_backup

    given = terminal.settings()
    if not file.is_file():
        raise terminal.stop(f"There is no file “{file}”.")
    with terminal.progress("reading", file.stat().st_size) as done:
        manifest = read_manifest(file, done)
    with terminal.database(given), terminal.progress("restoring", manifest.size) as done:
        restore_backup(file, manifest, given.database_url, given.data_folder, done)
    engine = make_engine(given.database_url)
    try:
        _compare(engine, given.data_folder)
    finally:
        engine.dispose()
    print(f"Restored what was saved at {manifest.made_at}: {sum(manifest.rows.values())} rows.")


def verify() -> None:
    """Compute the hash of every record and attachment anew and compare it with the one kept."""
    given = terminal.settings()
    with terminal.database(given) as engine:
        _compare(engine, given.data_folder)


def _compare(engine: Engine, folder: Path) -> None:
    from service.operation.files.whole_check import amount, check_all

    with terminal.progress("comparing hashes", amount(engine)) as done:
        found = check_all(engine, folder, done)
    for sentence in found.wrong:
        terminal.say(sentence)
    if found.wrong:
        raise terminal.stop(f"{len(found.wrong)} of what was signed or attached no longer hold.")
    and_runs = f" and {found.runs} files of runs" if found.runs else ""
    joint = "," if found.runs else " and"
    print(f"{found.records} records{joint} {found.attachments} attachments{and_runs} hold.")
