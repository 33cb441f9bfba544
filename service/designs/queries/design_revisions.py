"""One revision of a design against the one before: what differs, in sentences."""

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from service.designs.arithmetic.grammar import Pattern
from service.designs.arithmetic.pattern_differences import pattern_differences
from service.designs.queries.designs import DesignOnPage, design
from service.designs.queries.patterns import pattern_of_design
from service.designs.tables import Design

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

    ``kept`` None: the revision before keeps no pattern.
    """

    id: int
    name: str
    revision: str
    differences: tuple[str, ...]
    kept: Pattern | None

    def in_pattern(self, pattern: Pattern | None) -> tuple[str, ...]:
        """What differs between its pattern and this one, in the order of the pile."""
        if pattern is None or self.kept is None:
            return ()
        told = pattern_differences(self.kept, pattern)
        return tuple(each for each in told if not each.startswith(("least cells", "most cells")))


def revision_before(session: Session, shown: DesignOnPage) -> RevisionBefore | None:
    """Which revision of the same name was made before this one? None: it is the first.

    Eight statements, one where there is none.
    """
    own = aliased(Design)
    old_id = session.scalar(
        select(Design.id)
        .join(own, func.lower(own.name) == func.lower(Design.name))
        .where(
            own.id == shown.id,
            (Design.made_at < own.made_at)
            | ((Design.made_at == own.made_at) & (Design.id < own.id)),
        )
        .order_by(Design.made_at.desc(), Design.id.desc())
        .limit(1)
    )
    if old_id is None:
        return None
    old = design(session, old_id)
    kept = pattern_of_design(session, old_id).pattern
    return RevisionBefore(old.id, old.name, old.revision, tuple(_told(old, shown)), kept)


def _told(old: DesignOnPage, new: DesignOnPage) -> Iterator[str]:
    for name, (words, unit) in FIELDS.items():
        was, now = getattr(old, name), getattr(new, name)
        if was != now:
            yield f"{words}: {_shown(was, unit)} → {_shown(now, unit)}"
    for name, words in LISTS.items():
        before, after = getattr(old, name), getattr(new, name)
        if len(before) != len(after):
            yield f"{words}: {len(before)} → {len(after)}"
        elif before != after:
            changed = sum(a != b for a, b in zip(before, after, strict=True))
            yield f"{words}: {changed} of {len(after)} changed"


def _shown(value: object, unit: str) -> str:
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text}\u2009{unit}" if unit else text
