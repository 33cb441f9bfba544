"""``layerbook token``: API tokens for machines and scripts."""

from typing import Annotated

import typer

from service.commands import terminal
from service.people.changes import people as changes
from service.people.queries.people import person_by_login
from service.platform.database import changing, reading

app = typer.Typer(help="API tokens for machines and scripts.", no_args_is_help=True)


@app.command()
def add(
    login: Annotated[str, typer.Argument(help="Whom the token acts for.")],
    label: Annotated[str, typer.Argument(help="What it is for: “test bench 2”.")],
) -> None:
    """Make a token; its secret is printed once and not kept."""
    with terminal.database() as engine:
        with reading(engine) as session:
            person = person_by_login(session, login)
        with changing(engine, terminal.OWNER, via="command") as work:
            secret = changes.make_token(work, person.id, label)
    terminal.say(f"It acts for {person.name}. Keep it: it is not shown again.")
    print(secret)
