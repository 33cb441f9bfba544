"""What every command begins with: the settings, a database fit for use, and who is at work.

Whoever may start commands on this machine could open the database file too: the command line is
its owner (person 0) and stands in the trail as “command line”.
"""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import typer
from pydantic import ValidationError
from sqlalchemy import Engine
from sqlalchemy.engine import make_url
from sqlalchemy.exc import OperationalError
from sqlalchemy.orm import Session

from service.people.queries.people import person_by_login
from service.people.tables import Role
from service.platform import permissions
from service.platform.database import make_engine
from service.platform.permissions import Person
from service.settings import Settings

OWNER = Person(0, "", "command line", frozenset(Role))


def settings(read: Callable[[], Settings] = Settings) -> Settings:
    """Read the settings, or say which one cannot be taken and stop."""
    try:
        return read()
    except ValidationError as trouble:
        for error in trouble.errors():
            name = "_".join(["LAYERBOOK", *(str(part).upper() for part in error["loc"])])
            say(f"{name} “{error['input']}”: {error['msg']}")
        raise typer.Exit(2) from None


def say(text: str) -> None:
    """Say something to the person at the terminal, apart from what a program may read."""
    print(text, file=sys.stderr)


def stop(text: str) -> typer.Exit:
    """Say why and make the end: ``raise stop("…")``."""
    say(text)
    return typer.Exit(1)


@contextmanager
def progress(label: str, total: int) -> Iterator[Callable[[int], None]]:
    """Return a progress bar at the terminal; call it with how much more is done."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(label), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(label, total=total)
        yield lambda more: bar.advance(task, more)


@contextmanager
def database(chosen: Settings | None = None, *, migrate_older: bool = False) -> Iterator[Engine]:
    """Return a database with the schema this program needs.

    An empty one gets it. An older one is left as it is, unless asked for: somebody may want a
    backup first.
    """
    from service.operation.migrating import SchemaState, migrate, state_of

    chosen = chosen or settings()
    url_shown = make_url(chosen.database_url).render_as_string()
    if chosen.database_url.startswith("sqlite"):
        chosen.data_folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    engine = make_engine(chosen.database_url, chosen.time_zone)
    try:
        try:
            state = state_of(engine)
        except OperationalError as trouble:
            raise stop(f"The database {url_shown} does not answer:\n{trouble.orig}") from None
        if state is SchemaState.UNKNOWN:
            raise stop(f"{url_shown} belongs to a newer version of this program. Install that one.")
        if state is SchemaState.OLDER and not migrate_older:
            raise stop(
                f"{url_shown} has the tables of an older version. Make a backup with its version"
                " (layerbook backup FILE), then bring it up to date: layerbook migrate"
            )
        if state is not SchemaState.READY:
            migrate(chosen.database_url)
        yield engine
    finally:
        engine.dispose()


def person_named(session: Session, login: str) -> permissions.Person:
    """Return the person of this login, for whom the command line writes. Raises NotFound.

    The trail names the command line: whoever is at the machine may give any login.
    """
    person = person_by_login(session, login)
    name = f"command line, for {person.name} ({person.login})"
    return permissions.Person(person.id, person.login, name, person.roles)
