"""Shelf lives of lots and parts: a bag opened, and an extension after inspection.

Whoever inspects proposes the extension, as somebody who may; it counts once another has approved.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import select

from service.platform import changes as given
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.store.arithmetic.part_fields import BAG_OPENED, EXTENDED_TO, LOOKED_AT
from service.store.changes import parts
from service.store.changes.proposals import propose
from service.store.queries.shelf_lives import LOT_ENDS, PART_ENDS
from service.store.tables import ChangeKind, Lot, Part, PartType, ProposedChange


@dataclass(frozen=True, slots=True)
class Bag:
    """A lot's or a part's bag; exactly one of the two is named."""

    lot_id: int | None = None
    part_id: int | None = None

    def locked(self, work: Work) -> tuple[Lot | Part, tuple[str, int, str]]:
        """Return its row for a change, and what the trail calls it. Raises NotFound."""
        if self.lot_id is not None:
            lot = work.locked(Lot, self.lot_id, "lot")
            return lot, ("lot", lot.id, lot.label)
        part = work.locked(Part, self.part_id or 0, "part")
        return part, ("part", part.id, parts.label(work, part))


@dataclass(frozen=True, slots=True)
class OpenedEntry:
    """When a bag was opened."""

    bag_opened_at: datetime


@dataclass(frozen=True, slots=True)
class ExtensionEntry:
    """Until when something may be used after inspection, and what was looked at."""

    extended_to: datetime
    looked_at: str


def open_bag(work: Work, bag: Bag, entry: OpenedEntry, *, reason: str = "") -> None:
    """Note that a bag was opened: from then on the open life of its type runs.

    Entered again, it puts the time right, with the reason. Raises Refused for a time to come.
    """
    need(work.by, Act.PART_WRITE)
    row, subject = bag.locked(work)
    entry = given.checked(entry, (BAG_OPENED,), work.now)
    before = row.bag_opened_at
    why = given.optional_words("reason", reason, most=1000)
    if before is not None and not why:
        right = "Why it was another time, or which other bag it is."
        raise Refused("reason", "", f"the bag is noted as opened on {before:%Y-%m-%d}.", right)
    days = work.session.scalar(
        select(PartType.open_life_days).where(PartType.id == row.part_type_id)
    )
    row.bag_opened_at, row.bag_opened_by_id = entry.bag_opened_at, work.by.id
    row.bag_good_until = last_day(entry.bag_opened_at, days)
    work.note(Event.BAG_OPENED, subject, [("bag opened", before, entry.bag_opened_at)], reason=why)


def last_day(opened_at: datetime, days: int | None) -> datetime | None:
    """Return the last day of an open life, as days are kept: at its noon.

    >>> last_day(datetime(2026, 3, 1, 16, tzinfo=UTC), 3)
    datetime.datetime(2026, 3, 4, 12, 0, tzinfo=datetime.timezone.utc)
    """
    if days is None:
        return None
    return (opened_at.astimezone(UTC) + timedelta(days=days)).replace(
        hour=12, minute=0, second=0, microsecond=0
    )


def propose_extension(work: Work, bag: Bag, entry: ExtensionEntry, *, reason: str) -> int:
    """Propose a longer shelf life after inspection. Gives the proposal's number.

    Raises Refused where it has no limit, or the day is not after the last one it may be used.
    """
    need(work.by, Act.LIMITS_WRITE)
    row, subject = bag.locked(work)
    entry = given.checked(entry, (EXTENDED_TO, LOOKED_AT), work.now)
    why = given.reason(reason)
    ends_at = _ends_at(work, bag)
    day = f"{entry.extended_to:%Y-%m-%d}"
    if ends_at is None:
        raise Refused("extended_to", day, "it may be used without limit.", "Nothing to extend.")
    if entry.extended_to <= max(ends_at, work.now):
        least = f"{max(ends_at, work.now):%Y-%m-%d}"
        raise Refused("extended_to", day, "that is no longer shelf life.", f"After {least}.")
    kind = ChangeKind.LOT_SHELF_LIFE if bag.lot_id is not None else ChangeKind.PART_SHELF_LIFE
    return propose(
        work,
        kind,
        (row.id, subject[2]),
        {"extended_to": entry.extended_to.isoformat()},
        [
            ("may be used until", f"{ends_at:%Y-%m-%d}", day),
            ("looked at", None, entry.looked_at),
        ],
        reason=why,
    )


def put_extension_in_force(work: Work, approved: ProposedChange, content: Any) -> None:
    """Let an approved extension count, from when it was proposed."""
    need(work.by, Act.CHANGE_APPROVE)
    of_lot = approved.kind is ChangeKind.LOT_SHELF_LIFE
    bag = Bag(lot_id=approved.subject_id) if of_lot else Bag(part_id=approved.subject_id)
    row, subject = bag.locked(work)
    before, row.extended_to = row.extended_to, datetime.fromisoformat(content["extended_to"])
    row.extended_at = approved.made_at
    work.note(
        Event.SHELF_LIFE_EXTENDED,
        subject,
        [("may be used until", before, row.extended_to)],
        reason=approved.reason,
    )


def _ends_at(work: Work, bag: Bag) -> datetime | None:
    if bag.lot_id is not None:
        return work.session.scalar(select(LOT_ENDS).where(Lot.id == bag.lot_id))
    return work.session.scalar(
        select(PART_ENDS)
        .select_from(Part)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id == bag.part_id)
    )
