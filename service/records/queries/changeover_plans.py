"""Changeover plans: worked out for a stack as it stands now, and as they were made."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.records.errors import NotFound, Refused
from service.records.queries.changeover_documents import (
    Around,
    PlanDocument,
    document_of,
    read_document,
    still_holds,
)
from service.records.queries.changeover_rods import (
    NOTHING_SAID,
    KnownRods,
    RodEntry,
    rods_of_stack,
)
from service.records.queries.changeover_store import Offered, offered, worn_parts
from service.records.queries.changeover_wishes import in_words, named_parts
from service.records.queries.content import sha256_of
from service.records.queries.layer_maps import LayerMap, layer_map
from service.records.queries.patterns import KeptPattern, known_types, pattern_of_stack, seen_so
from service.records.queries.prepared import given, prepared
from service.records.tables.changeover_plans import ChangeoverPlan
from service.records.tables.people import Person
from service.records.tables.stacks import Build, Stack
from service.trade.changeover import Plan, plan
from service.trade.changeover_wishes import Wish
from service.trade.grammar import Pattern
from service.trade.pattern_types import KnownType, as_drawn
from service.trade.pile import Layer
from service.trade.words import End


@dataclass(frozen=True, slots=True)
class Ask:
    """What a plan is asked for; wishes are in the numbering of the present pile."""

    wishes: tuple[Wish, ...]
    planned_for: date
    may_open: tuple[End, ...] = tuple(End)
    rods: RodEntry = NOTHING_SAID


@dataclass(frozen=True)
class Ground:
    """What a plan begins from: the present pile as the pattern of its design sees it.

    ``why_not`` says why no plan can be made; empty: one can.
    """

    shown: LayerMap
    kept: KeptPattern
    types: tuple[KnownType, ...]
    known_rods: KnownRods

    @property
    def why_not(self) -> str:
        """Why no plan can be made."""
        if self.shown.build is None or not self.shown.build.is_present:
            return f"{self.shown.stack.serial} has no present build: there is nothing to change."
        if self.kept.pattern is None:
            return f"The design {self.kept.design} keeps no pattern, so no plan can be made."
        return ""

    @cached_property
    def pattern(self) -> Pattern:
        """The design's pattern, with the thicknesses of its part types."""
        if self.kept.pattern is None:
            raise Refused("stack", self.shown.stack.serial, self.why_not)
        return as_drawn(self.kept.pattern, self.types)

    @cached_property
    def layers(self) -> tuple[Layer, ...]:
        """The pile with its part types called as the pattern calls them."""
        called = {
            key: self.kept.called(one.drawing_number, one.revision)
            for key, one in self.shown.types.items()
        }
        return seen_so(self.shown.layers, {row[1]: called[row[6]] for row in self.shown.rows})

    @property
    def marked_faces(self) -> Mapping[str, str]:
        """Names of the faces facing tells of, by part type as the pattern calls it."""
        return {
            self.kept.called(one.drawing_number, one.revision): one.marked_face
            for one in self.types
            if one.marked_face
        }


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """A plan, not kept yet: the document that would be, and its hash."""

    plan: Plan
    document: PlanDocument
    content: str
    content_sha256: str


@dataclass(frozen=True, slots=True)
class ListedPlan:
    """One plan of a stack, as it is listed."""

    id: int
    build: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan as it was made; ``holds``: its content is what was hashed then."""

    id: int
    stack_id: int
    stack: str
    base_build_id: int
    note: str
    made_by: str
    made_at: datetime
    record_id: int | None
    content_sha256: str
    holds: bool
    document: PlanDocument


def ground_of(session: Session, stack_id: int) -> Ground:
    """What does a plan for this stack begin from? Eleven statements. Raises NotFound."""
    shown = layer_map(session, stack_id)
    return Ground(
        shown,
        pattern_of_stack(session, stack_id),
        known_types(session),
        rods_of_stack(session, shown),
    )


def work_out(session: Session, ground: Ground, ask: Ask) -> WorkedOut:
    """How is the change done with the least work? Five statements more, nine where hours count.

    Raises Refused where no plan can be made, the trade's OutOfRange and Inconsistent for wishes
    that cannot be.
    """
    shown = ground.shown
    if ground.why_not or shown.build is None:
        raise Refused("stack", shown.stack.serial, ground.why_not)
    known = rods_of_stack(session, shown, ask.rods)
    store = offered(session, ground.kept, ground.pattern, named_parts(ask.wishes))
    found = plan(
        ground.pattern,
        ground.layers,
        ask.wishes,
        on=ask.planned_for,
        stack=shown.stack.serial,
        store=[one.candidate for one in store],
        rods=known.rods,
        worn=worn_parts(session, {layer.part for layer in ground.layers}),
        may_open=ask.may_open,
    )
    places = {(one.candidate.key, one.candidate.part is None): one.where for one in store}
    labels = {layer.part: layer.label for layer in ground.layers}
    labels |= {one.candidate.part: one.candidate.label for one in store if one.candidate.part}
    document = document_of(
        found,
        Around(
            stack=shown.stack.serial,
            design=ground.kept.design,
            build=shown.build.number,
            planned_for=ask.planned_for,
            wishes=tuple(in_words(wish, labels) for wish in ask.wishes),
            before=ground.layers,
            rods=known.rods,
            assumed=known.assumed,
            where=lambda key, is_lot: places[key, is_lot],
            marked_faces=ground.marked_faces,
            remarks=_not_counted(found, store),
        ),
    )
    content = document.canonical
    return WorkedOut(found, document, content, sha256_of(content))


def _not_counted(found: Plan, store: tuple[Offered, ...]) -> tuple[str, ...]:
    unknown = {id(one.candidate) for one in store if not one.is_counted}
    lots = {x.candidate.label: None for x in found.picks if id(x.candidate) in unknown}
    return tuple(f"How many items {label} still holds nobody has written down." for label in lots)


def plans_of_stack(session: Session, stack_id: int) -> tuple[ListedPlan, ...]:
    """Which plans were made for a stack? The newest first. One statement."""
    rows: Any = session.execute(
        prepared(
            lambda: (
                select(
                    ChangeoverPlan.id,
                    Build.number,
                    ChangeoverPlan.note,
                    Person.name,
                    ChangeoverPlan.made_at,
                    ChangeoverPlan.record_id,
                )
                .join(Build, Build.id == ChangeoverPlan.base_build_id)
                .join(Person, Person.id == ChangeoverPlan.made_by_id)
                .where(ChangeoverPlan.stack_id == given("stack_id"))
                .order_by(ChangeoverPlan.id.desc())
            )
        ),
        {"stack_id": stack_id},
    )
    return tuple(ListedPlan(*row) for row in rows)


def plan_by_number(session: Session, plan_id: int) -> KeptPlan:
    """One plan as it was made. One statement. Raises NotFound."""
    kept = _kept(session, ChangeoverPlan.id == plan_id)
    if kept is None:
        raise NotFound("changeover plan", plan_id)
    return kept


def plan_of_record(session: Session, record_id: int) -> KeptPlan | None:
    """The plan a record was begun by; None where it was begun without one. One statement."""
    return _kept(session, ChangeoverPlan.record_id == record_id)


def _kept(session: Session, which: Any) -> KeptPlan | None:
    row: Any = session.execute(
        select(
            ChangeoverPlan.id,
            ChangeoverPlan.stack_id,
            Stack.serial,
            ChangeoverPlan.base_build_id,
            ChangeoverPlan.note,
            Person.name,
            ChangeoverPlan.made_at,
            ChangeoverPlan.record_id,
            ChangeoverPlan.content_sha256,
            ChangeoverPlan.content,
        )
        .join(Stack, Stack.id == ChangeoverPlan.stack_id)
        .join(Person, Person.id == ChangeoverPlan.made_by_id)
        .where(which)
    ).first()
    if row is None:
        return None
    *facts, sha256, content = row
    return KeptPlan(*facts, sha256, still_holds(content, sha256), read_document(content))
