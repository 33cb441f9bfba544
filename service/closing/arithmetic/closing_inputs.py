"""All that a closing is computed from: pile, rods, readings, figures. JSON form “closing 1”.

Enough to compute it again. Lengths in mm, torques in N·m. Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.closing.arithmetic.closing_pile import (
    ClosingPile,
    ClosingType,
    bare_type,
    type_as_data,
    type_from_data,
)
from service.limits.arithmetic.figures import FORM as FIGURES_FORM
from service.limits.arithmetic.figures import DesignFigures
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.preconditions import finite, more_than_zero, not_below_zero, within
from service.platform.arithmetic.vocabulary import ReadingKind

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


@dataclass(frozen=True, slots=True)
class RodReading:
    """One standing torque reading, in the order they were taken.

    ``minutes`` count from the first reading of the closing. ``deviation_percent`` is the driver's
    permissible deviation ± (None: as is usual), ``step_nm`` its resolution, ``driver`` its mark.
    """

    rod: int
    torque_nm: float
    kind: ReadingKind
    pass_number: int
    minutes: float = 0.0
    deviation_percent: float | None = None
    step_nm: float = 0.0
    driver: str = ""

    def __post_init__(self) -> None:
        """Refuse what no driver reads."""
        more_than_zero(f"the torque on rod {self.rod}", self.torque_nm, "N·m")
        finite("the time of a reading", self.minutes, "min")
        not_below_zero("the driver's resolution", self.step_nm, "N·m")
        if self.deviation_percent is not None:
            within("the driver's deviation", self.deviation_percent, "%", 0.0, 50.0)


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
