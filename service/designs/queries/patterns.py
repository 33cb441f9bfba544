"""The pattern a design keeps, and piles as it sees them.

A design may keep none: then its piles are not checked, and whoever asks is told so.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.pattern_toml import read_pattern
from service.designs.arithmetic.pattern_types import KnownType, called, names_in
from service.designs.arithmetic.pile import Layer
from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_all
from service.platform.queries.prepared import param
from service.stacks.tables.stacks import Stack
from service.store.tables.parts import PartType

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
        """What the pattern calls a part of this type."""
        return called(self.names, drawing_number, revision)

    def has_named(self, drawing_number: str, revision: str) -> bool:
        """Whether the pattern names this type, with its revision or without."""
        return self.called(drawing_number, revision) in self.names


PATTERN_OF_DESIGN = select(*COLUMNS).where(Design.id == param("design_id"))


def pattern_of_design(session: Session, design_id: int) -> KeptPattern:
    """What does a design say of its piles? One statement. Raises NotFound."""
    row = session.execute(PATTERN_OF_DESIGN, {"design_id": design_id}).first()
    if row is None:
        raise NotFound("design", design_id)
    return _kept(row)


PATTERN_OF_STACK = (
    select(*COLUMNS).join(Stack, Stack.design_id == Design.id).where(Stack.id == param("stack_id"))
)


def pattern_of_stack(session: Session, stack_id: int) -> KeptPattern:
    """What does the design of a stack say of its piles? One statement. Raises NotFound."""
    row = session.execute(PATTERN_OF_STACK, {"stack_id": stack_id}).first()
    if row is None:
        raise NotFound("stack", stack_id)
    return _kept(row)


def other_revisions(session: Session, design_id: int) -> tuple[KeptPattern, ...]:
    """The other revisions of a design that keep a pattern, the newest first. One statement."""
    own = aliased(Design)
    rows = session.execute(
        select(*COLUMNS)
        .join(own, func.lower(own.name) == func.lower(Design.name))
        .where(own.id == design_id, Design.id != design_id, Design.pattern.is_not(None))
        .order_by(Design.made_at.desc(), Design.id.desc())
    )
    return tuple(map(_kept, rows))


def known_types(session: Session) -> tuple[KnownType, ...]:
    """The part types of the lab, as a pattern can name them. One statement."""
    rows: Sequence[Any] = session.execute(
        select(*columns(KnownType, PartType)).order_by(
            PartType.kind, PartType.drawing_number, PartType.revision
        )
    ).all()
    return read_all(KnownType, rows)


def seen_so(layers: Iterable[Layer], names: Mapping[int, str]) -> tuple[Layer, ...]:
    """Layers with the names of their types given by part."""
    return tuple(replace(layer, part_type=names[layer.part]) for layer in layers)


def designs_naming(session: Session, drawing_number: str, revision: str) -> tuple[str, ...]:
    """Which designs name a part type in their pattern, with its revision or without?"""
    rows = session.execute(
        select(*COLUMNS)
        .where(Design.pattern.contains(drawing_number, autoescape=True))
        .order_by(Design.name, Design.revision)
    )
    kept = map(_kept, rows)
    return tuple(one.design for one in kept if one.has_named(drawing_number, revision))


def _kept(row: Any) -> KeptPattern:
    said = {kind: getattr(row, name) for kind, name in COUNTED_ON_RODS.items()}
    counts = {kind: count for kind, count in said.items() if count is not None}
    return KeptPattern(
        row.id,
        row.name,
        row.revision,
        row.pattern,
        {Kind.TIE_ROD: 1, **counts} if counts else {},
    )


@lru_cache(maxsize=256)
def _read(toml: str) -> Pattern:
    """Read once in a process: what stands in a design's row was written by this program."""
    return read_pattern(toml)
