"""The pattern of a design: kept, changed while no stack uses it, frozen with it.

A design taken into use before patterns were kept gets its pattern once; nothing else of it changes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from service.designs.arithmetic.grammar import Pattern, objections
from service.designs.arithmetic.pattern_toml import read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import Misnamed, completed
from service.designs.queries.patterns import COUNTED_ON_RODS, known_types
from service.designs.tables import Design
from service.platform import changes as given
from service.platform.arithmetic.vocabulary import Kind
from service.platform.audit import Change, Did
from service.platform.database import Work
from service.platform.errors import NotFound, Refused, RefusedTogether
from service.platform.permissions import Act, need

MOST_ON_A_ROD = 100


@dataclass(frozen=True, slots=True)
class PatternEntry:
    """A pattern, and how many sleeves, disc springs and nuts belong on each rod.

    A kind that is not named may be there or not.
    """

    pattern: Pattern
    on_each_rod: Mapping[Kind, int] = field(default_factory=dict)


def keep_pattern(work: Work, design_id: int, entry: PatternEntry, *, reason: str) -> None:
    """Keep a design's pattern, with the reason; its least and most cells become the design's.

    Raises RefusedTogether naming each item by its part of the pattern and its number
    (``cell_2_facing``), Refused once the design is in use and keeps a pattern.
    """
    need(work.by, Act.DESIGN_WRITE)
    row = work.session.get(Design, design_id, with_for_update=True)
    if row is None:
        raise NotFound("design", design_id)
    named = f"{row.name} {row.revision}"
    pattern = entry.pattern
    if row.frozen_at is not None:
        _refuse_frozen(row, named, pattern)
    why = given.reason(reason)
    pattern = checked(work, pattern)
    counts = _counted(entry.on_each_rod)
    changes: list[Change] = [("pattern", row.pattern, write_pattern(pattern))]
    if row.frozen_at is None:
        changes += [
            ("least_cells", row.least_cells, pattern.least_cells),
            ("most_cells", row.most_cells, pattern.most_cells),
        ]
    changes += [(name, getattr(row, name), count) for name, count in counts.items()]
    for name, _, now in changes:
        if getattr(row, name) != now:
            setattr(row, name, now)
    work.note(Did.DESIGN_CHANGED, ("design", design_id, named), changes, reason=why)


def checked(work: Work, pattern: Pattern) -> Pattern:
    """The pattern with what its part types say of themselves. Raises RefusedTogether."""
    whole, misnamed = completed(pattern, known_types(work.session))
    if misnamed:
        raise RefusedTogether([*map(_refused, misnamed)])
    if said := objections(whole):
        raise RefusedTogether([Refused("pattern", "", one) for one in said])
    return whole


def carried_over(old: Design, *, least_cells: int, most_cells: int) -> dict[str, object]:
    """Columns of the pattern for a design made from another, or whose number of cells changes."""
    said: dict[str, object] = {name: getattr(old, name) for name in COUNTED_ON_RODS.values()}
    if old.pattern is not None:
        pattern = replace(read_pattern(old.pattern), least_cells=least_cells, most_cells=most_cells)
        said["pattern"] = write_pattern(pattern)
    return said


def _refuse_frozen(row: Design, named: str, pattern: Pattern) -> None:
    if row.pattern is not None:
        raise Refused(
            "pattern",
            named,
            "it is frozen, for a stack is made to it.",
            "A new revision made from it would be right.",
        )
    for name in ("least_cells", "most_cells"):
        if getattr(pattern, name) != getattr(row, name):
            raise Refused(
                name,
                getattr(pattern, name),
                f"{named} is in use and says {getattr(row, name)}.",
                f"{getattr(row, name)} would be right, or a new revision.",
            )


def _counted(on_each_rod: Mapping[Kind, int]) -> dict[str, int | None]:
    for kind, count in on_each_rod.items():
        if kind not in COUNTED_ON_RODS:
            right = f"Right would be {', '.join(COUNTED_ON_RODS)}."
            raise Refused("on_each_rod", kind, "it is not counted on rods.", right)
        if not 0 <= count <= MOST_ON_A_ROD:
            right = f"0 to {MOST_ON_A_ROD} would be right."
            raise Refused(COUNTED_ON_RODS[kind], count, "so many fit on no rod.", right)
    return {name: on_each_rod.get(kind) for kind, name in COUNTED_ON_RODS.items()}


def _refused(one: Misnamed) -> Refused:
    return Refused(f"{one.where}_{one.number}_{one.key}", one.value, one.reason, one.right_would_be)
