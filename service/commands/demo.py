"""``layerbook demo``: the invented laboratory, built in a folder of its own and served."""

import errno
import os
import socket
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from service.commands import terminal
from service.platform.database import now_utc, reading
from service.settings import Settings

SET = (
    *("data_folder", "database_url", "lab_name", "zone", "host", "port"),
    *("workers", "public_address", "cookie_secure"),
)
"""Settings of the demo, whatever the environment says; the server reads them there."""


def demo(
    folder: Annotated[
        Path, typer.Option(help="Folder of the demo; nothing is written elsewhere.")
    ] = Path("layerbook-demo"),
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Port to listen on; 8042 if not given.")
    ] = None,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Throw away what was entered and begin anew.")
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask before --fresh.")] = False,
    serve: Annotated[
        bool, typer.Option("--serve/--no-serve", help="Serve the pages, or only build.")
    ] = True,
) -> None:
    """Build an invented laboratory with two years of history, and serve it on this machine.

    A second start keeps what was entered.
    """
    from service.demo.building import demo_settings

    settings = terminal.settings(lambda: demo_settings(folder, port))
    listening = _listen(settings) if serve else None
    try:
        _make_ready(folder, fresh=fresh, yes=yes)
        with terminal.database(settings, migrate_older=True) as engine, reading(engine) as session:
            _tell(settings, session)
        if listening is not None:
            _serve(settings, listening)
    except KeyboardInterrupt:
        terminal.say("\nStopped.")
        raise typer.Exit(130) from None
    finally:
        if listening is not None:
            listening.close()


def _listen(settings: Settings) -> socket.socket:
    """Take the port before anything is built; it must not fail after the waiting."""
    listening = socket.socket(socket.AF_INET)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((settings.host, settings.port))
        listening.listen()
    except OSError as trouble:
        listening.close()
        why = {
            errno.EADDRINUSE: "is taken by another program",
            errno.EACCES: "is reserved for the system",
        }.get(trouble.errno or 0, f"cannot be listened on ({trouble.strerror})")
        other_port = settings.port + 1 if 1024 <= settings.port < 65535 else 8043
        raise terminal.stop(
            f"Port {settings.port} {why}. Choose another: layerbook demo --port {other_port}"
        ) from None
    return listening


def _make_ready(folder: Path, *, fresh: bool, yes: bool) -> None:
    from service.demo.building import build, entries_in_all, is_demo, is_free

    is_there = is_demo(folder)
    if is_there and not fresh:
        terminal.say(f"The demo in {folder} stands as you left it; --fresh begins anew.")
        return
    if is_there and not yes:
        question = f"Throw away everything entered in the demo in {folder} and begin anew?"
        if not typer.confirm(question, err=True):
            raise terminal.stop("Nothing was changed.")
    if not is_there and not is_free(folder):
        raise terminal.stop(
            f"{folder} holds other things, so no demo is built there and nothing was touched."
            " Choose another: layerbook demo --folder NAME"
        )
    try:
        with terminal.progress("building the invented laboratory", entries_in_all()) as advance:
            build(folder, now_utc(), advance)
    except OSError as trouble:
        raise terminal.stop(f"The demo cannot be built in {folder}: {trouble.strerror}.") from None
    except KeyboardInterrupt:
        outcome = "The demo there is as it was." if is_there else "Nothing is left of it."
        terminal.say(f"\nStopped while building. {outcome}")
        raise typer.Exit(130) from None


def _tell(settings: Settings, session: Session) -> None:
    from service.demo.building import first_steps
    from service.demo.lab import PASSPHRASE, PEOPLE, PIN, TABLET
    from service.people.queries.badges import badges_in_use

    badges = badges_in_use(session)
    address = f"http://{settings.host}:{settings.port}"
    print(f"\n{settings.lab_name}\n{address}\n")
    print(f"Sign in with the passphrase “{PASSPHRASE}” as")
    for somebody in PEOPLE:
        badge = badges.get(somebody.login, "")
        print(f"  {somebody.login:8}{f'{somebody.name}, {somebody.role}':28}{badge}")
    if badges:
        print(
            f"Badges hold at an enrolled tablet, like {TABLET}, with the PIN {PIN}: to try it, sign"
            f"\nin as olu and enrol your browser at {address}/tablets"
        )
    print("\nTry first, as")
    for step in first_steps(session):
        print(f"  {step.role:12}{step.sentence}\n{'':14}{address}{step.path}")
    print(
        "\nPeople, parts and events are invented. The passphrase is known to everybody, so the"
        "\ndemo answers on this machine only; a laboratory's own begins with layerbook serve."
    )


def _serve(settings: Settings, listening: socket.socket) -> None:
    import uvicorn

    os.environ.update({f"LAYERBOOK_{name.upper()}": str(getattr(settings, name)) for name in SET})
    terminal.say(f"\nServing; what is entered is kept in {settings.data_folder}. Ctrl+C to stop.")
    config = uvicorn.Config(
        "service.app:make_app",
        factory=True,
        log_level="warning",
        server_header=False,
        timeout_graceful_shutdown=10,
    )
    with suppress(KeyboardInterrupt):
        uvicorn.Server(config).run(sockets=[listening])
    terminal.say("\nStopped. The next start goes on from here.")
