"""All that a closing is computed from: pile, rods, readings, figures. JSON form “closing 1”.

Enough to compute it again. Lengths in mm, torques in N·m. Common practice, no source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.closing.arithmetic.corner_heights import CornersMeasured
from service.closing.arithmetic.held_closings import Held
from service.limits.arithmetic.figures import FORM as FIGURES_FORM
from service.limits.arithmetic.figures import DesignFigures
from service.physics.arithmetic.part_stiffness import (
    PartStiffness,
    stiffness_as_data,
    stiffness_from,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.plain_data import as_data, check_form, from_data, with_form
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero, within
from service.platform.arithmetic.vocabulary import Joint, Kind, Press, ReadingKind


@dataclass(frozen=True, slots=True)
class ClosingType:
    """A part type of the pile: nominal thickness, and its stiffness where that is known."""

    name: str
    kind: Kind
    thickness_mm: float
    stiffness: PartStiffness | None = None
    joint: Joint | None = None

    def __post_init__(self) -> None:
        """Refuse what has no thickness."""
        not_below_zero(f"the thickness of {self.name}", self.thickness_mm, "mm")


@dataclass(frozen=True, slots=True)
class Placed:
    """One part in the pile: its type, its cell, its own measured thickness where there is one.

    ``seen_percent`` is the greatest strain or squeeze of earlier closings; 0 for a new part.
    """

    type: ClosingType
    cell: int | None = None
    measured_mm: float | None = None
    seen_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class MeasuredAt:
    """A part with a thickness of its own: place in the list of layers or plates, from 1."""

    position: int
    thickness_mm: float

    def __post_init__(self) -> None:
        """Refuse what is no thickness."""
        more_than_zero(
            f"the measured thickness at position {self.position}", self.thickness_mm, "mm"
        )


@dataclass(frozen=True, slots=True)
class SeenAt:
    """A part that was pressed before: place in the list of layers, from 1, and how far in %."""

    position: int
    percent: float

    def __post_init__(self) -> None:
        """Refuse what no part survives."""
        within(f"the squeeze seen at position {self.position}", self.percent, "%", 0.0, 99.0)


@dataclass(frozen=True, slots=True)
class ClosingPile:
    """The layers from the fixed end, each as a number in ``types`` (from 0), with its cell.

    ``plates`` are the compression plates, as numbers in ``types`` too.
    """

    types: tuple[ClosingType, ...]
    layers: tuple[int, ...]
    cells: tuple[int | None, ...]
    measured: tuple[MeasuredAt, ...] = ()
    plates: tuple[int, ...] = ()
    measured_plates: tuple[MeasuredAt, ...] = ()
    seen: tuple[SeenAt, ...] = ()

    def __post_init__(self) -> None:
        """Refuse numbers that point nowhere."""
        if len(self.layers) != len(self.cells):
            raise Inconsistent("Layers and their cells are not equally many.")
        for number in (*self.layers, *self.plates):
            within("the number of a part type", number, "", 0, len(self.types) - 1)
        of_layers = [entry.position for entry in self.measured] + [
            entry.position for entry in self.seen
        ]
        of_plates = [entry.position for entry in self.measured_plates]
        for positions, count in ((of_layers, len(self.layers)), (of_plates, len(self.plates))):
            for position in positions:
                within("the position of a measured part", position, "", 1, count)

    def placed(self) -> tuple[Placed, ...]:
        """Return every layer with its type, in order."""
        measured_mm = {entry.position: entry.thickness_mm for entry in self.measured}
        percents = {entry.position: entry.percent for entry in self.seen}
        return tuple(
            Placed(self.types[number], cell, measured_mm.get(position), percents.get(position, 0.0))
            for position, (number, cell) in enumerate(zip(self.layers, self.cells, strict=True), 1)
        )

    def placed_plates(self) -> tuple[Placed, ...]:
        """Return both compression plates."""
        measured_mm = {entry.position: entry.thickness_mm for entry in self.measured_plates}
        return tuple(
            Placed(self.types[number], None, measured_mm.get(position))
            for position, number in enumerate(self.plates, 1)
        )


def pile_of(layers: Sequence[Placed], plates: Sequence[Placed] = ()) -> ClosingPile:
    """Return the pile from its parts in order; each type is kept once."""
    types: dict[ClosingType, int] = {}
    for part in (*layers, *plates):
        types.setdefault(part.type, len(types))

    def own(parts: Sequence[Placed]) -> tuple[MeasuredAt, ...]:
        return tuple(
            MeasuredAt(position, part.measured_mm)
            for position, part in enumerate(parts, 1)
            if part.measured_mm is not None
        )

    return ClosingPile(
        tuple(types),
        tuple(types[part.type] for part in layers),
        tuple(part.cell for part in layers),
        own(layers),
        tuple(types[part.type] for part in plates),
        own(plates),
        tuple(
            SeenAt(position, entry.seen_percent)
            for position, entry in enumerate(layers, 1)
            if entry.seen_percent
        ),
    )


def type_as_data(of: ClosingType) -> dict[str, Any]:
    """Return a part type as plain data."""
    stiffness = None if of.stiffness is None else stiffness_as_data(of.stiffness)
    return {
        "name": of.name,
        "kind": str(of.kind),
        "thickness_mm": of.thickness_mm,
        "stiffness": as_data(stiffness),
        "joint": None if of.joint is None else str(of.joint),
    }


def bare_type(of: ClosingType) -> dict[str, Any]:
    """Return a part type as plain data, without its stiffness."""
    return {"name": of.name, "kind": str(of.kind), "thickness_mm": of.thickness_mm}


def type_from_data(data: Mapping[str, Any]) -> ClosingType:
    """Return a part type from plain data. Raises Inconsistent or OutOfRange naming the field."""
    stiffness = data.get("stiffness")
    bare = from_data(ClosingType, {**data, "stiffness": None}, "a part type")
    if stiffness is None:
        return bare
    return replace(bare, stiffness=stiffness_from(bare.kind, stiffness))


FORM = "closing 1"


@dataclass(frozen=True, slots=True)
class RodPlace:
    """Where a rod stands, mm from the middle of plate and active area."""

    number: int
    x_mm: float
    y_mm: float

    def __post_init__(self) -> None:
        """Refuse a place that is none."""
        finite(f"x of rod {self.number}", self.x_mm, "mm")
        finite(f"y of rod {self.number}", self.y_mm, "mm")


PRELOAD_KINDS = (ReadingKind.SET, ReadingKind.RESIDUAL)
MOST_OFF_PERCENT = 50.0
"""A driver that may be further off says nothing of the preload (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class RodReading:
    """One standing torque reading, in the order they were taken.

    ``minutes`` count from the first reading of the closing. ``deviation_percent`` is the driver's
    permissible deviation ± (None: as is usual), ``step_nm`` its resolution, ``driver`` its mark.
    A nut that answered a click tool (``press``) was not read: its torque is the tool's setting.
    """

    rod: int
    torque_nm: float
    kind: ReadingKind
    pass_number: int
    minutes: float = 0.0
    deviation_percent: float | None = None
    step_nm: float = 0.0
    driver: str = ""
    press: Press | None = None

    def __post_init__(self) -> None:
        """Refuse what no driver reads."""
        more_than_zero(f"the torque on rod {self.rod}", self.torque_nm, "N·m")
        finite("the time of a reading", self.minutes, "min")
        not_below_zero("the driver's resolution", self.step_nm, "N·m")
        if self.deviation_percent is not None:
            not_below_zero("the driver's deviation", self.deviation_percent, "%")

    @property
    def gives_preload(self) -> bool:
        """Say whether a preload follows: a set or residual torque, read by a driver near enough."""
        off = self.deviation_percent
        return self.kind in PRELOAD_KINDS and (off is None or off <= MOST_OFF_PERCENT)


@dataclass(frozen=True, slots=True)
class ClosingInputs:
    """Everything a closing is computed from. Readings as found at an opening do not belong here.

    ``disc`` is the part type of the disc springs on the rods. ``temperature_c`` is that of the
    stack when it was closed (None: the figures' own). ``limits`` names the version of the figures.
    """

    pile: ClosingPile
    rods: tuple[RodPlace, ...]
    readings: tuple[RodReading, ...]
    figures: DesignFigures
    active_area_cm2: float
    rod_length_mm: float | None = None
    disc: ClosingType | None = None
    passes: int | None = None
    target_torque_nm: float | None = None
    temperature_c: float | None = None
    limits: str = ""
    corners: tuple[CornersMeasured, ...] = ()
    """heights measured at the corners, by pass"""
    held: Held | None = None
    """how it was closed where that was not by the torque"""

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        more_than_zero("the active area", self.active_area_cm2, "cm²")
        numbers = [rod.number for rod in self.rods]
        for number in numbers:
            if numbers.count(number) > 1:
                raise Inconsistent(f"Rod {number} is named twice.")
        for reading in self.readings:
            if reading.rod not in numbers:
                raise Inconsistent(f"No place is known for rod {reading.rod}, which was read.")
        if self.rod_length_mm is not None:
            more_than_zero("the length of the rods", self.rod_length_mm, "mm")


def inputs_as_data(inputs: ClosingInputs) -> dict[str, Any]:
    """Return the inputs as plain data; `inputs_from_data` reads it."""
    data = with_form(FORM, inputs)
    data["figures"] = with_form(FIGURES_FORM, inputs.figures)
    data["pile"]["types"] = [type_as_data(type_) for type_ in inputs.pile.types]
    data["disc"] = None if inputs.disc is None else type_as_data(inputs.disc)
    return data


def inputs_from_data(data: Mapping[str, Any]) -> ClosingInputs:
    """Return inputs from plain data. Raises Inconsistent or OutOfRange naming the field."""
    fields = check_form(FORM, data)
    figures, pile = fields.get("figures"), fields.get("pile")
    if not isinstance(figures, Mapping) or not isinstance(pile, Mapping):
        raise Inconsistent("Figures or pile are missing in the closing's inputs.")
    types = [type_from_data(entry) for entry in pile.get("types", ())]
    disc = fields.get("disc")
    rest = {name: value for name, value in fields.items() if name not in {"disc", "pile"}}
    inputs = from_data(
        ClosingInputs,
        {
            **rest,
            "figures": check_form(FIGURES_FORM, figures),
            "pile": {**pile, "types": [bare_type(entry) for entry in types]},
        },
        "the closing's inputs",
    )
    whole = replace(inputs.pile, types=tuple(types))
    return replace(inputs, pile=whole, disc=None if disc is None else type_from_data(disc))
