"""Make-safe lists of the site: what is in force where, and each list with its versions."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session, aliased

from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped, read_all
from service.platform.queries.statements import param, param_list, statement
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.make_safe import LineAsked, SafeAct, lines_from_data
from service.store.queries.proposals import Proposal, proposals_of
from service.store.tables import ChangeKind, MakeSafeList, MakeSafeListDesign, ProposedChange


@dataclass(frozen=True, slots=True)
class ListVersion:
    """One approved version of a list. ``number`` counts the versions of its list."""

    proposal_id: int
    list_id: int
    act: SafeAct
    place: str
    carried_from: str
    number: int
    approved_at: datetime
    content: str

    @property
    def lines(self) -> tuple[LineAsked, ...]:
        """What it asks for."""
        return lines_from_data(json.loads(self.content))

    @property
    def name(self) -> str:
        """What people call it."""
        return f"{list_label(self.act, self.place, self.carried_from)}, version {self.number}"


def list_label(act: SafeAct, place: str, carried_from: str = "") -> str:
    """Return what people call a list.

    >>> list_label(SafeAct.OPENING, "bench 2"), list_label(SafeAct.LEAK_TEST, "")
    ('opening, bench 2', 'leak test, everywhere')
    """
    where = f"stacks of {carried_from}" if carried_from else place or "everywhere"
    return f"{act}, {where}"[:200]


def lists_in_force(session: Session, place: str, design_id: int) -> Mapping[SafeAct, ListVersion]:
    """Return the list in force for each act on a stack of a design at a place. One statement.

    A list of the place goes before one carried over from the design, and that before one for
    everywhere; one without lines is withdrawn.
    """
    rows = session.execute(_in_force(), {"places": ["", serial_key(place)], "design_id": design_id})
    found = [each for each in read_all(ListVersion, rows) if each.lines]
    found.sort(key=lambda each: (bool(each.place), bool(each.carried_from)))
    return {each.act: each for each in found}


@statement
def versions() -> Any:
    """Select the approved versions of lists, as `ListVersion` reads them."""
    earlier = aliased(ProposedChange)
    number = (
        select(func.count())
        .where(
            earlier.kind == ChangeKind.MAKE_SAFE_LIST,
            earlier.subject_id == ProposedChange.subject_id,
            earlier.approved_at.is_not(None),
            earlier.id <= ProposedChange.id,
        )
        .scalar_subquery()
    )
    return (
        select(
            *columns(
                ListVersion,
                MakeSafeList,
                ProposedChange,
                proposal_id=ProposedChange.id,
                list_id=MakeSafeList.id,
                number=number,
            )
        )
        .join(MakeSafeList, MakeSafeList.id == ProposedChange.subject_id)
        .where(
            ProposedChange.kind == ChangeKind.MAKE_SAFE_LIST,
            ProposedChange.approved_at.is_not(None),
        )
    )


@statement
def _in_force() -> Any:
    return (
        versions()
        .outerjoin(
            MakeSafeListDesign,
            (MakeSafeListDesign.list_id == MakeSafeList.id)
            & (MakeSafeListDesign.design_id == param("design_id")),
        )
        .where(
            MakeSafeList.place_key.in_(param_list("places")),
            or_(MakeSafeList.carried_from == "", MakeSafeListDesign.design_id.is_not(None)),
            ~_followed(),
        )
    )


def _followed() -> Any:
    """Restrict versions to those a later one was approved after."""
    later = aliased(ProposedChange)
    return (
        select(later.id)
        .where(
            later.kind == ChangeKind.MAKE_SAFE_LIST,
            later.subject_id == ProposedChange.subject_id,
            later.approved_at.is_not(None),
            later.id > ProposedChange.id,
        )
        .exists()
    )


@dataclass(frozen=True, slots=True)
class ListOnPage:
    """One list with everything that was proposed for it, the newest first."""

    id: int
    act: SafeAct
    place: str
    carried_from: str
    proposals: tuple[Proposal, ...] = ()

    @property
    def name(self) -> str:
        """What people call it."""
        return list_label(self.act, self.place, self.carried_from)

    @property
    def in_force(self) -> Proposal | None:
        """The version in force; None: none was approved, or it was withdrawn."""
        newest = self.newest_approved
        return newest if newest and lines_of(newest) else None

    @property
    def newest_approved(self) -> Proposal | None:
        """What was approved last: a version, or that the list is withdrawn."""
        return next((each for each in self.proposals if each.approved_at is not None), None)

    @property
    def waiting(self) -> Proposal | None:
        """What waits for an approval."""
        return next((each for each in self.proposals if each.waits), None)

    @property
    def numbers(self) -> Mapping[int, int]:
        """The number of each version that was approved, by its proposal."""
        approved = [each.id for each in self.proposals if each.approved_at is not None]
        return {proposal_id: number for number, proposal_id in enumerate(reversed(approved), 1)}

    @property
    def newest(self) -> Sequence[LineAsked]:
        """The lines of what was proposed last, which an edit begins with."""
        return next((lines for each in self.proposals if (lines := lines_of(each))), ())


def lines_of(proposal: Proposal) -> tuple[LineAsked, ...]:
    """Return the lines a proposal of a list asks for."""
    return lines_from_data(json.loads(proposal.content))


def make_safe_lists(session: Session) -> tuple[ListOnPage, ...]:
    """Return all lists by act and place. Two statements."""
    rows = session.execute(
        select(*columns(ListOnPage, MakeSafeList)).order_by(
            MakeSafeList.act, MakeSafeList.carried_from, MakeSafeList.place_key, MakeSafeList.id
        )
    ).all()
    proposals = grouped(proposals_of(session, ChangeKind.MAKE_SAFE_LIST), "subject_id")
    return tuple(
        ListOnPage(row.id, row.act, row.place, row.carried_from, tuple(proposals[row.id]))
        for row in rows
    )


def make_safe_list(session: Session, list_id: int) -> ListOnPage:
    """Return one list. Two statements. Raises NotFound."""
    row = session.get(MakeSafeList, list_id)
    if row is None:
        raise NotFound("make-safe list", list_id)
    proposals = proposals_of(session, ChangeKind.MAKE_SAFE_LIST, list_id)
    return ListOnPage(row.id, row.act, row.place, row.carried_from, proposals)
