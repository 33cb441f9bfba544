"""The height a closed stack should have: over both compression plates, its parts pressed."""

from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import closing
from service.closing.arithmetic.closing_checks import (
    LEAST_TOLERANCE_MM,
    ExpectedHeight,
    expected_height,
)
from service.closing.arithmetic.closing_inputs import ClosingInputs, RodReading
from service.closing.queries.closing_inputs import closing_ground
from service.designs.arithmetic.pile import height_mm
from service.platform.arithmetic.vocabulary import Kind, ReadingKind
from service.records.queries.working_piles import WorkingPile


@dataclass(frozen=True, slots=True)
class ComputedHeight:
    """The closed height computed; ``expected`` None: ``unknown`` says for want of what.

    ``is_pressed``: as the nuts press it, by the figures in force; else the sum of the thicknesses.
    """

    expected: ExpectedHeight | None
    unknown: str = ""
    is_pressed: bool = False

    @property
    def includes(self) -> str:
        """What the height includes, in words."""
        return "pressed by the nuts" if self.is_pressed else "sum of the thicknesses as fitted"


def computed_height(session: Session, record_id: int, pile: WorkingPile) -> ComputedHeight:
    """Compute how high the parts of this pile make the closed stack. Eight statements or none.

    At the torque that was read; before every nut is read, at the design's.
    """
    layers = pile.layers
    if not layers:
        return ComputedHeight(None, "the pile is empty")
    bare = dict.fromkeys(layer.part_type for layer in layers if layer.part in pile.no_thickness)
    plates = [fixing for fixing in pile.fixings if fixing.kind is Kind.COMPRESSION_PLATE]
    bare |= dict.fromkeys(fixing.part_type for fixing in plates if fixing.thickness_mm is None)
    if bare:
        names = ", ".join(bare)
        return ComputedHeight(None, f"{names} has no thickness: enter it on its part type")
    if len(plates) != 2:
        why = f"{len(plates)} compression plates are recorded, not two: enter them under fixings"
        return ComputedHeight(None, why)
    pressed = _pressed(closing_ground(session, record_id, pile).inputs)
    if pressed is not None:
        return ComputedHeight(pressed, is_pressed=True)
    plates_mm = sum(fixing.thickness_mm or 0.0 for fixing in plates)
    return ComputedHeight(expected_height(height_mm(layers), plates_mm))


def _pressed(inputs: ClosingInputs) -> ExpectedHeight | None:
    closed = closing(inputs).closed
    if closed is None and inputs.target_torque_nm:
        at_target = tuple(
            RodReading(rod.number, inputs.target_torque_nm, ReadingKind.SET, inputs.passes or 1)
            for rod in inputs.rods
        )
        closed = closing(replace(inputs, readings=at_target)).closed
    if closed is None:
        return None
    expected = expected_height(closed.closed_height_mm.value, 0.0)
    tolerance = max(LEAST_TOLERANCE_MM, expected.tolerance_mm, closed.closed_height_mm.expanded)
    return replace(expected, tolerance_mm=tolerance)
