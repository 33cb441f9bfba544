"""The word of a witness: with their own password or PIN, while the record is being written."""

from service.people.changes.badges import check_word
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Act, need
from service.records.changes import journal
from service.records.queries.records import to_witness
from service.records.tables import RebuildRecord, RecordState, WitnessConfirmation


def confirm_witness(work: Work, record_id: int, *, password: str, tablet: str = "") -> int:
    """Confirm, as a witness named, all lines written down until now; give the confirmation's id.

    ``password`` may be their PIN on the enrolled tablet whose secret is given.

    Raises NotAllowed for whoever is not named as a witness, Refused for a wrong password, where
    nothing waits for it, and once the record is handed in.
    """
    need(work.by, Act.WITNESS_CONFIRM)
    work.refuse_nobody("signed by", "a witness is a person.")
    record = work.locked(RebuildRecord, record_id, "record")
    witnesses = to_witness(work.session, record_id)
    my_row = next((each for each in witnesses if each.person_id == work.by.id), None)
    if my_row is None:
        raise NotAllowed(
            Act.WITNESS_CONFIRM.value, "You are not named as a witness of this record."
        )
    if record.state is not RecordState.OPEN:
        raise Refused(
            "record",
            f"record {record_id}",
            f"it is {record.state}.",
            "A witness confirms while the record is being written.",
        )
    if not my_row.waits:
        raise Refused("record", f"record {record_id}", "you confirmed all of it already.")
    check_word(work, password, tablet)
    row = WitnessConfirmation(record_id=record_id, person_id=work.by.id, confirmed_at=work.now)
    work.session.add(row)
    work.session.flush()
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "witness confirmed", (("confirmed", None, my_row.words),), did=Event.WITNESS_CONFIRMED
        ),
    )
    return row.id
