"""Builds the invented laboratory in a folder of its own, whole or not at all."""

import json
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy.orm import Session

from service.bench.queries.rebuild_records import record_list
from service.closing.queries.build_torques import readings_taken
from service.demo import (
    curves,
    failing,
    heron,
    instruments,
    lapwing,
    limits,
    put_right,
    running,
    runs,
    stock,
    stork,
    today,
    wren,
)
from service.demo.days import Days
from service.demo.failing import WAITING
from service.demo.heron import FAILING
from service.demo.lab import LAB_NAME, ZONE, Entry, Lab
from service.life.queries.failing import judged
from service.life.tables import RuleAnswer
from service.operation.migrating import migrate
from service.people.tables import Role
from service.platform.database import make_engine
from service.records.tables import RecordState
from service.settings import Settings
from service.store.queries.scans import A_PART, resolve

# The whole invented history: everything that happened, in the order in which it happened.


def everything() -> list[Entry]:
    """Return all entries, the earliest first."""
    rooms = (
        stock,
        instruments,
        limits,
        running,
        heron,
        wren,
        stork,
        lapwing,
        runs,
        curves,
        failing,
        put_right,
        today,
    )
    return sorted(
        (entry for room in rooms for entry in room.entries()), key=lambda entry: entry.when
    )


def play(lab: Lab, entries: Sequence[Entry], advance: Callable[[int], None]) -> None:
    """Play what happened, one change after the other; ``advance`` is told of each."""
    for entry in entries:
        entry.play(lab, entry.when)
        advance(1)


MARK = "invented-laboratory.json"
"""Lies in every folder the demo made: no other folder is ever taken for one or thrown away."""

LONGEST_BUILDING = timedelta(hours=1)


def demo_settings(folder: Path, port: int | None = None) -> Settings:
    """Return settings of the demo: its own SQLite file, reachable from this machine only."""
    values: dict[str, object] = {
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
        values["port"] = port
    return Settings(**values)  # type: ignore[arg-type]


def is_demo(folder: Path) -> bool:
    """Say whether a folder holds an invented laboratory."""
    return (folder / MARK).is_file() and (folder / "layerbook.sqlite").is_file()


def is_free(folder: Path) -> bool:
    """Say whether a demo can be built there: nothing is there, or an empty folder."""
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))


def entries_in_all() -> int:
    """Count the entries of the history, for a progress bar."""
    return len(everything())


def build(folder: Path, now: datetime, advance: Callable[[int], None] = lambda _more: None) -> None:
    """Build the laboratory as of ``now``: beside its place, then moved there in one step.

    A demo that is there gives way at that step. Whatever goes wrong or is interrupted leaves
    everything as it was. ``advance`` is told of each entry.
    """
    parent, prefix = folder.absolute().parent, f".{folder.name}-being-built-"
    parent.mkdir(parents=True, exist_ok=True)
    _clear_away(parent, prefix, now)
    beside = Path(tempfile.mkdtemp(dir=parent, prefix=prefix))
    try:
        settings = demo_settings(beside)
        migrate(settings.database_url)
        engine = make_engine(settings.database_url, settings.time_zone)
        try:
            play(Lab(engine, Days(now, settings.time_zone), beside), everything(), advance)
        finally:
            engine.dispose()
        mark = {"lab": LAB_NAME, "invented": True, "made_at": now.isoformat(timespec="seconds")}
        (beside / MARK).write_text(json.dumps(mark, indent=2) + "\n", encoding="utf-8")
        beside.chmod(0o700)
        throw_away(folder)
        beside.rename(folder)
    except BaseException:
        shutil.rmtree(beside, ignore_errors=True)
        raise


def _clear_away(parent: Path, prefix: str, now: datetime) -> None:
    """Remove what a power cut left of an earlier building; one that goes on is younger."""
    for leftover in parent.glob(f"{prefix}*"):
        if datetime.fromtimestamp(leftover.stat().st_mtime, UTC) < now - LONGEST_BUILDING:
            shutil.rmtree(leftover, ignore_errors=True)


def throw_away(folder: Path) -> None:
    """Remove a demo and everything entered in it, or an empty folder; never another one."""
    if is_demo(folder):
        shutil.rmtree(folder)
    elif folder.exists():
        folder.rmdir()


# What to try first in the demo, as its records stand now.


ORDER = (Role.BUILDER, Role.QUALITY, Role.SUPERVISOR)


@dataclass(frozen=True, slots=True)
class FirstStep:
    """Something to look at: for whom, what it is, and the page."""

    role: Role
    sentence: str
    path: str


def first_steps(session: Session) -> tuple[FirstStep, ...]:
    """Say what is open, what waits, which part has a story: those that still stand."""
    steps = []
    for record in record_list(session, state=RecordState.OPEN).rows[:2]:
        sentence = f"Go on with {record.stack}, which lies open: record {record.id}."
        if readings_taken(session, record.id):
            sentence = f"Tighten {record.stack}, half of it is done: record {record.id}."
        steps.append(FirstStep(Role.BUILDER, sentence, f"/records/{record.id}/bench"))
    for record in record_list(session, state=RecordState.HANDED_IN).rows[:1]:
        sentence = (
            f"Decide on record {record.id}, the {record.kind} of {record.stack}"
            f" by {record.written_by}."
        )
        steps.append(FirstStep(Role.SUPERVISOR, sentence, f"/records/{record.id}/approval"))
    for hit in resolve(session, FAILING, among=A_PART).hits:
        sentence = f"Trace MEA {hit.label}, which failed: what do those that fail share?"
        steps.append(FirstStep(Role.QUALITY, sentence, f"/parts/{hit.id}/trace"))
    steps += _running_life(session)
    return tuple(sorted(steps, key=lambda step: ORDER.index(step.role)))


def _running_life(session: Session) -> Iterator[FirstStep]:
    """Who is needed where, whom the rule names, which lots last."""
    yield FirstStep(Role.BUILDER, "See on the floor which stack needs somebody.", "/floor")
    for row in [row for row in judged(session, RuleAnswer.MET).rows if row.label == WAITING]:
        sentence = f"Look at the life of {row.label}: it meets the rule, nobody has confirmed it."
        yield FirstStep(Role.QUALITY, sentence, f"/parts/{row.part_id}/life")
    yield FirstStep(Role.SUPERVISOR, "Compare how long MEAs of each lot lived.", "/life?by=lot")
