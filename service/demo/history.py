"""The whole invented history: everything that happened, in the order in which it happened."""

from collections.abc import Callable, Sequence

from service.demo import (
    curves,
    failing,
    heron,
    instruments,
    lapwing,
    limits,
    running,
    runs,
    stock,
    stork,
    today,
    wren,
)
from service.demo.lab import Entry, Lab


def everything() -> list[Entry]:
    """All entries, the earliest first."""
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
        today,
    )
    return sorted((entry for room in rooms for entry in room.entries()), key=lambda one: one.when)


def play(lab: Lab, entries: Sequence[Entry], done: Callable[[int], None]) -> None:
    """Play what happened, one change after the other; ``done`` is told of each."""
    for entry in entries:
        entry.play(lab, entry.when)
        done(1)
