"""What an acceptance of a used part rests on, and how far. Common practice, no source."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.fields import choice, number, whole, words, yes
from service.platform.arithmetic.vocabulary import Facing


class Basis(StrEnum):
    """What somebody looked at before a used part was accepted."""

    INSPECTION = "inspection"
    FINDING = "finding"
    MEASUREMENT = "measurement"
    PAPERS = "papers"
    NOT_RECORDED = "not recorded"


CHOSEN = tuple(basis for basis in Basis if basis is not Basis.NOT_RECORDED)


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What a used part was accepted on, and its limits: none is set where there is none.

    ``until_hours_h``: hours of operation in all, ``until_openings``: openings in all.
    ``anode_facing``: the end its marked face looked at when it was accepted, where it has to look
    there again.
    """

    basis: Basis
    thickness_mm: float | None = None
    leak: str = ""
    finding_id: int | None = None
    leak_test_id: int | None = None
    hours_h: float | None = None
    until_hours_h: float | None = None
    until_openings: int | None = None
    design_id: int | None = None
    cell_from: int | None = None
    cell_to: int | None = None
    same_anode_side: bool = False

    @property
    def rests_on(self) -> str:
        """What it rests on, with what was measured."""
        if self.basis is Basis.NOT_RECORDED:
            return "basis not recorded"
        thickness = "" if self.thickness_mm is None else f"{self.thickness_mm:g}\u2009mm"
        hours = "" if self.hours_h is None else f"at {self.hours_h:g}\u2009h"
        test = "" if self.leak_test_id is None else f"leak test {self.leak_test_id}"
        finding = "" if self.finding_id is None else f"finding {self.finding_id}"
        said = (f"rests on {self.basis}", finding, thickness, self.leak, test, hours)
        return ", ".join(filter(None, said))

    @property
    def limits(self) -> tuple[str, ...]:
        """How far it reaches, beside its design."""
        cells = ""
        if self.cell_from is not None or self.cell_to is not None:
            cells = f"cells {self.cell_from or 1} to {self.cell_to or 'the last'}"
        hours, openings = self.until_hours_h, self.until_openings
        said = (
            "" if hours is None else f"until {hours:g}\u2009h in all",
            "" if openings is None else f"until {openings} openings in all",
            cells,
            "with the same face to the same end" if self.same_anode_side else "",
        )
        return tuple(filter(None, said))


FIELDS = (
    choice("basis", "It rests on", tuple(map(str, CHOSEN)), required=False,
           help="Of a part that is accepted used."),
    whole("finding_id", "Finding on the part, its number", least=1, most=2**53, required=False),
    number("thickness_mm", "Thickness measured", "mm", above=True, required=False),
    words("leak", "Leak found", required=False, help="With its unit, such as 0.4 mL/min per cell."),
    whole("leak_test_id", "Leak test of the part, its number", least=1, most=2**53, required=False),
    number("hours_h", "Hours it had", "h", required=False),
    number("until_hours_h", "Accepted until so many hours in all", "h", above=True, required=False),
    whole("until_openings", "Accepted until so many openings in all", least=0, most=1000,
          required=False),
    whole("cell_from", "Only from cell", least=1, most=2000, required=False),
    whole("cell_to", "Only up to cell", least=1, most=2000, required=False),
    yes("same_anode_side", "Only with the same face to the same end as before"),
)  # fmt: skip
"""What the form of an acceptance asks for, beside its design."""


def used_up(acceptance: Acceptance, *, hours_h: float, openings: int) -> Iterator[str]:
    """Say how a part has outlived what it was accepted used for; hours in h, all in all.

    >>> list(used_up(Acceptance(Basis.PAPERS, until_openings=2), hours_h=0, openings=3))
    ['accepted used until 2 openings, it has 3']
    """
    hours_most, openings_most = acceptance.until_hours_h, acceptance.until_openings
    if hours_most is not None and hours_h > hours_most:
        yield f"accepted used until {hours_most:g}\u2009h, it has {hours_h:g}\u2009h"
    if openings_most is not None and openings > openings_most:
        yield f"accepted used until {openings_most} openings, it has {openings}"


def misplaced(
    acceptance: Acceptance, cell: int | None, facing: Facing | None, facing_before: Facing | None
) -> Iterator[str]:
    """Say how a place in a stack lies beyond an acceptance.

    >>> limited = Acceptance(Basis.INSPECTION, cell_from=2, cell_to=3)
    >>> list(misplaced(limited, 1, None, None))
    ['accepted used for cells 2 to 3 only']
    """
    least, most = acceptance.cell_from or 1, acceptance.cell_to
    is_placed = acceptance.cell_from is not None or most is not None
    if is_placed and (cell is None or cell < least or (most is not None and cell > most)):
        span = f"from cell {least} on" if most is None else f"for cells {least} to {most}"
        yield f"accepted used {span} only"
    if acceptance.same_anode_side and facing_before is not None and facing is not facing_before:
        way = "not noted which way" if facing is None else f"now to the {facing}"
        yield f"accepted used with its marked face to the {facing_before} only: {way}"
