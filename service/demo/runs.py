"""What the test benches logged, taken in a day or two after; tap maps and a bridged cell.

On STORK-01 two leads of the voltage monitor were crossed when it was closed the second time: the
weak cell seemed to be 21 and is 22. While the 10 kW bench was shown, its cell 17 was bridged.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from zlib import crc32

import numpy as np

from service.demo.ageing import Array
from service.demo.days import FRI, MON, THU, WED, When, ago
from service.demo.lab import ZONE, Entry, Lab, put_in_force
from service.demo.logs import LONG, USUAL, Bench, Day, Manner, mapping_of, run, written
from service.demo.piles import sat_in
from service.demo.running import METER_REPLACED, STORK_BEFORE, shown
from service.platform.database import Work
from service.runs.arithmetic.log_columns import TimeKind
from service.runs.arithmetic.run_counting import RunCounter
from service.runs.changes.run_readings import LogRead
from service.runs.changes.runs import StoredLog, import_run, keep_mapping
from service.runs.files import run_files
from service.runs.files.logs import RunLog
from service.stacks.changes.cell_bridges import BridgeEntry, note_bridge
from service.taps.changes import correct_tap_map, write_tap_map

CELLS, CROSSED, BRIDGED = 40, (21, 22), 17
BRIDGED_FROM, BRIDGED_UNTIL = ago(28, MON, "08:50"), ago(28, FRI, "16:10")
TAPPED = ago(33, MON, "08:45")


@dataclass(frozen=True, slots=True)
class Logged:
    """One log: of which stack, the week, on how many days from Monday on."""

    stack: str
    weeks: int
    days: int = 3
    day: Day = USUAL
    hot: bool = False
    note: str = ""

    @property
    def begins(self) -> When:
        """When the bench was switched on."""
        return ago(self.weeks, MON, "09:30")


MANNERS = {"HERON": Manner.SEMICOLONS, "WREN": Manner.COMMAS, "STORK": Manner.ZIPPED}
PLACES = {
    "HERON-01": "test bench 1",
    "HERON-02": "test bench 2",
    "HERON-03": "endurance rig",
    "WREN-01": "test bench 3",
    "WREN-02": "test bench 3",
    "STORK-01": "test bench 4",
}
LOGS = (
    Logged("HERON-02", 86, note="The first hours of lot M-41, before builds were released here."),
    *(Logged("HERON-01", weeks) for weeks in (54, 34, 20, 14)),
    *(Logged("HERON-02", weeks) for weeks in (44, 4)),
    Logged("HERON-03", 40),
    Logged("HERON-03", 12, day=LONG, note="Fourteen hours a day without a stop."),
    Logged("HERON-03", 1, days=2, note="Cell 8 lies 60 mV below what it gave two weeks ago."),
    Logged("WREN-01", 32),
    Logged("WREN-02", 40, hot=True, note="The coolant pump stood still for an hour on Wednesday."),
    Logged("WREN-02", 6),
    Logged("STORK-01", 28, days=2, note="Cell 17 bridged for the week, see there."),
    *(Logged("STORK-01", weeks, days=2) for weeks in (14, 4)),
)


def take_in(lab: Lab, when: When, logged: Logged) -> None:
    """Take a log in: through the bench's mapping, which is saved with its first log."""
    begins = lab.days.at(logged.begins)
    with lab.work(when, "mira" if logged.stack < "S" else "anton") as work:
        bench = _bench(work, lab, logged, begins)
        chance = np.random.default_rng(crc32(f"{logged.stack} {logged.weeks}".encode()))
        rows = run(bench, logged.days, chance, day=logged.day, hot=logged.hot)
        if logged.stack == "STORK-01":
            _as_wired(rows.cells_v, lab, begins)
        manner = MANNERS[logged.stack.partition("-")[0]]
        content = written(rows, bench, begins.replace(tzinfo=None), manner)
        _import(work, lab, logged, len(bench.cells), content)


def _bench(work: Work, lab: Lab, logged: Logged, begins: datetime) -> Bench:
    meter = shown(lab, logged.stack, logged.begins)
    before = STORK_BEFORE if logged.stack == "STORK-01" and logged.begins >= METER_REPLACED else 0.0
    cells = sat_in(work.session, lab, logged.stack, begins, meter + before)
    area = lab.design_of[logged.stack].active_area_cm2
    return Bench(logged.stack, PLACES[logged.stack], area, cells, meter)


def _as_wired(cells_v: Array, lab: Lab, begins: datetime) -> None:
    """Voltages as the channels of STORK-01 showed them."""
    if lab.days.at(BRIDGED_FROM) <= begins < lab.days.at(BRIDGED_UNTIL):
        cells_v[:, BRIDGED - 1] *= 0.012
    first, second = (cell - 1 for cell in CROSSED)
    cells_v[:, [first, second]] = cells_v[:, [second, first]]


def _import(work: Work, lab: Lab, logged: Logged, cells: int, content: bytes) -> None:
    begins = lab.days.at(logged.begins)
    sha256 = hashlib.sha256(content).hexdigest()
    run_files.put(lab.folder, sha256, lambda target: target.write(content))
    path = run_files.path_of(lab.folder, sha256)
    mapping = lab.mappings.get(logged.stack)
    if mapping is None:
        manner = MANNERS[logged.stack.partition("-")[0]]
        mapping = lab.mappings[logged.stack] = mapping_of(manner, cells)
        keep_mapping(work, f"{PLACES[logged.stack]}, {logged.stack}", mapping)
    log = RunLog(path, mapping, ZONE)
    counter = RunCounter(mapping, lab.design_of[logged.stack].active_area_cm2)
    for batch in log.batches():
        counter.feed(batch)
    counts = mapping.time.kind is TimeKind.ELAPSED
    name = f"{logged.stack}_{begins:%Y-%m-%d}.{'csv.gz' if counts else 'csv'}"
    import_run(
        work,
        lab.stacks[logged.stack],
        StoredLog(sha256, len(content), name),
        LogRead(mapping, counter.result(), begins if counts else None, log.notes.in_words),
        note=logged.note,
    )


def _tap(lab: Lab, when: When) -> None:
    straight = {channel: channel for channel in range(1, CELLS + 1)}
    with lab.work(when, "anton") as work:
        lab.records["STORK-01 taps"] = write_tap_map(
            work,
            lab.stacks["STORK-01"],
            valid_from=lab.days.at(TAPPED),
            cell_of=straight,
            reason="Leads of the voltage monitor put on anew after the rebuild.",
        )


def _put_taps_right(lab: Lab, when: When) -> None:
    first, second = CROSSED
    crossed = {channel: channel for channel in range(1, CELLS + 1)} | {first: second, second: first}
    with lab.work(when, "mira") as work:
        lab.records["STORK-01 crossed"] = correct_tap_map(
            work,
            lab.records["STORK-01 taps"],
            valid_from=lab.days.at(TAPPED),
            cell_of=crossed,
            reason=f"Leads {first} and {second} are crossed at the plates: a hand meter shows the"
            f" weak cell at {second}, the monitor at {first}. They have been so since the rebuild.",
        )


def _approve_taps(lab: Lab, when: When) -> None:
    put_in_force(lab, when, [lab.records["STORK-01 crossed"]])


def _bridge(lab: Lab, when: When) -> None:
    with lab.work(when, "anton") as work:
        note_bridge(
            work,
            lab.stacks["STORK-01"],
            BridgeEntry(
                BRIDGED,
                lab.days.at(BRIDGED_FROM),
                lab.days.at(BRIDGED_UNTIL),
                "Fell below zero at full load while the 10 kW bench was to be shown; bridged"
                " outside with braid for the week, since then humid again and in order.",
                "Petra Niemi, supervisor",
            ),
        )


def entries() -> list[Entry]:
    """Return logs taken in on Thursdays, the tap map and its correction, the bridged cell."""
    return [
        Entry(TAPPED, "STORK-01: tap map", _tap),
        Entry(BRIDGED_UNTIL, "STORK-01: a bridged cell", _bridge),
        Entry(ago(3, WED, "15:20"), "STORK-01: tap map put right", _put_taps_right),
        Entry(ago(3, WED, "16:40"), "STORK-01: tap map approved", _approve_taps),
        *(
            Entry(
                ago(logged.weeks, THU, "08:40"),
                f"{logged.stack}: log taken in",
                lambda lab, when, logged=logged: take_in(lab, when, logged),  # type: ignore[misc]
            )
            for logged in LOGS
        ),
    ]
