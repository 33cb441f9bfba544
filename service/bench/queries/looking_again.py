"""What was signed or made before a fact it rests on was corrected, until somebody looks again.

A correction reaches builds and parts: layers and fixings it wrote, closings computed anew for it,
else the build its record made or began from. An event entered after later ones reaches the build it
is about and the closings that take it in. Whoever signed or made something of these before knew
nothing of it.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Text,
    and_,
    cast,
    exists,
    func,
    literal,
    null,
    or_,
    select,
    union,
    union_all,
)
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf, CorrectionState, LookedAgain, Rests
from service.closing.tables import ClosingResult
from service.life.tables import FailingMark
from service.people.queries.people import with_login
from service.people.tables import Person
from service.planning.tables import ChangeoverPlan
from service.platform.errors import NotFound
from service.platform.queries.statements import known, statement
from service.records.queries.inserted import came_before, inserted_before
from service.records.tables import Decision, Meaning, RebuildRecord, RecordState
from service.stacks.tables import Build, Fixing, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import AcceptedUsed, Instrument, Lot, Part, UseJudgement

OF_HOURS = (CorrectionOf.HOURS, CorrectionOf.OPENED_AT, CorrectionOf.CLOSED_AT)
"""Corrections that change how long every part of a build ran."""
NO_TEXT, NO_NUMBER = cast(null(), Text()), cast(null(), BigInteger())
OF_PARTS = (Rests.FAILING, Rests.ACCEPTED)
"""What is said of one part."""
OF_BUILD = (
    *OF_HOURS,
    CorrectionOf.TORQUE,
    CorrectionOf.TORQUE_INSTRUMENT,
    CorrectionOf.ENTRY,
)


@dataclass(frozen=True, slots=True)
class RestsOn:
    """Something signed or made, and the newest of what was corrected since.

    ``correction_id`` None: an event was entered since, in ``record_id``.
    """

    of: Rests
    subject_id: int
    label: str
    page: str
    made_by: str
    made_at: datetime
    record_id: int
    correction_id: int | None
    corrected_at: datetime

    @property
    def cause(self) -> str:
        """What changed the fact it rests on, in words."""
        if self.correction_id is not None:
            return f"correction {self.correction_id}"
        return f"record {self.record_id}, of an earlier event entered since"

    @property
    def cause_page(self) -> str:
        """Where that is shown."""
        if self.correction_id is not None:
            return f"/corrections/{self.correction_id}"
        return f"/records/{self.record_id}"


def rests_on(
    session: Session,
    of: Collection[Rests] = tuple(Rests),
    subject_ids: Collection[int] = (),
    *,
    part_id: int | None = None,
) -> tuple[RestsOn, ...]:
    """Return what rests on a fact corrected since and nobody has looked at again, newest first.

    Of these kinds; of these rows where any are named, or about this part. One statement.
    """
    marked = _marked()
    if len(of) < len(Rests):
        marked = marked.where(marked.selected_columns.of_.in_(of))
    if part_id is not None:
        marked = marked.where(marked.selected_columns.part_id == part_id)
    if subject_ids:
        marked = marked.where(marked.selected_columns.subject_id.in_(subject_ids))
    newest: dict[tuple[Rests, int], RestsOn] = {}
    for row in session.execute(marked):
        subject = Rests(row.of_), row.subject_id
        if subject not in newest:
            newest[subject] = _read(row)
    return tuple(newest.values())


@statement
def _marked() -> Any:
    cause = _approved().cte("cause")
    builds, parts = _builds_reached(cause).cte("builds"), _parts_reached(cause).cte("parts")
    of_builds = _records(builds), _plans(builds), _judgements(builds)
    found = union_all(*of_builds, _marks(parts), _accepted(parts)).subquery()
    looked = exists().where(
        LookedAgain.of == found.c.of_,
        LookedAgain.subject_id == found.c.subject_id,
        LookedAgain.looked_at >= found.c.corrected_at,
    )
    return (
        select(found, with_login(Person).label("made_by"))
        .outerjoin(Person, Person.id == found.c.by_id)
        .where(~looked)
        .order_by(found.c.corrected_at.desc(), found.c.of_, found.c.subject_id)
    )


def one_resting(session: Session, of: Rests, subject_id: int) -> RestsOn:
    """Return what somebody looks at again. Raises NotFound where nothing of it was corrected."""
    for each in rests_on(session, (of,), (subject_id,)):
        return each
    raise NotFound(of.value, subject_id)


def _read(row: Any) -> RestsOn:
    of = Rests(row.of_)
    part = part_label(row.serial, row.lot, row.item_number) if row.part_id else ""
    label, page = {
        Rests.RECORD: (f"approval of record {row.subject_id}", f"/records/{row.subject_id}"),
        Rests.PLAN: (
            f"changeover plan {row.subject_id}",
            f"/changeover-plans/{row.subject_id}",
        ),
        Rests.FAILING: (f"word on {part}", f"/parts/{row.part_id}"),
        Rests.ACCEPTED: (f"{part} accepted used", f"/parts/{row.part_id}"),
        Rests.JUDGEMENT: (
            f"judgement of what {row.serial} read",
            f"/instruments/{row.instrument_id}/uses/{row.calibration_id or 0}",
        ),
    }[of]
    where = f", {row.stack}" if row.stack else ""
    return RestsOn(
        of,
        row.subject_id,
        f"{label}{where}",
        page,
        row.made_by or "",
        row.made_at,
        row.record_id,
        row.correction_id,
        row.corrected_at,
    )


# What was corrected: which builds and parts it reaches, and when it was approved.


def _approved() -> Any:
    """Approved corrections, and approvals of events that were entered after later ones."""
    corrections = (
        select(
            Correction.id.label("correction_id"),
            Correction.record_id,
            cast(Correction.of, Text()).label("fact"),
            Decision.at,
        )
        .join(Decision, Decision.correction_id == Correction.id)
        .where(
            Correction.state == CorrectionState.APPROVED,
            Decision.meaning == Meaning.CORRECTION_APPROVED,
        )
    )
    events = (
        select(NO_NUMBER, RebuildRecord.id, NO_TEXT, Decision.at)
        .join(Decision, Decision.record_id == RebuildRecord.id)
        .where(
            RebuildRecord.state == RecordState.APPROVED,
            Decision.meaning == Meaning.APPROVED,
            inserted_before().is_not(None),
        )
    )
    return union_all(corrections, events)


def _builds_reached(cause: Any) -> Any:
    facts = cause.c.record_id, cause.c.correction_id, cause.c.at
    closer = aliased(RebuildRecord)
    built = aliased(Build)
    written = [
        select(*facts, table.build_id).join(table, table.correction_id == cause.c.correction_id)
        for table in (Layer, Fixing)
    ]
    for_an_event = and_(
        cause.c.correction_id.is_(None),
        ClosingResult.correction_id.is_(None),
        ClosingResult.computed_at == cause.c.at,
        ClosingResult.record_id != cause.c.record_id,
    )
    closings = [
        select(*facts, func.coalesce(built.id, closer.base_build_id))
        .join(ClosingResult, anew)
        .join(closer, closer.id == ClosingResult.record_id)
        .outerjoin(built, built.record_id == closer.id)
        for anew in (ClosingResult.correction_id == cause.c.correction_id, for_an_event)
    ]
    return union(*written, *closings, _of_record(cause, OF_BUILD, *facts, Build.id))


def _of_record(cause: Any, of: Collection[CorrectionOf], *found: Any) -> Any:
    """The build a record made or began from; of an event entered later the one it is about."""
    record = aliased(RebuildRecord)
    return (
        select(*found)
        .select_from(cause)
        .join(record, record.id == cause.c.record_id)
        .join(Build, or_(Build.record_id == record.id, Build.id == record.base_build_id))
        .where(or_(cause.c.fact.in_(of), cause.c.correction_id.is_(None)))
    )


def _parts_reached(cause: Any) -> Any:
    """Parts put into a layer or taken out of one, and all that ran other hours."""
    facts = cause.c.record_id, cause.c.correction_id, cause.c.at
    now, before = aliased(Layer), aliased(Layer)
    put_in = select(*facts, now.part_id, now.build_id).join(
        now, now.correction_id == cause.c.correction_id
    )
    taken_out = (
        select(*facts, before.part_id, before.build_id)
        .join(now, now.correction_id == cause.c.correction_id)
        .join(
            before,
            (before.build_id == now.build_id)
            & (before.position == now.position)
            & (before.known_until == cause.c.at),
        )
    )
    ran = (
        _of_record(cause, OF_HOURS, *facts, Layer.part_id, Layer.build_id)
        .join(Layer, (Layer.build_id == Build.id) & known(Layer))
        .where(cause.c.correction_id.is_not(None))
    )
    return union(put_in, taken_out, ran)


# What was signed or made before.


def _found(of: Rests, subject_id: Any, at: Any, by_id: Any, reached: Any, **more: Any) -> Any:
    extra = [
        more.get(name, nothing).label(name)
        for names, nothing in (
            (("stack", "serial", "lot"), NO_TEXT),
            (("item_number", "part_id", "instrument_id", "calibration_id"), NO_NUMBER),
        )
        for name in names
    ]
    return select(
        literal(of.value).label("of_"),
        subject_id.label("subject_id"),
        at.label("made_at"),
        by_id.label("by_id"),
        reached.c.record_id.label("record_id"),
        reached.c.correction_id.label("correction_id"),
        reached.c.at.label("corrected_at"),
        *extra,
    ).where(at < reached.c.at)


def _records(builds: Any) -> Any:
    """Approvals of later records of a build reached."""
    record, corrected, built = (aliased(RebuildRecord), aliased(RebuildRecord), aliased(Build))
    return (
        _found(Rests.RECORD, record.id, Decision.at, Decision.person_id, builds, stack=Stack.serial)
        .select_from(builds)
        .join(corrected, corrected.id == builds.c.record_id)
        .join(record, and_(record.stack_id == corrected.stack_id, came_before(corrected, record)))
        .outerjoin(built, built.record_id == record.id)
        .join(Decision, Decision.record_id == record.id)
        .join(Stack, Stack.id == record.stack_id)
        .where(
            or_(record.base_build_id == builds.c.build_id, built.id == builds.c.build_id),
            record.state == RecordState.APPROVED,
            Decision.meaning == Meaning.APPROVED,
            Decision.content_sha256 == record.content_sha256,
        )
    )


def _plans(builds: Any) -> Any:
    """Plans for a build reached by which no record was begun yet."""
    plan = ChangeoverPlan
    return (
        _found(Rests.PLAN, plan.id, plan.made_at, plan.made_by_id, builds, stack=Stack.serial)
        .join(plan, plan.base_build_id == builds.c.build_id)
        .join(Stack, Stack.id == plan.stack_id)
        .where(plan.record_id.is_(None))
    )


def _of_parts(of: Rests, table: Any, at: Any, by_id: Any, parts: Any) -> Any:
    named = {"serial": Part.serial, "lot": Lot.label, "item_number": Part.item_number}
    return (
        _found(of, table.id, at, by_id, parts, part_id=Part.id, **named)
        .join(table, table.part_id == parts.c.part_id)
        .join(Part, Part.id == table.part_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
    )


def _marks(parts: Any) -> Any:
    """Words on MEAs which stand."""
    mark = FailingMark
    by_whom = mark.confirmed_at, mark.confirmed_by_id
    return _of_parts(Rests.FAILING, mark, *by_whom, parts).where(mark.withdrawn_at.is_(None))


def _accepted(parts: Any) -> Any:
    """The newest acceptance of a used part: it names hours and openings."""
    newer = aliased(AcceptedUsed)
    is_newest = ~exists().where(newer.part_id == AcceptedUsed.part_id, newer.id > AcceptedUsed.id)
    by_whom = AcceptedUsed.at, AcceptedUsed.by_id
    return _of_parts(Rests.ACCEPTED, AcceptedUsed, *by_whom, parts).where(is_newest)


def _judgements(builds: Any) -> Any:
    """The newest judgement of what an instrument read of a build reached."""
    judged, newer = UseJudgement, aliased(UseJudgement)
    is_newest = ~exists().where(
        newer.build_id == judged.build_id,
        newer.instrument_id == judged.instrument_id,
        newer.id > judged.id,
    )
    return (
        _found(
            Rests.JUDGEMENT,
            judged.id,
            judged.signed_at,
            judged.signed_by_id,
            builds,
            stack=Stack.serial,
            serial=Instrument.label,
            instrument_id=judged.instrument_id,
            calibration_id=judged.calibration_id,
        )
        .join(judged, judged.build_id == builds.c.build_id)
        .join(Build, Build.id == judged.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .join(Instrument, Instrument.id == judged.instrument_id)
        .where(is_newest)
    )
