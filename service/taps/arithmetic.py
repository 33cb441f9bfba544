"""Which voltage channel reads which cell, and from when on.

Taps lie on the plates, leads run to the channels of a voltage monitor. A wrong or changed lead
blames the wrong cell, so every voltage is read through the map that was valid at its time.
Cells count from 1 at the fixed end. Common practice, no source.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.fields import moment, reason

MOST_CHANNELS = 5000
TAP_MAP_FIELDS = (
    moment(
        "valid_from",
        "Valid from",
        help="When the leads were laid so; not when it was noticed.",
        trail="valid from",
    ),
    reason(),
)
_UNIT = re.compile(r"[(\[{<]([^)\]}>]*)[)\]}>]\s*$|\s(?:in|/)\s*(\S+)\s*$|/(\S+)\s*$")
_TOKEN = re.compile(r"[^\W\d_]+|\d+")
_VOLTAGES = frozenset({"v", "mv", "uv", "µv", "μv", "volt", "volts", "millivolt", "millivolts"})
# fmt: off
_NAMES = frozenset(
    (
        "u", "v", "e", "uz", "uc", "vc", "cv", "cvm", "ucell", "vcell", "uzelle", "cell",
        "cells", "zelle", "zellen", "cellule", "cella", "celda", "spannung", "zellspannung",
        "voltage", "volt", "tension", "tap", "abgriff", "z", "c", "ch", "chan", "channel",
        "kanal", "canal", "no", "nr", "number",
    )
)
# fmt: on


@dataclass(frozen=True, slots=True)
class Tap:
    """One channel and the cell it reads; None where its lead is on no cell."""

    channel: int
    cell: int | None


@dataclass(frozen=True, slots=True)
class TapMap:
    """What every channel reads from a time on; ``valid_from`` None holds from the beginning."""

    valid_from: datetime | None
    taps: tuple[Tap, ...]

    def cell_of(self, channel: int) -> int | None:
        """Return the cell a channel reads; None where it reads none or the map does not name it."""
        return next((tap.cell for tap in self.taps if tap.channel == channel), None)

    def channels_of(self, cell: int) -> tuple[int, ...]:
        """Return the channels whose leads are on a cell, in their order."""
        return tuple(sorted(tap.channel for tap in self.taps if tap.cell == cell))


@dataclass(frozen=True, slots=True)
class TapFindings:
    """What a map leaves open on a stack of so many cells; nothing here makes it wrong."""

    unread_cells: tuple[int, ...]
    """cells no channel reads"""
    twice_read: tuple[int, ...]
    """cells several channels read"""
    idle_channels: tuple[int, ...]
    """channels on no cell"""
    crossed: tuple[Tap, ...]
    """channels which read a cell of another number than their own"""


def channel_number(name: str) -> int | None:
    """Return the channel a column is named after; None where it names no cell voltage.

    The name holds one number, words for cell, channel or voltage, and no unit but one of voltage.

    >>> [channel_number(name) for name in ("U1 (V)", "cell 12", "Cell_012", "V_cell 3 [mV]")]
    [1, 12, 12, 3]
    >>> [channel_number(name) for name in ("Utot (V)", "T1 (°C)", "Cell 3 (°C)", "J (A/cm²)")]
    [None, None, None, None]
    """
    bare = name.strip()
    unit = _UNIT.search(bare)
    if unit:
        digits = next(group for group in unit.groups() if group is not None)
        if digits.strip().casefold() not in _VOLTAGES:
            return None
        bare = bare[: unit.start()]
    tokens = _TOKEN.findall(bare.casefold())
    if len(tokens) > 1 and not unit and tokens[-1] in _VOLTAGES and tokens[-2].isdecimal():
        tokens.pop()
    numbers = [token for token in tokens if token.isdecimal()]
    words = [token for token in tokens if not token.isdecimal()]
    if len(numbers) != 1 or len(numbers[0]) > 6 or not _NAMES.issuperset(words):
        return None
    return int(numbers[0])


def channel_numbers(names: Sequence[str]) -> tuple[int, ...]:
    """Return the channel of each of these voltage columns.

    By the number in its name; columns that count from 0 are moved up by one. Where a name has no
    number of its own, or two have the same, all are counted in the order of the columns.

    >>> channel_numbers(["U1 (V)", "U3 (V)", "U2 (V)"])
    (1, 3, 2)
    >>> channel_numbers(["cell 0", "cell 1"])
    (1, 2)
    >>> channel_numbers(["left", "right"])
    (1, 2)
    """
    numbers = [channel_number(name) for name in names]
    numbered = [number for number in numbers if number is not None]
    if len(numbered) < len(names) or len(set(numbered)) < len(numbered):
        return tuple(range(1, len(names) + 1))
    first = 1 if numbered and min(numbered) == 0 else 0
    return tuple(number + first for number in numbered)


def straight_map(channels: Iterable[int], valid_from: datetime | None = None) -> TapMap:
    """Return the map that holds while nobody gave one.

    Every channel reads the cell of its number.
    """
    return TapMap(valid_from, tuple(Tap(channel, channel) for channel in sorted(channels)))


def checked_map(valid_from: datetime | None, cell_of: Mapping[int, int | None]) -> TapMap:
    """Return a map from channel → cell, in the order of the channels.

    Raises OutOfRange for channels or cells below 1 or too many of them, Inconsistent for a map
    of no channel.
    """
    if not cell_of:
        raise Inconsistent("The map names no channel: at least one would be right.")
    for name, number in (
        *(("the channel", channel) for channel in cell_of),
        *(("the cell", cell) for cell in cell_of.values()),
    ):
        if number is not None and not 1 <= number <= MOST_CHANNELS:
            raise OutOfRange(name, number, "", f"1 to {MOST_CHANNELS}")
    return TapMap(valid_from, tuple(Tap(channel, cell_of[channel]) for channel in sorted(cell_of)))


def map_at(maps: Sequence[TapMap], time: datetime) -> TapMap | None:
    """Return the stack's map valid at a time; None before the first one.

    Of two from the same time the later in the sequence is valid.
    """
    valid = None
    for tap_map in maps:
        starts_later = tap_map.valid_from is not None and tap_map.valid_from > time
        if not starts_later and (valid is None or _order(tap_map) >= _order(valid)):
            valid = tap_map
    return valid


def cells_read(
    maps: Sequence[TapMap], time: datetime, channels: tuple[str, ...]
) -> tuple[int | None, ...]:
    """Return the cell each of these named columns read at a time; None where it reads none.

    Columns are numbered by `channel_numbers`; before the first map each reads the cell of its
    number.

    >>> from datetime import UTC, datetime
    >>> crossed = checked_map(datetime(2026, 3, 1, tzinfo=UTC), {1: 2, 2: 1})
    >>> cells_read([crossed], datetime(2026, 3, 2, tzinfo=UTC), ("U1 (V)", "U2 (V)", "U3 (V)"))
    (2, 1, None)
    """
    return _cells_read(map_at(maps, time), channels)


@lru_cache(maxsize=4096)
def _cells_read(valid: TapMap | None, channels: tuple[str, ...]) -> tuple[int | None, ...]:
    numbers = channel_numbers(channels)
    if valid is None:
        return numbers
    cell_of = {tap.channel: tap.cell for tap in valid.taps}
    return tuple(cell_of.get(number) for number in numbers)


def map_findings(tap_map: TapMap, cells: int) -> TapFindings:
    """Return what a map leaves open on a stack of ``cells`` cells, blank ones counted in.

    Raises Inconsistent where a channel reads a cell the stack does not have.
    """
    beyond = [tap for tap in tap_map.taps if tap.cell is not None and tap.cell > cells]
    if beyond:
        raise Inconsistent(
            f"Channel {beyond[0].channel} reads cell {beyond[0].cell}, "
            f"but the stack has {cells} cells."
        )
    read = [tap.cell for tap in tap_map.taps if tap.cell is not None]
    return TapFindings(
        unread_cells=tuple(cell for cell in range(1, cells + 1) if cell not in set(read)),
        twice_read=tuple(sorted({cell for cell in read if read.count(cell) > 1})),
        idle_channels=tuple(tap.channel for tap in tap_map.taps if tap.cell is None),
        crossed=tuple(tap for tap in tap_map.taps if tap.cell not in (None, tap.channel)),
    )


def map_in_words(tap_map: TapMap) -> str:
    """Return what a map says, in a line.

    >>> map_in_words(checked_map(None, {1: 2, 2: 1, 3: 3, 4: None}))
    '4 channels: 1 reads cell 2, 2 reads cell 1, 4 reads none, all others the cell of their number'
    """
    differing = [tap for tap in tap_map.taps if tap.cell != tap.channel]
    count = len(tap_map.taps)
    begin = f"{count} channel{'s' if count != 1 else ''}"
    if not differing:
        return f"{begin}, each reads the cell of its number"
    taps_text = [
        f"{tap.channel} reads {'none' if tap.cell is None else f'cell {tap.cell}'}"
        for tap in differing
    ]
    rest = ["all others the cell of their number"] if len(differing) < count else []
    return f"{begin}: " + ", ".join([*taps_text, *rest])


def _order(tap_map: TapMap) -> tuple[bool, float]:
    valid_from = tap_map.valid_from
    return (valid_from is not None, 0.0 if valid_from is None else valid_from.timestamp())
