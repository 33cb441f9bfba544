"""The checks of a closing: what is asked for, what was recorded, which height is computed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.closing.arithmetic.closing_checks import ClosingCheck, ExpectedHeight, expected_height
from service.designs.arithmetic.pile import height_mm
from service.platform.arithmetic.vocabulary import Kind
from service.records.queries.record_entries import Entry
from service.records.queries.working_piles import WorkingPile
from service.records.tables import StepKind


@dataclass(frozen=True, slots=True)
class CheckAsked:
    """One check of the closing, for one rod where it is asked of each; ``entry`` recorded it.

    ``by_tests``: the tests of insulation and of shorts stand, which say more than a tick.
    """

    check: ClosingCheck
    rod_number: int | None
    entry: Entry | None
    by_tests: bool = False

    @property
    def is_done(self) -> bool:
        """Be true where it is recorded, or tests stand for it."""
        return self.entry is not None or self.by_tests

    @property
    def words(self) -> str:
        """What a person calls it."""
        return f"{self.check}, rod {self.rod_number}" if self.rod_number else str(self.check)


@dataclass(frozen=True, slots=True)
class ComputedHeight:
    """The height the parts add up to; ``expected`` None: ``unknown`` says for want of what."""

    expected: ExpectedHeight | None
    unknown: str = ""


def checks_asked(entries: Sequence[Entry], rods: Sequence[int]) -> tuple[CheckAsked, ...]:
    """Which checks does a closing ask for, and which are recorded? What was entered last counts."""
    recorded = {
        (entry.check.wording, entry.rod_number): entry
        for entry in entries
        if entry.stands and entry.kind is StepKind.CLOSING_CHECK and entry.check is not None
    }
    places: list[tuple[ClosingCheck, int | None]] = [(ClosingCheck.HEIGHT, None)]
    places += [(ClosingCheck.PROTRUSION, rod) for rod in sorted(rods)]
    places += [(ClosingCheck.SLEEVES, None), (ClosingCheck.SHORTS, None)]
    by_tests = done_by_tests(entry.kind for entry in entries if entry.stands)
    return tuple(
        CheckAsked(
            check,
            rod,
            recorded.get((check.wording, rod)),
            by_tests and check is ClosingCheck.SHORTS,
        )
        for check, rod in places
    )


def done_by_tests(kinds: Iterable[StepKind]) -> bool:
    """Do a test of insulation and a check of the cells stand among the entries?"""
    return {StepKind.INSULATION_TEST, StepKind.SHORT_CHECK} <= set(kinds)


def computed_height(pile: WorkingPile) -> ComputedHeight:
    """How high do the parts of this pile make the closed stack? No statement."""
    layers = pile.layers
    if not layers:
        return ComputedHeight(None, "the pile is empty")
    bare = dict.fromkeys(layer.part_type for layer in layers if layer.part in pile.no_thickness)
    plates = [one for one in pile.fixings if one.kind is Kind.COMPRESSION_PLATE]
    bare |= dict.fromkeys(one.part_type for one in plates if one.thickness_mm is None)
    if bare:
        return ComputedHeight(None, f"no thickness is kept of {', '.join(bare)}")
    if len(plates) != 2:
        return ComputedHeight(None, f"{len(plates)} compression plates are recorded, not two")
    plates_mm = sum(one.thickness_mm or 0.0 for one in plates)
    return ComputedHeight(expected_height(height_mm(layers), plates_mm))
