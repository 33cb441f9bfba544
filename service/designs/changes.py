"""Designs: made in revisions, changed until the first stack uses them, frozen from then on."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields, replace
from typing import Any

from sqlalchemy import delete, func, select

from service.designs.arithmetic.design_fields import DESIGN_FIELDS, FLUIDS
from service.designs.arithmetic.grammar import Pattern, objections
from service.designs.arithmetic.pattern_toml import read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import Misnamed, completed
from service.designs.queries import (
    COUNTED_ON_RODS,
    DesignEntry,
    LineEntry,
    PatternEntry,
    PortEntry,
    RodEntry,
    known_types,
    pattern_as_content,
)
from service.designs.tables import ChecklistLine, Design, DesignPort, DesignRod
from service.platform import changes as given
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.audit import Change, Event
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether
from service.platform.permissions import Act, need
from service.stacks.tables import Stack
from service.store.changes.proposals import propose
from service.store.tables import ChangeKind

# The pattern of a design: proposed, in force once somebody else approves it, frozen in use.
#
# A design taken into use without a pattern gets it once; nothing else of it changes.


MOST_ON_A_ROD = 100


def propose_pattern(work: Work, design_id: int, entry: PatternEntry, *, reason: str) -> int:
    """Propose a design's pattern, in force once somebody else approves it. Gives the proposal.

    Its least and most cells then become the design's. Raises RefusedTogether naming each item by
    its part of the pattern and its number (``cell_2_facing``), Refused where nothing differs, or
    once the design is in use and keeps a pattern.
    """
    need(work.by, Act.DESIGN_WRITE)
    row, whole, changes = _pattern_changes(work, design_id, entry)
    why = given.reason(reason)
    return propose(
        work,
        ChangeKind.PATTERN,
        (design_id, f"{row.name} {row.revision}"),
        pattern_as_content(whole),
        changes,
        reason=why,
    )


def put_pattern_in_force(work: Work, design_id: int, entry: PatternEntry, *, reason: str) -> None:
    """Keep a pattern somebody else has approved, inside that change.

    Raises what `propose_pattern` does, where the design or its part types changed meanwhile.
    """
    need(work.by, Act.CHANGE_APPROVE)
    row, _whole, changes = _pattern_changes(work, design_id, entry)
    for name, _, value in changes:
        setattr(row, name, value)
    design_name = f"{row.name} {row.revision}"
    work.note(Event.DESIGN_CHANGED, ("design", design_id, design_name), changes, reason=reason)


def _pattern_changes(
    work: Work, design_id: int, entry: PatternEntry
) -> tuple[Design, PatternEntry, list[Change]]:
    """The design, the entry with what its part types say of themselves, and what changes."""
    row = work.locked(Design, design_id, "design")
    design_name = f"{row.name} {row.revision}"
    pattern = entry.pattern
    if row.frozen_at is not None:
        _refuse_frozen(row, design_name, pattern)
    pattern = checked(work, pattern)
    columns = {
        "pattern": write_pattern(pattern),
        "least_cells": pattern.least_cells,
        "most_cells": pattern.most_cells,
        **_counted(entry.on_each_rod),
    }
    changes: list[Change] = [
        (name, getattr(row, name), value)
        for name, value in columns.items()
        if getattr(row, name) != value
    ]
    if not changes:
        raise Refused("pattern", design_name, "nothing differs from it as it is kept.", "A change.")
    return row, PatternEntry(pattern, entry.on_each_rod), changes


def checked(work: Work, pattern: Pattern) -> Pattern:
    """Return the pattern with what its part types say of themselves. Raises RefusedTogether."""
    whole, misnamed = completed(pattern, known_types(work.session))
    if misnamed:
        raise RefusedTogether([*map(_refused, misnamed)])
    if sentences := objections(whole):
        raise RefusedTogether([Refused("pattern", "", sentence) for sentence in sentences])
    return whole


def carried_over(old: Design, *, least_cells: int, most_cells: int) -> dict[str, object]:
    """Return the pattern's columns for a design made from another, or of other cell number."""
    columns: dict[str, object] = {name: getattr(old, name) for name in COUNTED_ON_RODS.values()}
    if old.pattern is not None:
        pattern = replace(read_pattern(old.pattern), least_cells=least_cells, most_cells=most_cells)
        columns["pattern"] = write_pattern(pattern)
    return columns


def _refuse_frozen(row: Design, design_name: str, pattern: Pattern) -> None:
    if row.pattern is not None:
        raise Refused(
            "pattern",
            design_name,
            "it is frozen, for a stack is made to it.",
            "A new revision made from it would be right.",
        )
    for name in ("least_cells", "most_cells"):
        if getattr(pattern, name) != getattr(row, name):
            raise Refused(
                name,
                getattr(pattern, name),
                f"{design_name} is in use and says {getattr(row, name)}.",
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


def _refused(misnamed: Misnamed) -> Refused:
    return Refused(
        f"{misnamed.section}_{misnamed.number}_{misnamed.key}",
        misnamed.value,
        misnamed.reason,
        misnamed.right_would_be,
    )


PARTS = ("rods", "ports", "checklist")


def make_design(work: Work, entry: DesignEntry, *, made_from: int | None = None) -> int:
    """Make a design, or a new revision of one, which begins with its pattern. Gives its id.

    Raises RefusedTogether naming every field that cannot be taken: a revision that exists, rods
    outside the plate or in the same place, a tightening order with a gap.
    """
    need(work.by, Act.DESIGN_WRITE)
    entry = _checked(work, entry)
    _refuse_taken(work, entry, but=None)
    pattern = _pattern_of(work, made_from, entry) if made_from is not None else {}
    row = Design(**_own(entry), **pattern, made_at=work.now)
    work.session.add(row)
    work.session.flush()
    _put_parts(work, row.id, entry)
    changes = given.trail_of(DESIGN_FIELDS, None, entry)
    changes += [(name, None, told(getattr(entry, name))) for name in PARTS]
    changes += [(name, None, value) for name, value in pattern.items()]
    work.note(Event.DESIGN_MADE, ("design", row.id, f"{row.name} {row.revision}"), changes)
    return row.id


def change_design(work: Work, design_id: int, entry: DesignEntry, *, reason: str) -> None:
    """Change a design which no stack uses yet, with the reason.

    Raises Refused once a stack is made to it: a new revision is the way.
    """
    need(work.by, Act.DESIGN_WRITE)
    row = work.locked(Design, design_id, "design")
    used_by = work.session.scalar(select(Stack.serial).where(Stack.design_id == design_id).limit(1))
    if row.frozen_at is not None or used_by is not None:
        raise Refused(
            "name",
            f"{row.name} {row.revision}",
            "it is frozen, for a stack is made to it" + (f": {used_by}." if used_by else "."),
            "A new revision made from it would be right.",
        )
    why = given.reason(reason)
    entry = _checked(work, entry)
    _refuse_taken(work, entry, but=design_id)
    before = entry_of(work, row)
    pattern = carried_over(row, least_cells=entry.least_cells, most_cells=entry.most_cells)
    changes = given.trail_of(DESIGN_FIELDS, before, entry)
    changes += [(name, told(getattr(before, name)), told(getattr(entry, name))) for name in PARTS]
    changes += [(name, getattr(row, name), value) for name, value in pattern.items()]
    for name, value in (_own(entry) | pattern).items():
        setattr(row, name, value)
    for table in (DesignRod, DesignPort, ChecklistLine):
        work.session.execute(delete(table).where(table.design_id == design_id))
    _put_parts(work, design_id, entry)
    work.note(
        Event.DESIGN_CHANGED,
        ("design", design_id, f"{row.name} {row.revision}"),
        changes,
        reason=why,
    )


def _pattern_of(work: Work, design_id: int, entry: DesignEntry) -> dict[str, object]:
    old = work.row(Design, design_id, "design")
    return carried_over(old, least_cells=entry.least_cells, most_cells=entry.most_cells)


def entry_of(work: Work, row: Design) -> DesignEntry:
    """Return the design as an entry: what was said of it so far."""

    def rows(table: type[DesignRod | DesignPort | ChecklistLine]) -> Sequence[object]:
        order = table.id if table is DesignPort else table.number  # type: ignore[union-attr]
        return work.session.scalars(
            select(table).where(table.design_id == row.id).order_by(order)
        ).all()

    def read(kind: type, rows: Sequence[object]) -> tuple[object, ...]:
        names = [f.name for f in fields(kind)]
        return tuple(kind(**{name: getattr(row, name) for name in names}) for row in rows)

    parts = {
        "rods": read(RodEntry, rows(DesignRod)),
        "ports": read(PortEntry, rows(DesignPort)),
        "checklist": read(LineEntry, rows(ChecklistLine)),
    }
    return DesignEntry(**_own(row), **parts)  # type: ignore[arg-type]


def told(entries: Sequence[RodEntry | PortEntry | LineEntry]) -> str:
    """Write rods, ports or checklist lines in one line of words, for the trail."""
    return "; ".join(
        " ".join(
            f"{name} {value}" for name, value in asdict(entry).items() if value not in {None, ""}
        )
        for entry in entries
    )


def _own(entry: Design | DesignEntry) -> dict[str, Any]:
    return {field.name: getattr(entry, field.name) for field in DESIGN_FIELDS}


def _put_parts(work: Work, design_id: int, entry: DesignEntry) -> None:
    for rod in entry.rods:
        work.session.add(DesignRod(design_id=design_id, **asdict(rod)))
    for port in entry.ports:
        work.session.add(
            DesignPort(
                design_id=design_id, end=port.end.value, fluid=port.fluid, label=port.label.strip()
            )
        )
    for number, line in enumerate(entry.checklist, 1):
        columns = asdict(line) | {"wording": line.wording.strip()}
        work.session.add(ChecklistLine(design_id=design_id, number=number, **columns))
    work.session.flush()


def _checked(work: Work, entry: DesignEntry) -> DesignEntry:
    wrong = given.refusals(entry, DESIGN_FIELDS, work.now)
    if entry.most_cells < entry.least_cells:
        right = f"{entry.least_cells} or more would be right."
        few = "that is fewer than the least number."
        wrong.append(Refused("most_cells", entry.most_cells, few, right))
    wrong += [*_rods_wrong(entry), *_ports_wrong(entry), *_lines_wrong(entry)]
    if wrong:
        raise RefusedTogether(wrong)
    return given.checked(entry, DESIGN_FIELDS, work.now)


def _rods_wrong(entry: DesignEntry) -> list[Refused]:
    if len(entry.rods) < 2:
        right = "At least two rods, with their places, would be right."
        return [Refused("rods", len(entry.rods) or "", "these do not close a clamp.", right)]
    wrong: list[Refused] = []
    wide, high = entry.plate_width_mm / 2, entry.plate_height_mm / 2
    places: dict[tuple[float, float], int] = {}
    count = len(entry.rods)
    for rod in entry.rods:
        field = f"rod_{rod.number}_x_mm"
        if not (math.isfinite(rod.x_mm) and abs(rod.x_mm) <= wide):
            right = f"−{wide:g} to {wide:g}\u2009mm from the plate's middle would be right."
            wrong.append(Refused(field, rod.x_mm, "it lies outside the plate.", right))
        if not (math.isfinite(rod.y_mm) and abs(rod.y_mm) <= high):
            right = f"−{high:g} to {high:g}\u2009mm from the plate's middle would be right."
            wrong.append(Refused(f"rod_{rod.number}_y_mm", rod.y_mm, "outside the plate.", right))
        rod_there = places.setdefault((rod.x_mm, rod.y_mm), rod.number)
        if rod_there != rod.number:
            right = "Each rod stands in a place of its own."
            wrong.append(Refused(field, rod.x_mm, f"rod {rod_there} stands there too.", right))
    if sorted(rod.number for rod in entry.rods) != list(range(1, count + 1)):
        wrong.append(Refused("rods", "", f"they are not numbered 1 to {count}."))
    turns = sorted(rod.turn for rod in entry.rods)
    if turns != list(range(1, count + 1)):
        twice = next((turn for turn in turns if turns.count(turn) > 1), turns[-1])
        rod = next(rod for rod in reversed(entry.rods) if rod.turn == twice)
        right = f"Each of 1 to {count} once would be right."
        reason = "the tightening order is not one round over all rods."
        wrong.append(Refused(f"rod_{rod.number}_turn", twice, reason, right))
    return wrong


def _ports_wrong(entry: DesignEntry) -> list[Refused]:
    wrong: list[Refused] = []
    labels: set[tuple[End, str]] = set()
    for number, port in enumerate(entry.ports, 1):
        if port.fluid not in FLUIDS:
            right = "Right would be: " + ", ".join(FLUIDS) + "."
            wrong.append(Refused(f"port_{number}_fluid", port.fluid, "no such fluid.", right))
        label = port.label.strip()
        if not label:
            right = "As marked, such as fuel in."
            wrong.append(Refused(f"port_{number}_label", "", "it has no mark.", right))
        elif (port.end, label.casefold()) in labels:
            reason = f"another port of the {port.end} bears that mark."
            wrong.append(Refused(f"port_{number}_label", label, reason, "A mark of its own."))
        labels.add((port.end, label.casefold()))
    return wrong


def _lines_wrong(entry: DesignEntry) -> list[Refused]:
    wrong: list[Refused] = []
    for number, line in enumerate(entry.checklist, 1):
        try:
            given.words(f"line_{number}_wording", line.wording, "What is to be done.", most=1000)
        except Refused as refusal:
            wrong.append(refusal)
        if line.reading_most is not None and not line.unit:
            reason = "a limit needs the unit of its reading."
            wrong.append(Refused(f"line_{number}_unit", "", reason, "Such as V or kPa."))
        if line.needs_instrument and not line.unit:
            reason = "an instrument gives a reading, which needs its unit."
            wrong.append(Refused(f"line_{number}_unit", "", reason, "Such as V or kPa."))
    return wrong


def _refuse_taken(work: Work, entry: DesignEntry, *, but: int | None) -> None:
    design_id = work.session.scalar(
        select(Design.id).where(
            func.lower(Design.name) == entry.name.lower(),
            func.lower(Design.revision) == entry.revision.lower(),
            Design.id != (but or 0),
        )
    )
    if design_id is not None:
        raise Refused(
            "revision",
            entry.revision,
            f"“{entry.name}” has this revision already.",
            "A revision that does not exist yet would be right.",
        )
