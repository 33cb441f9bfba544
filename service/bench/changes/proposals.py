"""Putting a proposed change in force: signed by somebody else, carried out at once."""

from service.bench.changes.calibration_corrections import correct_calibration
from service.bench.changes.identities import put_identity_in_force
from service.designs.changes import put_pattern_in_force
from service.designs.queries import pattern_proposed
from service.life.arithmetic.failing_rules import rule_from_data
from service.life.changes.failing_rules import put_rule_in_force
from service.platform.database import Work
from service.records.changes.lab_words import put_words_in_force
from service.store.changes.make_safe_lists import refuse_leaving_none
from service.store.changes.part_types import put_stiffness_in_force
from service.store.changes.proposals import sign_proposal
from service.store.changes.shelf_lives import put_extension_in_force
from service.store.tables import ChangeKind
from service.taps.changes import put_tap_map_in_force


def approve_proposal(work: Work, proposal_id: int, *, content_sha256: str, password: str) -> int:
    """Approve what somebody else proposed, with the password again; give what it is about.

    A make-safe list counts from the approval: nothing more is carried out, but a withdrawal that
    leaves an act without a list says so.

    Raises NotAllowed for its writer, Refused as `sign_proposal` does, and where it cannot be
    carried out as things stand now.
    """
    row, content = sign_proposal(
        work, proposal_id, content_sha256=content_sha256, password=password
    )
    if row.kind is ChangeKind.STIFFNESS:
        put_stiffness_in_force(work, row.subject_id, content["stiffness"], reason=row.reason)
    elif row.kind is ChangeKind.PATTERN:
        entry = pattern_proposed(content)
        put_pattern_in_force(work, row.subject_id, entry, reason=row.reason)
    elif row.kind is ChangeKind.MAKE_SAFE_LIST:
        refuse_leaving_none(work, row.subject_id, content)
    elif row.kind is ChangeKind.CALIBRATION:
        correct_calibration(work, row, content)
    elif row.kind in {ChangeKind.LOT_SHELF_LIFE, ChangeKind.PART_SHELF_LIFE}:
        put_extension_in_force(work, row, content)
    elif row.kind is ChangeKind.TAP_MAP:
        put_tap_map_in_force(work, row.subject_id, content, reason=row.reason, by=row.made_by_id)
    elif row.kind is ChangeKind.IDENTITY:
        put_identity_in_force(work, row, content)
    elif row.kind is ChangeKind.LAB_WORDS:
        put_words_in_force(work, row, content)
    elif row.kind is ChangeKind.FAILING_RULE:
        put_rule_in_force(
            work,
            row.subject_id,
            rule_from_data(content["rule"]),
            source=row.source,
            reason=row.reason,
            by_id=row.made_by_id or 0,
        )
    return row.subject_id
