"""A changeover plan as it is frozen: one document of plain values, written as canonical JSON.

Layers are told once, in the pile before and the pile after; the lists name them by position.
What is written here is read by later versions of this program: a change counts VERSION up.
"""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from enum import StrEnum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from service.closing.arithmetic.closing_checks import Closed, RodSet
from service.designs.arithmetic.pile import Layer
from service.planning.arithmetic.changeover import Plan
from service.planning.arithmetic.picks import Pick, Shortage
from service.planning.arithmetic.ways import Step
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.plain_data import as_data
from service.platform.arithmetic.vocabulary import End

VERSION = 1


@dataclass(frozen=True, slots=True)
class LiftLine:
    """A layer to lift off: at which end, its position before, and what becomes of it."""

    end: End
    position: int
    then: str


@dataclass(frozen=True, slots=True)
class RenewLine:
    """A layer of the pile before that must be renewed, and why."""

    position: int
    reason: str


@dataclass(frozen=True, slots=True)
class PickLine:
    """A part for a position of the pile after; ``part`` None: an item of a lot."""

    position: int
    part: int | None
    label: str
    lot: str | None
    where: str
    taken_from: str


@dataclass(frozen=True, slots=True)
class LayLine:
    """A layer to put on: at which end, its position after; ``again``: it was lifted off before."""

    end: End
    position: int
    again: bool
    wanting: bool


@dataclass(frozen=True, slots=True)
class NewStack:
    """The stack that comes into being by a split."""

    to: str
    layers: tuple[Layer, ...]
    picks: tuple[PickLine, ...]
    wanting: tuple[str, ...]
    height_mm: float | None


@dataclass(frozen=True, slots=True)
class PlanDocument:
    """Everything a plan says. ``marked_faces`` names the face facing tells of, by part type."""

    version: int
    stack: str
    design: str
    build: int
    planned_for: date
    wishes: tuple[str, ...]
    ends: tuple[End, ...]
    why: str
    before: tuple[Layer, ...]
    after: tuple[Layer, ...]
    cells_before: int
    cells_after: int
    lift_off: tuple[LiftLine, ...]
    must_renew: tuple[RenewLine, ...]
    picks: tuple[PickLine, ...]
    wanting: tuple[str, ...]
    put_on: tuple[LayLine, ...]
    plates: str
    height_mm: float | None
    rods: RodSet
    assumed: tuple[str, ...]
    closed: Closed | None
    findings: tuple[str, ...]
    refusals: tuple[str, ...]
    remarks: tuple[str, ...]
    steps: tuple[Step, ...]
    second: NewStack | None
    marked_faces: dict[str, str]
    lacking: tuple[str, ...] = ()
    """what the thread out of the nuts is not computed for want of, and where to enter it"""

    @property
    def canonical(self) -> str:
        """The document as canonical JSON."""
        return canonical_json(as_data(self))


@dataclass(frozen=True, slots=True)
class Around:
    """What a document says beside the plan itself; ``where`` finds a candidate's place."""

    stack: str
    design: str
    build: int
    planned_for: date
    wishes: tuple[str, ...]
    before: tuple[Layer, ...]
    rods: RodSet
    assumed: tuple[str, ...]
    where: Callable[[int, bool], str]
    marked_faces: Mapping[str, str]
    remarks: tuple[str, ...]
    lacking: tuple[str, ...] = ()


def document_of(plan: Plan, around: Around) -> PlanDocument:
    """Return the document of a plan."""
    types = {layer.part_type for layer in plan.pile}
    return PlanDocument(
        version=VERSION,
        stack=around.stack,
        design=around.design,
        build=around.build,
        planned_for=around.planned_for,
        wishes=around.wishes,
        ends=plan.way.ends,
        why=plan.why,
        before=around.before,
        after=plan.pile,
        cells_before=max((layer.cell or 0 for layer in around.before), default=0),
        cells_after=max((layer.cell or 0 for layer in plan.pile), default=0),
        lift_off=tuple(LiftLine(x.end, x.layer.position, x.then) for x in plan.lift_off),
        must_renew=tuple(RenewLine(x.layer.position, x.reason) for x in plan.must_renew),
        picks=_picks(plan.picks, around),
        wanting=_wanting(plan.shortages),
        put_on=tuple(LayLine(x.end, x.layer.position, x.again, x.wanting) for x in plan.put_on),
        plates=plan.plates,
        height_mm=plan.height_mm,
        rods=around.rods,
        assumed=around.assumed,
        lacking=around.lacking,
        closed=plan.closed,
        findings=tuple(finding.sentence for finding in plan.findings),
        refusals=plan.refusals,
        remarks=(*plan.remarks, *around.remarks),
        steps=plan.steps,
        second=NewStack(
            plan.second.to,
            plan.second.layers,
            _picks(plan.second.picks, around),
            _wanting(plan.second.shortages),
            plan.second.height_mm,
        )
        if plan.second
        else None,
        marked_faces={name: face for name, face in around.marked_faces.items() if name in types},
    )


def read_document(text: str) -> PlanDocument:
    """Return the document `PlanDocument.canonical` wrote."""
    document: PlanDocument = _reader(PlanDocument)(json.loads(text))
    return document


def is_intact(text: str, sha256: str) -> bool:
    """Say whether a kept document is what was hashed when the plan was made."""
    return sha256_of(text) == sha256


def _picks(picks: Iterable[Pick], around: Around) -> tuple[PickLine, ...]:
    return tuple(
        PickLine(
            pick.position,
            pick.candidate.part,
            pick.candidate.label,
            pick.candidate.lot,
            around.where(pick.candidate.key, pick.candidate.part is None),
            pick.candidate.taken_from,
        )
        for pick in picks
    )


def _wanting(shortages: Iterable[Shortage]) -> tuple[str, ...]:
    return tuple(
        f"Position{'' if len(x.positions) == 1 else 's'} "
        f"{', '.join(map(str, x.positions))}: {x.sentence}"
        for x in shortages
    )


@cache
def _reader(kind: Any) -> Callable[[Any], Any]:
    """What makes a value of this kind from its plain one."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin in {Union, UnionType}:
        some = _reader(next(each for each in inner if each is not NoneType))
        return lambda value: None if value is None else some(value)
    if origin is tuple:
        each = _reader(inner[0])
        return lambda value: tuple(map(each, value))
    read: Callable[[Any], Any] = _as_it_is
    if is_dataclass(kind):
        read = _dataclass_reader(kind)
    elif kind is date:
        read = date.fromisoformat
    elif origin is None and (kind is float or issubclass(kind, StrEnum)):
        read = kind
    return read


def _as_it_is(value: Any) -> Any:
    return value


def _dataclass_reader(kind: Any) -> Callable[[Any], Any]:
    hints = get_type_hints(kind)
    readers: Sequence[tuple[str, Callable[[Any], Any]]] = [
        (field.name, _reader(hints[field.name])) for field in fields(kind)
    ]
    return lambda value: kind(**{name: read(value[name]) for name, read in readers})
