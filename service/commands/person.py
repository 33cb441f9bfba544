"""``layerbook person``: add people and set passwords, the very first ones above all."""

import sys
from typing import Annotated

import typer
from sqlalchemy.orm import Session

from service.commands import terminal
from service.people.changes import people as changes
from service.people.queries.people import anybody_is_known, person_by_login
from service.people.tables import Role
from service.platform.database import changing, reading
from service.platform.errors import Refused

app = typer.Typer(help="People: who can sign in, and as what.", no_args_is_help=True)
PasswordStdin = Annotated[
    bool, typer.Option("--password-stdin", help="Read the password from standard input.")
]


@app.command()
def add(
    login: Annotated[str, typer.Option(prompt=True, help="What they type to sign in.")],
    name: Annotated[str, typer.Option(prompt=True, help="Name as it stands in the records.")],
    *,
    role: Annotated[
        list[Role] | None, typer.Option(help="May be given several times. First person: admin.")
    ] = None,
    mail: Annotated[str, typer.Option(help="Mail address, to tell accounts apart.")] = "",
    like_name: Annotated[
        str, typer.Option(help="“another”: somebody else than the one with a like name.")
    ] = "",
    password_stdin: PasswordStdin = False,
) -> None:
    """Add somebody who can sign in."""
    with terminal.database() as engine:
        with reading(engine) as session:
            roles = role or _asked_roles(session, ask=not password_stdin)
        password = _password(stdin=password_stdin)
        with changing(engine, terminal.OWNER, via="command") as work:
            changes.add_person(work, login, name, roles, password, mail=mail, like_name=like_name)
    print(f"{name} can sign in as {login} ({', '.join(roles)}).")


@app.command()
def password(
    login: Annotated[str, typer.Option(prompt=True, help="Whose password.")],
    password_stdin: PasswordStdin = False,
) -> None:
    """Set somebody's password, when it was lost; their sessions end."""
    with terminal.database() as engine:
        with reading(engine) as session:
            person = person_by_login(session, login)
        new = _password(stdin=password_stdin)
        with changing(engine, terminal.OWNER, via="command") as work:
            changes.set_password(work, person.id, new)
    print(f"{person.name} has a new password.")


@app.command()
def confirm(
    login: Annotated[str, typer.Argument(help="Who may sign from now on.")],
    code: Annotated[str, typer.Option(prompt=True, help="The code on their own page.")],
) -> None:
    """Confirm somebody whose password an admin made, where nobody else is there to do it."""
    with terminal.database() as engine:
        with reading(engine) as session:
            person = person_by_login(session, login)
        with changing(engine, terminal.OWNER, via="command") as work:
            changes.confirm_person(work, person.id, code=code, password="")
    print(f"{person.name} may sign.")


def _asked_roles(session: Session, *, ask: bool) -> list[Role]:
    usual = Role.BUILDER if anybody_is_known(session) else Role.ADMIN
    if not ask:
        return [usual]
    words = ", ".join(Role)
    answer = typer.prompt(f"Roles, with commas between ({words})", default=usual.value)
    words_entered = [word.strip().lower() for word in answer.split(",") if word.strip()]
    for word in words_entered:
        if word not in list(Role):
            raise Refused("role", word, "is not a role.", f"Right would be: {words}.")
    return [Role(word) for word in words_entered]


def _password(*, stdin: bool) -> str:
    if stdin:
        return sys.stdin.readline().rstrip("\r\n")
    entered: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    return entered
