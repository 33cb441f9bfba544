"""Judging what was read with an instrument that cannot be trusted: one signature for each build."""

from service.people.changes.people import check_password
from service.people.queries.signers import remarks_beside
from service.platform import changes as given
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotFound, Stale
from service.platform.permissions import Act, RecordFacts, need
from service.proof.queries.instrument_uses import assessment
from service.stacks.tables import Build
from service.store.tables import UseDecision, UseJudgement


def judge_use(
    work: Work,
    instrument_id: int,
    calibration_id: int | None,
    build_id: int,
    *,
    decision: UseDecision,
    reason: str,
    content_sha256: str,
    password: str,
) -> int:
    """Sign what the readings of a build with an instrument are worth. Gives the judgement's id.

    ``calibration_id`` is the one that found the instrument out; None: no calibration held.
    Readings stay as they are: accepted, their tests count again; else they are made again, or the
    build is on hold, and its release ends. A later judgement takes the place of this one. Raises
    NotAllowed for whoever worked on the records, Refused, Stale where another text was shown.
    """
    build = work.locked(Build, build_id, "build")
    of = assessment(work.session, instrument_id, calibration_id)
    doubted = next((each for each in of.builds if each.build_id == build_id), None)
    if doubted is None:
        raise NotFound("build", build_id)
    need(work.by, Act.USE_JUDGE, RecordFacts(involved=doubted.involved))
    work.refuse_nobody("signed by", "a judgement is signed by a person.", "Sign in.")
    why = given.reason(reason)
    if content_sha256 != doubted.content_sha256:
        raise Stale(f"build {doubted.number}", 0, 0, ["Other readings rest on it by now."])
    check_password(work, password)
    remarks = remarks_beside(work.session, work.by.id, doubted.involved, work.now)
    row = UseJudgement(
        build_id=build_id,
        instrument_id=instrument_id,
        calibration_id=calibration_id,
        decision=decision,
        reason=why,
        content=doubted.content,
        content_sha256=content_sha256,
        signed_by_id=work.by.id,
        signed_at=work.now,
        remarks=" ".join(remarks) or None,
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.USE_JUDGED,
        ("instrument", instrument_id, of.label),
        [
            (f"readings of {doubted.stack_serial} build {doubted.number}", None, decision),
            ("content signed", None, content_sha256),
        ],
        reason=why,
        stack_id=build.stack_id,
        record_id=build.record_id,
    )
    return row.id
