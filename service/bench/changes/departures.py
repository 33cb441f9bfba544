"""Accepting a departure from the design: one finding of the check, as it reads, with the reason.

It is for findings which need a concession. Whoever may give concessions may accept one; having
had a part in the record, they cannot approve it. What the finding says is kept as it read: once
the pile is another, so that it reads otherwise, it has to be accepted anew.
"""

from datetime import datetime

from service.designs.arithmetic.grammar_findings import Severity
from service.platform import changes
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes import journal
from service.records.queries.pile_checks import pile_check
from service.records.tables import StepKind


def accept_departure(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    departs_from: str,
    reason: str,
    done_at: datetime | None = None,
) -> int:
    """Accept a finding that needs a concession; give the entry's id.

    ``departs_from`` is the finding as it reads. Raises Refused where the check does not say so,
    where the finding blocks the hand-in whatever the reason, or was accepted before.
    """
    need(work.by, Act.CONCESSION_GIVE)
    record = journal.lock_record(work, record_id, version)
    _refuse_unless_open_to_it(work, record_id, departs_from)
    why = changes.reason(reason)
    at = journal.done_at_of(work, record, done_at)
    step = journal.add_step(
        work, record, StepKind.DEPARTURE, at, note=why, departs_from=departs_from
    )
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"departure accepted by {work.by.name}",
            (("departs from", None, departs_from), ("done at", None, at)),
            why,
        ),
    )
    return step.id


def _refuse_unless_open_to_it(work: Work, record_id: int, departs_from: str) -> None:
    found = {one.finding.sentence: one for one in pile_check(work.session, record_id).judged}
    one = found.get(departs_from)
    if one is None:
        raise Refused(
            "departs_from",
            departs_from,
            "the check of the pile does not say this as the pile stands now.",
            "Look at the list again.",
        )
    if one.departure is not None:
        raise Refused("departs_from", departs_from, f"{one.departure.by} has accepted it already.")
    if one.severity is not Severity.CONCESSION:
        reason = (
            "no reason makes this right: it has to be mended."
            if one.severity is Severity.BLOCKS
            else "it is a remark and needs nobody's leave."
        )
        raise Refused("departs_from", departs_from, reason, one.finding.mend)
