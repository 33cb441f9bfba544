"""The verdicts of a closed stack: what the limits in force ask for, and what its tests still say.

A verdict keeps the version of the limits it was given under; what the limits in force would say
of the same readings stands beside it.
"""

import json
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, and_, case, func, literal, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf
from service.closing.arithmetic.outcome import ClosingOutcome, judged_by, outcome_from_data
from service.closing.tables import ClosingResult
from service.limits.arithmetic.figures import DesignFigures
from service.limits.queries import LimitsInForce, limits_in_force
from service.limits.tables import LimitSet
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Undoing, Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.as_of import known
from service.platform.queries.statements import param, statement
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.leaks_together import Together, together
from service.proof.arithmetic.release_gate import RequiredVerdict, Standing, wanted_verdicts
from service.proof.arithmetic.stack_tests import Result, StackTest, judge_test
from service.proof.queries.stack_tests import MadeTest, made_while_closed, of_closed
from service.records.queries.participants import RecordHead
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordState,
    Step,
    StepKind,
    TorqueReading,
)
from service.stacks.queries.release_standing import corrects
from service.stacks.tables import Build, Stack

CLAMP = "limits of the closed clamp"


@dataclass(frozen=True, slots=True)
class Done:
    """Something done to the closed stack: the last of its kind in one record; or a correction.

    A correction is done when it is approved; the stack itself stays as it was tested, and only
    what was computed from the facts corrected is out of date: ``changes_closing``.
    """

    kind: Undoing
    at: datetime
    record_id: int
    correction_id: int = 0
    changes_closing: bool = True

    @property
    def words(self) -> str:
        """What it was, in words."""
        if self.correction_id:
            return f"{self.kind} {self.correction_id} of record {self.record_id}"
        return f"{self.kind} in record {self.record_id}"


@dataclass(frozen=True, slots=True)
class KeptClamp:
    """What the closing gave when its record was handed in last."""

    record_id: int
    limit_version: int
    text: str
    computed_at: datetime

    @property
    def outcome(self) -> ClosingOutcome:
        """The closing as kept."""
        return _outcome(self.text)


@dataclass(frozen=True, slots=True)
class StandingTest:
    """A standing test, and what was done to the stack since; ``outdated_by`` None: nothing."""

    made: MadeTest
    outdated_by: Done | None

    @property
    def verdict(self) -> Verdict:
        """What its verdict is worth now."""
        return self.made.verdict if self.outdated_by is None else Verdict.TEST_AGAIN


@dataclass(frozen=True, slots=True)
class ClosedVerdicts:
    """What is known of one closed stack. ``build_id`` 0: its record is not handed in yet."""

    record_id: int
    build_id: int
    design_id: int
    limits: LimitsInForce | None
    tests: tuple[StandingTest, ...]
    done: tuple[Done, ...]
    clamp: KeptClamp | None

    @property
    def figures(self) -> DesignFigures:
        """The figures in force; empty ones where there are none."""
        return self.limits.figures if self.limits else NOTHING_IN_FORCE

    @property
    def wanted(self) -> tuple[RequiredVerdict, ...]:
        """The verdicts the limits in force ask for, as given and whether outdated."""
        return wanted_verdicts(self.figures, list(self._standing()), self._clamp_wanted())

    @property
    def today(self) -> dict[str, Verdict | None]:
        """What the limits in force say of the same readings, by what it is of."""
        if self.limits is None:
            return {}
        results = [
            Standing(result)
            for one in self.tests
            if (result := judged_again(one.made, self.limits.figures)) is not None
        ]
        clamp = None
        if self.clamp is not None:
            now = judged_by(self.clamp.outcome, self.figures)
            clamp = RequiredVerdict(CLAMP, now.verdict)
        return {it.what: it.verdict for it in wanted_verdicts(self.figures, results, clamp)}

    @property
    def corrections(self) -> tuple[Done, ...]:
        """The corrections of what this build is, in the order of their approval."""
        return tuple(done for done in self.done if done.correction_id)

    @property
    def together(self) -> Together:
        """All tests of tightness that still count, as six paths and hints."""
        return together(
            [
                one.made.result
                for one in self.tests
                if one.outdated_by is None and isinstance(one.made.result, LeakResult)
            ]
        )

    def _standing(self) -> Iterator[Standing]:
        for one in self.tests:
            yield Standing(one.made.result, one.outdated_by.words if one.outdated_by else "")

    def _clamp_wanted(self) -> RequiredVerdict | None:
        if self.clamp is None:
            return None
        clamp = self.clamp
        later = [
            done
            for done in self.done
            if (
                done.changes_closing and done.at > clamp.computed_at
                if done.correction_id
                else done.record_id > clamp.record_id
            )
        ]
        return RequiredVerdict(CLAMP, self.clamp.outcome.verdict, later[0].words if later else "")


NOTHING_IN_FORCE = DesignFigures()


@lru_cache(maxsize=64)
def _outcome(text: str) -> ClosingOutcome:
    return outcome_from_data(json.loads(text))


def judged_again(made: MadeTest, figures: DesignFigures) -> Result | None:
    """Return what the test says under other figures; None where they lack what it needs."""
    return _judged(made.test, figures)


@lru_cache(maxsize=512)
def _judged(test: StackTest, figures: DesignFigures) -> Result | None:
    try:
        return judge_test(test, figures)
    except TradeError:
        return None


RECORD_AND_DESIGN = (
    select(Build.record_id, Stack.design_id)
    .join(Stack, Stack.id == Build.stack_id)
    .where(Build.id == param("build_id"))
)


def verdicts_of_build(session: Session, build_id: int) -> ClosedVerdicts:
    """Return the verdicts of a build as they stand. Five statements. Raises NotFound."""
    row = session.execute(RECORD_AND_DESIGN, {"build_id": build_id}).first()
    if row is None:
        raise NotFound("build", build_id)
    return _verdicts(session, row.record_id, build_id, row.design_id)


def verdicts_of_head(session: Session, head: RecordHead) -> ClosedVerdicts | None:
    """Return the same for a record whose head is at hand. Five statements at most."""
    if head.closed_at is not None:
        return _verdicts(session, head.id, head.build_id or 0, head.design_id)
    if head.base_build_id is None or head.opened_at is not None:
        return None
    return verdicts_of_build(session, head.base_build_id)


def _verdicts(session: Session, record_id: int, build_id: int, design_id: int) -> ClosedVerdicts:
    done = _done(session, record_id, build_id)
    tests = made_while_closed(session, record_id, build_id)
    return ClosedVerdicts(
        record_id,
        build_id,
        design_id,
        limits_in_force(session, design_id),
        tuple(StandingTest(one, _first_after(one.done_at, done)) for one in tests),
        done,
        _clamp(session, record_id, build_id),
    )


def _first_after(at: datetime, done: Sequence[Done]) -> Done | None:
    return next((one for one in done if one.at > at and not one.correction_id), None)


def _done(session: Session, record_id: int, build_id: int) -> tuple[Done, ...]:
    """What was done to the closed stack, by kind and record, in time. One statement."""
    rows = session.execute(_doings(), {"record_id": record_id, "build_id": build_id})
    return tuple(
        Done(Undoing(row.kind), row.at, row.record_id, row.correction_id, bool(row.of_closing))
        for row in sorted(rows, key=lambda row: (row.at, row.record_id))
    )


@statement
def _doings() -> Any:
    turned, exchanged = func.max(TorqueReading.taken_at), func.max(Step.done_at)
    record = RebuildRecord.id.label("record_id")
    none = literal(0).label("correction_id"), literal(1).label("of_closing")
    maker = aliased(RebuildRecord)
    stack_id = select(maker.stack_id).where(maker.id == param("record_id")).scalar_subquery()
    opens = and_(
        RebuildRecord.base_build_id == param("build_id"),
        RebuildRecord.opened_at.is_not(None),
        RebuildRecord.state != RecordState.VOID,
    )
    return union_all(
        select(literal(Undoing.RE_TORQUE.value).label("kind"), turned.label("at"), record, *none)
        .join(RebuildRecord, RebuildRecord.id == TorqueReading.record_id)
        .where(
            TorqueReading.stage == Stage.CLOSING,
            known(TorqueReading),
            of_closed(TorqueReading.taken_at),
        )
        .group_by(RebuildRecord.id),
        select(literal(Undoing.PART_CHANGED.value), exchanged, record, *none)
        .join(RebuildRecord, RebuildRecord.id == Step.record_id)
        .where(
            Step.kind.in_((StepKind.FIXING_FITTED, StepKind.FIXING_REMOVED)),
            Step.undone_at.is_(None),
            of_closed(Step.done_at),
        )
        .group_by(RebuildRecord.id),
        select(literal(Undoing.LOAD_CYCLE.value), RebuildRecord.opened_at, record, *none).where(
            opens
        ),
        select(
            literal(Undoing.CORRECTED.value),
            Decision.at,
            record,
            Correction.id,
            case((Correction.of == CorrectionOf.HOURS, 0), else_=1),
        )
        .join(Correction, Correction.record_id == RebuildRecord.id)
        .join(Decision, Decision.correction_id == Correction.id)
        .where(
            RebuildRecord.stack_id == stack_id,
            Decision.meaning == Meaning.CORRECTION_APPROVED,
            corrects(Correction, RebuildRecord, param("record_id"), param("build_id")),
        ),
    )


@statement
def _kept_closings() -> Any:
    return (
        select(
            *columns(
                KeptClamp, ClosingResult, limit_version=LimitSet.version, text=ClosingResult.results
            )
        )
        .join(LimitSet, LimitSet.id == ClosingResult.limit_set_id)
        .join(RebuildRecord, RebuildRecord.id == ClosingResult.record_id)
        .where(
            ClosingResult.computed_at == RebuildRecord.handed_in_at,
            RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
            _of_either(),
        )
        .order_by(ClosingResult.record_id.desc(), ClosingResult.id.desc())
        .limit(1)
    )


def _clamp(session: Session, record_id: int, build_id: int) -> KeptClamp | None:
    """What was kept of the closing by the latest record of the closed stack. One statement."""
    rows = session.execute(_kept_closings(), {"record_id": record_id, "build_id": build_id}).first()
    if rows is None:
        return None
    try:
        _outcome(rows.text)
    except (TradeError, ValueError):
        return None  # changed behind the program: the record's hash says so
    return read_as(KeptClamp, rows)


def _of_either() -> ColumnElement[bool]:
    return or_(
        RebuildRecord.id == param("record_id"),
        and_(RebuildRecord.base_build_id == param("build_id"), RebuildRecord.opened_at.is_(None)),
    )


# What the tests of a closed stack leave open when a record is handed in, in sentences.
#
# Nothing of it keeps anybody from handing in: the gate to hydrogen stays shut.


def tests_in_words(head: RecordHead, closed: ClosedVerdicts | None) -> tuple[str, ...]:
    """Say which of the wanted verdicts is missing, outdated or no pass. No statement.

    Of a record that closed the stack, everything; of one that found it closed, what its tests
    and what was done in it have changed.
    """
    if closed is None:
        return ()
    is_closed = head.closed_at is not None
    wanted = [it for it in closed.wanted if it.what != "limits of the closed clamp"]
    by_sentence: dict[str, list[str]] = defaultdict(list)
    for it in wanted:
        if not it.opens and (is_closed or it.verdict is not None):
            by_sentence[_why(it)].append(it.what)
    return tuple(f"{why}: {', '.join(what)}." for why, what in by_sentence.items())


def _why(it: RequiredVerdict) -> str:
    if it.verdict is None:
        return "Not tested"
    if it.outdated_by:
        return f"Test again, for since the test there was a {it.outdated_by}"
    return {
        Verdict.FAIL: "Failed, the gate to hydrogen stays shut",
        Verdict.UNDECIDED: "Undecided",
    }.get(it.verdict, str(it.verdict))
