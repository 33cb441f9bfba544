"""Tap maps: which channel reads which cell from a time on; written, corrected, taken back.

A map is never changed in place: a correction closes the old one out and writes the right one, so
that every voltage is read anew through it, and what was thought before can still be told. Where
voltages were read meanwhile, whatever changes their map is proposed, and counts once somebody else
has approved it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import func, select

from service.designs.tables import Design
from service.platform import changes as given
from service.platform.arithmetic.errors import TradeError
from service.platform.audit import Change, Event
from service.platform.changes import not_ahead
from service.platform.database import Work
from service.platform.errors import NotFound, Refused
from service.platform.permissions import Act, need
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.changes.supersede import close_out, locked_known
from service.stacks.queries.build_spans import BuildFacts, builds_of
from service.stacks.queries.cell_bridges import build_then
from service.stacks.tables import Layer, Stack
from service.store.changes.proposals import propose
from service.store.tables import ChangeKind
from service.taps import arithmetic as trade
from service.taps.queries import channels_as_kept, is_read_since, read_channels, taps_of
from service.taps.tables import TapMap


def write_tap_map(
    work: Work,
    stack_id: int,
    *,
    valid_from: datetime,
    cell_of: Mapping[int, int | None],
    reason: str,
) -> int:
    """Say which cell each channel of a stack reads from a time on; give the map's number.

    Where voltages were read since that time, the map is proposed: the number is the proposal's.
    ``cell_of`` is channel → cell, None where a lead is on no cell. Raises Refused for a cell the
    stack did not have then, a time ahead, or one another map begins at; NotFound.
    """
    need(work.by, Act.RUN_WRITE)
    stack = work.locked(Stack, stack_id, "stack")
    return _proposed_or_kept(work, stack, _MapChange(None, valid_from, cell_of), reason)


def correct_tap_map(
    work: Work,
    tap_map_id: int,
    *,
    valid_from: datetime,
    cell_of: Mapping[int, int | None],
    reason: str,
) -> int:
    """Say what a map should have said; give the number of the right one, or of its proposal.

    From then on every voltage of its time is read through the right one. Raises as
    `write_tap_map` does, and Refused where nothing differs or the map was corrected before.
    """
    need(work.by, Act.RUN_WRITE)
    _old, stack = _known_map(work, tap_map_id)
    return _proposed_or_kept(work, stack, _MapChange(tap_map_id, valid_from, cell_of), reason)


def withdraw_tap_map(work: Work, tap_map_id: int, *, reason: str) -> int:
    """Take a map back that never was true; the one before it is valid for its time again.

    Gives its number, or that of the proposal. Raises Refused where it was corrected or taken back
    before, NotFound.
    """
    need(work.by, Act.RUN_WRITE)
    _old, stack = _known_map(work, tap_map_id)
    return _proposed_or_kept(work, stack, _MapChange(tap_map_id, None, {}), reason)


def put_tap_map_in_force(
    work: Work, stack_id: int, content: dict[str, Any], *, reason: str, by: int | None
) -> None:
    """Carry out what was proposed of a stack's maps and somebody else has approved.

    The map is that of ``by``, who proposed it. Raises what proposing it does, where maps or builds
    changed meanwhile.
    """
    need(work.by, Act.CHANGE_APPROVE)
    stack = work.locked(Stack, stack_id, "stack")
    begins = content["valid_from"]
    change = _MapChange(
        content["replaces"],
        datetime.fromisoformat(begins) if begins else None,
        dict(content["channels"]),
    )
    _carry_out(work, stack, change, reason, by or work.by.id)


class _MapChange(NamedTuple):
    """A map to come, the map it comes for, or both; ``valid_from`` None takes that one back."""

    replaces: int | None
    valid_from: datetime | None
    cell_of: Mapping[int, int | None]


def _proposed_or_kept(work: Work, stack: Stack, change: _MapChange, reason: str) -> int:
    """Propose a change of what voltages were read through; make one that changes none of them."""
    why = given.reason(reason)
    begins = [change.valid_from] if change.valid_from else []
    if change.replaces is not None:
        begins.append(work.session.get_one(TapMap, change.replaces).valid_from)
    if not is_read_since(work.session, stack.id, min(begins)):
        return _carry_out(work, stack, change, why, work.by.id)
    content = {
        "replaces": change.replaces,
        "valid_from": change.valid_from.isoformat() if change.valid_from else None,
        "channels": [[channel, cell] for channel, cell in sorted(change.cell_of.items())],
    }
    changes = _what_changes(work, stack.id, change)[1]
    subject = (stack.id, stack.serial)
    return propose(
        work, ChangeKind.TAP_MAP, subject, content, changes, reason=why, act=Act.RUN_WRITE
    )


def _carry_out(work: Work, stack: Stack, change: _MapChange, reason: str, by_id: int) -> int:
    right, changes = _what_changes(work, stack.id, change)
    tap_map_id = change.replaces
    if tap_map_id is not None:
        close_out(work, _known_map(work, tap_map_id)[0])
    if right is not None:
        tap_map_id = _write(work, stack.id, right, reason, by_id).id
    row = work.session.get_one(TapMap, tap_map_id)
    did = Event.TAP_MAP_WRITTEN if change.replaces is None else Event.TAP_MAP_CORRECTED
    _note(work, stack, did, row, changes, reason=reason)
    return row.id


def _what_changes(
    work: Work, stack_id: int, change: _MapChange
) -> tuple[trade.TapMap | None, list[Change]]:
    """The map to come, if one does, and what differs from what was thought."""
    if change.valid_from is None:
        return None, [("map", "valid", "taken back: it never was so")]
    right = _checked(work, stack_id, change.valid_from, change.cell_of)
    _refuse_taken(work, stack_id, change.valid_from, but=change.replaces)
    if change.replaces is None:
        before = taps_of(work.session, [stack_id]).map_at(stack_id, change.valid_from)
        return right, [("valid from", None, change.valid_from), *_changes(before, right)]
    old = _known_map(work, change.replaces)[0]
    thought = trade.TapMap(old.valid_from, read_channels(old.channels))
    if thought == right:
        raise Refused("channels", "", "this is what the map says already.", "The right cells.")
    begins = ("valid from", old.valid_from, change.valid_from)
    return right, [begins, *_changes(thought, right)]


def _checked(
    work: Work, stack_id: int, valid_from: datetime, cell_of: Mapping[int, int | None]
) -> trade.TapMap:
    given.not_ahead("valid_from", valid_from, work.now)
    build = build_then(work.session, stack_id, valid_from)
    if build is None:
        raise Refused(
            "stack", "", "it was never built: it has no cells.", "Hand in its first build."
        )
    try:
        right = trade.checked_map(valid_from, cell_of)
        trade.map_findings(right, len(build.cells))
    except TradeError as trouble:
        raise Refused(
            "channels", "", f"{trouble}", f"Cells 1 to {len(build.cells)} of build {build.number}."
        ) from trouble
    return right


def _refuse_taken(
    work: Work, stack_id: int, valid_from: datetime, *, but: int | None = None
) -> None:
    same_time = work.session.scalar(
        select(TapMap.id).where(
            TapMap.stack_id == stack_id,
            TapMap.valid_from == valid_from,
            TapMap.known_until.is_(None),
            TapMap.id != (but or 0),
        )
    )
    if same_time is not None:
        raise Refused(
            "valid_from", "", "another map begins at this very time.", "Correct that one instead."
        )


def _write(work: Work, stack_id: int, right: trade.TapMap, reason: str, by_id: int) -> TapMap:
    work.refuse_nobody("written by", "a map is written by somebody known.", "Sign in.")
    row = TapMap(
        stack_id=stack_id,
        valid_from=right.valid_from,
        channels=channels_as_kept(right.taps),
        reason=reason,
        by_id=by_id,
        known_from=work.now,
    )
    work.session.add(row)
    work.session.flush()
    return row


def _known_map(work: Work, tap_map_id: int) -> tuple[TapMap, Stack]:
    return locked_known(
        work, TapMap, tap_map_id, "tap map", field="map", right="Correct the one valid now."
    )


def _changes(before: trade.TapMap | None, after: trade.TapMap) -> list[Change]:
    """Each channel whose cell differs; without a map before, from the cell of its number."""
    channels = sorted(
        {tap.channel for tap_map in (before, after) if tap_map is not None for tap in tap_map.taps}
    )
    thought = trade.straight_map(channels) if before is None else before
    return [
        (f"channel {channel} reads", _cell(thought, channel), _cell(after, channel))
        for channel in channels
        if thought.cell_of(channel) != after.cell_of(channel)
    ]


def _cell(tap_map: trade.TapMap, channel: int) -> str:
    cell = tap_map.cell_of(channel)
    return "no cell" if cell is None else f"cell {cell}"


def _note(
    work: Work, stack: Stack, did: Event, row: TapMap, changes: list[Change], *, reason: str
) -> None:
    label = f"tap map of {stack.serial} from {row.valid_from:%Y-%m-%d}"
    subject = ("tap map", row.id, label)
    work.note(did, subject, changes, reason=reason, stack_id=stack.id)
    judge_stack(work, stack.id)


# Where cell voltages belong: the build that ran at their time, and the cells its channels read.


@dataclass(frozen=True, slots=True)
class VoltagePlace:
    """The stack and build voltages belong to."""

    stack_id: int
    serial: str
    active_area_cm2: float
    build: BuildFacts
    cells: int


def voltage_place(
    work: Work,
    stack_id: int,
    at: datetime,
    channels: Sequence[str],
    *,
    when: str = "taken_at",
    field: str = "voltages",
) -> VoltagePlace:
    """Return the build that ran at a time, and whether these channels read its cells.

    Raises Refused beside ``when`` where no build was closed then, beside ``field`` where the
    channels read more or fewer cells than it has, and NotFound for an unknown stack.
    """
    row = work.session.execute(
        select(Stack.serial, Design.active_area_cm2)
        .join(Design, Design.id == Stack.design_id)
        .where(Stack.id == stack_id)
    ).first()
    if row is None:
        raise NotFound("stack", stack_id)
    not_ahead(when, at, work.now)
    build = _build_at(work, stack_id, at, when)
    cells = work.session.scalar(
        select(func.max(Layer.cell)).where(
            Layer.build_id == build.build_id, Layer.known_until.is_(None)
        )
    )
    place = VoltagePlace(stack_id, row.serial, row.active_area_cm2, build, cells or 0)
    _refuse_other_cells(work, place, at, channels, field)
    return place


def _build_at(work: Work, stack_id: int, at: datetime, when: str) -> BuildFacts:
    builds = builds_of(work.session, stack_id)
    closed = [b for b in builds if b.closed_at <= at and (not b.opened_at or at < b.opened_at)]
    if closed:
        return closed[-1]
    before = [build for build in builds if build.closed_at <= at]
    if before and before[-1].opened_at:
        why = f"the stack stood open then: build {before[-1].number} was opened at"
        why += f" {before[-1].opened_at:%Y-%m-%d %H:%M} UTC."
    elif builds:
        first = builds[0]
        why = f"build {first.number} was closed later, at {first.closed_at:%Y-%m-%d %H:%M} UTC."
    else:
        why = "the stack has no build."
    raise Refused(when, f"{at:%Y-%m-%d %H:%M} UTC", why, "A time at which a build was closed.")


def _refuse_other_cells(
    work: Work, place: VoltagePlace, at: datetime, channels: Sequence[str], field: str
) -> None:
    taps = taps_of(work.session, [place.stack_id])
    read = taps.cell_of(place.stack_id, at, channels)
    has = f"build {place.build.number} has {place.cells} cells."
    for channel, cell in zip(channels, read, strict=True):
        if cell is not None and cell > place.cells:
            raise Refused(
                field,
                channel,
                f"it reads cell {cell}, but {has}",
                "Channels of this build's cells, or a tap map valid at that time.",
            )
    distinct = len({cell for cell in read if cell is not None})
    if distinct != place.cells:
        by_map = " by the tap map valid then" if taps.map_at(place.stack_id, at) else ""
        raise Refused(
            field,
            f"{len(channels)} channels",
            f"they read {distinct} cells{by_map}, but {has}",
            "One value for each channel, a stroke where nothing was read.",
        )
