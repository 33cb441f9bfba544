"""Polarisation curves: sweeps of HERON-01 as files, points of HERON-03 read off and typed in."""

import hashlib
from datetime import datetime
from zlib import crc32

import numpy as np
import polars as pl

from service.condition.arithmetic.measured_curves import MeasuredPoint
from service.condition.arithmetic.typed_voltages import typed_channels
from service.condition.changes import SweepTaken, add_curve, import_sweep, type_voltages
from service.condition.files import read_sweep
from service.demo.ageing import Array
from service.demo.days import THU, TUE, WED, When, ago
from service.demo.lab import ZONE, Entry, Lab
from service.demo.logs import Sat, cells_at
from service.demo.piles import sat_in
from service.demo.running import shown
from service.platform.changes import Stored
from service.platform.database import Work
from service.runs.files import run_files
from service.runs.files.logs import guess_log, look_at

MOST_A_CM2, STEP_S = 1.2, 3.0
TYPED_A_CM2 = (1.0, 0.8, 0.6, 0.4, 0.2, 0.1, 0.05)
SWEPT = (
    (ago(56, TUE, "10:30"), "commissioning of build 2"),
    (ago(16, TUE, "10:40"), "yearly check"),
)
TYPED = (
    (ago(43, TUE, "14:10"), "commissioning"),
    (ago(1, THU, "10:20"), "after cell 8 had fallen"),
)
READ_OFF = {
    "HERON-01": (101, 84, 70, 58),
    "HERON-02": (88, 74, 61),
    "HERON-03": (34, 24),
}
"""In which weeks voltages were read off the monitor, where the bench wrote no log."""


def read_off(
    work: Work, stack_id: int, sat: list[Sat], *, at: datetime, current_a: float, meter_h: float
) -> None:
    """Type in what the cells of a Heron show at a moment, as the monitor's display rounds it."""
    volts = _one_moment(sat, np.array([current_a / 100.0]), at)[0]
    type_voltages(
        work,
        stack_id,
        taken_at=at,
        current_a=current_a,
        voltages_v=[None if cell.mea is None else v for cell, v in zip(sat, volts, strict=True)],
        temperature_c=65.0,
        meter_hours=meter_h,
    )


def _one_moment(sat: list[Sat], density: Array, at: datetime) -> list[list[float]]:
    chance = np.random.default_rng(crc32(at.isoformat().encode()))
    still = np.zeros_like(density)
    return [
        [round(float(v), 3) for v in row]
        for row in cells_at(sat, still, density, still + 2.0, chance)
    ]


def _read_off(lab: Lab, when: When, stack: str) -> None:
    with lab.work(when, "anton") as work:
        meter = shown(lab, stack, when)
        sat = sat_in(work.session, lab, stack, work.now, meter)
        now = work.now
        read_off(work, lab.stacks[stack], sat, at=now, current_a=80.0, meter_h=meter)


def _sweep(lab: Lab, when: When, occasion: str) -> None:
    with lab.work(when, "mira") as work:
        meter = shown(lab, "HERON-01", when)
        sat = sat_in(work.session, lab, "HERON-01", work.now, meter)
        content = _swept(sat, work.now)
        sha256 = hashlib.sha256(content).hexdigest()
        run_files.put(lab.folder, sha256, lambda target: target.write(content))
        path = run_files.path_of(lab.folder, sha256)
        mapping = guess_log(look_at(path)).mapping
        import_sweep(
            work,
            lab.stacks["HERON-01"],
            stored=Stored(
                sha256,
                run_files.ANY,
                len(content),
                f"HERON-01 sweep {work.now:%Y-%m-%d}.csv",
            ),
            mapping=mapping.to_json(),
            sweep=read_sweep(path, mapping, ZONE, 100.0),
            conditions=SweepTaken(work.now, occasion, meter_hours=meter),
        )


def _swept(sat: list[Sat], at: datetime) -> bytes:
    """A sweep down to nothing, a minute's rest, and up again."""
    way = np.linspace(MOST_A_CM2, 0.0, 200)
    density = np.concatenate((way, np.zeros(40), way[::-1]))
    chance = np.random.default_rng(crc32(at.isoformat().encode()))
    still = np.zeros_like(density)
    dried = np.concatenate((np.zeros(240), np.full(200, 0.004))) * density
    cells = cells_at(sat, still, density, still + 1.0, chance) - dried[:, None]
    table = pl.DataFrame(
        {
            "time (s)": STEP_S * np.arange(len(density)),
            "current (A)": 100.0 * density,
            **{f"cell {n} (V)": cell for n, cell in enumerate(cells.T, 1)},
            "T stack (degC)": 65.0 + chance.normal(0, 0.1, len(density)),
        }
    )
    return table.write_csv(separator=";", float_precision=4).encode()


def _type(lab: Lab, when: When, occasion: str) -> None:
    with lab.work(when, "anton") as work:
        meter = shown(lab, "HERON-03", when)
        sat = sat_in(work.session, lab, "HERON-03", work.now, meter)
        rows = _one_moment(sat, np.array(TYPED_A_CM2), work.now)
        points = [
            MeasuredPoint(density, 100.0 * density, 1, tuple(row), (None,) * len(row))
            for density, row in zip(TYPED_A_CM2, rows, strict=True)
        ]
        add_curve(
            work,
            lab.stacks["HERON-03"],
            taken_at=work.now,
            channels=typed_channels(len(sat)),
            points=points,
            occasion=occasion,
            temperature_c=65.0,
            meter_hours=meter,
        )


def entries() -> list[Entry]:
    """Voltages read off, sweeps and typed curves."""
    return [
        *(
            Entry(
                ago(weeks, WED, "13:30"),
                f"{stack}: voltages read off",
                lambda lab, at, stack=stack: _read_off(lab, at, stack),  # type: ignore[misc]
            )
            for stack, times in READ_OFF.items()
            for weeks in times
        ),
        *(
            Entry(
                when,
                "HERON-01: sweep",
                lambda lab, at, why=why: _sweep(lab, at, why),  # type: ignore[misc]
            )
            for when, why in SWEPT
        ),
        *(
            Entry(
                when,
                "HERON-03: curve typed in",
                lambda lab, at, why=why: _type(lab, at, why),  # type: ignore[misc]
            )
            for when, why in TYPED
        ),
    ]
