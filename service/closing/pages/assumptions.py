"""What a closing was computed from, as tables: part types, measured parts, readings, figures."""

from dataclasses import dataclass, fields

from service.closing.arithmetic.closing_inputs import ClosingInputs, RodReading
from service.closing.arithmetic.closing_pile import ClosingType
from service.limits.arithmetic.figures_fields import FIELDS
from service.limits.arithmetic.figures_form import to_form
from service.physics.arithmetic.part_stiffness import Bed, PartStiffness
from service.platform.arithmetic.curve_text import CurveOf, write_curve
from service.platform.arithmetic.material_curves import Soft
from service.platform.arithmetic.plain_data import spoken


@dataclass(frozen=True, slots=True)
class TypeGiven:
    """One part type: how many of it, its thickness, and in words what it gives under load."""

    kind: str
    name: str
    count: int
    thickness_mm: float | None
    gives: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeasuredGiven:
    """One part with its own thickness, mm; ``where`` says where it lies."""

    where: str
    name: str
    thickness_mm: float


@dataclass(frozen=True, slots=True)
class FigureGiven:
    """One figure or limit of the design."""

    section: str
    label: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class Given:
    """Everything a closing was computed from."""

    types: tuple[TypeGiven, ...]
    measured: tuple[MeasuredGiven, ...]
    seen: str
    readings: tuple[RodReading, ...]
    figures: tuple[FigureGiven, ...]
    active_area_cm2: float
    rod_length_mm: float | None
    rods: int
    limits: str


def given_of(inputs: ClosingInputs) -> Given:
    """The inputs as tables."""
    typed = to_form(inputs.figures)
    return Given(
        tuple(_types(inputs)),
        tuple(_measured(inputs)),
        _seen_words(inputs),
        inputs.readings,
        tuple(
            FigureGiven(field.section, field.label, typed[field.name], field.unit)
            for field in FIELDS
            if typed.get(field.name)
        ),
        inputs.active_area_cm2,
        inputs.rod_length_mm,
        len(inputs.rods),
        inputs.limits,
    )


def _types(inputs: ClosingInputs) -> list[TypeGiven]:
    pile = inputs.pile
    counts = [0] * len(pile.types)
    for number in (*pile.layers, *pile.plates):
        counts[number] += 1
    rows = [_type(of, count) for of, count in zip(pile.types, counts, strict=True)]
    return rows + ([_type(inputs.disc, 0)] if inputs.disc else [])


def _type(of: ClosingType, count: int) -> TypeGiven:
    return TypeGiven(
        str(of.kind), of.name, count, of.thickness_mm or None, gives_words(of.stiffness)
    )


def gives_words(stiffness: PartStiffness | None) -> tuple[str, ...]:
    """What a part gives under load, in words; nothing where it is not known."""
    if stiffness is None:
        return ()
    said: list[str] = []
    for field in fields(stiffness):
        value = getattr(stiffness, field.name)
        if isinstance(value, Soft):
            of = CurveOf.STRESS if isinstance(stiffness, Bed) else CurveOf.LINE_LOAD
            said.append(write_curve(value.loading, of))
        elif value:
            said.append(f"{_called(field.name)} {value:g}")
    return tuple(said)


def _seen_words(inputs: ClosingInputs) -> str:
    """In one sentence how far earlier closings pressed parts that are used again."""
    pile = inputs.pile
    said: dict[tuple[str, str], int] = {}
    for one in pile.seen:
        key = (str(pile.types[pile.layers[one.position - 1]].kind), f"{one.percent:.3g}")
        said[key] = said.get(key, 0) + 1
    return "; ".join(
        f"{count} {kind}{'' if count == 1 else 's'} to {percent}\u2009%"
        for (kind, percent), count in said.items()
    )


def _called(field: str) -> str:
    if field.endswith("_1_k"):
        return f"{spoken(field.removesuffix('_1_k'))} (1/K)"
    return spoken(field).replace("u thickness", "u of thickness").replace("u height", "u of height")


def _measured(inputs: ClosingInputs) -> list[MeasuredGiven]:
    pile = inputs.pile
    rows = []
    for one in pile.measured:
        cell = pile.cells[one.position - 1]
        where = f"layer {one.position}" + (f", cell {cell}" if cell else "")
        name = pile.types[pile.layers[one.position - 1]].name
        rows.append(MeasuredGiven(where, name, one.thickness_mm))
    for one in pile.measured_plates:
        name = pile.types[pile.plates[one.position - 1]].name
        rows.append(MeasuredGiven(f"compression plate {one.position}", name, one.thickness_mm))
    return rows
