"""Giving leave to do without a witness: by quality, with the reason, and nothing else is waived."""

from datetime import datetime

from service.platform import changes as given
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, RecordFacts, need
from service.records.queries.records import people_on
from service.records.tables import RebuildRecord, RecordState, WaiverWhy, WitnessWaiver


def waive_witness(
    work: Work, record_id: int, *, why: WaiverWhy, reason: str, until: datetime | None = None
) -> int:
    """Let a record be written without a witness, or its writer until a time; give the number.

    Whoever gives it had no part in the record, and by giving it takes part: somebody else approves.
    Raises Refused for a record that is handed in, and a time that is past.
    """
    record = work.locked(RebuildRecord, record_id, "record")
    involved = people_on(work.session, [record_id])[record_id]
    need(work.by, Act.WITNESS_WAIVE, RecordFacts(record.state, record.written_by_id, involved))
    work.refuse_nobody("signed by", "it is given by a person.")
    if record.state not in {RecordState.OPEN, RecordState.SENT_BACK}:
        right = "Before it is handed in."
        raise Refused("record", record_id, f"the record is {record.state}.", right)
    words = given.reason(reason)
    if until is not None and until <= work.now:
        raise Refused("until", f"{until:%Y-%m-%d %H:%M}", "it is past.", "A time to come.")
    row = WitnessWaiver(
        record_id=record_id if until is None else None,
        person_id=None if until is None else record.written_by_id,
        until_at=until,
        why=why,
        reason=words,
        given_by_id=work.by.id,
        given_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.WITNESS_WAIVED,
        ("record", record_id, f"record {record_id}"),
        [("witness", "asked for", why), ("until", None, until)],
        reason=words,
        stack_id=record.stack_id,
        record_id=record_id,
    )
    return row.id
