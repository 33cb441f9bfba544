"""Running the command line as a process of its own, on a data folder of its own."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from service.records.database import make_engine

HERE = Path(__file__).parents[2]
Run = Callable[..., "subprocess.CompletedProcess[str]"]


def commands(folder: Path) -> Run:
    """Run the command line: ``run("person", "add", typed="…", LAYERBOOK_PORT="x")``."""

    def run(*words: str, typed: str = "", **settings: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-W", "error", "-m", "service", *words],
            input=typed,
            capture_output=True,
            text=True,
            cwd=HERE,
            env=environment(folder) | settings,
            check=False,
            timeout=120,
        )

    return run


def environment(folder: Path) -> dict[str, str]:
    """The environment without anybody's own settings, and this data folder."""
    plain = {name: value for name, value in os.environ.items() if "LAYERBOOK" not in name}
    return plain | {"LAYERBOOK_DATA_FOLDER": str(folder), "COLUMNS": "100"}


def found(folder: Path, statement: Any) -> list[Any]:
    """Ask the commands' database."""
    engine = make_engine(f"sqlite:///{folder / 'layerbook.sqlite'}")
    with Session(engine) as session:
        rows = list(session.scalars(statement))
    engine.dispose()
    return rows
