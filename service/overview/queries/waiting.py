"""What waits for a decision, what is held or failing and still fitted, which bench fell silent."""

from datetime import timedelta
from typing import Any

from sqlalchemy import bindparam, exists, func
from sqlalchemy.orm import aliased

from service.bench.tables import Correction, CorrectionState
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.overview.queries.closed import at_work
from service.overview.queries.columns import NeedKind, hide_from_index, needs
from service.platform.queries.as_of import known
from service.platform.tables import UtcDateTime
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import BuildPeriod, HourMeter, HourReport
from service.store.tables import Hold, Part

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
        _held(whole, of_lot=False),
        _held(whole, of_lot=True),
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
        .where(FailingMark.withdrawn_at.is_(None), Part.stack_id.is_not(None))
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


def _held(whole: bool, *, of_lot: bool) -> Any:
    """Subject: the hold. Other: the part. Note: the reason."""
    held = Part.lot_id == Hold.lot_id if of_lot else Part.id == Hold.part_id
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
        .join(Part, held)
        .where(
            Hold.lifted_at.is_(None),
            Hold.part_id.is_(None) if of_lot else Hold.part_id.is_not(None),
            Hold.failing_mark_id.is_(None),  # that it is failing is told already
            Part.stack_id.is_not(None),
        )
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
