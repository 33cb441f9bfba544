"""``layerbook serve``: the server process."""

import os
from typing import Annotated

import typer

from service.commands import terminal
from service.people.queries.signing_in import anybody_is_known
from service.platform.database import reading

FIRST_PERSON = """
Nobody is known to this database yet, so nobody can sign in. In another terminal, with the same
settings, add the first person:

    layerbook person add

Give them the role admin: they can add everybody else on the page “people”.
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
    given = terminal.settings()
    with terminal.database(given, migrate_older=migrate) as engine, reading(engine) as session:
        somebody = anybody_is_known(session)
    if not somebody:
        terminal.say(FIRST_PERSON)
    terminal.say(f"Serving {given.lab_name} at http://{given.host}:{given.port} (Ctrl+C to stop)")
    uvicorn.run(
        "service.app:make_app",
        factory=True,
        host=given.host,
        port=given.port,
        workers=given.workers,
        log_level="warning",
        server_header=False,
        timeout_graceful_shutdown=10,
    )
