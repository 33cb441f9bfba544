"""A sweep's file, read through the reader of logs: its rows at once, small enough for a page."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from service.condition.arithmetic.found_sweeps import FoundSweep, found_sweep, gathered
from service.platform.arithmetic.errors import TradeError
from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import Mapping, TimeKind
from service.runs.arithmetic.log_times import EARLIEST_S, LATEST_S
from service.runs.files.logs import RunLog

MOST_MB = 15
"""What is read while a page waits; larger ones are logs."""


def read_sweep(path: Path, mapping: Mapping, zone: str, area_cm2: float) -> FoundSweep:
    """Return the curves in this file. What was left out is among the doubts.

    Raises Refused where the file cannot be read through the mapping, or holds no sweep.
    """
    log = RunLog(path, mapping, zone)
    try:
        sweep = found_sweep(gathered(log.batches(), mapping, area_cm2), area_cm2)
    except TradeError as trouble:
        raise Refused("file", "", str(trouble), "A sweep of the current up or down.") from trouble
    return replace(sweep, doubts=(*sweep.doubts, *log.notes.in_words))


def began_at(sweep: FoundSweep, mapping: Mapping) -> datetime | None:
    """Say when the file says the sweep began.

    None where it has no clock, or one that was never set.
    """
    if sweep.begins_s is None or mapping.time.kind is not TimeKind.CLOCK:
        return None
    if not EARLIEST_S <= sweep.begins_s <= LATEST_S:
        return None
    return datetime.fromtimestamp(sweep.begins_s, UTC)
