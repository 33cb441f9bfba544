"""The tie rods a changed stack closes on: from design and fixings, the rest assumed and said."""

from dataclasses import dataclass, fields

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closed_height import RodSet
from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Kind
from service.stacks.queries.layer_maps import LayerMap

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
    """The rods, and in sentences what of them nobody has said."""

    rods: RodSet
    assumed: tuple[str, ...]


def rods_of_stack(session: Session, shown: LayerMap, entry: RodEntry = NOTHING_SAID) -> KnownRods:
    """Which rods does a stack close on? One statement. Raises OutOfRange for odd lengths."""
    length = session.scalars(
        select(Design.rod_length_mm).where(Design.id == shown.stack.design_id)
    ).one()
    clamped, without = _clamped_mm(shown)
    known = {
        "length_mm": length,
        "thread_mm": length,
        "fixed_end_mm": NUT_MM + LEAST_PROTRUSION_MM,
        "clamped_mm": clamped,
        "nut_mm": NUT_MM,
        "least_protrusion_mm": LEAST_PROTRUSION_MM,
    }
    said = {
        field.name: value
        for field in fields(RodEntry)
        if (value := getattr(entry, field.name)) is not None
    }
    told = {
        "thread_mm": "threaded over the whole rod",
        "fixed_end_mm": f"{NUT_MM + LEAST_PROTRUSION_MM:g}\u2009mm of rod beyond the fixed end",
        "clamped_mm": f"no thickness of {' and '.join(without)}" if without else "",
        "nut_mm": f"nuts {NUT_MM:g}\u2009mm high",
        "least_protrusion_mm": f"{LEAST_PROTRUSION_MM:g}\u2009mm of thread must stand out",
    }
    assumed = tuple(words for name, words in told.items() if words and name not in said)
    return KnownRods(RodSet(**{**known, **said}), assumed)


def _clamped_mm(shown: LayerMap) -> tuple[float, tuple[str, ...]]:
    """Height of compression plates and of the springs on one rod; kinds of unknown thickness."""
    thickness = {(one.kind, one.name): one.thickness_mm for one in shown.types.values()}
    first = min((fixing.rod_number for fixing in shown.fixings if fixing.rod_number), default=None)
    total, without = 0.0, []
    for fixing in shown.fixings:
        plate = fixing.kind is Kind.COMPRESSION_PLATE
        spring = fixing.kind is Kind.DISC_SPRING and fixing.rod_number == first
        if plate or spring:
            height = thickness.get((fixing.kind, fixing.part_type))
            total += height or 0.0
            if height is None:
                without.append(str(fixing.kind))
    if not any(fixing.kind is Kind.COMPRESSION_PLATE for fixing in shown.fixings):
        without.append(str(Kind.COMPRESSION_PLATE))
    return total, tuple(dict.fromkeys(without))
