"""Designs: listed, and one of them with its rods, ports and checklist."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property, lru_cache, partial
from typing import Any

from sqlalchemy import Select, String, func, select
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.pattern_toml import pattern_differences, read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import KnownType, called, names_in
from service.designs.arithmetic.pile import Layer
from service.designs.tables import ChecklistLine, Design, DesignPort, DesignRod
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import param
from service.stacks.tables import Stack
from service.store.queries.proposals import Proposal, proposals_waiting
from service.store.tables import ChangeKind, PartType

# The pattern a design keeps, and piles as it sees them.
#
# A design may keep none: then its piles are not checked, and whoever asks is told so.


COUNTED_ON_RODS = {
    Kind.SLEEVE: "rod_sleeves",
    Kind.DISC_SPRING: "rod_disc_springs",
    Kind.NUT: "rod_nuts",
}


COLUMNS = (
    Design.id,
    Design.name,
    Design.revision,
    Design.pattern,
    Design.rod_sleeves,
    Design.rod_disc_springs,
    Design.rod_nuts,
)


@dataclass(frozen=True, slots=True)
class PatternEntry:
    """A pattern, and how many sleeves, disc springs and nuts belong on each rod.

    A kind that is not named may be there or not.
    """

    pattern: Pattern
    on_each_rod: Mapping[Kind, int] = field(default_factory=dict)


def pattern_as_content(entry: PatternEntry) -> dict[str, Any]:
    """Return an entry as the plain data a proposal keeps; `pattern_proposed` reads it."""
    counts = {str(kind): count for kind, count in entry.on_each_rod.items()}
    return {"pattern": write_pattern(entry.pattern), "on_each_rod": counts}


def pattern_proposed(content: Mapping[str, Any]) -> PatternEntry:
    """Return the entry a proposal keeps as plain data."""
    counts = {Kind(kind): count for kind, count in content["on_each_rod"].items()}
    return PatternEntry(_read(content["pattern"]), counts)


def pattern_waiting(session: Session, design_id: int) -> Proposal | None:
    """Return the pattern of a design that waits for somebody else. One statement."""
    return next(iter(proposals_waiting(session, ChangeKind.PATTERN, design_id)), None)


@dataclass(frozen=True)
class KeptPattern:
    """What a design says of its piles; ``toml`` None: it keeps no pattern.

    ``on_each_rod`` is how many of a kind belong on a tie rod, the rod itself counted in; a kind
    that is not named may be there or not.
    """

    design_id: int
    name: str
    revision: str
    toml: str | None
    on_each_rod: Mapping[Kind, int]

    @property
    def design(self) -> str:
        """The design with its revision, as people write it."""
        return f"{self.name} {self.revision}"

    @cached_property
    def pattern(self) -> Pattern | None:
        """The pattern itself."""
        return None if self.toml is None else _read(self.toml)

    @cached_property
    def names(self) -> frozenset[str]:
        """The part types it names, as it names them."""
        return frozenset() if self.pattern is None else names_in(self.pattern)

    def called(self, drawing_number: str, revision: str) -> str:
        """Return what the pattern calls a part of this type."""
        return called(self.names, drawing_number, revision)

    def has_named(self, drawing_number: str, revision: str) -> bool:
        """Say whether the pattern names this type, with its revision or without."""
        return self.called(drawing_number, revision) in self.names


PATTERN_OF_DESIGN = select(*COLUMNS).where(Design.id == param("design_id"))


def pattern_of_design(session: Session, design_id: int) -> KeptPattern:
    """Return what a design says of its piles. One statement. Raises NotFound."""
    row = session.execute(PATTERN_OF_DESIGN, {"design_id": design_id}).first()
    if row is None:
        raise NotFound("design", design_id)
    return _kept_pattern(row)


PATTERN_OF_STACK = (
    select(*COLUMNS).join(Stack, Stack.design_id == Design.id).where(Stack.id == param("stack_id"))
)


def pattern_of_stack(session: Session, stack_id: int) -> KeptPattern:
    """Return what the design of a stack says of its piles. One statement. Raises NotFound."""
    row = session.execute(PATTERN_OF_STACK, {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    return _kept_pattern(row)


def other_revisions(session: Session, design_id: int) -> tuple[KeptPattern, ...]:
    """Return the other revisions of a design that keep a pattern, the newest first.

    One statement.
    """
    this_design = aliased(Design)
    rows = session.execute(
        select(*COLUMNS)
        .join(this_design, func.lower(this_design.name) == func.lower(Design.name))
        .where(this_design.id == design_id, Design.id != design_id, Design.pattern.is_not(None))
        .order_by(Design.made_at.desc(), Design.id.desc())
    )
    return tuple(map(_kept_pattern, rows))


def known_types(session: Session) -> tuple[KnownType, ...]:
    """Return the part types of the lab, as a pattern can name them. One statement."""
    rows: Sequence[Any] = session.execute(
        select(*columns(KnownType, PartType)).order_by(
            PartType.kind, PartType.drawing_number, PartType.revision
        )
    ).all()
    return read_all(KnownType, rows)


def seen_so(layers: Iterable[Layer], names: Mapping[int, str]) -> tuple[Layer, ...]:
    """Return layers with the names of their types given by part."""
    return tuple(replace(layer, part_type=names[layer.part]) for layer in layers)


def designs_naming(session: Session, drawing_number: str, revision: str) -> tuple[str, ...]:
    """Return designs whose pattern names a part type, with its revision or without."""
    rows = session.execute(
        select(*COLUMNS)
        .where(Design.pattern.contains(drawing_number, autoescape=True))
        .order_by(Design.name, Design.revision)
    )
    patterns = map(_kept_pattern, rows)
    return tuple(
        pattern.design for pattern in patterns if pattern.has_named(drawing_number, revision)
    )


def _kept_pattern(row: Any) -> KeptPattern:
    on_rods = {kind: getattr(row, name) for kind, name in COUNTED_ON_RODS.items()}
    counts = {kind: count for kind, count in on_rods.items() if count is not None}
    return KeptPattern(
        row.id, row.name, row.revision, row.pattern, {Kind.TIE_ROD: 1, **counts} if counts else {}
    )


@lru_cache(maxsize=256)
def _read(toml: str) -> Pattern:
    """Read once in a process: what stands in a design's row was written by this program."""
    return read_pattern(toml)


@dataclass(frozen=True, slots=True)
class DesignRow:
    """One design in the list; area in cm², torque in N·m."""

    id: int
    name: str
    revision: str
    active_area_cm2: float
    least_cells: int
    most_cells: int
    target_torque_nm: float
    rods: int
    stacks: int
    frozen_at: datetime | None
    made_at: datetime


@dataclass(frozen=True, slots=True)
class RodEntry:
    """Where a tie rod stands, in mm from the plate's middle, and its turn in tightening."""

    number: int
    x_mm: float
    y_mm: float
    turn: int


@dataclass(frozen=True, slots=True)
class PortEntry:
    """An opening for a fluid (fuel, air or coolant) at an end, as marked."""

    end: End
    fluid: str
    label: str


@dataclass(frozen=True, slots=True)
class LineEntry:
    """One line of the make-safe checklist; ``reading_most`` in ``unit``, None: no limit."""

    wording: str
    unit: str | None = None
    reading_most: float | None = None
    needs_instrument: bool = False
    needs_witness: bool = False


@dataclass(frozen=True, slots=True)
class CheckLine(LineEntry):
    """A line of the checklist with its number, from 1."""

    number: int = 0


@dataclass(frozen=True, slots=True)
class DesignEntry:
    """Everything that is said of a design: cm², mm, N·m, % of the target torque."""

    name: str
    revision: str
    active_area_cm2: float
    least_cells: int
    most_cells: int
    cooling: str
    plate_width_mm: float
    plate_height_mm: float
    rod_length_mm: float
    target_torque_nm: float
    torque_tolerance_percent: float
    tightening_passes: int
    notes: str = ""
    rods: tuple[RodEntry, ...] = ()
    ports: tuple[PortEntry, ...] = ()
    checklist: tuple[LineEntry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignOnPage(DesignEntry):
    """A design, whole: what was said of it, and what it is used for."""

    id: int
    made_at: datetime
    frozen_at: datetime | None
    checklist: tuple[CheckLine, ...]
    stacks: tuple[str, ...]
    """serials of the stacks made to it"""
    revisions: tuple[tuple[int, str], ...]
    """other revisions of the same name: id and revision"""

    @property
    def is_frozen(self) -> bool:
        """Say whether a stack is made to it."""
        return self.frozen_at is not None or bool(self.stacks)


BY_NAME = Order((func.lower(Design.name, type_=String()), Design.revision, Design.id))


def design_list(session: Session, turn: Turn = FIRST) -> Listing[DesignRow]:
    """Return the designs of a page by name and revision. One statement."""
    return listing(session, _design_rows(), BY_NAME, turn, partial(read_all, DesignRow))


def designs(session: Session) -> tuple[DesignRow, ...]:
    """Return all designs to choose from, by name and revision. One statement."""
    return read_all(DesignRow, session.execute(_design_rows().order_by(*BY_NAME.keys)))


def _design_rows() -> Select[*tuple[Any, ...]]:
    rods = (
        select(func.count()).where(DesignRod.design_id == Design.id).correlate(Design)
    ).scalar_subquery()
    stacks = (
        select(func.count()).where(Stack.design_id == Design.id).correlate(Design)
    ).scalar_subquery()
    return select(*columns(DesignRow, Design, rods=rods, stacks=stacks))


def design(session: Session, design_id: int) -> DesignOnPage:
    """Return one design with everything said of it. Six statements. Raises NotFound."""
    row = session.execute(
        select(*columns(DesignOnPage, Design)).where(Design.id == design_id)
    ).first()
    if row is None:
        raise NotFound("design", design_id)
    rods = session.execute(
        select(*columns(RodEntry, DesignRod))
        .where(DesignRod.design_id == design_id)
        .order_by(DesignRod.number)
    )
    ports = session.execute(
        select(*columns(PortEntry, DesignPort))
        .where(DesignPort.design_id == design_id)
        .order_by(DesignPort.id)
    )
    lines = session.execute(
        select(*columns(CheckLine, ChecklistLine))
        .where(ChecklistLine.design_id == design_id)
        .order_by(ChecklistLine.number)
    )
    stacks = session.scalars(
        select(Stack.serial).where(Stack.design_id == design_id).order_by(Stack.serial).limit(500)
    )
    revisions = session.execute(
        select(Design.id, Design.revision)
        .where(func.lower(Design.name) == row.name.lower(), Design.id != design_id)
        .order_by(Design.revision)
    )
    return read_as(
        DesignOnPage,
        row,
        rods=read_all(RodEntry, rods),
        ports=tuple(read_as(PortEntry, port, end=End(port.end)) for port in ports),
        checklist=read_all(CheckLine, lines),
        stacks=tuple(stacks),
        revisions=tuple((revision.id, revision.revision) for revision in revisions),
    )


# One revision of a design against the one before: what differs, in sentences.


FIELDS = {
    "active_area_cm2": ("active area of a cell", "cm²"),
    "least_cells": ("least cells", ""),
    "most_cells": ("most cells", ""),
    "cooling": ("cooling", ""),
    "plate_width_mm": ("width of the compression plate", "mm"),
    "plate_height_mm": ("height of the compression plate", "mm"),
    "rod_length_mm": ("length of the rods", "mm"),
    "target_torque_nm": ("target torque", "N·m"),
    "torque_tolerance_percent": ("tolerance of the torque", "%"),
    "tightening_passes": ("tightening passes", ""),
}


LISTS = {"rods": "rods", "ports": "ports", "checklist": "lines of the make-safe checklist"}


@dataclass(frozen=True, slots=True)
class RevisionBefore:
    """The revision made before a design, and what differs from it in the design and its pattern.

    ``pattern`` None: the revision before keeps no pattern.
    """

    id: int
    name: str
    revision: str
    differences: tuple[str, ...]
    pattern: Pattern | None

    def in_pattern(self, pattern: Pattern | None) -> tuple[str, ...]:
        """Return what differs between its pattern and this one, in the order of the pile."""
        if pattern is None or self.pattern is None:
            return ()
        differences = pattern_differences(self.pattern, pattern)
        return tuple(
            each for each in differences if not each.startswith(("least cells", "most cells"))
        )


def revision_before(session: Session, design_shown: DesignOnPage) -> RevisionBefore | None:
    """Return the revision of the same name made before this one; None for the first.

    Eight statements, one where there is none.
    """
    this_design = aliased(Design)
    old_id = session.scalar(
        select(Design.id)
        .join(this_design, func.lower(this_design.name) == func.lower(Design.name))
        .where(
            this_design.id == design_shown.id,
            (Design.made_at < this_design.made_at)
            | ((Design.made_at == this_design.made_at) & (Design.id < this_design.id)),
        )
        .order_by(Design.made_at.desc(), Design.id.desc())
        .limit(1)
    )
    if old_id is None:
        return None
    old = design(session, old_id)
    pattern_before = pattern_of_design(session, old_id).pattern
    return RevisionBefore(
        old.id, old.name, old.revision, tuple(_differences(old, design_shown)), pattern_before
    )


def _differences(old: DesignOnPage, new: DesignOnPage) -> Iterator[str]:
    for name, (words, unit) in FIELDS.items():
        was, now = getattr(old, name), getattr(new, name)
        if was != now:
            yield f"{words}: {_value_text(was, unit)} → {_value_text(now, unit)}"
    for name, words in LISTS.items():
        before, after = getattr(old, name), getattr(new, name)
        if len(before) != len(after):
            yield f"{words}: {len(before)} → {len(after)}"
        elif before != after:
            changed = sum(a != b for a, b in zip(before, after, strict=True))
            yield f"{words}: {changed} of {len(after)} changed"


def _value_text(value: object, unit: str) -> str:
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text}\u2009{unit}" if unit else text
