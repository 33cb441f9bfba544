"""Every entry that can be made in a record at the bench, by one name.

Each takes the work, the record's number and the version the form was shown at (None where the
caller holds none), makes one change with one entry in the trail, and gives the entry's id.
"""

from service.bench.changes.layers import lift_off, lift_off_down_to, note_finding
from service.bench.changes.stacking import put_on
from service.bench.changes.undoing import undo_last
from service.closing.changes.bench_closing import record_closing_check
from service.closing.changes.bench_torque import read_torque
from service.physics.arithmetic.conditions import FindingEntry
from service.proof.changes.stack_tests import (
    record_insulation_test,
    record_leak_test,
    record_short_check,
)
from service.records.changes.bench_fixings import (
    fit_fixing,
    fit_from_lot,
    remove_fixing,
    remove_fixings,
)
from service.records.changes.bench_opening import (
    close_stack,
    open_stack,
    record_exception,
    record_make_safe,
)

__all__ = [
    "FindingEntry",
    "close_stack",
    "fit_fixing",
    "fit_from_lot",
    "lift_off",
    "lift_off_down_to",
    "note_finding",
    "open_stack",
    "put_on",
    "read_torque",
    "record_closing_check",
    "record_exception",
    "record_insulation_test",
    "record_leak_test",
    "record_make_safe",
    "record_short_check",
    "remove_fixing",
    "remove_fixings",
    "undo_last",
]
