"""Builds the invented laboratory in a folder of its own, whole or not at all."""

import json
import shutil
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.demo.days import Days
from service.demo.history import everything, play
from service.demo.lab import Lab
from service.demo.people import LAB_NAME, ZONE
from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.settings import Settings

MARK = "invented-laboratory.json"
"""Lies in every folder the demo made: no other folder is ever taken for one or thrown away."""

LONGEST_BUILDING = timedelta(hours=1)


def demo_settings(folder: Path, port: int | None = None) -> Settings:
    """The settings of the demo: its own SQLite file, reachable from this machine only."""
    given: dict[str, object] = {
        "data_folder": folder,
        "database_url": f"sqlite:///{folder / 'layerbook.sqlite'}",
        "lab_name": LAB_NAME,
        "zone": ZONE,
        "host": "127.0.0.1",
        "workers": 1,
        "public_address": "",
        "cookie_secure": False,
    }
    if port is not None:
        given["port"] = port
    return Settings(**given)  # type: ignore[arg-type]


def is_demo(folder: Path) -> bool:
    """Whether a folder holds an invented laboratory."""
    return (folder / MARK).is_file() and (folder / "layerbook.sqlite").is_file()


def is_free(folder: Path) -> bool:
    """Whether a demo can be built there: nothing is there, or an empty folder."""
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))


def entries_in_all() -> int:
    """How many entries the history has, for a progress bar."""
    return len(everything())


def build(folder: Path, now: datetime, done: Callable[[int], None] = lambda _more: None) -> None:
    """Build the laboratory as of ``now``: beside its place, then moved there in one step.

    A demo that is there gives way at that step. Whatever goes wrong or is interrupted leaves
    everything as it was. ``done`` is told of each entry.
    """
    parent, prefix = folder.absolute().parent, f".{folder.name}-being-built-"
    parent.mkdir(parents=True, exist_ok=True)
    _clear_away(parent, prefix, now)
    beside = Path(tempfile.mkdtemp(dir=parent, prefix=prefix))
    try:
        settings = demo_settings(beside)
        migrate(settings.database_url)
        engine = make_engine(settings.database_url)
        try:
            play(Lab(engine, Days(now, settings.time_zone), beside), everything(), done)
        finally:
            engine.dispose()
        made = {"lab": LAB_NAME, "invented": True, "made_at": now.isoformat(timespec="seconds")}
        (beside / MARK).write_text(json.dumps(made, indent=2) + "\n", encoding="utf-8")
        beside.chmod(0o700)
        throw_away(folder)
        beside.rename(folder)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise


def _clear_away(parent: Path, prefix: str, now: datetime) -> None:
    """Remove what a power cut left of an earlier building; one that goes on is younger."""
    for left in parent.glob(f"{prefix}*"):
        if datetime.fromtimestamp(left.stat().st_mtime, UTC) < now - LONGEST_BUILDING:
            shutil.rmtree(left, ignore_errors=True)


def throw_away(folder: Path) -> None:
    """Remove a demo and everything entered in it, or an empty folder; never another one."""
    if is_demo(folder):
        shutil.rmtree(folder)
    elif folder.exists():
        folder.rmdir()
