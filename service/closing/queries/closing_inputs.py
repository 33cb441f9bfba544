"""What a closing is computed from: the pile as it stands, what its types give, readings, figures.

The same for a record being written and for one handed in: the pile is that of its entries.
"""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session, aliased

from service.closing.arithmetic.closing_inputs import (
    ClosingInputs,
    ClosingType,
    Placed,
    RodPlace,
    RodReading,
    inputs_from_data,
    pile_of,
)
from service.closing.arithmetic.corner_heights import CornersMeasured
from service.closing.arithmetic.outcome import (
    ClosedOutcome,
    ClosingOutcome,
    GapColumns,
    outcome_from_data,
)
from service.closing.queries.build_torques import UNOPENED, ReadingTaken, readings_taken
from service.closing.queries.corner_heights import corners_measured
from service.closing.queries.held_closings import MeasuredInstead, held_closing
from service.closing.tables import ClosingResult
from service.designs.arithmetic.pile import CELL_KINDS, Layer, OpenPile
from service.designs.tables import Design, DesignRod
from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import LimitsInForce, limits_in_force
from service.physics.arithmetic.clamping import IN_NEWTON_METRES, torque_unit
from service.physics.arithmetic.part_stiffness import stiffness_from
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.vocabulary import End, Joint, Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import param, param_list
from service.records.queries.inserted import came_before
from service.records.queries.working_piles import FixingNow, WorkingPile, built_by, pile_known_now
from service.records.tables import RebuildRecord
from service.stacks.tables import Build, Stack
from service.stacks.tables import Layer as StackLayer
from service.store.arithmetic.instrument_errors import may_be_off
from service.store.tables import Part, PartType

# The rows: parts with what they give under load, the design's clamp.


SOFT = (Kind.MEA, Kind.GASKET, Kind.BLANK_CELL)


@dataclass(frozen=True, slots=True)
class PartGives:
    """A part as the arithmetic sees it: mm; ``stiffness`` is JSON, None where nobody gave it."""

    part: int
    type_id: int
    kind: Kind
    type_name: str
    thickness_mm: float | None
    joint: Joint | None
    stiffness: str | None
    measured_mm: float | None


@dataclass(frozen=True, slots=True)
class DesignSizes:
    """What a design says of its clamp: cm², mm, N·m; rods as number, x and y in tightening order.

    Places are in mm from the plate's middle.
    """

    design_id: int
    name: str
    active_area_cm2: float
    plate_mm: tuple[float, float]
    rod_length_mm: float
    target_nm: float
    passes: int
    rods: tuple[tuple[int, float, float], ...]


RODS = (
    select(DesignRod.number, DesignRod.x_mm, DesignRod.y_mm)
    .where(DesignRod.design_id == param("design_id"))
    .order_by(DesignRod.turn, DesignRod.number)
)

DESIGN = (
    select(
        Design.revision,
        Design.plate_width_mm,
        Design.plate_height_mm,
        *columns(
            DesignSizes,
            Design,
            design_id=Design.id,
            target_nm=Design.target_torque_nm,
            passes=Design.tightening_passes,
        ),
    )
    .join(Stack, Stack.design_id == Design.id)
    .where(Stack.id == param("stack_id"))
)


def design_sizes(session: Session, stack_id: int) -> DesignSizes:
    """Return plate, area and rods of a stack's design. Two statements. Raises NotFound."""
    row: Any = session.execute(DESIGN, {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    rods = session.execute(RODS, {"design_id": row.design_id})
    return read_as(
        DesignSizes,
        row,
        name=f"{row.name} {row.revision}",
        plate_mm=(row.plate_width_mm, row.plate_height_mm),
        rods=tuple((number, x, y) for number, x, y in rods),
    )


TYPES = select(*columns(PartGives, PartType, type_id=PartType.id, type_name=PartType.name)).where(
    PartType.id.in_(param_list("types"))
)

PARTS = select(Part.id, Part.part_type_id, Part.measured_thickness_mm).where(
    Part.id.in_(param_list("parts"))
)


def parts_giving(
    session: Session, parts: Collection[int], item_type_id: int = 0
) -> Mapping[int, PartGives]:
    """Return what each of these parts gives under load. Two statements.

    Part 0 is an item of the type ``item_type_id`` which is still in its lot.
    """
    of: Sequence[Any] = session.execute(PARTS, {"parts": sorted(parts)}).all()
    if item_type_id:
        of = [*of, (0, item_type_id, None)]
    types: Any = session.execute(TYPES, {"types": sorted({type_id for _part, type_id, _mm in of})})
    of_type = {row.type_id: row for row in types}
    return {
        part: read_as(PartGives, of_type[type_id], part=part, measured_mm=measured)
        for part, type_id, measured in of
    }


BUILT_IN_BEFORE = (
    select(StackLayer.part_id)
    .join(Build, Build.id == StackLayer.build_id)
    .where(
        StackLayer.part_id.in_(param_list("parts")),
        StackLayer.known_until.is_(None),
        Build.record_id != param("record_id"),
    )
    .distinct()
)


def closed_before(session: Session, record_id: int, parts: Collection[int]) -> frozenset[int]:
    """Return those of these parts that were in a build another record closed. One statement."""
    return frozenset(
        session.scalars(BUILT_IN_BEFORE, {"parts": sorted(parts), "record_id": record_id})
    )


# How far an earlier closing pressed the soft parts that are used again, where that was kept.


def counts_of(record: Any) -> ColumnElement[bool]:
    """Say whether a result is of the record's last hand-in or later; the newest such counts."""
    return and_(record.handed_in_at.is_not(None), ClosingResult.computed_at >= record.handed_in_at)


@lru_cache(maxsize=64)
def read_inputs(text: str) -> ClosingInputs:
    """Return the inputs from their kept text. Raises ValueError or the trade's errors."""
    return inputs_from_data(json.loads(text))


@lru_cache(maxsize=64)
def read_outcome(text: str) -> ClosingOutcome:
    """Return the outcome from its kept text. Raises ValueError or the trade's errors."""
    return outcome_from_data(json.loads(text))


PLACES = 6
THIS, OTHER = aliased(RebuildRecord), aliased(RebuildRecord)


CLOSED_BEFORE = (
    select(ClosingResult.record_id, ClosingResult.inputs, ClosingResult.results)
    .join(OTHER, OTHER.id == ClosingResult.record_id)
    .join(THIS, THIS.stack_id == OTHER.stack_id)
    .join(Build, Build.id == THIS.base_build_id)
    .where(
        THIS.id == param("record_id"),
        came_before(OTHER, THIS),
        counts_of(OTHER),
        or_(OTHER.id == Build.record_id, OTHER.base_build_id == Build.id),
    )
    .order_by(OTHER.performed_from.desc(), OTHER.id.desc(), ClosingResult.id.desc())
    .limit(1)
)


Computed = tuple[ClosingInputs, ClosingOutcome]


def seen_before(
    session: Session,
    record_id: int,
    base: Sequence[Layer],
    *,
    opened: bool,
    anew: Mapping[int, Computed],
) -> Mapping[int, float]:
    """Return the greatest strain or squeeze in % of each soft part of the build it began from.

    By the result kept of that build; nothing where none was kept. ``opened`` False: the clamp was
    not released, so its own closing is no earlier one. ``anew`` is what would be kept instead, by
    record. One statement.
    """
    row = session.execute(CLOSED_BEFORE, {"record_id": record_id}).first()
    if row is None:
        return {}
    if row.record_id in anew:
        inputs, outcome = anew[row.record_id]
    else:
        try:
            inputs, outcome = read_inputs(row.inputs), read_outcome(row.results)
        except (TradeError, ValueError):
            return {}
    if opened and outcome.closed is None:
        return {}
    return _seen(base, inputs, outcome.closed if opened else None)


def _seen(
    base: Sequence[Layer], inputs: ClosingInputs, closed: ClosedOutcome | None
) -> dict[int, float]:
    """By part; ``closed`` None: only what was seen before that closing."""
    placed = inputs.pile.placed()
    if len(placed) != len(base):
        return {}  # the build was corrected since: its layers are no longer those
    strain = _by_cell(closed.cells, closed.cells.gdl_strain_percent) if closed else {}
    squeeze = _by_cell(closed.cells, closed.cells.squeeze_percent) if closed else {}
    coolant = iter(closed.coolant.squeeze_percent if closed else ())
    percents = {}
    for layer, was in zip(base, placed, strict=True):
        if layer.kind not in SOFT:
            continue
        if layer.kind in CELL_KINDS:
            now = strain.get(layer.cell, 0.0)
        elif layer.joint is Joint.COOLANT:
            now = next(coolant, 0.0)
        else:
            now = squeeze.get(layer.cell, 0.0)
        percents[layer.part] = round(max(now, was.seen_percent, 0.0), PLACES)
    return percents


def _by_cell(gaps: GapColumns, column: Sequence[float]) -> dict[int | None, float]:
    return dict(zip(gaps.numbers, column, strict=True))


NOTHING_GIVEN = DesignFigures()


@dataclass(frozen=True, slots=True)
class ClosingGround:
    """The inputs of a closing, the limits they hold, and what of them is to be known.

    ``limits`` None: none are in force, so nothing of the clamp can be computed. ``is_read``: a
    closing reading was taken in the record itself.
    """

    inputs: ClosingInputs
    limits: LimitsInForce | None
    sizes: DesignSizes
    is_read: bool
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Instead(MeasuredInstead):
    """What would be known instead of what is, to compute a closing with it; nothing is written.

    ``readings``: fields of a reading, by its id. ``parts``: the right parts by build and by
    the part thought to be there; part 0 is an item of the type ``item_type_id``. ``piles``: all
    layers of a build. ``closings``: earlier closings computed anew, by record.
    """

    readings: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)
    parts: Mapping[int, Mapping[int, int]] = field(default_factory=dict)
    piles: Mapping[int, tuple[Layer, ...]] = field(default_factory=dict)
    item_type_id: int = 0
    closings: Mapping[int, Computed] = field(default_factory=dict)

    def of_pile(self, pile: WorkingPile, build_id: int | None) -> WorkingPile:
        """Return a pile with the right parts in it; ``build_id`` is the build it stands as."""
        right = self.parts.get(build_id or 0, {})
        before = self.piles.get(pile.base_build_id or 0, pile.base)
        base = _with_parts(before, self.parts.get(pile.base_build_id or 0, {}))
        now = self.piles.get(build_id or 0, pile.layers)
        layers = OpenPile.begun(_with_parts(now, right))
        return replace(pile, base=base, pile=layers, fixings=_with_parts(pile.fixings, right))

    def of_readings(self, readings: Sequence[ReadingTaken]) -> tuple[ReadingTaken, ...]:
        """Return readings as they would read."""
        right = (replace(each, **self.readings.get(each.reading_id, {})) for each in readings)
        return tuple(
            replace(
                each,
                torque_nm=self.true(each.instrument_id, each.taken_at, each.torque_nm, "N·m"),
            )
            for each in right
        )


NOTHING_INSTEAD = Instead()
Sits = TypeVar("Sits", Layer, FixingNow)


def _with_parts(places: Iterable[Sits], right: Mapping[int, int]) -> tuple[Sits, ...]:
    return tuple(replace(each, part=right.get(each.part, each.part)) for each in places)


def closing_ground(
    session: Session,
    record_id: int,
    pile: WorkingPile | None = None,
    instead: Instead = NOTHING_INSTEAD,
) -> ClosingGround:
    """Return what the closing of a record is computed from. Raises NotFound.

    Ten statements, seven more without a pile, one less where the clamp was not released; three more
    where it was held to a height or by a force, and where corners were measured.
    """
    pile = pile or pile_known_now(session, record_id)
    if instead.parts or instead.piles:
        build_id = built_by(session, record_id) or pile.base_build_id
        pile = instead.of_pile(pile, build_id)
    sizes = design_sizes(session, pile.stack_id)
    limits = limits_in_force(session, sizes.design_id)
    gives = parts_giving(session, all_parts(pile.layers, pile.fixings), instead.item_type_id)
    readings = instead.of_readings(readings_taken(session, record_id))
    opened = pile.kind not in UNOPENED
    seen_at = seen_before(session, record_id, pile.base, opened=opened, anew=instead.closings)
    soft = [layer.part for layer in pile.layers if layer.kind in SOFT]
    used = closed_before(session, record_id, soft) if opened else frozenset[int]()
    inputs = closing_inputs(
        sizes,
        limits,
        [
            placed(gives[layer.part], layer.cell, seen_at.get(layer.part, 0.0))
            for layer in pile.layers
        ],
        fixings_giving(pile.fixings, gives),
        readings_of(readings, sizes),
        corners=corners_measured(session, record_id, sizes.plate_mm, instead),
    )
    inputs = replace(inputs, held=held_closing(session, record_id, instead))
    return ClosingGround(
        inputs,
        limits,
        sizes,
        inputs.held is not None or any(reading.record_id == record_id for reading in readings),
        used_again([gives[part] for part in soft if part in used and part not in seen_at]),
    )


def closing_inputs(
    sizes: DesignSizes,
    limits: LimitsInForce | None,
    layers: Sequence[Placed],
    fixings: "FixingsGiving",
    readings: tuple[RodReading, ...],
    *,
    corners: tuple[CornersMeasured, ...] = (),
) -> ClosingInputs:
    """Return the inputs from their parts."""
    return ClosingInputs(
        pile_of(layers, fixings.plates),
        tuple(RodPlace(*rod) for rod in sorted(sizes.rods)),
        readings,
        limits.figures if limits else NOTHING_GIVEN,
        sizes.active_area_cm2,
        sizes.rod_length_mm,
        fixings.disc,
        sizes.passes,
        sizes.target_nm,
        limits=limits.name if limits else "",
        corners=corners,
    )


@dataclass(frozen=True, slots=True)
class FixingsGiving:
    """Compression plates from the fixed end, and the disc spring on the rods."""

    plates: tuple[Placed, ...]
    disc: ClosingType | None


def all_parts(layers: Iterable[Layer], fixings: Iterable[FixingNow]) -> set[int]:
    """Return every part of a pile, and those fixings that give under load."""
    clamped = {
        fixing.part
        for fixing in fixings
        if fixing.kind in (Kind.COMPRESSION_PLATE, Kind.DISC_SPRING)
    }
    return {layer.part for layer in layers} | clamped


def fixings_giving(fixings: Collection[FixingNow], gives: Mapping[int, PartGives]) -> FixingsGiving:
    """Return what of the fixings gives under load."""
    ends = list(End)
    plates = sorted(
        (fixing for fixing in fixings if fixing.kind is Kind.COMPRESSION_PLATE),
        key=lambda fixing: ends.index(fixing.end) if fixing.end else len(ends),
    )
    discs = [fixing for fixing in fixings if fixing.kind is Kind.DISC_SPRING]
    return FixingsGiving(
        tuple(placed(gives[fixing.part]) for fixing in plates),
        type_of(gives[discs[0].part]) if discs else None,
    )


def placed(gives: PartGives, cell: int | None = None, seen_percent: float = 0.0) -> Placed:
    """Return a part of the pile, with its own thickness where incoming inspection measured it."""
    return Placed(type_of(gives), cell, gives.measured_mm, seen_percent)


def type_of(gives: PartGives) -> ClosingType:
    """Return a part type as the arithmetic takes it.

    0 mm and no stiffness where they are not known.
    """
    return _type_of(
        gives.type_name, gives.kind, gives.thickness_mm, gives.joint, gives.stiffness or ""
    )


@lru_cache(maxsize=1024)
def _type_of(
    name: str, kind: Kind, thickness_mm: float | None, joint: Joint | None, text: str
) -> ClosingType:
    stiffness = None
    if text:
        try:
            stiffness = stiffness_from(kind, json.loads(text))
        except (TradeError, ValueError):
            stiffness = None  # what cannot be read is not known
    return ClosingType(name, kind, thickness_mm or 0.0, stiffness, joint)


def readings_of(readings: Sequence[ReadingTaken], sizes: DesignSizes) -> tuple[RodReading, ...]:
    """Return the readings with how well their driver is known; of rods the design has, above 0."""
    rods = {number for number, _x, _y in sizes.rods}
    counted = [
        reading for reading in readings if reading.rod_number in rods and reading.torque_nm > 0
    ]
    if not counted:
        return ()
    first = min(reading.taken_at for reading in counted)
    return tuple(
        RodReading(
            reading.rod_number,
            reading.torque_nm,
            reading.kind,
            reading.pass_number,
            (reading.taken_at - first).total_seconds() / 60,
            _deviation_percent(reading),
            _step_nm(reading),
            reading.instrument,
            reading.press,
        )
        for reading in counted
    )


def _deviation_percent(reading: ReadingTaken) -> float | None:
    """What the driver's sheet allows, or what its calibration found where that is more."""
    off = may_be_off(reading, reading).in_unit(reading.unit or "N·m", "N·m", Measure.TORQUE)
    return off.percent_at(reading.torque_nm)


def _step_nm(reading: ReadingTaken) -> float:
    if reading.resolution is None:
        return 0.0
    try:
        return reading.resolution * IN_NEWTON_METRES[torque_unit(reading.unit or "N·m")]
    except TradeError:
        return 0.0  # a resolution in a unit that is no torque says nothing of this reading


def used_again(parts: Sequence[PartGives]) -> tuple[str, ...]:
    """Return a sentence on soft parts which an earlier closing has pressed.

    None where all are new.
    """
    if not parts:
        return ()
    kinds: dict[Kind, int] = {}
    for part in parts:
        kinds[part.kind] = kinds.get(part.kind, 0) + 1
    words = " and ".join(
        f"{count} {kind}{'' if count == 1 else 's'}" for kind, count in kinds.items()
    )
    sentence = (
        f"Reused (already compressed): {words}. How far is not known, so they are computed as"
        " new; they may answer stiffer and keep less height."
    )
    return (sentence,)
