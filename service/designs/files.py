"""A design with its part types, pattern and limits as one TOML file: out of the lab and in.

    form = "design 1"
    [design]        its fields, with [[design.rods]], [[design.ports]], [[design.checklist]]
    [[part_types]]  those its pattern names and those of its fixings, each with what it gives
    [pattern]       [pattern.on_each_rod], [[pattern.head]], [[pattern.cell]] …
    [limits]        source, and the figures: [limits.clamp], [[limits.limits]] …

What is read is copied into rows of the lab's own; nothing refers to the file. A file that cannot
be taken is refused with the line and the key of everything wrong with it.
"""

import json
import re
from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, TypeVar, get_args, get_origin, get_type_hints

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.pattern_toml import NotAPattern, pattern_as_data, pattern_in
from service.designs.arithmetic.pattern_types import types_named
from service.designs.changes import make_design, propose_pattern
from service.designs.queries import (
    DesignEntry,
    KeptPattern,
    PatternEntry,
    design,
    known_types,
    pattern_of_design,
)
from service.limits.arithmetic.figures import DesignFigures
from service.limits.changes import write_limits
from service.limits.queries import limits_in_force
from service.physics.arithmetic.part_stiffness import (
    PartStiffness,
    stiffness_as_data,
    stiffness_from,
)
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.errors import OutOfRange, TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.plain_data import as_data, from_data
from service.platform.arithmetic.toml_text import BadFile, Lines, Place, Problem, dump, load, shown
from service.platform.arithmetic.vocabulary import FIXING_KINDS, Kind
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether
from service.stacks.tables import Build, Fixing, Layer, Stack
from service.store.changes.part_types import PartTypeEntry, make_part_type, propose_stiffness
from service.store.queries.part_types import PartTypeFacts, part_types, read_stiffness
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind, Part, PartType

FORM, GIVES = "design 1", "gives"
UNNAMED = (*FIXING_KINDS, Kind.BLANK_CELL)
"""Kinds whose types no pattern names."""
SECTIONS = ("form", "design", "part_types", "pattern", "limits")
SAMPLE = Path(__file__).with_name("sample.toml")
"""A design of the invented Tarnfield Electrochemistry Lab, to begin from."""
OF_A_ROW = re.compile(r"(rod|port|line)_(\d+)_(\w+)")
"""How a change names a field of a design's rods, ports and checklist lines."""
ROWS = {"rod": "rods", "port": "ports", "line": "checklist"}
OF_AN_ITEM = re.compile(r"(head|cell|between|tail)_(\d+)_(\w+)")
Made = TypeVar("Made")


class NotADesign(BadFile):
    """A file that is no design that can be taken in; ``problems`` names all that was found."""


@dataclass(frozen=True, slots=True)
class DesignFile:
    """What a file says: the design, its part types with what they give, its pattern and limits."""

    design: DesignEntry
    types: tuple[tuple[PartTypeEntry, PartStiffness | None], ...]
    pattern: PatternEntry | None
    figures: DesignFigures | None
    source: str
    lines: Lines


@cache
def sample() -> DesignFile:
    """Return the sample design that comes with the program."""
    return read_design_file(SAMPLE.read_text())


# Reading.


def read_design_file(text: str) -> DesignFile:
    """Return what a file says. Raises NotADesign naming line and key of everything wrong."""
    table, lines = load(text, NotADesign)
    problems: list[Problem] = []
    _known(table, SECTIONS, lines, (), problems)
    if table.get("form") != FORM:
        right = f'form = "{FORM}" would be right'
        line = lines.find(("form",))
        problems.append(Problem(line, "form", shown(table.get("form", "missing")), right))
    entry = _made(DesignEntry, table.get("design"), lines, ("design",), problems)
    types = tuple(_types(table.get("part_types", []), lines, problems))
    pattern = _pattern(table.get("pattern"), entry, lines, problems)
    figures, source = _figures(table.get("limits"), lines, problems)
    if problems or entry is None:
        raise NotADesign(problems)
    return DesignFile(entry, types, pattern, figures, source, lines)


def _types(
    tables: Any, lines: Lines, problems: list[Problem]
) -> Iterator[tuple[PartTypeEntry, PartStiffness | None]]:
    if not isinstance(tables, list):
        right = "write each part type under a heading [[part_types]]"
        problems.append(Problem(lines.find(("part_types",)), "part_types", shown(tables), right))
        return
    for number, table in enumerate(tables, 1):
        at = ("part_types", number)
        gives = table.get(GIVES) if isinstance(table, Mapping) else None
        rest = {k: v for k, v in table.items() if k != GIVES} if gives else table
        entry = _made(PartTypeEntry, rest, lines, at, problems)
        stiffness = None
        if entry and gives:
            with _noting(lines, (*at, GIVES), problems):
                stiffness = stiffness_from(entry.kind, gives)
        if entry:
            yield entry, stiffness


def _pattern(
    content: Any, entry: DesignEntry | None, lines: Lines, problems: list[Problem]
) -> PatternEntry | None:
    if content is None or entry is None:
        return None
    table = dict(content) if isinstance(content, Mapping) else {}
    counts = table.pop("on_each_rod", {})
    at = ("pattern", "on_each_rod")
    on_each_rod: dict[Kind, int] = {}
    for key, count in counts.items() if isinstance(counts, Mapping) else ():
        if key not in list(Kind) or type(count) is not int:
            right = "a kind of fixing and a whole number would be right"
            problems.append(Problem(lines.find(at, key), key, shown(count), right))
        else:
            on_each_rod[Kind(key)] = count
    cells = {name: getattr(entry, name) for name in ("least_cells", "most_cells")}
    try:
        return PatternEntry(pattern_in(table | cells, lines, ("pattern",)), on_each_rod)
    except NotAPattern as wrong:
        problems += wrong.problems
        return None


def _figures(table: Any, lines: Lines, problems: list[Problem]) -> tuple[DesignFigures | None, str]:
    if table is None:
        return None, ""
    rest = dict(table) if isinstance(table, Mapping) else {}
    source = rest.pop("source", "")
    if not isinstance(source, str) or not source.strip():
        right = "where the figures come from, such as a test report, would be right"
        problems.append(Problem(lines.find(("limits",), "source"), "source", shown(source), right))
    return _made(DesignFigures, rest, lines, ("limits",), problems), str(source)


def _made(
    of: type[Made], table: Any, lines: Lines, at: Place, problems: list[Problem]
) -> Made | None:
    """Return a dataclass from a table; what is wrong with it is noted with line and key."""
    label = _label(at)
    if not isinstance(table, Mapping):
        fault = "is missing" if table is None else "is no table"
        right = f"a heading [{at[0]}] with its keys would be right"
        problems.append(Problem(lines.find(at), f"{label} {fault}", "", right))
        return None
    names = [field.name for field in fields(of)]  # type: ignore[arg-type]
    before = len(problems)
    _known(table, names, lines, at, problems)
    for name, (inner_of, is_array) in _tables_of(of).items():  # type: ignore[arg-type]  # so that each tells its line
        inner = table.get(name)
        if not is_array and inner is not None:
            _made(inner_of, inner, lines, (*at, name), problems)
        elif isinstance(inner, list):
            for number, each in enumerate(inner, 1):
                _made(inner_of, each, lines, (*at, name, number), problems)
    if len(problems) > before:
        return None
    with _noting(lines, at, problems):
        return from_data(of, table, label)
    return None


@cache
def _tables_of(of: Hashable) -> dict[str, tuple[type[Any], bool]]:
    """Return the fields of a dataclass that hold others: of what, and whether several."""
    tables: dict[str, tuple[type[Any], bool]] = {}
    for name, hint in get_type_hints(of).items():
        inner: list[Any] = [table for table in get_args(hint) or (hint,) if is_dataclass(table)]
        if len(inner) == 1 and inner[0] is not Estimate:
            tables[name] = (inner[0], get_origin(hint) is tuple)
    return tables


def _known(
    table: Mapping[str, Any], names: Sequence[str], lines: Lines, at: Place, problems: list[Problem]
) -> None:
    label = f"{_label(at)}: " if at else ""
    for key in table:
        if key not in names:
            right = f"known here are {', '.join(names)}"
            problems.append(Problem(lines.find(at, key), f"{label}{key} is not known", "", right))


@contextmanager
def _noting(lines: Lines, at: Place, problems: list[Problem]) -> Iterator[None]:
    """Note what is wrong in a table, at the line of the key it names."""
    try:
        yield
    except TradeError as trouble:
        key = trouble.fields[0] if trouble.fields else ""
        line = lines.find(at, key) or lines.find(at)
        if isinstance(trouble, OutOfRange):
            value = f"{shown(trouble.value)} {trouble.unit}".rstrip()
            right = f"{trouble.allowed.rstrip('.')} would be right"
            problems.append(Problem(line, f"{_label(at)}: {key or trouble.name}", value, right))
        else:
            problems.append(Problem(line, f"{_label(at)}: {str(trouble).rstrip('.')}", "", ""))


def _label(at: Place) -> str:
    """Name a table as people count: part_types 3."""
    return " ".join(map(str, at))


# Writing.


def write_design_file(session: Session, design_id: int) -> str:
    """Return the text of a design's file; `read_design_file` gives the same back.

    With the limits in force. Of kinds no pattern names, it holds the types fitted in
    stacks of the design, before the first stack all there are. Raises NotFound.
    """
    kept_pattern, whole = pattern_of_design(session, design_id), design(session, design_id)
    entry = {field.name: getattr(whole, field.name) for field in fields(DesignEntry)}
    checklist = [
        {name: value for name, value in asdict(line).items() if name != "number"}
        for line in whole.checklist
    ]
    limits = limits_in_force(session, design_id)
    table: dict[str, Any] = {
        "form": FORM,
        "design": as_data(entry) | {"checklist": checklist},
        "part_types": [
            _type_as_data(facts) for facts in _types_of(session, kept_pattern, whole.id)
        ],
    }
    if kept_pattern.pattern:
        table["pattern"] = _pattern_as_data(kept_pattern, kept_pattern.pattern)
    if limits:
        table["limits"] = {"source": limits.source, **_given(as_data(limits.figures))}
    return (
        f"# {kept_pattern.design}: design, part types, pattern and limits\n\n{dump(_given(table))}"
    )


def _types_of(
    session: Session, kept_pattern: KeptPattern, design_id: int
) -> tuple[PartTypeFacts, ...]:
    every = part_types(session)
    types = known_types(session)
    names = {
        (part_type.drawing_number, part_type.revision)
        for name in kept_pattern.names
        for part_type in types_named(name, types)
    }
    fitted: set[int] = set()
    for table in (Fixing, Layer):
        statement = (
            select(Part.part_type_id)
            .join(table, table.part_id == Part.id)
            .join(Build, Build.id == table.build_id)
            .join(Stack, Stack.id == Build.stack_id)
            .where(Stack.design_id == design_id)
            .distinct()
        )
        fitted.update(session.scalars(statement))
    return tuple(
        facts
        for facts in every
        if (facts.drawing_number, facts.revision) in names
        or (facts.kind in UNNAMED and (not fitted or facts.id in fitted))
    )


def _type_as_data(facts: PartTypeFacts) -> dict[str, Any]:
    entry = {
        field.name: getattr(facts, field.name)
        for field in fields(PartTypeEntry)
        if getattr(facts, field.name) != field.default
    }
    gives = stiffness_as_data(facts.gives) if facts.gives else None
    return {**as_data(entry), GIVES: gives}


def _pattern_as_data(kept_pattern: KeptPattern, pattern: Pattern) -> dict[str, Any]:
    counts = {
        kind: count for kind, count in kept_pattern.on_each_rod.items() if kind is not Kind.TIE_ROD
    }
    data = {name: value for name, value in pattern_as_data(pattern).items() if "cells" not in name}
    return {"on_each_rod": counts or None, **data}


def _given(value: Any) -> Any:
    """Return plain data without what is not given: TOML has no word for nothing."""
    if isinstance(value, Mapping):
        return {name: _given(inner) for name, inner in value.items() if inner not in (None, [])}
    return [_given(inner) for inner in value] if isinstance(value, list | tuple) else value


# Taking in.


def take_in(work: Work, file: DesignFile, *, name: str, revision: str, called: str) -> int:
    """Copy what a file says into the lab's own rows, under a name and revision. Gives the design.

    Each change is the one a person makes by hand, with its entry in the trail; pattern, limits
    and stiffness wait for somebody else to put them in force. Raises NotADesign naming the lines,
    Refused for a name that is taken, NotAllowed.
    """
    why = f"Copied from {called}."
    for number, (entry, gives) in enumerate(file.types, 1):
        with _at(file.lines, ("part_types", number)):
            _take_type(work, entry, gives, why)
    with _at(file.lines, ("design",), but={"name", "revision"}):
        design_id = make_design(work, replace(file.design, name=name, revision=revision))
    if file.pattern:
        with _at(file.lines, ("pattern",)):
            propose_pattern(work, design_id, file.pattern, reason=why)
    if file.figures:
        with _at(file.lines, ("limits",)):
            write_limits(work, design_id, file.figures, source=file.source, reason=why)
    return design_id


def _take_type(work: Work, entry: PartTypeEntry, gives: PartStiffness | None, why: str) -> None:
    row = work.session.scalar(
        select(PartType).where(
            func.lower(PartType.drawing_number) == entry.drawing_number.strip().lower(),
            func.lower(PartType.revision) == entry.revision.strip().lower(),
        )
    )
    if row is None:
        type_id = make_part_type(work, entry)
        if gives is not None:
            propose_stiffness(work, type_id, gives, reason=why)
        return
    facts = {field.name: getattr(row, field.name) for field in fields(PartTypeEntry)}
    stiffness, waits = (
        read_stiffness(row.kind, text) for text in (row.stiffness, _proposed(work, row.id))
    )
    facts |= {GIVES: waits if gives == waits else stiffness}
    for name, value in (asdict(entry) | {GIVES: gives}).items():
        if name not in ("drawing_number", "revision") and facts[name] != value:
            raise Refused(
                name,
                value if name != GIVES else "",
                f"drawing {row.drawing_number} {row.revision} is here already and differs in it.",
                f"As it is here{'' if name == GIVES else f', {facts[name]}'}, or another revision.",
            )


def _proposed(work: Work, part_type_id: int) -> str | None:
    """The stiffness of a type that waits for somebody else, as it would be facts."""
    waiting = proposals_waiting(work.session, ChangeKind.STIFFNESS, part_type_id)
    stiffness = json.loads(waiting[0].content)["stiffness"] if waiting else None
    return canonical_json(stiffness) if stiffness else None


@contextmanager
def _at(lines: Lines, at: Place, but: frozenset[str] | set[str] = frozenset()) -> Iterator[None]:
    """Say what a change refuses by the line and key of the file it comes from."""
    try:
        yield
    except (Refused, RefusedTogether) as trouble:
        refusals = (trouble,) if isinstance(trouble, Refused) else trouble.refusals
        for refusal in refusals:
            if refusal.field in but:
                raise refusal from trouble
        raise NotADesign([_problem(lines, at, refusal) for refusal in refusals]) from trouble


def _problem(lines: Lines, at: Place, refusal: Refused) -> Problem:
    place, key = at, refusal.field
    if row := OF_A_ROW.fullmatch(key):
        place, key = (*at, ROWS[row[1]], int(row[2])), row[3]
    elif item := OF_AN_ITEM.fullmatch(key):
        place, key = (*at, item[1], int(item[2])), item[3]
    value = "" if refusal.value in (None, "") else shown(refusal.value)
    right = " ".join(filter(None, (refusal.reason, refusal.right_would_be))).rstrip(".")
    return Problem(lines.find(place, key), f"{_label(place)}: {key}", value, right)
