"""Cells bridged or shorted in service: noted, ended, corrected, taken back.

A bridged cell keeps its gas and carries no load, so its hours at load stand still. Rows are never
changed in place: an end, too, closes the old row out and writes the bridge anew with it.
"""

from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import select

from service.platform import changes as given
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.stacks.arithmetic.stack_fields import BRIDGE_FIELDS
from service.stacks.changes.build_features import keep_makeups
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.changes.supersede import close_out, locked_known
from service.stacks.queries.cell_bridges import BuildThen, build_then
from service.stacks.tables import CellBridge, Stack


@dataclass(frozen=True, slots=True)
class BridgeEntry:
    """What somebody says of a bridge; ``until_at`` None where it stands still."""

    cell: int
    from_at: datetime
    until_at: datetime | None
    reason: str
    allowed_by: str


def note_bridge(work: Work, stack_id: int, entry: BridgeEntry) -> int:
    """Note that a cell is, or was, bridged; give the bridge's number.

    Raises Refused for a cell the stack did not have or that was blank, a time ahead or while the
    stack stood open, an end before the beginning, and a cell bridged already; NotFound.
    """
    need(work.by, Act.RUN_WRITE)
    stack = work.locked(Stack, stack_id, "stack")
    row = _write(work, stack, entry)
    changes = given.trail_of(BRIDGE_FIELDS, None, row)
    _note(work, stack, Event.BRIDGE_NOTED, row, changes, reason=row.reason)
    return row.id


def end_bridge(work: Work, bridge_id: int, *, until_at: datetime, note: str = "") -> int:
    """Say when the jumper was taken off; give the number of the bridge with its end.

    Raises Refused where it ended before, or for a time that cannot be.
    """
    need(work.by, Act.RUN_WRITE)
    old, stack = _known_bridge(work, bridge_id)
    if old.until_at is not None:
        raise Refused(
            "until_at", "", "this bridge has its end already.", "Correct it where it is wrong."
        )
    note_text = given.optional_words("note", note, most=given.LONG_MOST)
    close_out(work, old)
    entry = BridgeEntry(old.cell, old.from_at, until_at, old.reason, old.allowed_by)
    row = _write(work, stack, entry)
    _note(
        work,
        stack,
        Event.BRIDGE_ENDED,
        row,
        given.trail_of(BRIDGE_FIELDS, old, row),
        reason=note_text,
    )
    return row.id


def correct_bridge(work: Work, bridge_id: int, entry: BridgeEntry, *, why: str) -> int:
    """Say what should have been noted; give the number of the right one. Raises as `note_bridge`.

    Refused as well where nothing differs.
    """
    need(work.by, Act.RUN_WRITE)
    old, stack = _known_bridge(work, bridge_id)
    reason = given.reason(why, field="why")
    close_out(work, old)
    row = _write(work, stack, entry)
    changes = given.trail_of(BRIDGE_FIELDS, old, row)
    if not changes:
        raise Refused("cell", old.cell, "this is what is noted already.", "The right cell or time.")
    _note(work, stack, Event.BRIDGE_CORRECTED, row, changes, reason=reason)
    return row.id


def withdraw_bridge(work: Work, bridge_id: int, *, why: str) -> int:
    """Take a bridge back that never was; give its number.

    Raises Refused where it was corrected before.
    """
    need(work.by, Act.RUN_WRITE)
    old, stack = _known_bridge(work, bridge_id)
    reason = given.reason(why, field="why")
    close_out(work, old)
    changes: list[Change] = [("bridge", "noted", "taken back: it never was")]
    _note(work, stack, Event.BRIDGE_CORRECTED, old, changes, reason=reason)
    return bridge_id


def _write(work: Work, stack: Stack, entry: BridgeEntry) -> CellBridge:
    work.refuse_nobody("noted by", "a bridge is noted by somebody known.", "Sign in.")
    entry = given.checked(entry, BRIDGE_FIELDS, work.now)
    build = _build(work, stack.id, entry)
    _refuse_overlap(work, build, entry)
    row = CellBridge(
        stack_id=stack.id,
        build_id=build.build_id,
        **asdict(entry),
        by_id=work.by.id,
        known_from=work.now,
    )
    work.session.add(row)
    work.session.flush()
    return row


def _build(work: Work, stack_id: int, entry: BridgeEntry) -> BuildThen:
    """The build the cell is of; the cell was there, and live."""
    build = build_then(work.session, stack_id, entry.from_at)
    if build is None or not build.covers(entry.from_at):
        closed = "" if build is None else f" Build {build.number} was closed from"
        closed += "" if build is None else f" {build.closed_at:%Y-%m-%d %H:%M}Z"
        raise Refused("from_at", "", "the stack was not closed then.", closed.strip())
    if entry.until_at is not None and entry.until_at < entry.from_at:
        raise Refused("until_at", "", "that is before the beginning.", "A later time.")
    if build.opened_at and entry.until_at and entry.until_at > build.opened_at:
        raise Refused(
            "until_at",
            "",
            f"the stack was opened before that, on {build.opened_at:%Y-%m-%d %H:%M}Z.",
            "An opening ends a bridge; one put on again is noted as another.",
        )
    cell = build.cell(entry.cell)
    if cell is None:
        raise Refused(
            "cell",
            entry.cell,
            f"build {build.number} has no such cell.",
            f"Cells 1 to {len(build.cells)}.",
        )
    if cell.is_blank:
        raise Refused(
            "cell", entry.cell, "it is a blank cell, which carries no load anyway.", "A live cell."
        )
    return build


def _refuse_overlap(work: Work, build: BuildThen, entry: BridgeEntry) -> None:
    others = work.session.execute(
        select(CellBridge.from_at, CellBridge.until_at).where(
            CellBridge.build_id == build.build_id,
            CellBridge.cell == entry.cell,
            CellBridge.known_until.is_(None),
        )
    )
    for bridge in others:
        begins_in = bridge.until_at is None or entry.from_at < bridge.until_at
        ends_in = entry.until_at is None or bridge.from_at < entry.until_at
        if begins_in and ends_in:
            raise Refused(
                "cell",
                entry.cell,
                f"it is noted as bridged from {bridge.from_at:%Y-%m-%d %H:%M}Z already.",
                "Correct that one, or give another time.",
            )


def _known_bridge(work: Work, bridge_id: int) -> tuple[CellBridge, Stack]:
    return locked_known(
        work,
        CellBridge,
        bridge_id,
        "bridged cell",
        field="bridge",
        right="Change the one known now.",
    )


def _note(
    work: Work, stack: Stack, did: Event, row: CellBridge, changes: list[Change], *, reason: str
) -> None:
    label = f"bridged cell {row.cell} of {stack.serial}"
    subject = ("bridged cell", row.id, label)
    work.note(did, subject, changes, reason=reason, stack_id=stack.id)
    judge_stack(work, stack.id)
    keep_makeups(work, [row.build_id])
