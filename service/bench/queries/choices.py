"""What can be chosen at the bench without scanning: lots with items left, instruments, people."""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import exists, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.grammar_check import extent_of
from service.designs.arithmetic.grammar_match import Look, look, misfits, states_of
from service.designs.arithmetic.grammar_next import WhatNext, next_layers
from service.designs.arithmetic.pile import Layer
from service.designs.queries import KeptPattern
from service.designs.tables import ChecklistLine, Design, DesignRod
from service.people.queries.people import with_login
from service.people.tables import Person
from service.physics.arithmetic.conditions import SEVERITIES, faces_of
from service.platform.arithmetic.likelihoods import Misfit
from service.platform.arithmetic.vocabulary import LAYER_KINDS, End, Facing, Kind
from service.platform.queries.answers import columns, read_all, read_as
from service.records.arithmetic.lab_words import LabWord
from service.records.queries.donations import Donated, donated_layers
from service.records.queries.lab_words import conditions_for, pictures_of_words
from service.records.queries.working_piles import LiftedOff, WorkingPile
from service.records.tables import RebuildRecord, Step, TorqueReading
from service.stacks.tables import Build, BuildPeriod, Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import InstrumentKind, TorqueTool
from service.store.arithmetic.make_safe import SafeAct
from service.store.queries.forbids import Forbids, bears_on, design_of_stack, forbids_of_parts
from service.store.queries.instruments import is_away
from service.store.queries.make_safe_lists import lists_in_force
from service.store.queries.shelf_lives import lot_is_fresh
from service.store.tables import Instrument, Lot, Part, PartType

LOTS_MOST = 12


@dataclass(frozen=True, slots=True)
class LotAtHand:
    """A lot of counted items; ``left`` None where nobody knows how many came."""

    id: int
    label: str
    kind: Kind
    part_type: str
    left: int | None


@dataclass(frozen=True, slots=True)
class StackToBegin:
    """What the form of a new record needs to know of a stack."""

    id: int
    serial: str
    design: str
    revision: str
    ever_built: bool
    build: int | None
    closed_at: datetime | None
    checks: int


def lots_at_hand(
    session: Session, record_id: int, kinds: Collection[Kind], now: datetime
) -> tuple[LotAtHand, ...]:
    """Return lots items can be taken from: those used in this record first, then the newest.

    Lots on hold, expired or empty are left out; scanned, they say why. One statement.
    """
    items_taken = (
        select(func.count(Part.id)).where(Part.lot_id == Lot.id).correlate(Lot).scalar_subquery()
    )
    used_here = (
        select(func.max(Step.sequence))
        .join(Part, Part.id == Step.part_id)
        .where(Part.lot_id == Lot.id, Step.record_id == record_id)
        .correlate(Lot)
        .scalar_subquery()
    )
    of_record = (
        select(RebuildRecord.stack_id).where(RebuildRecord.id == record_id).scalar_subquery()
    )
    rows = session.execute(
        select(
            *columns(
                LotAtHand, Lot, PartType, part_type=PartType.name, left=(Lot.quantity - items_taken)
            )
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(
            PartType.counted,
            PartType.kind.in_(kinds),
            lot_is_fresh(now),
            ~exists().where(
                bears_on(lot=Lot.id, part_type=Lot.part_type_id, design=design_of_stack(of_record))
            ),
            or_(Lot.quantity.is_(None), Lot.quantity > items_taken),
        )
        .order_by(func.coalesce(used_here, 0).desc(), Lot.id.desc())
        .limit(LOTS_MOST)
    )
    return read_all(LotAtHand, rows)


@dataclass(frozen=True, slots=True)
class Barred:
    """A layer lifted off here that may not simply go back, and why."""

    lifted: LiftedOff
    forbids: tuple[Forbids, ...]


NONE_DONATED = Donated()


@dataclass(frozen=True, slots=True)
class Tray:
    """What was lifted off in a record and not put back, the last first.

    What is renewed at every opening stands by itself, whatever else is said of it.
    """

    back: tuple[LiftedOff, ...] = ()
    renewed: tuple[LiftedOff, ...] = ()
    barred: tuple[Barred, ...] = ()
    donated: Donated = NONE_DONATED


def tray_of(session: Session, pile: WorkingPile, now: datetime) -> Tray:
    """Return what may go on of the layers lifted off here and at the donors, and what may not.

    Four statements at most.
    """
    donated = donated_layers(session, pile.record_id)
    lifted = (*pile.lifted, *donated.lifted)[::-1]
    if not lifted:
        return Tray()
    forbids = forbids_of_parts(
        session, [x.layer.part for x in lifted], stack_id=pile.stack_id, on=now
    )
    reusable = [x for x in lifted if not x.to_be_renewed]
    return Tray(
        tuple(x for x in reusable if not forbids[x.layer.part]),
        tuple(x for x in lifted if x.to_be_renewed),
        tuple(Barred(x, forbids[x.layer.part]) for x in reusable if forbids[x.layer.part]),
        donated,
    )


def instruments_to_choose(
    session: Session, *kinds: InstrumentKind, reads: bool | None = None
) -> tuple[tuple[int, str], ...]:
    """Return instruments in use and at hand, of some kinds or all, by kind and mark.

    One statement.
    ``reads``: torque drivers that show a reading only, or those that do not.
    """
    statement = (
        select(Instrument.id, Instrument.label, Instrument.kind, Instrument.description)
        .where(Instrument.in_use, ~is_away())
        .order_by(Instrument.kind, Instrument.label_key)
    )
    if kinds:
        statement = statement.where(Instrument.kind.in_(kinds))
    if reads is not None:
        tools = [tool for tool in TorqueTool if tool.reads is reads]
        statement = statement.where(Instrument.tool.in_(tools))
    return tuple(
        (row.id, f"{row.label}, {row.description or row.kind}")
        for row in session.execute(statement)
    )


def people_to_choose(session: Session) -> tuple[tuple[int, str], ...]:
    """Return everybody active, by name. One statement."""
    rows = session.execute(
        select(Person.id, Person.name).where(Person.active).order_by(Person.name)
    )
    return tuple((row.id, row.name) for row in rows)


def logins_to_choose(session: Session) -> tuple[tuple[str, str], ...]:
    """Return who can be named, by login. One statement."""
    rows = session.execute(
        select(Person.login, with_login(Person)).where(Person.active).order_by(Person.name)
    )
    return tuple((login, name) for login, name in rows)


def driver_used_last(session: Session, record_id: int, by_id: int) -> int | None:
    """Return the driver of the newest torque reading in a record, else of this person's newest."""
    in_record = session.scalar(
        select(TorqueReading.instrument_id)
        .where(TorqueReading.record_id == record_id)
        .order_by(TorqueReading.id.desc())
        .limit(1)
    )
    return in_record or session.scalar(
        select(TorqueReading.instrument_id)
        .where(TorqueReading.by_id == by_id)
        .order_by(TorqueReading.id.desc())
        .limit(1)
    )


def rods_of(session: Session, design_id: int) -> tuple[tuple[int, float, float], ...]:
    """Return the number and place of each rod of a design, in tightening order.

    Mm from the middle.
    """
    rows = session.execute(
        select(DesignRod.number, DesignRod.x_mm, DesignRod.y_mm)
        .where(DesignRod.design_id == design_id)
        .order_by(DesignRod.turn, DesignRod.number)
    )
    return tuple((row.number, row.x_mm, row.y_mm) for row in rows)


def plate_size_mm(session: Session, design_id: int) -> tuple[float, float]:
    """Return the width and height of a design's compression plate, mm."""
    row = session.execute(
        select(Design.plate_width_mm, Design.plate_height_mm).where(Design.id == design_id)
    ).one()
    return row.plate_width_mm, row.plate_height_mm


def stack_to_begin(session: Session, serial: str) -> StackToBegin | None:
    """Return the stack of this serial, for a new record; None where there is none.

    One statement.
    """
    ever = aliased(Build)
    row = session.execute(
        select(
            Stack.place,
            Stack.design_id,
            *columns(
                StackToBegin,
                Stack,
                Design,
                BuildPeriod,
                design=Design.name,
                ever_built=exists().where(ever.stack_id == Stack.id),
                build=Build.number,
                checks=select(func.count(ChecklistLine.id))
                .where(ChecklistLine.design_id == Design.id)
                .correlate(Design)
                .scalar_subquery(),
            ),
        )
        .join(Design, Design.id == Stack.design_id)
        .outerjoin(
            BuildPeriod,
            (BuildPeriod.stack_id == Stack.id)
            & BuildPeriod.known_until.is_(None)
            & BuildPeriod.opened_at.is_(None),
        )
        .outerjoin(Build, Build.id == BuildPeriod.build_id)
        .where(Stack.serial_key == serial_key(serial))
    ).first()
    if row is None:
        return None
    lists = lists_in_force(session, row.place, row.design_id)
    of_site = lists[SafeAct.OPENING].lines if SafeAct.OPENING in lists else ()
    return read_as(StackToBegin, row, checks=row.checks or len(of_site))


# What comes next on a pile that is being stacked, by its design's pattern, and what fits there.
#
# A design that keeps no pattern says nothing of it: whoever asks gets None.


def what_comes(
    kept_pattern: KeptPattern, pile: WorkingPile, end: End, cells: int | None = None
) -> WhatNext | None:
    """Say what may be put on next at an end of this pile; None without a pattern. No statement.

    ``cells``: how many the pile is to have, None: any number the design allows.

    The same pile is asked about before and after an entry: the last answers are kept in this
    process under the pile itself.
    """
    if kept_pattern.pattern is None:
        return None
    extent = extent_of(pile.pile)
    other_end_open = not (extent.begins if end is End.FREE else extent.ends)
    if not pile.layers:
        other_end_open = False
    return _next(
        kept_pattern.pattern, seen_by(kept_pattern, pile, pile.layers), end, other_end_open, cells
    )


def seen_by(
    kept_pattern: KeptPattern, pile: WorkingPile, layers: Iterable[Layer]
) -> tuple[Layer, ...]:
    """Return layers of a working pile with their types called as the pattern calls them."""
    names = {drawing: kept_pattern.called(*drawing) for drawing in set(pile.drawings.values())}
    return tuple(
        Layer(  # field by field: a guide asks this of every layer at every scan
            layer.position,
            layer.part,
            layer.kind,
            layer.label,
            names[pile.drawings[layer.part]],
            layer.facing,
            layer.material,
            layer.thickness_mm,
            layer.side,
            layer.back,
            layer.joint,
            layer.lot,
            layer.cell,
        )
        for layer in layers
    )


def as_seen(kept_pattern: KeptPattern, part: Part, part_type: PartType, label: str) -> Layer:
    """Return a part at hand as the pattern sees it, with no facing yet."""
    return Layer(
        position=0,
        part=part.id,
        kind=part_type.kind,
        label=label,
        part_type=kept_pattern.called(part_type.drawing_number, part_type.revision),
        material=part_type.material,
        thickness_mm=part_type.thickness_mm or 1.0,
        side=part_type.side,
        back=part_type.back,
        joint=part_type.joint,
    )


def fits(next_up: WhatNext, look: Look) -> bool:
    """Say whether a part may come next but for the way it lies."""
    return any(set(misfits(coming.item, look)) <= {Misfit.TURNED} for coming in next_up.layers)


def is_renewed(kept_pattern: KeptPattern, layer: Layer) -> bool:
    """Say whether the pattern renews a part such as this, as it sees it, at every opening."""
    if kept_pattern.pattern is None:
        return False
    return any(
        item.renew_at_opening and not misfits(item, look(replace(layer, facing=Facing.EITHER)))
        for item in states_of(kept_pattern.pattern).items
    )


def lots_that_fit(
    session: Session, kept_pattern: KeptPattern, next_up: WhatNext, now: datetime
) -> tuple[LotAtHand, ...]:
    """Return lots the next layer can be taken from, the oldest first. One statement.

    Lots on hold, expired or empty are left out; scanned, they say why.
    """
    if not next_up.layers:
        return ()
    items_taken = (
        select(func.count(Part.id)).where(Part.lot_id == Lot.id).correlate(Lot).scalar_subquery()
    )
    kinds = {coming.item.kind for coming in next_up.layers} & set(LAYER_KINDS)
    rows: Iterable[Any] = session.execute(
        select(
            Lot.id,
            Lot.label,
            PartType.kind,
            PartType.name,
            (Lot.quantity - items_taken).label("left"),
            PartType.drawing_number,
            PartType.revision,
            PartType.side,
            PartType.back,
            PartType.joint,
        )
        .join(PartType, PartType.id == Lot.part_type_id)
        .where(
            PartType.counted,
            PartType.kind.in_(kinds),
            lot_is_fresh(now),
            ~exists().where(
                bears_on(lot=Lot.id, part_type=Lot.part_type_id, design=kept_pattern.design_id)
            ),
            or_(Lot.quantity.is_(None), Lot.quantity > items_taken),
        )
        .order_by(func.coalesce(Lot.received_at, Lot.produced_at), Lot.id)
    )
    fitting = [
        read_as(LotAtHand, row, part_type=row.name)
        for row in rows
        if fits(
            next_up,
            read_as(
                Look,
                row,
                part_type=kept_pattern.called(row.drawing_number, row.revision),
                facing=Facing.EITHER,
            ),
        )
    ]
    return tuple(fitting[:LOTS_MOST])


@lru_cache(maxsize=64)
def _next(
    pattern: Pattern, looks: tuple[Layer, ...], end: End, other_end_open: bool, cells: int | None
) -> WhatNext:
    return next_layers(pattern, looks, end, other_end_open=other_end_open, cells=cells)


@dataclass(frozen=True, slots=True)
class ConditionsToSee:
    """What can be said of a part that is looked at; ``pictures`` are attachments by code."""

    words: tuple[LabWord, ...]
    pictures: Mapping[str, int]
    faces: tuple[str, ...]
    severities: tuple[tuple[int, str], ...] = tuple(SEVERITIES.items())


def conditions_to_see(session: Session, kind: Kind) -> ConditionsToSee:
    """Return what can be said of a part of this kind, with pictures. Two statements."""
    return ConditionsToSee(
        conditions_for(session, kind), pictures_of_words(session), faces_of(kind)
    )
