"""Releasing a build to hydrogen: signed by somebody who had no part in its records."""

from sqlalchemy import select

from service.people.changes.people import check_password
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Did
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.proof.queries.releases import Gate, gate
from service.proof.tables.releases import BuildRelease
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables.stacks import Build, Stack

FORM = "build release 1"


def release_build(work: Work, build_id: int, *, set_points_sha256: str, password: str) -> int:
    """Release a build to hydrogen; give the release's number.

    ``set_points_sha256`` is the hash of the set points that were acknowledged, empty where they
    were not. Raises NotAllowed for whoever had a part in the records of the build, Refused with
    what keeps the gate shut, for a wrong password and for set points that are others by now.
    """
    found = _held(work, build_id)
    need(work.by, Act.BUILD_RELEASE, found.facts)
    label = found.build.label
    if not work.by.id:
        raise Refused("signed by", "", "a build is released by a person.", "Sign in as somebody.")
    if found.release is not None:
        raise Refused("gate", label, f"it is released already, by {found.release.by}.")
    limits, asked = found.closed.limits, found.set_points
    if found.shut or limits is None or asked is None:
        raise Refused("gate", label, f"the gate is shut. {' '.join(found.shut)}")
    if set_points_sha256 != found.set_points_sha256:
        reason = "the set points are others than those you were shown."
        if not set_points_sha256:
            reason = f"the set points for {asked.cells} cells are not acknowledged."
        raise Refused("acknowledged", "", reason, "Read them, then tick the box.")
    check_password(work, password)
    content = canonical_json(_content(work, found))
    made = BuildRelease(
        build_id=build_id,
        limit_set_id=limits.id,
        content=content,
        content_sha256=sha256_of(content),
        released_by_id=work.by.id,
        released_at=work.now,
    )
    work.session.add(made)
    work.session.flush()
    work.note(
        Did.BUILD_RELEASED,
        ("build", build_id, label),
        [
            ("released by limits", None, limits.name),
            ("set points acknowledged", None, set_points_sha256),
            ("content signed", None, made.content_sha256),
        ],
        stack_id=found.build.stack_id,
        record_id=found.build.record_id,
    )
    return made.id


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


def _content(work: Work, found: Gate) -> dict[str, object]:
    limits, asked = found.closed.limits, found.set_points
    return {
        "form": FORM,
        "stack": found.build.stack,
        "build": found.build.number,
        "records": [{"record": one.id, "sha256": one.content_sha256} for one in found.records],
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
            for line in found.lines
        ],
        "set_points": asked and asked.as_data,
        "released": {"by": work.by.login, "at": f"{work.now:%Y-%m-%dT%H:%M:%S.%f}Z"},
    }
