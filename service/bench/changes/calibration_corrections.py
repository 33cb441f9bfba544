"""Carrying out an approved correction of a calibration: readings it judges are derived anew."""

from collections.abc import Mapping
from typing import Any

from service.bench.queries.calibration_follows import nuts_read_with, valid_then
from service.closing.changes.results import keep_closings_of
from service.platform.database import Work
from service.platform.queries.answers import grouped
from service.records.tables import TorqueReading
from service.stacks.changes.supersede import close_out
from service.store.changes.calibrations import calibration_proposed, put_correction_in_force
from service.store.queries.calibrations import histories
from service.store.tables import ProposedChange


def correct_calibration(work: Work, row: ProposedChange, content: Mapping[str, Any]) -> None:
    """Put the right calibration in force, and derive anew what was judged by the wrong one.

    Readings of nuts are closed out and written anew with the calibration that held; closings are
    computed anew and kept beside. Tests and judgements ask at every look.
    """
    entry = calibration_proposed(content)
    instrument_id = put_correction_in_force(
        work, row.subject_id, entry, by_id=row.made_by_id or work.by.id, reason=row.reason
    )
    of = histories(work.session, [instrument_id])
    changed = []
    for nut in nuts_read_with(work.session, instrument_id):
        valid = valid_then(of, instrument_id, nut.taken_at)
        if nut.calibration_id != (valid.id if valid else None):
            _write_anew(work, nut.id, valid.id if valid else None)
            changed.append(nut)
    for stack_id, nuts in grouped(changed, "stack_id").items():
        keep_closings_of(work, stack_id, {nut.build_id for nut in nuts if nut.build_id})


def _write_anew(work: Work, reading_id: int, calibration_id: int | None) -> None:
    old = work.session.get_one(TorqueReading, reading_id)
    kept = {
        column.key: getattr(old, column.key)
        for column in TorqueReading.__table__.columns
        if column.key not in {"id", "known_until"}
    }
    close_out(work, old)
    right = {"calibration_id": calibration_id, "known_from": work.now, "replaces_id": old.id}
    work.session.add(TorqueReading(**(kept | right)))
    work.session.flush()
