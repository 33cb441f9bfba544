"""Saying that one looked again at what rests on a fact corrected since."""

from service.bench.queries.looking_again import one_resting
from service.bench.tables import LookedAgain, Rests
from service.platform.audit import Event
from service.platform.changes import LONG_MOST, optional_words
from service.platform.database import Work
from service.platform.permissions import Act, need


def look_again(work: Work, *, of: Rests, subject_id: int, note: str = "") -> int:
    """Take the mark off what rests on a corrected fact; give the number of that word.

    It comes back with the next correction. Raises NotFound where nothing marks it.
    """
    need(work.by, Act.LOOK_AGAIN)
    work.refuse_nobody("signed by", "a person looks again.", "Sign in.")
    resting = one_resting(work.session, of, subject_id)
    text = optional_words("note", note, most=LONG_MOST)
    row = LookedAgain(of=of, subject_id=subject_id, note=text, by_id=work.by.id, looked_at=work.now)
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.LOOKED_AGAIN,
        ("looked again", row.id, resting.label),
        [("rests on", resting.cause, "looked at again")],
        reason=text,
        record_id=resting.record_id,
    )
    return row.id
