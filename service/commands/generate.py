"""``layerbook generate``: an invented history of any size, to try pages on."""

from typing import Annotated

import typer

from service.commands import terminal
from service.platform.database import changing


def generate(
    stacks: Annotated[int, typer.Option(help="How many stacks.")] = 100,
    cells: Annotated[int, typer.Option(help="Cells of each; a cell has six layers.")] = 16,
    builds: Annotated[int, typer.Option(help="Builds of each.")] = 5,
    seed: Annotated[int, typer.Option(help="The same seed tells the same history.")] = 1,
) -> None:
    """Write an invented history into the database: for trying, not for a laboratory's own."""
    from service.generate.generate import Size
    from service.generate.generate import generate as write

    size = Size(stacks, cells, builds, seed)
    with (
        terminal.database() as engine,
        terminal.progress("generating", stacks) as advance,
        changing(engine, terminal.OWNER, via="command") as work,
    ):
        write(work, size, advance)
    print(f"{stacks} stacks of {cells} cells with {builds} builds each, marked {size.mark}.")
