"""One MEA as a comparison begins with it: whose design it is, and whether it is failing."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import and_, select
from sqlalchemy.orm import Session

from service.life.tables.build_features import BuildMakeup
from service.life.tables.failing import FailingMark, RuleAnswer, RuleVerdict
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import NotFound
from service.platform.queries.as_of import known
from service.platform.queries.prepared import param
from service.stacks.tables.stacks import BuildPeriod, Layer, Stack
from service.store.arithmetic.labels import part_label
from service.store.tables.parts import Lot, Part, PartType


@dataclass(frozen=True, slots=True)
class TracedMea:
    """A part that is traced.

    ``design_id``: of the stack it sat in last, None: in none yet. ``failed_at``, ``confirmed_by``
    and ``reason`` where somebody's word that it is failing stands; ``rule_says`` None: not judged.
    ``gathered``: whether what a comparison needs is kept of all builds it sat in.
    """

    id: int
    label: str
    kind: Kind
    revision: str
    design_id: int | None
    failed_at: datetime | None
    confirmed_by: str | None
    reason: str
    rule_says: RuleAnswer | None
    gathered: bool

    @property
    def is_failing(self) -> bool:
        """Be true where somebody or the rule says so."""
        return self.failed_at is not None or self.rule_says is RuleAnswer.MET


FAILED = (
    select(Stack.design_id, BuildMakeup.build_id)
    .select_from(Layer)
    .join(BuildPeriod, and_(BuildPeriod.build_id == Layer.build_id, known(BuildPeriod)))
    .join(Stack, Stack.id == BuildPeriod.stack_id)
    .outerjoin(BuildMakeup, BuildMakeup.build_id == Layer.build_id)
    .where(Layer.part_id == param("part_id"), known(Layer))
    .order_by(BuildPeriod.closed_at, Layer.build_id)
)

MEA = (
    select(
        Part.serial,
        Part.item_number,
        Lot.label.label("lot"),
        PartType.kind,
        PartType.revision,
        FailingMark.failed_at,
        FailingMark.reason,
        Person.name.label("by"),
        RuleVerdict.answer,
    )
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .outerjoin(
        FailingMark,
        and_(FailingMark.part_id == Part.id, FailingMark.withdrawn_at.is_(None)),
    )
    .outerjoin(Person, Person.id == FailingMark.confirmed_by_id)
    .outerjoin(RuleVerdict, RuleVerdict.part_id == Part.id)
    .where(Part.id == param("part_id"))
)


def traced_mea(session: Session, part_id: int) -> TracedMea:
    """What a comparison begins with. Two statements. Raises NotFound."""
    row: Any = session.execute(MEA, {"part_id": part_id}).first()
    if row is None:
        raise NotFound("part", part_id)
    builds: Any = session.execute(FAILED, {"part_id": part_id}).all()
    return TracedMea(
        id=part_id,
        label=part_label(row.serial, row.lot, row.item_number),
        kind=row.kind,
        revision=row.revision,
        design_id=builds[-1].design_id if builds else None,
        failed_at=row.failed_at,
        confirmed_by=row.by,
        reason=row.reason or "",
        rule_says=row.answer,
        gathered=all(build.build_id is not None for build in builds),
    )
