"""Limits and figures of a design: a version is written by one person, put in force by another."""

from sqlalchemy import func, select

from service.designs.tables import Design
from service.limits.arithmetic.figures import DesignFigures, figures_as_data
from service.limits.arithmetic.figures_differences import NONE_GIVEN, differences
from service.limits.arithmetic.retests import spared
from service.limits.queries import limits_label, newest_figures
from service.limits.tables import LimitSet, Spared
from service.people.changes.people import check_password
from service.people.queries.signers import remarks_beside
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, RecordFacts, need


def write_limits(
    work: Work, design_id: int, figures: DesignFigures, *, source: str, reason: str
) -> int:
    """Write a new version of a design's limits and figures. Gives its id.

    It replaces one that still waits; the version in force stays so until somebody else approves
    this one. Raises Refused where nothing is given, or nothing differs from the newest version.
    """
    need(work.by, Act.LIMITS_WRITE)
    work.refuse_nobody("signed by", "limits are written by a person.")
    design = work.locked(Design, design_id, "design")
    said_source = given.words(
        "source", source, "Where the figures come from, such as a test report.", most=1000
    )
    why = given.reason(reason)
    if figures == NONE_GIVEN:
        raise Refused("figures", "", "no figure is given.", "One section at least.")
    newest = newest_figures(work.session, design_id)
    version, before = newest or (0, NONE_GIVEN)
    changed = differences(before, figures)
    if not changed:
        raise Refused("figures", "", f"nothing differs from version {version}.", "A change.")
    content = canonical_json(figures_as_data(figures))
    row = LimitSet(
        design_id=design_id,
        version=version + 1,
        content=content,
        content_sha256=sha256_of(content),
        source=said_source,
        reason=why,
        made_by_id=work.by.id,
        made_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    work.session.add_all(spared_by(row.id, figures))
    changes: list[Change] = [
        ("source", None, said_source),
        ("content", None, row.content_sha256),
        *(
            (
                f"{field_changed.field.section}: {field_changed.field.label}",
                field_changed.before or None,
                field_changed.after or None,
            )
            for field_changed in changed
        ),
    ]
    work.note(Event.LIMITS_WRITTEN, ("limits", row.id, _label(design, row)), changes, reason=why)
    return row.id


def spared_by(limit_set_id: int, figures: DesignFigures) -> list[Spared]:
    """Return what the rules of a version leave alone, as rows."""
    return [
        Spared(limit_set_id=limit_set_id, act=act, spares=spares)
        for act, spares in spared(figures.retests, limits_clamp=bool(figures.limits))
    ]


def approve_limits(work: Work, limit_set_id: int, *, content_sha256: str, password: str) -> None:
    """Put a version in force, by somebody who did not write it, with the password again.

    ``content_sha256`` is the hash the approver saw. Raises NotAllowed for its writer, Refused for
    a wrong password, for a version approved already or followed by a newer one, and for a content
    that no longer is what was written.
    """
    row = work.row(LimitSet, limit_set_id, "version of limits")
    need(work.by, Act.LIMITS_APPROVE, RecordFacts(written_by=row.made_by_id))
    work.refuse_nobody("signed by", "limits are written by a person.")
    design = work.locked(Design, row.design_id, "design")
    work.session.refresh(row)
    name = _label(design, row)
    if row.approved_at is not None:
        raise Refused("limits", name, "it is approved already.")
    newest = work.session.scalar(
        select(func.max(LimitSet.version)).where(LimitSet.design_id == row.design_id)
    )
    if newest != row.version:
        raise Refused("limits", name, f"version {newest} was written since.", "The newest version.")
    check_password(work, password)
    if not row.content_sha256 == content_sha256 == sha256_of(row.content):
        raise Refused(
            "content",
            content_sha256,
            "this content cannot be signed: it is not what was written.",
            "Write a new version; the audit trail and a backup show what it was.",
        )
    before = work.session.scalar(
        select(func.max(LimitSet.version)).where(
            LimitSet.design_id == row.design_id, LimitSet.approved_at.is_not(None)
        )
    )
    row.approved_by_id, row.approved_at = work.by.id, work.now
    row.remarks = (
        " ".join(remarks_beside(work.session, work.by.id, {row.made_by_id}, work.now)) or None
    )
    work.session.flush()
    work.note(
        Event.LIMITS_APPROVED,
        ("limits", row.id, name),
        [("version in force", before, row.version), ("content signed", None, content_sha256)],
    )


def _label(design: Design, row: LimitSet) -> str:
    return limits_label(f"{design.name} {design.revision}", row.version)
