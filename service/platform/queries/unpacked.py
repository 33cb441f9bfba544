"""The builds of a design unpacked, with the codes of every factor which they alone tell."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.life.arithmetic.build_features import Builds, Stays, unpack
from service.life.arithmetic.factors import (
    UNKNOWN,
    Codes,
    Factor,
    FactorKind,
    distinct,
    opening_codes,
    position_codes,
    thirds,
)
from service.life.arithmetic.position_test import from_nearer_end

Ids = NDArray[np.int64]
Flags = NDArray[np.bool_]
MOST_KEPT = 2
"""Designs kept unpacked in a process; no other needs them."""


@dataclass(frozen=True, slots=True)
class Unpacked:
    """What the packed texts alone say; ``last``: the last stay of each MEA."""

    builds: Builds
    stays: Stays
    last: Flags
    factors: tuple[Factor, ...]
    values: dict[FactorKind, tuple[Any, ...]]
    edges_mpa: tuple[float, float] | None


_kept: list[tuple[list[str], Unpacked]] = []


def unpacked(texts: list[str]) -> Unpacked:
    """Unpack the builds of a design; the same texts again are not unpacked again.

    Compared are the texts themselves: whatever was written anew is unpacked anew.
    """
    for texts_kept, value in _kept:
        if texts_kept == texts:
            return value
    value = _unpack(texts)
    _kept[:] = [(texts, value), *_kept[: MOST_KEPT - 1]]
    return value


def forget() -> None:
    """Forget what is kept unpacked."""
    _kept.clear()


def _unpack(texts: list[str]) -> Unpacked:
    builds, stays = unpack(texts)
    factors, values, edges = _factors(builds, stays)
    return Unpacked(builds, stays, _last_of_each(stays.part), factors, values, edges)


def _last_of_each(parts: Ids) -> Flags:
    """The last row of each part; rows stand in order of time."""
    stands = np.zeros(parts.size, dtype=bool)
    if parts.size:
        low = int(parts.min())
        last = np.full(int(parts.max()) - low + 1, -1, dtype=np.int64)
        last[parts - low] = np.arange(parts.size)
        stands[last[last >= 0]] = True
    return stands


def _factors(
    builds: Builds, stays: Stays
) -> tuple[tuple[Factor, ...], dict[FactorKind, tuple[Any, ...]], tuple[float, float] | None]:
    kinds = FactorKind
    lot, lots = _dense(stays.mea_lot)
    plate, plates = _dense(stays.plate_lots)
    gasket, gaskets = _dense(stays.gasket_lots)
    came, stacks = _dense(stays.came_from)
    driver, drivers = _dense(builds.drivers)
    person, people = _dense(builds.people)
    far = from_nearer_end(stays.cell, builds.cells[stays.build])
    pressure = thirds(builds.gdl_pressure_mpa)
    factors = (
        Factor(kinds.MEA_LOT, lot),
        Factor(kinds.PLATE_LOT, plate),
        Factor(kinds.GASKET_LOT, gasket),
        Factor(kinds.POSITION, position_codes(np.where(stays.cell > 0, far, UNKNOWN))),
        Factor(kinds.OPENINGS, opening_codes(stays.openings)),
        Factor(kinds.PREVIOUS_STACK, came + 1),
        Factor(kinds.TORQUE, builds.torque_outside),
        Factor(kinds.PRESSURE, pressure.codes),
        Factor(kinds.INSTRUMENT, distinct(driver)),
        Factor(kinds.BUILDER, distinct(person)),
    )
    values = {
        kinds.MEA_LOT: lots,
        kinds.PLATE_LOT: plates,
        kinds.GASKET_LOT: gaskets,
        kinds.PREVIOUS_STACK: (None, *stacks),
        kinds.INSTRUMENT: drivers,
        kinds.BUILDER: people,
    }
    return factors, values, pressure.edges


def _dense(ids: Ids) -> tuple[Codes, tuple[int, ...]]:
    """Codes from 0 for ids, and the id of each code; UNKNOWN stays."""
    is_used = np.zeros(int(ids.max(initial=-1)) + 2, dtype=bool)
    is_used[ids] = True
    is_used[-1] = False
    codes = np.cumsum(is_used) - 1
    codes[-1] = UNKNOWN
    return codes[ids], tuple(np.flatnonzero(is_used).tolist())
