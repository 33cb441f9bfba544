"""Changes of what verdicts rest on: proposed by one person, in force once another approves.

Of a part type's stiffness, a design's rule of failing and pattern, make-safe lists, shelf lives and
tap maps through which voltages were read. The newest proposal of a thing counts: it replaces one
that still waits.
"""

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import func, select

from service.people.changes.people import check_password
from service.people.queries.signers import remarks_beside
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Change, Event, changes_text
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, RecordFacts, need
from service.store.tables import ChangeKind, ProposedChange


def propose(
    work: Work,
    kind: ChangeKind,
    subject: tuple[int, str],
    content: dict[str, Any],
    changes: Sequence[Change],
    *,
    source: str = "",
    reason: str,
    act: Act = Act.LIMITS_WRITE,
) -> int:
    """Write a proposal inside the change that checked it; give its number.

    ``subject`` is number and label of the part type, design, list or stack; ``act`` what whoever
    proposes must be allowed to do.
    """
    need(work.by, act)
    work.refuse_nobody("signed by", "it is proposed by a person.")
    text = canonical_json(content)
    row = ProposedChange(
        kind=kind,
        subject_id=subject[0],
        subject_label=subject[1],
        content=text,
        content_sha256=sha256_of(text),
        changes=changes_text(changes),
        source=source,
        reason=reason,
        made_by_id=work.by.id,
        made_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    label = f"{kind} of {subject[1]}"
    work.note(Event.CHANGE_PROPOSED, ("proposal", row.id, label), list(changes), reason=reason)
    return row.id


def sign_proposal(
    work: Work, proposal_id: int, *, content_sha256: str, password: str
) -> tuple[ProposedChange, Any]:
    """Sign a proposal of somebody else with the password; give it, and what is wanted.

    The caller carries it out in the same transaction. Raises NotAllowed for its writer, Refused for
    a wrong password, one approved already or followed by a newer one, and a content that no longer
    is what was written.
    """
    row = work.locked(ProposedChange, proposal_id, "proposal")
    need(work.by, Act.CHANGE_APPROVE, RecordFacts(written_by=row.made_by_id or 0))
    work.refuse_nobody("signed by", "it is approved by a person.")
    label = f"{row.kind} of {row.subject_label}"
    if row.approved_at is not None:
        raise Refused("proposal", label, "it is approved already.")
    newest = work.session.scalar(
        select(func.max(ProposedChange.id)).where(
            ProposedChange.kind == row.kind, ProposedChange.subject_id == row.subject_id
        )
    )
    if newest != row.id:
        raise Refused("proposal", label, "a newer one was proposed since.", "The newest one.")
    check_password(work, password)
    if not row.content_sha256 == content_sha256 == sha256_of(row.content):
        raise Refused(
            "content",
            content_sha256,
            "this cannot be signed: it is not what was proposed.",
            "Propose it anew; the audit trail and a backup show what it was.",
        )
    row.approved_by_id, row.approved_at = work.by.id, work.now
    remarks = remarks_beside(work.session, work.by.id, {row.made_by_id or 0}, work.now)
    row.remarks = " ".join(remarks) or None
    work.session.flush()
    signed: list[Change] = [("content signed", None, content_sha256)]
    work.note(Event.CHANGE_APPROVED, ("proposal", row.id, label), signed)
    return row, json.loads(row.content)
