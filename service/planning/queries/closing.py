"""What a changeover does to the clamp: the stack before and after, closed at the design's torque.

Computed when a plan is shown, with the figures in force; a plan keeps none of it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import closing
from service.closing.arithmetic.closing_checks import RodSet
from service.closing.arithmetic.closing_inputs import ClosingInputs, ClosingType, Placed, RodReading
from service.closing.arithmetic.outcome import ClosingOutcome
from service.closing.queries.closing_inputs import (
    DesignSizes,
    PartGives,
    all_parts,
    closing_inputs,
    design_sizes,
    fixings_giving,
    parts_giving,
    placed,
)
from service.designs.arithmetic.pile import Layer, counts
from service.designs.queries import pattern_of_design
from service.designs.tables import Design
from service.limits.arithmetic.set_points import Row, before_and_after
from service.limits.queries import LimitsInForce, limits_in_force
from service.planning.queries.documents import PlanDocument
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import Kind, ReadingKind
from service.platform.queries.answers import columns, read_as
from service.records.queries.working_piles import FixingNow
from service.stacks.queries.layer_maps import LayerMap
from service.store.tables import PartType


@dataclass(frozen=True, slots=True)
class ChangeoverClosing:
    """The closed stack before and after a change; torque in N·m on every nut, the design's.

    ``limits`` None: none are in force, and nothing is computed. ``set_points`` are in SI, empty
    where ``no_set_points`` says why.
    """

    limits: LimitsInForce | None
    sizes: DesignSizes
    torque_nm: float
    before: ClosingOutcome | None
    after: ClosingOutcome | None
    set_points: tuple[Row, ...]
    no_set_points: str


def changeover_closing(
    session: Session, pile_map: LayerMap, document: PlanDocument
) -> ChangeoverClosing:
    """Compute what the plan does to the clamp and the set points. Three statements, or seven.

    ``pile_map`` is the build the plan begins from.
    """
    sizes = design_sizes(session, pile_map.stack.id)
    limits = limits_in_force(session, sizes.design_id)
    if limits is None:
        why = "no figures are in force for the design"
        return ChangeoverClosing(None, sizes, sizes.target_nm, None, None, (), why)
    fixings = tuple(
        FixingNow(
            fixing.kind,
            fixing.part_id,
            fixing.label,
            fixing.part_type,
            fixing.rod_number,
            fixing.end,
        )
        for fixing in pile_map.fixings
    )
    layers = (*document.before, *document.after)
    at_hand = [layer for layer in layers if layer.part > 0]
    gives = parts_giving(session, all_parts(at_hand, fixings))
    types = _types_by_name(session, sizes.design_id)
    readings = tuple(
        RodReading(number, sizes.target_nm, ReadingKind.SET, sizes.passes)
        for number, _x, _y in sizes.rods
    )

    def closed(pile: Sequence[Layer]) -> ClosingInputs:
        layers = [_placed(layer, gives, types) for layer in pile]
        inputs = closing_inputs(sizes, limits, layers, fixings_giving(fixings, gives), readings)
        return replace(inputs, rod_length_mm=document.rods.length_mm)

    rows, why = _set_points(limits, document)
    return ChangeoverClosing(
        limits,
        sizes,
        sizes.target_nm,
        closing(closed(document.before)),
        closing(closed(document.after)),
        rows,
        why,
    )


def _placed(layer: Layer, gives: Mapping[int, PartGives], types: Mapping[str, PartGives]) -> Placed:
    """A part there is, else one of its type; a type nobody knows is named as not known."""
    stiffness = gives.get(layer.part) or types.get(layer.part_type)
    if stiffness is None:
        return Placed(ClosingType(layer.part_type, layer.kind, 0.0, None, layer.joint), layer.cell)
    return placed(stiffness, layer.cell)


TYPES = select(
    PartType.drawing_number,
    PartType.revision,
    *columns(PartGives, PartType, type_id=PartType.id, type_name=PartType.name),
).order_by(PartType.id)


def _types_by_name(session: Session, design_id: int) -> dict[str, PartGives]:
    """Every part type by what the design's pattern calls it. Two statements."""
    pattern = pattern_of_design(session, design_id)
    rows: Any = session.execute(TYPES)
    return {
        pattern.called(row.drawing_number, row.revision): read_as(
            PartGives, row, part=0, measured_mm=None
        )
        for row in rows
    }


def _set_points(limits: LimitsInForce, document: PlanDocument) -> tuple[tuple[Row, ...], str]:
    operation = limits.figures.operation
    if operation is None:
        return (), "the figures in force name no operation"
    before, after = counts(document.before).cells, counts(document.after).cells
    try:
        return before_and_after(before, after, operation.operation), ""
    except TradeError as trouble:
        return (), str(trouble)


# The tie rods a changed stack closes on: from design and fixings, the rest assumed and said.


NUT_MM = 8.0
LEAST_PROTRUSION_MM = 2.5


@dataclass(frozen=True, slots=True)
class RodEntry:
    """What somebody says of the rods, in mm as in `RodSet`; None: as the lab knows it."""

    length_mm: float | None = None
    thread_mm: float | None = None
    fixed_end_mm: float | None = None
    clamped_mm: float | None = None
    nut_mm: float | None = None
    least_protrusion_mm: float | None = None


NOTHING_SAID = RodEntry()


@dataclass(frozen=True, slots=True)
class KnownRods:
    """The rods, and in sentences what of them nobody has said.

    ``lacking``: nothing can be computed of the rods until it is entered; it says where.
    """

    rods: RodSet
    assumed: tuple[str, ...]
    lacking: tuple[str, ...] = ()


def rods_of_stack(
    session: Session, pile_map: LayerMap, entry: RodEntry = NOTHING_SAID
) -> KnownRods:
    """Return the rods a stack closes on. One statement. Raises OutOfRange for odd lengths."""
    length = session.scalars(
        select(Design.rod_length_mm).where(Design.id == pile_map.stack.design_id)
    ).one()
    clamped, without = _clamped_mm(pile_map)
    values = {
        "length_mm": length,
        "thread_mm": length,
        "fixed_end_mm": NUT_MM + LEAST_PROTRUSION_MM,
        "clamped_mm": clamped,
        "nut_mm": NUT_MM,
        "least_protrusion_mm": LEAST_PROTRUSION_MM,
    }
    entered = {
        field.name: value
        for field in fields(RodEntry)
        if (value := getattr(entry, field.name)) is not None
    }
    defaults = {
        "thread_mm": "threaded over the whole rod",
        "fixed_end_mm": f"{NUT_MM + LEAST_PROTRUSION_MM:g}\u2009mm of rod beyond the fixed end",
        "nut_mm": f"nuts {NUT_MM:g}\u2009mm high",
        "least_protrusion_mm": f"{LEAST_PROTRUSION_MM:g}\u2009mm of thread must stand out",
    }
    assumed = tuple(words for name, words in defaults.items() if name not in entered)
    lacking = () if "clamped_mm" in entered else without
    return KnownRods(RodSet(**{**values, **entered}), assumed, lacking)


def _clamped_mm(pile_map: LayerMap) -> tuple[float, tuple[str, ...]]:
    """Height of compression plates and of the springs on one rod; what is lacking, and where."""
    thickness = {(type_.kind, type_.name): type_.thickness_mm for type_ in pile_map.types.values()}
    first = min(
        (fixing.rod_number for fixing in pile_map.fixings if fixing.rod_number), default=None
    )
    total, without = 0.0, []
    for fixing in pile_map.fixings:
        plate = fixing.kind is Kind.COMPRESSION_PLATE
        spring = fixing.kind is Kind.DISC_SPRING and fixing.rod_number == first
        if plate or spring:
            height = thickness.get((fixing.kind, fixing.part_type))
            total += height or 0.0
            if height is None:
                without.append(
                    f"thickness of the {fixing.kind} {fixing.part_type}: enter it on its part type"
                )
    if not any(fixing.kind is Kind.COMPRESSION_PLATE for fixing in pile_map.fixings):
        without.append(
            "compression plates: none is recorded. Enter them under fixings of a record, or what is"
            " clamped beside the pile under “Day, end and tie rods”"
        )
    return total, tuple(dict.fromkeys(without))
