"""A build as comparisons need it, packed: each MEA with the lots around it, in a few bytes.

Two base64 texts with a full stop between: of 32-bit whole numbers (head, people, tools, lots,
stacks and hours met in the build) and of rows of 24 bytes, one for each MEA, which point into them.
Both lengths are multiples of three bytes, so that many builds joined can be read as one.
"""

from base64 import b64decode, b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from service.life.arithmetic.factors import UNKNOWN
from service.platform.arithmetic.errors import Inconsistent

FORM = 1
# Fields of the head, as `pack` writes them.
HEAD = 16
NEVER = -1
PLATES, GASKETS = 2, 4
# One byte each. ``came_from``: 0 none, 1 to 254 places of stacks, 255 any further one.
MOST_STACKS, MOST_OPENINGS = 254, 255
# 4 + 2 + 2·2 + 4·2 + 2 + 2 + 1 + 1 = 24 bytes, 32 signs of base64 without padding.
ROW = np.dtype(
    [
        ("part", "<u4"),
        ("mea_lot", "<u2"),
        ("plate_lots", "<u2", (PLATES,)),
        ("gasket_lots", "<u2", (GASKETS,)),
        ("cell", "<u2"),
        ("hours", "<u2"),
        ("openings", "u1"),
        ("came_from", "u1"),
    ]
)
Ids = NDArray[np.int64]
Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class MeaAround:
    """One MEA of a build with what touched it; None where not known.

    ``came_from``: the last other stack it sat in before, None for none; ``openings`` lived through
    and ``hours_before`` at this closing, h.
    """

    part_id: int
    lot_id: int | None
    plate_lots: tuple[int | None, ...]
    gasket_lots: tuple[int | None, ...]
    cell: int | None
    openings: int
    came_from: int | None
    hours_before: float


@dataclass(frozen=True, slots=True)
class Makeup:
    """One build. Times in minutes since 1970, ``opened`` NEVER for a closed one; hours in h.

    ``ran_h`` until it was opened, or when this was written. Of a closed build ``meter`` is the
    meter fitted then and ``not_ran_h`` what must be taken from its showing to have the hours run
    since the closing; 0 and 0 where there is none. ``torque_outside``: whether some last reading
    was outside tolerance, ``gdl_pressure_mpa``: by the arithmetic kept at hand-in; None: not known.
    """

    closed: int
    opened: int
    cells: int
    ran_h: float
    meter: int
    not_ran_h: float
    torque_outside: bool | None
    gdl_pressure_mpa: float | None
    drivers: tuple[int, ...]
    people: tuple[int, ...]
    meas: tuple[MeaAround, ...]


class _Met:
    """Values met in one build, each once, in the order they were met; place 0 is not known."""

    def __init__(self) -> None:
        self.places: dict[int | None, int] = {None: 0}

    def place(self, value: int | None) -> int:
        return self.places.setdefault(value, len(self.places))

    @property
    def values(self) -> list[int]:
        return [UNKNOWN if value is None else value for value in self.places]


def pack(makeup: Makeup) -> str:
    """Write a build's makeup as text. Raises Inconsistent for more than the form can hold."""
    lots, stacks, hours = _Met(), _Met(), _Met()
    rows = np.zeros(len(makeup.meas), dtype=ROW)
    for index, mea in enumerate(makeup.meas):
        rows[index] = (
            mea.part_id,
            lots.place(mea.lot_id),
            _lots(lots, mea.plate_lots, PLATES),
            _lots(lots, mea.gasket_lots, GASKETS),
            mea.cell or 0,
            hours.place(_hundredths(mea.hours_before)),
            min(mea.openings, MOST_OPENINGS),
            min(stacks.place(mea.came_from), MOST_STACKS + 1),
        )
    # Rows keep places of lots and hours as unsigned 16-bit numbers.
    if len(lots.places) > 65_535 or len(hours.places) > 65_535:
        raise Inconsistent("a build of more than 65 535 lots or MEAs cannot be packed.")
    known_stacks = stacks.values[: MOST_STACKS + 1] + [UNKNOWN] * (len(stacks.places) > MOST_STACKS)
    head = [
        *(FORM, len(rows), makeup.closed, makeup.opened, makeup.cells),
        *(_hundredths(makeup.ran_h), makeup.meter, _hundredths(makeup.not_ran_h)),
        UNKNOWN if makeup.torque_outside is None else int(makeup.torque_outside),
        # In steps of 100 Pa; hours in hundredths: both whole, so that equal values stay equal.
        UNKNOWN if makeup.gdl_pressure_mpa is None else round(makeup.gdl_pressure_mpa * 1e4),
        *(len(makeup.drivers), len(makeup.people), len(lots.places), len(known_stacks)),
        *(len(hours.places), 0),
    ]
    numbers = [*head, *makeup.drivers, *makeup.people, *lots.values, *known_stacks, *hours.values]
    # Three numbers are 12 bytes, 16 signs without padding: texts can be joined and read as one.
    numbers += [0] * (-len(numbers) % 3)
    first = b64encode(np.array(numbers, dtype="<i4").tobytes())
    return f"{first.decode()}.{b64encode(rows.tobytes()).decode()}"


def _lots(lots: _Met, lot_ids: Sequence[int | None], most: int) -> list[int]:
    """Places of the lots, each once; the rest are not known."""
    places = list(dict.fromkeys(lots.place(lot) for lot in lot_ids if lot is not None))[:most]
    return places + [0] * (most - len(places))


def _hundredths(hours: float) -> int:
    return round(hours * 100) if isfinite(hours) else 0


@dataclass(frozen=True, slots=True)
class Builds:
    """Many builds as columns, (builds,); ``drivers`` and ``people`` (builds, w), UNKNOWN filled."""

    closed: Ids
    opened: Ids
    cells: Ids
    ran_h: Numbers
    meter: Ids
    not_ran_h: Numbers
    torque_outside: Ids
    gdl_pressure_mpa: Numbers
    drivers: Ids
    people: Ids


@dataclass(frozen=True, slots=True)
class Stays:
    """The MEAs of many builds, (n,), build after build as they were closed; UNKNOWN: not known.

    ``build``: the place of the build in the order given; lots (n, 2) and (n, 4); hours in h.
    """

    build: Ids
    part: Ids
    mea_lot: Ids
    plate_lots: Ids
    gasket_lots: Ids
    cell: Ids
    openings: Ids
    came_from: Ids
    hours_before: Numbers


def unpack(texts: Sequence[str]) -> tuple[Builds, Stays]:
    """Read the makeups of many builds at once. Raises Inconsistent for texts of another form."""
    pairs = [text.partition(".") for text in texts]
    numbers = np.frombuffer(b64decode("".join(pair[0] for pair in pairs)), dtype="<i4")
    # 16 signs of base64 are 12 bytes, three 32-bit numbers.
    sizes = np.array([len(pair[0]) // 16 * 3 for pair in pairs], dtype=np.int64)
    begins = np.cumsum(sizes) - sizes
    heads = numbers[begins[:, None] + np.arange(HEAD)].astype(np.int64)
    order = np.argsort(heads[:, 2], kind="stable")
    rows = np.frombuffer(b64decode("".join([pairs[row][2] for row in order])), dtype=ROW)
    if (heads[:, 0] != FORM).any() or heads[:, 1].sum() != rows.size:
        raise Inconsistent("this makeup of a build was written in another form.")
    # Columns of ``heads`` are the numbers of the head in the order `pack` writes them; behind it
    # stand five lists, each as long as the head says, so each begins where the last one ends.
    drivers_at = begins + HEAD
    people_at = drivers_at + heads[:, 10]
    lots_at = people_at + heads[:, 11]
    stacks_at = lots_at + heads[:, 12]
    hours_at = stacks_at + heads[:, 13]
    build = np.repeat(order, heads[order, 1])
    lots_of = lots_at[build]
    every_lot = [rows["mea_lot"], *rows["plate_lots"].T, *rows["gasket_lots"].T]
    # A row holds places in its own build’s lists; added to where the list begins they index
    # ``numbers``, so all rows of all builds are looked up at once.
    lots = [numbers[lots_of + places].astype(np.int64) for places in every_lot]
    pressure = heads[:, 9]
    return (
        Builds(
            closed=heads[:, 2],
            opened=heads[:, 3],
            cells=heads[:, 4],
            ran_h=heads[:, 5] / 100,
            meter=heads[:, 6],
            not_ran_h=heads[:, 7] / 100,
            torque_outside=heads[:, 8],
            gdl_pressure_mpa=np.where(pressure < 0, np.nan, pressure / 1e4),
            drivers=_several(numbers, drivers_at, heads[:, 10]),
            people=_several(numbers, people_at, heads[:, 11]),
        ),
        Stays(
            build=build,
            part=rows["part"].astype(np.int64),
            mea_lot=lots[0],
            plate_lots=np.stack(lots[1 : 1 + PLATES], axis=1),
            gasket_lots=np.stack(lots[1 + PLATES :], axis=1),
            cell=rows["cell"].astype(np.int64),
            openings=rows["openings"].astype(np.int64),
            came_from=numbers[stacks_at[build] + rows["came_from"]].astype(np.int64),
            hours_before=numbers[hours_at[build] + rows["hours"]] / 100,
        ),
    )


def _several(numbers: NDArray[np.int32], begins: Ids, counts: Ids) -> Ids:
    """The values of each build side by side, UNKNOWN behind the last."""
    columns = np.arange(max(1, int(counts.max(initial=0))))
    is_filled = columns < counts[:, None]
    columns_at = np.where(is_filled, begins[:, None] + columns, 0)
    if not numbers.size:
        return np.full(is_filled.shape, UNKNOWN, dtype=np.int64)
    return np.where(is_filled, numbers[columns_at].astype(np.int64), UNKNOWN)
