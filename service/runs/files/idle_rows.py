"""The times without load in a run's raw file, read again from disk."""

from pathlib import Path

from service.condition.arithmetic.rests import Rest, RestFinder
from service.platform.arithmetic.errors import TradeError
from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import Mapping
from service.runs.files.logs import RunLog

MOST_MB = 200
"""What is looked through while a page waits."""


def read_rests(
    path: Path, mapping: Mapping, zone: str, area_cm2: float, threshold_v: float
) -> tuple[tuple[Rest, ...], bool]:
    """The rests in a file, and whether there were too many rows to keep them all.

    Raises Refused for a file too large, and one without current or time.
    """
    size_mb = path.stat().st_size / 2**20
    if size_mb > MOST_MB:
        raise Refused(
            "file",
            f"{size_mb:.0f}\u2009MB",
            "it is too large to be looked through while a page waits.",
            "The open-circuit voltages found at import stand on the stack's condition.",
        )
    finder = RestFinder(
        tuple(cell.channel for cell in mapping.cells), area_cm2, mapping.counting.idle_a_cm2
    )
    try:
        for batch in RunLog(path, mapping, zone).batches():
            finder.feed(batch)
        return finder.rests(threshold_v), finder.is_full
    except TradeError as trouble:
        raise Refused("file", "", str(trouble), "A log with time and current.") from trouble
