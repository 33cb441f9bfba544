"""Releasing a build to hydrogen: signed by somebody who had no part in its records."""

from sqlalchemy import select

from service.people.changes.people import check_password
from service.people.queries.signers import remarks_beside
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.proof.queries.releases import Gate, gate
from service.proof.tables import BuildRelease
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Build, Stack

FORM = "build release 1"


def release_build(work: Work, build_id: int, *, set_points_sha256: str, password: str) -> int:
    """Release a build to hydrogen; give the release's number.

    ``set_points_sha256`` is the hash of the set points that were acknowledged, empty where they
    were not. Raises NotAllowed for whoever had a part in the records of the build, Refused with
    what keeps the gate shut, for a wrong password and for set points that are others by now.
    """
    held_gate = _held(work, build_id)
    need(work.by, Act.BUILD_RELEASE, held_gate.facts)
    label = held_gate.build.label
    work.refuse_nobody("signed by", "a build is released by a person.")
    if held_gate.release is not None:
        raise Refused("gate", label, f"it is released already, by {held_gate.release.by}.")
    limits, set_points = held_gate.closed.limits, held_gate.set_points
    if held_gate.shut or limits is None or set_points is None:
        raise Refused("gate", label, f"not ready for release. {' '.join(held_gate.shut)}")
    if set_points_sha256 != held_gate.set_points_sha256:
        reason = "the set points are others than those you were shown."
        if not set_points_sha256:
            reason = f"the set points for {set_points.cells} cells are not acknowledged."
        raise Refused("acknowledged", "", reason, "Read them, then tick the box.")
    check_password(work, password)
    content = canonical_json(_content(work, held_gate))
    release = BuildRelease(
        build_id=build_id,
        limit_set_id=limits.id,
        content=content,
        content_sha256=sha256_of(content),
        remarks=" ".join(remarks_beside(work.session, work.by.id, held_gate.had_a_part, work.now))
        or None,
        released_by_id=work.by.id,
        released_at=work.now,
    )
    work.session.add(release)
    work.session.flush()
    work.note(
        Event.BUILD_RELEASED,
        ("build", build_id, label),
        [
            ("released by limits", None, limits.name),
            ("set points acknowledged", None, set_points_sha256),
            ("content signed", None, release.content_sha256),
        ],
        stack_id=held_gate.build.stack_id,
        record_id=held_gate.build.record_id,
    )
    return release.id


def _held(work: Work, build_id: int) -> Gate:
    """The gate, with stack and open record held: nothing is entered for them meanwhile."""
    stack_id = work.session.scalar(select(Build.stack_id).where(Build.id == build_id))
    if stack_id is None:
        raise NotFound("build", build_id)
    work.session.get_one(Stack, stack_id, with_for_update=True)
    work.session.execute(
        select(RebuildRecord.id)
        .where(RebuildRecord.stack_id == stack_id, RebuildRecord.state == RecordState.OPEN)
        .with_for_update()
    ).all()
    return gate(work.session, build_id)


def _content(work: Work, held_gate: Gate) -> dict[str, object]:
    limits, set_points = held_gate.closed.limits, held_gate.set_points
    return {
        "form": FORM,
        "stack": held_gate.build.stack,
        "build": held_gate.build.number,
        "records": [
            {"record": record.id, "sha256": record.content_sha256} for record in held_gate.records
        ],
        "limits": limits and {"version": limits.version, "sha256": limits.content_sha256},
        "verdicts": [
            {
                "of": line.what,
                "verdict": None if line.verdict is None else str(line.verdict),
                "value": line.value,
                "limit": line.limit,
                "source": line.source,
                "limit_set": line.limit_version,
                "record": line.record_id,
                "entry": line.entry,
            }
            for line in held_gate.lines
        ],
        "set_points": set_points and set_points.as_data,
        **({"concessions": list(held_gate.concessions)} if held_gate.concessions else {}),
        "released": {"by": work.by.login, "at": f"{work.now:%Y-%m-%dT%H:%M:%S.%f}Z"},
    }
