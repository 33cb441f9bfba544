"""What follows a calibration at once: readings judged by it anew, releases that end.

A release ends whose closing no longer passes, computed with the corrected calibration or with the
error found. What else rests on the instrument waits for a judgement.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from service.bench.queries.calibration_follows import (
    CalibrationFollows,
    closings_judged,
    follows,
    follows_recording,
    nuts_read_with,
)
from service.closing.changes.results import keep_closings_of
from service.closing.queries.closing_results import ClosingAnew
from service.platform.audit import Event
from service.platform.changes import Stored
from service.platform.database import Work
from service.platform.errors import NotFound
from service.platform.queries.answers import grouped
from service.proof.queries.true_values import closings_found_out, releases_ending, true_values
from service.proof.tables import ReleaseEnd
from service.records.tables import TorqueReading
from service.stacks.changes.supersede import close_out
from service.stacks.queries.release_standing import release_ends
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.changes.calibrations import (
    CalibrationEntry,
    add_calibration,
    calibration_proposed,
    checked_calibration,
    put_correction_in_force,
)
from service.store.queries.calibrations import histories
from service.store.tables import Calibration, Instrument, ProposedChange

DOES_NOT_HOLD = "Computed anew, the verdict of its closing no longer is a pass."


def correct_calibration(work: Work, row: ProposedChange, content: Mapping[str, Any]) -> None:
    """Put the right calibration in force, and derive anew what was judged by the wrong one.

    Readings of nuts are closed out and written anew with the calibration that held; closings are
    computed anew and kept beside. Heights, press forces, tests and judgements ask at every look.
    """
    entry = calibration_proposed(content)
    wrong = work.row(Calibration, row.subject_id, "calibration")
    before = histories(work.session, [wrong.instrument_id])
    instrument_id, calibration_id = put_correction_in_force(
        work, row.subject_id, entry, by_id=row.made_by_id or work.by.id, reason=row.reason
    )
    of = histories(work.session, [instrument_id])
    reached = closings_judged(work.session, instrument_id, before, of)
    for nut in nuts_read_with(work.session, instrument_id):
        valid = of.valid(instrument_id, nut.taken_at)
        if nut.calibration_id != (valid.id if valid else None):
            _write_anew(work, nut.id, valid.id if valid else None)
            reached.append(nut)
    anew: list[ClosingAnew] = []
    for stack_id, rows in grouped(reached, "stack_id").items():
        anew += keep_closings_of(work, stack_id, {row.build_id for row in rows if row.build_id})
    anew += closings_found_out(work.session, true_values(work.session, instrument_id, of))
    _end_releases(work, calibration_id, anew)


def before_recording(
    session: Session,
    now: datetime,
    instrument_id: int,
    entry: CalibrationEntry,
    *,
    corrects: int | None = None,
) -> tuple[CalibrationFollows, ...]:
    """Return what follows once this calibration is recorded, or takes the place of another.

    Writes nothing. Raises Refused where `record_calibration` would, NotFound.
    """
    instrument = session.get(Instrument, instrument_id)
    if instrument is None:
        raise NotFound("instrument", instrument_id)
    entry = checked_calibration(now, instrument, entry)
    if corrects is None:
        return follows_recording(session, instrument_id, entry)
    old = session.get(Calibration, corrects)
    if old is None or old.instrument_id != instrument_id:
        raise NotFound("calibration", corrects)
    return follows(session, corrects, entry)


def record_calibration(
    work: Work, instrument_id: int, entry: CalibrationEntry, file: Stored | None = None
) -> int:
    """Record a calibration as `add_calibration` does; give its id.

    A release whose closing does not hold with the error it found ends.
    """
    calibration_id = add_calibration(work, instrument_id, entry, file)
    if entry.result is CalibrationResult.OUT_OF_TOLERANCE:
        true = true_values(work.session, instrument_id)
        _end_releases(work, calibration_id, closings_found_out(work.session, true))
    return calibration_id


def _end_releases(work: Work, calibration_id: int, anew: Iterable[ClosingAnew]) -> None:
    for row in releases_ending(work.session, list(anew)):
        work.session.add(
            ReleaseEnd(build_id=row.id, calibration_id=calibration_id, ended_at=work.now)
        )
        work.session.flush()
        work.note(
            Event.BUILD_RELEASE_ENDED,
            ("build", row.id, f"build {row.number} of {row.serial}"),
            [release_ends(row.number, row.serial, f"calibration {calibration_id}")],
            reason=DOES_NOT_HOLD,
            stack_id=row.stack_id,
            record_id=row.record_id,
        )


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
