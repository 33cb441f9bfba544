"""One shape for all that needs somebody: a row names its stack, its kind and what it is about.

Ranking every stack of a laboratory takes the first two columns alone; only the stacks on one page
are asked for the rest.
"""

from enum import StrEnum
from typing import Any

from sqlalchemy import Integer, Text, cast, literal, null, select

from service.platform.queries.statements import param_list
from service.platform.tables import BigKey, UtcDateTime


class NeedKind(StrEnum):
    """What needs somebody; in this order it is told."""

    RAN_UNRELEASED = "ran without a release"
    RELEASE_AGAIN = "release ended by a correction"
    FAILING = "failing MEA fitted"
    RULE_MET = "rule for failing met"
    LEAK_TEST = "leak test due"
    RE_TORQUE = "re-torque due"
    INSTRUMENT = "instrument out of calibration"
    HELD = "held part fitted"
    TO_DECIDE = "part to be decided on"
    NOT_INSPECTED = "fitted parts not inspected"
    SILENT = "bench silent"
    RECORD_WAITING = "record waiting"
    CORRECTION_WAITING = "correction waiting"
    SENT_BACK = "record sent back"


KINDS = tuple(NeedKind)


def needs(
    kind: NeedKind,
    stack_id: Any,
    *,
    whole: bool,
    subject_id: Any = None,
    other_id: Any = None,
    by_id: Any = None,
    at: Any = None,
    note: Any = None,
    bounded: bool = False,
) -> Any:
    """Select one kind of need: stack and kind alone, or ``whole`` and of the given stacks.

    The kind is its place in ``KINDS``. What subject, other, time and note are, each kind says;
    ``by_id`` is who wrote what waits; ``bounded``: its source holds those stacks alone.
    """
    head = (stack_id.label("stack_id"), cast(literal(KINDS.index(kind)), Integer).label("kind"))
    if not whole:
        return select(*head)
    selected = select(
        *head,
        _typed(subject_id, BigKey).label("subject_id"),
        _typed(other_id, BigKey).label("other_id"),
        _typed(by_id, BigKey).label("by_id"),
        (cast(null(), UtcDateTime()) if at is None else at).label("at"),
        _typed(note, Text()).label("note"),
    )
    return selected if bounded else selected.where(*among(stack_id, whole=whole))


def _typed(column: Any, kind: Any) -> Any:
    """Columns that stand below each other are of one type on both engines."""
    return cast(null() if column is None else column, kind)


def among(stack_id: Any, *, whole: bool) -> tuple[Any, ...]:
    """Say where whole rows are asked for: those of the given stacks alone."""
    return (stack_id.in_(param_list("stack_ids")),) if whole else ()


def hide_from_index(column: Any) -> Any:
    """Return a column nothing is looked up by: its table, which is small, is gone through first."""
    return column + 0
