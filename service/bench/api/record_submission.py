"""A whole event in one call: the same entries as at the bench, in their order, all or nothing."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from service.bench.changes import bench
from service.bench.changes.handing_in import hand_in
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.api.request_models import TorqueRead, WholeRecord, instruments_of, logins_of
from service.platform.arithmetic.vocabulary import Stage
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes import rebuild_records
from service.records.tables import Involvement
from service.stacks.queries.stacks import find_stack
from service.store.queries.names import instruments_by_mark, people_by_login


@dataclass(frozen=True, slots=True)
class _Names:
    people: dict[str, int]
    instruments: dict[str, int]


def write_whole(work: Work, record: WholeRecord) -> int:
    """Write a whole record; give its number. Raises Refused naming the place in the call."""
    names = _Names(
        people_by_login(work.session, logins_of(record, work.by)),
        instruments_by_mark(work.session, instruments_of(record)),
    )
    record_id = rebuild_records.begin_record(
        work,
        stack_id=find_stack(work.session, record.stack),
        kind=record.kind,
        reason=record.reason,
        performed_from=record.performed_from,
        people=[(names.people[each.login], each.involvement) for each in record.people]
        or [(work.by.id, Involvement.WORKED)],
    )
    _make_safe(work, record_id, record, names)
    _torques(work, record_id, names, record.torque_as_found, Stage.AS_FOUND)
    _open(work, record_id, record)
    _layers_and_fixings(work, record_id, record)
    _torques(work, record_id, names, record.torque_at_closing, Stage.CLOSING)
    if record.closing:
        with _at("closing"):
            bench.close_stack(
                work,
                record_id,
                None,
                closed_at=record.closing.closed_at,
                hours=record.closing.hours,
            )
    if record.hand_in:
        hand_in(work, record_id, None)
    return record_id


def read_torque(work: Work, record_id: int, reading: TorqueRead, instrument_id: int) -> int:
    """Enter one torque reading; give the entry's number."""
    return bench.read_torque(
        work,
        record_id,
        None,
        rod_number=reading.rod_number,
        pass_number=reading.pass_number,
        stage=reading.stage,
        kind=reading.kind,
        torque_nm=reading.torque_nm,
        instrument_id=instrument_id,
        taken_at=reading.taken_at,
    )


def _make_safe(work: Work, record_id: int, record: WholeRecord, names: _Names) -> None:
    for place, line in enumerate(record.make_safe):
        with _at(f"make_safe.{place}"):
            bench.record_make_safe(
                work,
                record_id,
                None,
                line_number=line.line_number,
                reading=line.reading,
                instrument_id=names.instruments[line.instrument] if line.instrument else None,
                person_id=names.people[line.person] if line.person else work.by.id,
                witness_id=names.people[line.witness] if line.witness else None,
                done_at=line.done_at,
                note=line.note,
            )


def _open(work: Work, record_id: int, record: WholeRecord) -> None:
    if record.opening is None:
        return
    with _at("opening"):
        if record.opening.exception:
            bench.record_exception(
                work,
                record_id,
                None,
                reason=record.opening.exception,
                done_at=record.opening.opened_at,
            )
        bench.open_stack(
            work,
            record_id,
            None,
            opened_at=record.opening.opened_at,
            hours=record.opening.hours,
            hours_unknown_because=record.opening.hours_unknown_because,
        )


def _layers_and_fixings(work: Work, record_id: int, record: WholeRecord) -> None:
    for place, removed in enumerate(record.fixings_removed):
        with _at(f"fixings_removed.{place}"):
            bench.remove_fixing(
                work, record_id, None, part_id=removed.part_id, done_at=removed.done_at
            )
    for place, lifted in enumerate(record.lifted_off):
        with _at(f"lifted_off.{place}"):
            bench.lift_off(
                work,
                record_id,
                None,
                end=lifted.end,
                scanned=lifted.serial,
                findings=[
                    FindingEntry(seen.condition, seen.severity, seen.where, seen.note)
                    for seen in lifted.findings
                ],
                note=lifted.note,
                done_at=lifted.done_at,
            )
    for place, put in enumerate(record.put_on):
        with _at(f"put_on.{place}"):
            bench.put_on(
                work,
                record_id,
                None,
                end=put.end,
                scanned=put.scanned,
                part_id=put.part_id,
                lot_id=put.lot_id,
                facing=put.facing,
                note=put.note,
                done_at=put.done_at,
            )
    for place, fitted in enumerate(record.fixings_fitted):
        with _at(f"fixings_fitted.{place}"):
            bench.fit_fixing(
                work,
                record_id,
                None,
                rod_number=fitted.rod_number,
                end=fitted.end,
                scanned=fitted.scanned,
                part_id=fitted.part_id,
                lot_id=fitted.lot_id,
                done_at=fitted.done_at,
            )


def _torques(
    work: Work,
    record_id: int,
    names: _Names,
    readings: list[TorqueRead],
    stage: Stage,
) -> None:
    name = "torque_as_found" if stage is Stage.AS_FOUND else "torque_at_closing"
    for place, reading in enumerate(readings):
        with _at(f"{name}.{place}"):
            staged = reading.model_copy(update={"stage": stage})
            read_torque(work, record_id, staged, names.instruments[reading.instrument])


@contextmanager
def _at(place: str) -> Iterator[None]:
    """Say in a refusal where in the call it arose."""
    try:
        yield
    except Refused as refusal:
        raise Refused(
            f"{place}.{refusal.field}", refusal.value, refusal.reason, refusal.right_would_be
        ) from refusal
