"""Puts the commands together and says in words what went wrong."""

import gc
import sys

import typer

from service.commands import (
    demo,
    generate,
    import_lists,
    import_run,
    import_sweep,
    person,
    serve,
    terminal,
    token,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.errors import LayerbookError, RefusedTogether

app = typer.Typer(
    help="Layerbook: which part sits in which layer of which fuel-cell stack, and who put it there."
    " Settings come from the environment (LAYERBOOK_…); DEVELOPERS.md lists them.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
app.command()(demo.demo)
app.command()(serve.serve)
app.command()(serve.migrate)
app.command()(generate.generate)
app.command()(serve.backup)
app.command()(serve.restore)
app.command()(serve.verify)
import_lists.app.command("run")(import_run.import_log)
import_lists.app.command("sweep")(import_sweep.import_curves)
app.add_typer(import_lists.app, name="import")
app.add_typer(person.app, name="person")
app.add_typer(token.app, name="token")


def main() -> None:
    """Run the command line. Long commands make many rows: garbage is looked for less often."""
    gc.set_threshold(50_000, 20, 50)
    try:
        app()
    except RefusedTogether as refused:
        for refusal in refused.refusals:
            terminal.say(str(refusal))
        sys.exit(1)
    except (LayerbookError, TradeError) as trouble:
        terminal.say(str(trouble))
        sys.exit(1)
