"""Does a release of a build still stand? Until something was done to the closed stack.

A re-torque or an exchanged fixing, unless the design's rules say that it outdates no verdict, a
test that failed, a hold on the stack or an opening ends it, from when it was written
down: what was done before and told later was not known to whoever released. So does a correction of
what the build is, from when it was approved, and a calibration by which its closing does not hold.
"""

from typing import Any

from sqlalchemy import ColumnElement, and_, case, func, or_, select
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf
from service.closing.tables import ClosingResult
from service.limits.arithmetic.retests import Spares
from service.limits.tables import LimitSet, Spared
from service.platform.arithmetic.verdicts import Undoing, Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.queries.statements import known, param, statement
from service.proof.tables import BuildRelease, ReleaseEnd, StackTest
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    ToolSetting,
    TorqueReading,
)
from service.stacks.tables import Build, BuildPeriod, Fixing, Layer, Stack
from service.store.tables import Hold, UseDecision, UseJudgement

EXCHANGED = (StepKind.FIXING_FITTED, StepKind.FIXING_REMOVED)
TESTED = (StepKind.LEAK_TEST, StepKind.INSULATION_TEST, StepKind.SHORT_CHECK)

NUT_TURNED = (StepKind.TORQUE, StepKind.NUT_PRESSED)
"""Entries of a nut turned: read, or as it answered a click tool."""


def act_of(step: Any) -> Any:
    """Return which act an entry of the closed stack is: turned nuts, or an exchanged fixing.

    Of a nut a click tool turned, the entry that set the tool says whether the stack was unloaded.
    """
    nut, setting, set_in = aliased(TorqueReading), aliased(ToolSetting), aliased(Step)
    unloaded_for_the_tool = (
        select(nut.id)
        .join(setting, setting.id == nut.setting_id)
        .join(set_in, set_in.id == setting.step_id)
        .where(nut.step_id == step.id, known(nut), set_in.unloaded_first.is_(True))
        .correlate_except(nut, setting, set_in)
        .exists()
    )
    return case(
        (step.kind.not_in(NUT_TURNED), Undoing.PART_CHANGED.value),
        (or_(step.unloaded_first.is_(True), unloaded_for_the_tool), Undoing.UNLOADED.value),
        else_=Undoing.RE_TORQUE.value,
    )


def rules_at(stack_id: Any, at: Any) -> Any:
    """Return the limits of a stack's design that were in force at a time, by their id."""
    limits, stack = aliased(LimitSet), aliased(Stack)
    return (
        select(limits.id)
        .join(stack, stack.design_id == limits.design_id)
        .where(stack.id == stack_id, limits.approved_at <= at)
        .order_by(limits.version.desc())
        .limit(1)
        .correlate_except(limits, stack)
        .scalar_subquery()
    )


def is_spared(step: Any, stack_id: Any, spares: Spares) -> ColumnElement[bool]:
    """Say whether the rules in force when an entry was done say that it leaves something alone."""
    rule = aliased(Spared)
    return (
        select(rule.id)
        .where(
            rule.limit_set_id == rules_at(stack_id, step.done_at),
            rule.act == act_of(step),
            rule.spares == spares,
        )
        .correlate_except(rule)
        .exists()
    )


def released_at(build: Any = Build, until: Any = None) -> Any:
    """Say when a build was released last, None: never; as known at a time, if given."""
    newest_release = select(func.max(BuildRelease.released_at)).where(
        BuildRelease.build_id == build.id
    )
    if until is not None:
        newest_release = newest_release.where(BuildRelease.released_at <= until)
    return newest_release.correlate(build).scalar_subquery()


def release_stands(
    build: Any = Build, period: Any = BuildPeriod, until: Any = None
) -> ColumnElement[bool]:
    """Say whether a build's release stands; of one opened since, where it stood then.

    An expression for a statement that has the build and its period.
    """
    at = released_at(build, until)
    return and_(
        at.is_not(None),
        ~ended_since(at, build, period, until).exists(),
        ~corrected_since(at, build, period, until).exists(),
        ~judged_since(at, build, until).exists(),
        ~held_since(at, build, until).exists(),
        ~inserted_since(at, build, period, until).exists(),
        ~stopped_since(at, build, until).exists(),
    )


def released_builds(session: Session, stack_id: int) -> dict[int, int]:
    """Return the builds of a stack whose release stands, by id, with their numbers."""
    rows = session.execute(_released_builds(), {"stack_id": stack_id})
    return {row.id: row.number for row in rows}


@statement
def _released_builds() -> Any:
    return (
        select(Build.id, Build.number)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(
            Build.stack_id == param("stack_id"), BuildPeriod.opened_at.is_(None), release_stands()
        )
        .order_by(BuildPeriod.closed_at)
    )


def release_ends(number: int, stack: str, by: str = "this correction") -> tuple[str, str, str]:
    """Return the line of preview and trail about a release that a correction ends."""
    return (f"release of build {number} of {stack}", "released", f"ended by {by}")


def releases_ended_by(session: Session, record_id: int) -> tuple[int, ...]:
    """Return the numbers of builds whose last release entries of a record ended. One statement."""
    at = released_at()
    ending = ended_since(at, Build, BuildPeriod, by_record=record_id)
    of_record = select(RebuildRecord.stack_id).where(RebuildRecord.id == record_id)
    rows = session.scalars(
        select(Build.number)
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.stack_id == of_record.scalar_subquery(), at.is_not(None), ending.exists())
    )
    return tuple(rows)


def ended_since(
    at: Any, build: Any, period: Any, until: Any = None, *, by_record: int | None = None
) -> Any:
    """Return entries of other records of a build, written after a time, that end its release.

    ``by_record``: of this record alone.
    """
    record, step = aliased(RebuildRecord), aliased(Step)
    turned, test = aliased(TorqueReading), aliased(StackTest)
    while_closed = or_(record.opened_at.is_(None), step.done_at < record.opened_at)
    a_nut = select(turned.id).where(turned.step_id == step.id, turned.stage == Stage.CLOSING)
    failed = select(test.id).where(test.step_id == step.id, test.verdict == Verdict.FAIL)
    ending_entries = (
        select(step.id)
        .join(record, record.id == step.record_id)
        .where(
            record.stack_id == build.stack_id,
            record.base_build_id == build.id,
            record.state != RecordState.VOID,
            step.undone_at.is_(None),
            step.written_at > at,
            or_(
                and_(
                    step.kind == StepKind.OPENED,
                    or_(period.opened_by_record_id.is_(None), step.done_at < at),
                ),
                and_(
                    or_(
                        step.kind.in_(EXCHANGED),
                        and_(step.kind.in_(NUT_TURNED), a_nut.exists()),
                    ),
                    while_closed,
                    ~is_spared(step, build.stack_id, Spares.RELEASE),
                ),
                and_(step.kind.in_(TESTED), while_closed, failed.exists()),
            ),
        )
        .correlate(build, period)
    )
    if by_record is not None:
        ending_entries = ending_entries.where(record.id == by_record)
    return ending_entries if until is None else ending_entries.where(step.written_at <= until)


def judged_since(at: Any, build: Any, until: Any = None) -> Any:
    """Return judgements of a build after a time that do not accept what its instruments read."""
    judged = (
        select(UseJudgement.id)
        .where(
            UseJudgement.build_id == build.id,
            UseJudgement.decision != UseDecision.ACCEPT,
            UseJudgement.signed_at > at,
        )
        .correlate(build)
    )
    return judged if until is None else judged.where(UseJudgement.signed_at <= until)


def held_since(at: Any, build: Any, until: Any = None) -> Any:
    """Return holds on the whole stack placed after a time, lifted or not."""
    held = (
        select(Hold.id).where(Hold.stack_id == build.stack_id, Hold.placed_at > at).correlate(build)
    )
    return held if until is None else held.where(Hold.placed_at <= until)


def inserted_since(at: Any, build: Any, period: Any, until: Any = None) -> Any:
    """Return approvals after a time of an earlier event, which a closing of the build takes in.

    The closing was computed anew when the record of that event was approved.
    """
    decision, anew = aliased(Decision), aliased(ClosingResult)
    signed, closer = aliased(RebuildRecord), aliased(RebuildRecord)
    approved = (
        select(decision.id)
        .join(signed, signed.id == decision.record_id)
        .join(anew, (anew.computed_at == decision.at) & (anew.record_id != decision.record_id))
        .join(closer, closer.id == anew.record_id)
        .where(
            signed.stack_id == build.stack_id,
            closer.stack_id == build.stack_id,
            decision.meaning == Meaning.APPROVED,
            decision.at > at,
            or_(period.opened_at.is_(None), decision.at < period.opened_at),
            anew.correction_id.is_(None),
            or_(
                anew.record_id == build.record_id,
                and_(closer.base_build_id == build.id, closer.opened_at.is_(None)),
            ),
        )
        .correlate(build, period)
    )
    return approved if until is None else approved.where(decision.at <= until)


def stopped_since(at: Any, build: Any, until: Any = None) -> Any:
    """Return the calibrations by which, after a time, a closing no longer held; and when."""
    stopped = (
        select(ReleaseEnd.calibration_id, ReleaseEnd.ended_at)
        .where(ReleaseEnd.build_id == build.id, ReleaseEnd.ended_at > at)
        .correlate(build)
    )
    return stopped if until is None else stopped.where(ReleaseEnd.ended_at <= until)


def corrects(correction: Any, record: Any, maker_id: Any, build_id: Any) -> ColumnElement[bool]:
    """Say whether it corrects what a closed stack is: its parts, torques, hours, closing, tests.

    ``record`` is the record corrected; ``maker_id`` the one that closed the stack. A part is
    followed through the builds that carried it on, so its rows say which builds it reaches; so do
    the closings computed anew for it. When the build before was opened, and how its nuts were
    found, say nothing of this one.
    """
    layer, fixing, nut = aliased(Layer), aliased(Fixing), aliased(TorqueReading)
    a_layer, a_fixing = (
        select(part.id)
        .where(part.build_id == build_id, part.correction_id == correction.id)
        .correlate_except(part)  # the build may be named two queries further out
        for part in (layer, fixing)
    )
    a_nut = (
        select(nut.id)
        .where(
            nut.record_id == correction.record_id,
            nut.correction_id == correction.id,
            nut.stage == Stage.CLOSING,
        )
        .correlate_except(nut)
    )
    entry = aliased(Step)
    a_height = (
        select(entry.id)
        .where(
            entry.correction_id == correction.id,
            entry.kind.in_((StepKind.CORNERS, StepKind.HELD)),
        )
        .correlate_except(entry)
    )
    a_test = _test_anew(correction)
    found_closed = and_(record.base_build_id == build_id, record.opened_at.is_(None))
    result, closer = aliased(ClosingResult), aliased(RebuildRecord)
    a_closing = (
        select(result.id)
        .join(closer, closer.id == result.record_id)
        .where(
            result.correction_id == correction.id,
            or_(
                result.record_id == maker_id,
                and_(closer.base_build_id == build_id, closer.opened_at.is_(None)),
            ),
        )
        .correlate_except(result, closer)
    )
    return or_(
        a_layer.exists(),
        a_fixing.exists(),
        a_closing.exists(),
        and_(
            or_(record.id == maker_id, found_closed),
            or_(
                correction.of.in_((CorrectionOf.HOURS, CorrectionOf.CLOSED_AT)),
                a_nut.exists(),
                a_height.exists(),
                a_test.exists(),
            ),
        ),
    )


def _test_anew(correction: Any) -> Any:
    """The test of a closed stack that a correction judged otherwise, or put at another time."""
    entry, before = aliased(Step), aliased(Step)
    test, kept = aliased(StackTest), aliased(StackTest)
    return (
        select(test.id)
        .join(entry, entry.id == test.step_id)
        .join(before, before.id == entry.replaces_id)
        .join(kept, kept.step_id == before.id)
        .where(
            entry.correction_id == correction.id,
            or_(test.verdict != kept.verdict, entry.done_at != before.done_at),
        )
        .correlate_except(test, entry, before, kept)
    )


def builds_corrected(session: Session, correction_id: int) -> frozenset[int]:
    """Return the builds a correction that is carried out reaches. One statement."""
    return frozenset(session.scalars(_builds_corrected(), {"correction_id": correction_id}))


@statement
def _builds_corrected() -> Any:
    return (
        select(Build.id)
        .join(RebuildRecord, RebuildRecord.stack_id == Build.stack_id)
        .join(Correction, Correction.record_id == RebuildRecord.id)
        .where(
            Correction.id == param("correction_id"),
            corrects(Correction, RebuildRecord, Build.record_id, Build.id),
        )
    )


def corrected_since(at: Any, build: Any, period: Any, until: Any = None) -> Any:
    """Return the corrections of a build approved after a time and before its opening; and when."""
    correction, record, decision = aliased(Correction), aliased(RebuildRecord), aliased(Decision)
    approved = (
        select(correction.id, decision.at)
        .join(record, record.id == correction.record_id)
        .join(decision, decision.correction_id == correction.id)
        .where(
            record.stack_id == build.stack_id,
            decision.meaning == Meaning.CORRECTION_APPROVED,
            decision.at > at,
            or_(period.opened_at.is_(None), decision.at < period.opened_at),
            corrects(correction, record, build.record_id, build.id),
        )
        .correlate(build, period)
    )
    return approved if until is None else approved.where(decision.at <= until)
