"""What else is exposed when an MEA fails: where it is now, how it stands, what is held already."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, func, select
from sqlalchemy.orm import Session, aliased

from service.life.arithmetic.grounds import MeaWord
from service.life.queries.traces import Trace, TracedBuild, TracedLot
from service.life.tables import FailingMark
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known, param, param_list, statement
from service.stacks.queries.stacks import ListedStack, listed_stacks
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.holds import ADDRESSES, SubjectKind
from service.store.queries.lot_trees import reaches
from service.store.queries.part_lists import PartFacts
from service.store.tables import Hold, Instrument, Lot, Part, PartType

OWN, PRESENT = aliased(Layer), aliased(Layer)
MOST_PLACES = 8
"""Places of a lot's parts told one by one."""


@dataclass(frozen=True, slots=True)
class Exposed:
    """One thing that may be held: a lot, a part or an instrument.

    ``why`` it is exposed and ``where`` it is now, in words; ``held_because``: the reason of a
    standing hold of its own, ``lot_held_because`` of one on its lot.
    """

    kind: SubjectKind
    id: int
    label: str
    what: str
    why: str
    where: str
    whereabouts: Whereabouts | None
    usability: Usability | None
    stack_serial: str | None
    held_because: str | None
    lot_held_because: str | None = None

    @property
    def name(self) -> str:
        """Its name in a form: the kind and the number."""
        return f"{self.kind}-{self.id}"

    @property
    def address(self) -> str:
        """The address of its page."""
        return f"{ADDRESSES[self.kind]}/{self.id}"

    @property
    def can_be_held(self) -> bool:
        """Say whether a hold would say something new."""
        return self.held_because is None and self.whereabouts is not Whereabouts.SCRAPPED


@dataclass(frozen=True, slots=True)
class ExposedGroup:
    """Things exposed in one way."""

    title: str
    things: tuple[Exposed, ...]


@dataclass(frozen=True, slots=True)
class Containment:
    """What is exposed with one MEA; ``build`` it failed in, or the last, in words.

    ``stacks``: those that hold any of it now.
    """

    part: PartFacts
    build: str
    failed_at: datetime | None
    groups: tuple[ExposedGroup, ...]
    stacks: tuple[ListedStack, ...]

    @property
    def to_hold(self) -> tuple[Exposed, ...]:
        """Everything that can be held."""
        return tuple(
            exposed for group in self.groups for exposed in group.things if exposed.can_be_held
        )


def containment(session: Session, traced: Trace) -> Containment:
    """Return what else is exposed as a traced MEA was: lot, build, what lay around, driver.

    The build is the one in which it failed, or the last. Four statements and those of the stacks.
    """
    part = traced.part
    failed_at = session.scalar(
        select(FailingMark.failed_at).where(
            FailingMark.part_id == part.id,
            FailingMark.withdrawn_at.is_(None),
            FailingMark.says != MeaWord.END_OF_LIFE,
        )
    )
    build = failed_in(traced, failed_at)
    around = {layer.part for layer in build.sitting.around} if build else set()
    parts = _parts(session, part.id, build.sitting.build_id if build else 0, around)
    lots = [_of_lot(lot) for lot in traced.lots]
    groups = (
        ExposedGroup("The MEA itself", _only(parts, {part.id})),
        ExposedGroup("Its own lot", _only(lots, {part.lot_id})),
        ExposedGroup(
            "Other MEAs of the same build",
            tuple(
                candidate
                for candidate in parts
                if candidate.id != part.id and candidate.id not in around
            ),
        ),
        ExposedGroup("What lay around it in that build", _only(parts, around)),
        ExposedGroup(
            "Lots of what lay around it in any build",
            tuple(lot for lot in lots if lot.id != part.lot_id),
        ),
        ExposedGroup("What these lots are made of", _inputs(traced.lots)),
        ExposedGroup("The driver its nuts were tightened with", _drivers(session, build)),
    )
    held_in = {part.stack_serial for part in parts} | {
        serial for lot in traced.lots for serial in lot.stacks
    }
    return Containment(
        part=part,
        build=f"stack {build.sitting.stack_serial}, build {build.sitting.build_number}"
        if build
        else "",
        failed_at=failed_at,
        groups=tuple(group for group in groups if group.things),
        stacks=_stacks(session, {serial for serial in held_in if serial}),
    )


def failed_in(traced: Trace, failed_at: datetime | None) -> TracedBuild | None:
    """Return the build an MEA sat in when it failed; the last one where nobody said when."""
    before = [
        build
        for build in traced.builds
        if failed_at is None or build.sitting.closed_at <= failed_at
    ]
    return before[-1] if before else traced.builds[0] if traced.builds else None


def _only(exposed: Sequence[Exposed], ids: Collection[int | None]) -> tuple[Exposed, ...]:
    return tuple(item for item in exposed if item.id in ids)


def _of_lot(lot: TracedLot) -> Exposed:
    """A lot with where its other parts are now, counted."""
    fitted = [count for count in lot.counts if count.stack_serial]
    places: dict[str, int] = {}
    for count in lot.counts:
        place = count.stack_serial or str(count.whereabouts)
        places[place] = places.get(place, 0) + count.count
    phrases = [f"{count} {'in ' if place in lot.stacks else ''}{place}" for place, count in
             list(places.items())[:MOST_PLACES]]  # fmt: skip
    if len(places) > MOST_PLACES:
        phrases.append(f"and in {len(places) - MOST_PLACES} more places")
    total = f"{lot.total} other {'part' if lot.total == 1 else 'parts'}"
    return Exposed(
        kind="lot",
        id=lot.id,
        label=lot.label,
        what=lot.part_type,
        why="lot of the MEA" if lot.is_own else f"lot of a {lot.kind} that lay around it",
        where=f"{total}: {', '.join(phrases)}" if fitted or phrases else "no other part known",
        whereabouts=None,
        usability=None,
        stack_serial=None,
        held_because=lot.held_because,
    )


def _inputs(lots: Sequence[TracedLot]) -> tuple[Exposed, ...]:
    """What went into the lots, level by level, each once."""
    inputs = {
        level.lot_id: Exposed(
            kind="lot",
            id=level.lot_id,
            label=level.label,
            what=level.type_name,
            why=f"{level.role} of lot {lot.label}",
            where=level.supplier,
            whereabouts=None,
            usability=None,
            stack_serial=None,
            held_because=level.held_because,
        )
        for lot in lots
        for tree in lot.made_of
        for level in tree.all_levels
    }
    return tuple(inputs.values())


@statement
def _held_parts() -> Any:
    return (
        select(
            Part.serial,
            Part.item_number,
            Part.place,
            Lot.label.label("lot"),
            PRESENT.cell,
            *columns(
                Exposed,
                Part,
                what=PartType.name,
                stack_serial=Stack.serial,
                held_because=_reason(Hold.part_id == Part.id).correlate(Part),
                lot_held_because=_reason(reaches(Part.lot_id)).correlate(Part),
            ),
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .outerjoin(PRESENT, and_(PRESENT.part_id == Part.id, PRESENT.present))
        .where(Part.id.in_(param_list("ids")))
        .order_by(PRESENT.cell.is_(None), PRESENT.cell, PartType.kind, Part.id)
    )


MEAS = (
    select(OWN.part_id)
    .join(Part, Part.id == OWN.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .where(OWN.build_id == param("build_id"), known(OWN), PartType.kind == Kind.MEA)
)


def _parts(
    session: Session, part_id: int, build_id: int, around: Collection[int]
) -> tuple[Exposed, ...]:
    """The MEA, all MEAs of the build and what lay around it, where they are now. Two statements."""
    meas: Any = session.scalars(MEAS, {"build_id": build_id})
    rows: Sequence[Any] = session.execute(
        _held_parts(), {"ids": [*{part_id, *around, *meas}]}
    ).all()
    return tuple(_of_part(row, part_id, around) for row in rows)


def _of_part(row: Any, part_id: int, around: Collection[int]) -> Exposed:
    place = str(row.whereabouts)
    if row.stack_serial:
        place = f"fitted in {row.stack_serial}" + (f", cell {row.cell}" if row.cell else "")
    elif row.place:
        place = f"{place}, {row.place}"
    same = "sat in the same build"
    why = "it fails" if row.id == part_id else "lay around it" if row.id in around else same
    label = part_label(row.serial, row.lot, row.item_number)
    return read_as(Exposed, row, kind="part", label=label, why=why, where=place)


@statement
def _drivers_used() -> Any:
    return (
        select(
            Instrument.id,
            Instrument.label,
            Instrument.kind,
            Instrument.in_use,
            _reason(Hold.instrument_id == Instrument.id).correlate(Instrument).label("held"),
        )
        .where(Instrument.id.in_(param_list("ids")))
        .order_by(Instrument.label)
    )


def _drivers(session: Session, build: TracedBuild | None) -> tuple[Exposed, ...]:
    """The instruments the last readings of the build were taken with. One statement."""
    tools = build.torques.instruments if build and build.torques else ()
    rows: Any = session.execute(_drivers_used(), {"ids": [tool.instrument_id for tool in tools]})
    return tuple(
        Exposed(
            kind="instrument",
            id=row.id,
            label=row.label,
            what=str(row.kind),
            why="tightened its build",
            where="in use" if row.in_use else "withdrawn from use",
            whereabouts=None,
            usability=None,
            stack_serial=None,
            held_because=row.held,
        )
        for row in rows
    )


STACK_IDS = select(Stack.id).where(Stack.serial.in_(param_list("serials")))


def _stacks(session: Session, serials: Collection[str]) -> tuple[ListedStack, ...]:
    """The stacks of these serials as they stand now."""
    ids = session.scalars(STACK_IDS, {"serials": list(serials)}).all()
    return tuple(sorted(listed_stacks(session, ids).values(), key=lambda stack: stack.serial))


def _reason(condition: Any) -> Any:
    """The reason of a standing hold, if there is one."""
    return (
        select(func.min(Hold.reason)).where(condition, Hold.lifted_at.is_(None)).scalar_subquery()
    )
