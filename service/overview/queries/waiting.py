"""What waits for a decision, what is held or failing and still fitted, which bench fell silent."""

from datetime import timedelta
from typing import Any

from sqlalchemy import bindparam, exists, false, func, literal, select
from sqlalchemy.orm import aliased

from service.bench.tables import Correction, CorrectionState
from service.life.arithmetic.grounds import MeaWord
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.overview.queries.closed import at_work
from service.overview.queries.columns import NeedKind, hide_from_index, needs
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.queries.statements import known
from service.platform.tables import UtcDateTime
from service.records.tables import RebuildRecord, RecordState, Step
from service.stacks.tables import Build, BuildPeriod, HourMeter, HourReport, Layer, Stack
from service.store.queries.lot_trees import REACHED
from service.store.tables import Hold, Inspection, Part

SILENT_AFTER = timedelta(minutes=30)
"""A bench that used to report by itself and did not for so long. Common practice, no source."""
LOOKED_BACK = timedelta(days=14)
"""A bench silent for longer was taken away: nobody waits for it. Common practice, no source."""
BY_ITSELF = 30
"""Reports of one day that no person types in."""


def waiting(*, whole: bool) -> list[Any]:
    """Return all of these kinds as statements to be set below each other."""
    return [
        _records(RecordState.HANDED_IN, NeedKind.RECORD_WAITING, RebuildRecord.handed_in_at, whole),
        _records(RecordState.SENT_BACK, NeedKind.SENT_BACK, None, whole),
        _corrections(whole),
        _failing(whole),
        _rule_met(whole),
        *(_held(whole, of) for of in ("part_id", "lot_id", "part_type_id")),
        *(_stack_held(whole, of) for of in ("design", "stack")),
        _to_look_at(whole),
        _not_inspected(whole),
        _failing_taken_out(whole),
        _not_to_be_used(whole),
        _silent(whole),
    ]


def _records(state: RecordState, kind: NeedKind, column: Any, whole: bool) -> Any:
    """Subject and other: the record. Note: its kind."""
    return needs(
        kind,
        RebuildRecord.stack_id,
        whole=whole,
        subject_id=RebuildRecord.id,
        other_id=RebuildRecord.id,
        by_id=RebuildRecord.written_by_id,
        at=column,
        note=RebuildRecord.kind,
    ).where(RebuildRecord.state == state)


def _corrections(whole: bool) -> Any:
    """Subject: the correction. Other: its record. Note: of what."""
    return (
        needs(
            NeedKind.CORRECTION_WAITING,
            RebuildRecord.stack_id,
            whole=whole,
            subject_id=Correction.id,
            other_id=Correction.record_id,
            by_id=Correction.written_by_id,
            at=Correction.written_at,
            note=Correction.subject_label,
        )
        .select_from(Correction)
        .join(RebuildRecord, RebuildRecord.id == Correction.record_id)
        .where(Correction.state == CorrectionState.WAITING)
    )


def _failing(whole: bool) -> Any:
    """Subject: the MEA. Note: why somebody says so."""
    return (
        needs(
            NeedKind.FAILING,
            Part.stack_id,
            whole=whole,
            subject_id=Part.id,
            at=FailingMark.confirmed_at,
            note=FailingMark.reason,
        )
        .select_from(FailingMark)
        .join(Part, Part.id == FailingMark.part_id)
        .where(
            FailingMark.withdrawn_at.is_(None),
            FailingMark.says == MeaWord.FAILED,
            Part.stack_id.is_not(None),
        )
    )


def _rule_met(whole: bool) -> Any:
    """Subject: the MEA, unless somebody confirmed it. Note: the rule's reasons as JSON."""
    newer, mark = aliased(FailingRule), aliased(FailingMark)
    return (
        needs(
            NeedKind.RULE_MET,
            Part.stack_id,
            whole=whole,
            subject_id=Part.id,
            other_id=RuleVerdict.rule_id,
            at=RuleVerdict.judged_at,
            note=RuleVerdict.reasons,
        )
        .select_from(FailingRule)
        .join(RuleVerdict, RuleVerdict.rule_id == hide_from_index(FailingRule.id))
        .join(Part, Part.id == RuleVerdict.part_id)
        .where(
            RuleVerdict.answer == RuleAnswer.MET,
            Part.stack_id.is_not(None),
            ~exists().where(
                newer.design_id == FailingRule.design_id, newer.version > FailingRule.version
            ),
            ~exists().where(mark.part_id == Part.id, mark.withdrawn_at.is_(None)),
        )
    )


def _held(whole: bool, of: str) -> Any:
    """Subject: the hold. Other: the part. Note: the reason."""
    key = Part.id if of == "part_id" else getattr(Part, of)
    return (
        needs(
            NeedKind.HELD,
            Part.stack_id,
            whole=whole,
            subject_id=Hold.id,
            other_id=Part.id,
            at=Hold.placed_at,
            note=Hold.reason,
        )
        .select_from(Hold)
        .outerjoin(REACHED, false() if of != "lot_id" else REACHED.c.hold_id == Hold.id)
        .join(Part, key == (REACHED.c.lot_id if of == "lot_id" else getattr(Hold, of)))
        .where(
            Hold.lifted_at.is_(None),
            getattr(Hold, of).is_not(None),
            ~exists().where(  # that it failed is told already
                FailingMark.id == Hold.failing_mark_id, FailingMark.says == MeaWord.FAILED
            ),
            Part.stack_id.is_not(None),
        )
    )


def _stack_held(whole: bool, of: str) -> Any:
    """Subject: the hold. No other: it is on no single part. Note: what is held, and the reason."""
    key = Stack.id if of == "stack" else Stack.design_id
    return (
        needs(
            NeedKind.HELD,
            Stack.id,
            whole=whole,
            subject_id=Hold.id,
            at=Hold.placed_at,
            note=literal(f"The {of} is on hold: ") + Hold.reason,
        )
        .select_from(Hold)
        .join(Stack, key == getattr(Hold, f"{of}_id"))
        .where(Hold.lifted_at.is_(None), getattr(Hold, f"{of}_id").is_not(None))
    )


def _to_look_at(whole: bool) -> Any:
    """Subject: the part a finding leaves undecided. Other: the record. Note: what was seen."""
    return _by_an_entry(whole, Inspection, at=Inspection.asked_at, note=Inspection.seen).where(
        Inspection.decided_at.is_(None),
        Part.usability == Usability.NOT_INSPECTED,
        Part.whereabouts != Whereabouts.SCRAPPED,
    )


def _by_an_entry(whole: bool, table: Any, *, at: Any, note: Any) -> Any:
    """Subject: the part to decide on, by a row that an entry wrote. Other: the entry's record."""
    return (
        needs(
            NeedKind.TO_DECIDE,
            RebuildRecord.stack_id,
            whole=whole,
            subject_id=Part.id,
            other_id=RebuildRecord.id,
            at=at,
            note=note,
        )
        .select_from(table)
        .join(Part, Part.id == table.part_id)
        .join(Step, Step.id == table.step_id)
        .join(RebuildRecord, RebuildRecord.id == Step.record_id)
    )


def _not_inspected(whole: bool) -> Any:
    """Subject: how many fitted parts nobody has inspected, and no finding asks about."""
    return (
        needs(NeedKind.NOT_INSPECTED, Part.stack_id, whole=whole, subject_id=func.count())
        .where(
            Part.usability == Usability.NOT_INSPECTED,
            Part.stack_id.is_not(None),
            ~exists().where(Inspection.part_id == Part.id, Inspection.decided_at.is_(None)),
        )
        .group_by(Part.stack_id)
    )


def _not_to_be_used(whole: bool) -> Any:
    """Subject: the part a finding holds, once it is out. Other: the record. Note: the reason."""
    return _by_an_entry(whole, Hold, at=Hold.placed_at, note=Hold.reason).where(
        Hold.lifted_at.is_(None), *_is_out()
    )


def _failing_taken_out(whole: bool) -> Any:
    """Subject: the failing MEA on hold, once it is out. Note: the reason.

    Told of the stack whose build it sat in last.
    """
    sat = aliased(Layer)
    last = (
        select(Build.stack_id)
        .join(sat, sat.build_id == Build.id)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(sat.part_id == Hold.part_id, known(sat))
        .order_by(BuildPeriod.closed_at.desc())
        .limit(1)
        .correlate(Hold)
        .scalar_subquery()
    )
    return (
        needs(
            NeedKind.TO_DECIDE,
            last,
            whole=whole,
            subject_id=Part.id,
            at=Hold.placed_at,
            note=Hold.reason,
        )
        .select_from(Hold)
        .join(Part, Part.id == Hold.part_id)
        .where(
            Hold.lifted_at.is_(None),
            Hold.failing_mark_id.is_not(None),
            *_is_out(),
            last.is_not(None),
        )
    )


def _is_out() -> tuple[Any, ...]:
    """Parts in no stack, not scrapped, of which nobody has decided what becomes of them."""
    return (
        Part.stack_id.is_(None),
        Part.whereabouts != Whereabouts.SCRAPPED,
        Part.usability == Usability.ON_HOLD,
    )


def _silent(whole: bool) -> Any:
    """Time: the last report. A stack that stands open, or is not built, is not waited for."""
    last = func.max(HourReport.last_at)
    present = aliased(BuildPeriod)
    return (
        needs(NeedKind.SILENT, HourMeter.stack_id, whole=whole, subject_id=HourMeter.id, at=last)
        .select_from(HourMeter)
        .join(HourReport, HourReport.meter_id == HourMeter.id)
        .where(
            HourMeter.removed_at.is_(None),
            HourReport.day >= bindparam("since_day"),
            known(HourReport),
            exists().where(
                present.stack_id == HourMeter.stack_id,
                present.known_until.is_(None),
                present.opened_at.is_(None),
            ),
            ~at_work(HourMeter.stack_id),
        )
        .group_by(HourMeter.id, HourMeter.stack_id)
        .having(
            last < bindparam("silent_since", type_=UtcDateTime),
            func.max(HourReport.report_count) >= BY_ITSELF,
        )
    )
