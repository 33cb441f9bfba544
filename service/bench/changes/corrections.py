"""Corrections: proposed on what was handed in, decided by another person, carried out at once.

Nothing handed in is changed in place. A correction names the old value, the new one and the
reason; once approved, layer maps, hours, histories and traces follow it, and the old value stays
readable in the record and in every question about what was thought before.
"""

from service.bench.changes.approvals import sign
from service.bench.changes.correcting import carry_out
from service.bench.changes.correction_values import read_new_value
from service.bench.queries.correctable import Correctable, correctable
from service.bench.queries.corrections import document_of
from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.people.changes.people import check_password
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Change, Did
from service.platform.database import Work
from service.platform.errors import NotFound, Refused, Stale
from service.platform.permissions import Act, RecordFacts, need
from service.records.queries.participants import people_on
from service.records.tables import Meaning, RebuildRecord
from service.stacks.changes.build_features import keep_makeups_of_stack
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.queries.release_standing import release_ends, released_builds


def propose(
    work: Work,
    record_id: int,
    *,
    of: CorrectionOf,
    subject_id: int,
    new_value: str,
    reason: str,
    part_id: int | None = None,
) -> int:
    """Propose that one fact of a record handed in be changed; give the correction's number.

    ``new_value`` as typed: a serial, a lot or a scan; a facing; a torque with its unit; hours; a
    time in ISO 8601 with its zone. ``part_id`` chooses where several parts bear a serial. Raises
    Refused where the fact is not this record's, waits for a decision already, or the new value
    cannot be true.
    """
    need(work.by, Act.CORRECTION_WRITE)
    if not work.by.id:
        raise Refused("written by", "", "a correction is written by a person.", "Sign in.")
    held = _held(work, record_id)
    record = correctable(work.session, record_id)
    fact = record.fact(of, subject_id)
    if fact is None:
        raise Refused(
            "subject_id",
            "",
            f"record {record_id} ({record.state}) has no such fact that could be corrected.",
            "Choose one from the list of the record.",
        )
    if record.is_waiting(of, subject_id):
        raise Refused(
            "subject_id",
            fact.label,
            "a correction of it waits for a decision already.",
            "Let that one be decided first.",
        )
    why = given.reason(reason)
    value = read_new_value(work, record, fact, new_value, part_id)
    correction = Correction(
        record_id=record_id,
        of=of,
        subject_id=subject_id,
        subject_label=fact.label,
        old_value=fact.old_value,
        new_value=value.text,
        new_part_id=value.part_id,
        new_number=value.number,
        new_time=value.time,
        reason=why,
        state=CorrectionState.WAITING,
        written_by_id=work.by.id,
        written_at=work.now,
        content_sha256="",
    )
    correction.content_sha256 = sha256_of(canonical_json(document_of(correction)))
    work.session.add(correction)
    held.version += 1
    work.session.flush()
    _note(
        work,
        held,
        correction,
        Did.CORRECTION_WRITTEN,
        changes=[(f"{of}, {fact.label}", fact.old_value, value.text)],
        reason=why,
    )
    return correction.id


def decide(
    work: Work,
    correction_id: int,
    *,
    approve: bool,
    content_sha256: str,
    password: str,
    reason: str = "",
) -> int:
    """Approve or refuse a correction; give the decision's number.

    Whoever proposed it, or wrote, worked on or witnessed the record, does not decide. A refusal
    needs its reason. Raises NotAllowed, Refused, and Stale where another text was shown.
    """
    correction = work.session.get(Correction, correction_id, with_for_update=True)
    if correction is None:
        raise NotFound("correction", correction_id)
    held = _held(work, correction.record_id)
    involved = people_on(work.session, [held.id], with_corrections=False)[held.id]
    need(
        work.by,
        Act.CORRECTION_DECIDE,
        RecordFacts(correction.state, correction.written_by_id, involved),
    )
    if not work.by.id:
        raise Refused("signed by", "", "a decision is signed by a person.", "Sign in.")
    if correction.state is not CorrectionState.WAITING:
        raise Refused("correction", correction_id, f"it is {correction.state} already.")
    if content_sha256 != correction.content_sha256:
        raise Stale(f"correction {correction_id}", 0, 0, ["It says something else by now."])
    why = (
        given.reason(reason)
        if not approve
        else given.optional_words("reason", reason, most=given.LONG_MOST)
    )
    check_password(work, password)
    if sha256_of(canonical_json(document_of(correction))) != correction.content_sha256:
        raise Refused(
            "content", content_sha256, "it is no longer what was written; it cannot be signed."
        )
    released = released_builds(work.session, held.stack_id)
    meaning = Meaning.CORRECTION_APPROVED if approve else Meaning.CORRECTION_REFUSED
    decision_id = sign(work, held, meaning, content_sha256, why, correction_id=correction_id)
    changes: list[Change] = []
    if approve:
        record = correctable(work.session, held.id)
        changes = _carry_out(work, record, correction)
        still = released_builds(work.session, held.stack_id)
        changes += [
            release_ends(number, record.stack)
            for build_id, number in released.items()
            if build_id not in still
        ]
    correction.state = CorrectionState.APPROVED if approve else CorrectionState.REFUSED
    held.version += 1
    work.session.flush()
    did = Did.CORRECTION_APPROVED if approve else Did.CORRECTION_REFUSED
    _note(work, held, correction, did, changes=changes, reason=why or correction.reason)
    return decision_id


def _carry_out(work: Work, record: Correctable, correction: Correction) -> list[Change]:
    fact = record.fact(correction.of, correction.subject_id or 0)
    if fact is None or fact.old_value != correction.old_value:
        raise Refused(
            "correction",
            correction.id,
            f"{correction.subject_label} has been changed by another correction since.",
            "Refuse this one; a new one starts from what is known now.",
        )
    changes = carry_out(work, record, fact, correction)
    keep_makeups_of_stack(work, record.stack_id)
    judge_stack(work, record.stack_id)
    return changes


def _held(work: Work, record_id: int) -> RebuildRecord:
    record = work.session.get(RebuildRecord, record_id, with_for_update=True)
    if record is None:
        raise NotFound("record", record_id)
    return record


def _note(
    work: Work,
    record: RebuildRecord,
    correction: Correction,
    did: Did,
    *,
    changes: list[Change],
    reason: str,
) -> None:
    label = f"correction {correction.id} of record {record.id}: {correction.subject_label}"
    work.note(
        did,
        ("correction", correction.id, label),
        changes,
        reason=reason,
        stack_id=record.stack_id,
        record_id=record.id,
    )
