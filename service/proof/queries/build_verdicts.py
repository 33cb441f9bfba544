"""The verdicts of a closed stack: what the limits in force ask for, and what its tests still say.

A verdict keeps the version of the limits it was given under; what the limits in force would say
of the same readings stands beside it.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Text,
    and_,
    case,
    cast,
    func,
    literal,
    null,
    or_,
    select,
    union_all,
)
from sqlalchemy.orm import Session, aliased

from service.bench.tables import Correction, CorrectionOf
from service.closing.arithmetic.outcome import CLAMP, ClosingOutcome, judge_closing, judged_by
from service.closing.queries.closing_inputs import counts_of, read_outcome
from service.closing.tables import ClosingResult
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.limits import Judged
from service.limits.arithmetic.retests import Retest, outdated_after, outdated_since, retest_of
from service.limits.queries import LimitsInForce, limits_in_force, read_figures
from service.limits.tables import LimitSet
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.verdicts import Undoing, Verdict
from service.platform.arithmetic.vocabulary import Stage
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known, param, statement
from service.proof.arithmetic.electrical_tests import InsulationOutcome, ShortOutcome
from service.proof.arithmetic.leak_results import LeakResult, Together, together
from service.proof.arithmetic.release_gate import (
    RequiredVerdict,
    Standing,
    retests_of,
    wanted_verdicts,
)
from service.proof.arithmetic.stack_tests import Result, StackTest, judge_test
from service.proof.arithmetic.tests_in_words import (
    THIN,
    ResultLine,
    estimate_words,
    insulation_line,
    path_line,
    shorts_line,
)
from service.proof.queries.instrument_uses import NO_DOUBTS, Doubts, doubts_of
from service.proof.queries.stack_tests import MadeTest, made_while_closed, of_closed
from service.records.queries.records import RecordHead
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordState,
    Step,
    TorqueReading,
)
from service.stacks.queries.release_standing import EXCHANGED, act_of, corrects, rules_at
from service.stacks.tables import Build, Stack

DONE = {
    Undoing.RE_TORQUE: "re-torqued",
    Undoing.UNLOADED: "clamp released and closed again",
    Undoing.PART_CHANGED: "part exchanged",
    Undoing.LOAD_CYCLE: "opened",
}


@dataclass(frozen=True, slots=True)
class Done:
    """Something done to the closed stack: the last of its kind in one record; or a correction.

    A correction is done when it is approved; the stack itself stays as it was tested, and only
    what was computed from the facts corrected is out of date: ``changes_closing``. ``rules`` is
    the content of the limits in force when it was done.
    """

    kind: Undoing
    at: datetime
    record_id: int
    correction_id: int = 0
    changes_closing: bool = True
    rules: str | None = None

    @property
    def words(self) -> str:
        """What it was, in words."""
        if self.correction_id:
            return f"{self.kind} {self.correction_id} of record {self.record_id}"
        return f"{DONE[self.kind]} in record {self.record_id}"

    @property
    def outdates(self) -> frozenset[Retest]:
        """The tests it makes outdated, by the rules in force when it was done."""
        if self.correction_id:
            return frozenset()
        return outdated_after(read_figures(self.rules).retests if self.rules else (), self.kind)


@dataclass(frozen=True, slots=True)
class KeptClamp:
    """What the closing gave at hand-in, or computed anew for the last correction of it."""

    record_id: int
    began_at: datetime
    limit_version: int
    text: str
    computed_at: datetime
    correction_id: int | None

    @property
    def outcome(self) -> ClosingOutcome:
        """The closing as kept."""
        return read_outcome(self.text)


@dataclass(frozen=True, slots=True)
class StandingTest:
    """A standing test, and what outdated it since, by the kind of its verdicts."""

    made: MadeTest
    outdated_by: Mapping[Retest, Done]
    doubt: str = ""
    """why its instruments cannot be trusted before somebody has judged it"""

    @property
    def says(self) -> frozenset[Retest]:
        """The kinds of verdicts that it gives."""
        return retests_of(self.made.result)

    @property
    def stands(self) -> bool:
        """Say whether it is valid, trusted, and nothing that it says is outdated."""
        is_valid = self.made.verdict is not Verdict.TEST_AGAIN and not self.doubt
        return is_valid and self.says.isdisjoint(self.outdated_by)

    @property
    def verdict(self) -> Verdict:
        """What its verdict is worth now."""
        return self.made.verdict if self.stands else Verdict.TEST_AGAIN


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
    doubts: Doubts = NO_DOUBTS

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
            for test in self.tests
            if (result := judged_again(test.made, self.limits.figures)) is not None
        ]
        clamp = None
        if self.clamp is not None:
            now = judged_by(self.clamp.outcome, self.figures)
            clamp = RequiredVerdict(CLAMP, now.verdict)
        verdicts_wanted = wanted_verdicts(self.figures, results, clamp)
        return {required.what: required.verdict for required in verdicts_wanted}

    @property
    def corrections(self) -> tuple[Done, ...]:
        """The corrections of what this build is, in the order of their approval."""
        return tuple(deed for deed in self.done if deed.correction_id)

    @property
    def together(self) -> Together:
        """All tests of tightness that still count, as six paths and hints."""
        return together(
            [
                test.made.result
                for test in self.tests
                if isinstance(test.made.result, LeakResult) and test.stands
            ]
        )

    def _standing(self) -> Iterator[Standing]:
        for test in self.tests:
            words = {retest: deed.words for retest, deed in test.outdated_by.items()}
            if test.doubt:
                words = dict.fromkeys(test.says, test.doubt) | words
            yield Standing(test.made.result, words)

    def _clamp_wanted(self) -> RequiredVerdict | None:
        if self.clamp is None:
            return None
        clamp = self.clamp
        later = [
            deed
            for deed in self.done
            if (
                deed.changes_closing and deed.at > clamp.computed_at
                if deed.correction_id
                else deed.record_id != clamp.record_id and deed.at >= clamp.began_at
            )
        ]
        why = later[0].words if later else self.doubts.closing
        return RequiredVerdict(CLAMP, self.clamp.outcome.verdict, why)


NOTHING_IN_FORCE = DesignFigures()


def judged_again(test: MadeTest, figures: DesignFigures) -> Result | None:
    """Return what the test says under other figures; None where they lack what it needs."""
    return _judged(test.test, figures)


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
    """Return the verdicts of a build as they stand. Eight statements at most. Raises NotFound."""
    row = session.execute(RECORD_AND_DESIGN, {"build_id": build_id}).first()
    if row is None:
        raise NotFound("build", build_id)
    return _verdicts(session, row.record_id, build_id, row.design_id)


def verdicts_of_head(session: Session, head: RecordHead) -> ClosedVerdicts | None:
    """Return the same for a record whose head is at hand. Eight statements at most."""
    if head.closed_at is not None:
        return _verdicts(session, head.id, head.build_id or 0, head.design_id)
    if head.base_build_id is None or head.opened_at is not None:
        return None
    return verdicts_of_build(session, head.base_build_id)


def _verdicts(session: Session, record_id: int, build_id: int, design_id: int) -> ClosedVerdicts:
    deeds = _done(session, record_id, build_id)
    tests = made_while_closed(session, record_id, build_id)
    clamp = _clamp(session, record_id, build_id)
    doubts = doubts_of(session, build_id, tests, clamp.record_id if clamp else None)
    return ClosedVerdicts(
        record_id,
        build_id,
        design_id,
        limits_in_force(session, design_id),
        tuple(
            StandingTest(
                test, outdated_since(test.done_at, deeds), doubts.tests.get(test.step_id, "")
            )
            for test in tests
        ),
        deeds,
        clamp,
        doubts,
    )


def _done(session: Session, record_id: int, build_id: int) -> tuple[Done, ...]:
    """What was done to the closed stack, by kind and record, in time. One statement."""
    rows = session.execute(_doings(), {"record_id": record_id, "build_id": build_id})
    return tuple(
        Done(Undoing(row.kind), row.at, row.record_id, row.correction_id, row.of_closing, row.rules)
        for row in sorted(rows, key=lambda row: (row.at, row.record_id))
    )


@statement
def _doings() -> Any:
    record = RebuildRecord.id.label("record_id")
    no_rules = cast(null(), Text())
    maker = aliased(RebuildRecord)
    stack_id = select(maker.stack_id).where(maker.id == param("record_id")).scalar_subquery()
    opens = and_(
        RebuildRecord.base_build_id == param("build_id"),
        RebuildRecord.opened_at.is_not(None),
        RebuildRecord.state != RecordState.VOID,
    )
    acts = _acts().subquery()
    none = literal(0).label("correction_id"), literal(1).label("of_closing")
    return union_all(
        select(
            acts.c.kind,
            func.max(acts.c.at).label("at"),
            acts.c.record_id,
            *none,
            LimitSet.content.label("rules"),
        )
        .outerjoin(LimitSet, LimitSet.id == acts.c.rules_id)
        .group_by(acts.c.kind, acts.c.record_id, LimitSet.id),
        select(
            literal(Undoing.LOAD_CYCLE.value), RebuildRecord.opened_at, record, *none, no_rules
        ).where(opens),
        select(
            literal(Undoing.CORRECTED.value),
            Decision.at,
            record,
            Correction.id,
            case((Correction.of.in_((CorrectionOf.HOURS, CorrectionOf.ENTRY)), 0), else_=1),
            no_rules,
        )
        .join(Correction, Correction.record_id == RebuildRecord.id)
        .join(Decision, Decision.correction_id == Correction.id)
        .where(
            RebuildRecord.stack_id == stack_id,
            Decision.meaning == Meaning.CORRECTION_APPROVED,
            corrects(Correction, RebuildRecord, param("record_id"), param("build_id")),
        ),
    )


def _acts() -> Any:
    """Every nut turned and fixing exchanged while closed, with the limits then in force."""
    record = RebuildRecord.id.label("record_id")
    turned = (
        select(
            act_of(Step).label("kind"),
            TorqueReading.taken_at.label("at"),
            record,
            rules_at(RebuildRecord.stack_id, Step.done_at).label("rules_id"),
        )
        .join(RebuildRecord, RebuildRecord.id == TorqueReading.record_id)
        .join(Step, Step.id == TorqueReading.step_id)
        .where(
            TorqueReading.stage == Stage.CLOSING,
            known(TorqueReading),
            of_closed(TorqueReading.taken_at),
        )
    )
    exchanged = (
        select(act_of(Step), Step.done_at, record, rules_at(RebuildRecord.stack_id, Step.done_at))
        .join(RebuildRecord, RebuildRecord.id == Step.record_id)
        .where(Step.kind.in_(EXCHANGED), Step.undone_at.is_(None), of_closed(Step.done_at))
    )
    return union_all(turned, exchanged)


@statement
def _kept_closings() -> Any:
    return (
        select(
            *columns(
                KeptClamp,
                ClosingResult,
                began_at=RebuildRecord.performed_from,
                limit_version=LimitSet.version,
                text=ClosingResult.results,
            )
        )
        .join(LimitSet, LimitSet.id == ClosingResult.limit_set_id)
        .join(RebuildRecord, RebuildRecord.id == ClosingResult.record_id)
        .where(
            counts_of(RebuildRecord),
            RebuildRecord.state.in_((RecordState.HANDED_IN, RecordState.APPROVED)),
            _of_either(),
        )
        .order_by(
            RebuildRecord.performed_from.desc(),
            ClosingResult.record_id.desc(),
            ClosingResult.id.desc(),
        )
        .limit(1)
    )


def _clamp(session: Session, record_id: int, build_id: int) -> KeptClamp | None:
    """What was kept of the closing by the latest record of the closed stack. One statement."""
    rows = session.execute(_kept_closings(), {"record_id": record_id, "build_id": build_id}).first()
    if rows is None:
        return None
    try:
        read_outcome(rows.text)
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


def tests_in_words(closed: ClosedVerdicts | None) -> tuple[str, ...]:
    """Say which of the wanted verdicts is outdated or no pass. No statement."""
    if closed is None:
        return ()
    by_sentence: dict[str, list[str]] = defaultdict(list)
    for required in closed.wanted:
        if required.what != CLAMP and not required.opens and required.verdict is not None:
            by_sentence[_why(required)].append(required.what)
    return tuple(f"{why}: {', '.join(names)}." for why, names in by_sentence.items())


def not_tested(head: RecordHead, closed: ClosedVerdicts | None) -> tuple[str, ...]:
    """Return what a record that closed its stack has not tested of what is wanted."""
    if closed is None or head.closed_at is None:
        return ()
    return tuple(
        required.what
        for required in closed.wanted
        if required.what != CLAMP and required.verdict is None
    )


def _why(required: RequiredVerdict) -> str:
    if required.outdated_by:
        return f"Repeat these tests ({required.outdated_by} since)"
    words: dict[Verdict | None, str] = {
        Verdict.FAIL: "Failed, the gate to hydrogen stays shut",
        Verdict.UNDECIDED: "Undecided",
        Verdict.TEST_AGAIN: "Repeat these tests (marked invalid)",
    }
    return words.get(required.verdict, str(required.verdict))


# The verdicts of a closed stack line by line: value, limit, source, version, worth now.


@dataclass(frozen=True, slots=True)
class VerdictLine:
    """One verdict the limits in force ask for. ``verdict`` is as it was given, None: not there.

    ``today`` is what the limits in force say of the same readings.
    """

    what: str
    verdict: Verdict | None
    outdated_by: str
    value: str = "not tested"
    limit: str = ""
    source: str = ""
    aside: str = ""
    limit_version: int | None = None
    record_id: int | None = None
    entry: int | None = None
    done_at: datetime | None = None
    today: Verdict | None = None

    @property
    def now(self) -> Verdict | None:
        """What the verdict is worth now."""
        return Verdict.TEST_AGAIN if self.verdict and self.outdated_by else self.verdict

    @property
    def would_fail_today(self) -> bool:
        """Say whether the limits in force fail what an earlier version did not."""
        return self.today is Verdict.FAIL and self.verdict not in {None, Verdict.FAIL}


def tally(closed: ClosedVerdicts) -> tuple[tuple[Verdict | None, tuple[str, ...]], ...]:
    """Return the wanted verdicts by what they are worth now.

    Passes first, what was not tested last.
    """
    by_verdict: dict[Verdict | None, list[str]] = {verdict: [] for verdict in (*Verdict, None)}
    for required in closed.wanted:
        is_outdated = required.verdict and required.outdated_by
        by_verdict[Verdict.TEST_AGAIN if is_outdated else required.verdict].append(required.what)
    return tuple((verdict, tuple(names)) for verdict, names in by_verdict.items() if names)


def verdict_lines(closed: ClosedVerdicts) -> tuple[VerdictLine, ...]:
    """Return one line for each verdict the limits in force ask for.

    The clamp's by each of its limits.
    """
    today = closed.today
    lines: list[VerdictLine] = []
    for required in closed.wanted:
        name = required.what
        if name == CLAMP and closed.clamp is not None:
            lines += _clamp_lines(closed, required)
            continue
        line = VerdictLine(name, required.verdict, required.outdated_by, today=today.get(name))
        best = _best(closed.tests, required)
        if best is not None:
            line = _filled(line, *best)
        lines.append(line)
    return tuple(lines)


def _filled(line: VerdictLine, test: MadeTest, result: ResultLine) -> VerdictLine:
    return replace(
        line,
        value=result.value,
        limit=result.limit,
        source=result.source,
        aside=result.aside,
        limit_version=test.limit_version,
        record_id=test.record_id,
        entry=test.sequence,
        done_at=test.done_at,
    )


def _best(
    tests: Sequence[StandingTest], required: RequiredVerdict
) -> tuple[MadeTest, ResultLine] | None:
    """The test and value the verdict comes from: counted ones first, a bound last, the newest."""
    latest: dict[object, StandingTest] = {}
    for test in tests:
        result = test.made.result
        latest[result.place if isinstance(result, LeakResult) else test.made.step_id] = test
    ranked = [
        (rank, at, test.made, line)
        for at, test in enumerate(latest.values())
        for rank, line in _ranked(test, required)
    ]
    if not ranked:
        return None
    _rank, _at, test_made, line = max(ranked, key=lambda each: (each[0], each[1]))
    return test_made, line


def _ranked(
    test: StandingTest, required: RequiredVerdict
) -> Iterator[tuple[tuple[bool, bool, bool], ResultLine]]:
    """What a test says of the verdict wanted, and how near it comes to being what it is from."""
    result = test.made.result
    if isinstance(result, LeakResult):
        for path in result.counted:
            if required.what == f"leak {path.path}":
                counts = retest_of(path.path) not in test.outdated_by
                yield (counts, not path.is_bound, path.verdict is required.verdict), path_line(path)
    elif isinstance(result, InsulationOutcome):
        for reading in result.found:
            line = insulation_line(reading)
            if line.what == required.what:
                yield (True, True, True), line
    elif isinstance(result, ShortOutcome):
        line = shorts_line(result)
        if line.what == required.what:
            yield (True, True, True), line


def _clamp_lines(closed: ClosedVerdicts, required: RequiredVerdict) -> Iterator[VerdictLine]:
    """Each limit of the clamp by itself, then what has a limit and no value."""
    clamp = closed.clamp
    if clamp is None:
        return
    judged_now = judge_closing(clamp.outcome, closed.figures)
    now = {(value.quantity, value.of): value.verdict for value in judged_now}
    begun = VerdictLine(
        CLAMP,
        required.verdict,
        required.outdated_by,
        limit_version=clamp.limit_version,
        record_id=clamp.record_id,
    )
    judged = clamp.outcome.judged
    for value in judged:
        yield replace(
            begun,
            what=f"{value.quantity}, {value.of}" if value.of else str(value.quantity),
            verdict=value.verdict,
            value=_with_unit(estimate_words(value.value), value.quantity.unit),
            limit=_bounds(value),
            source=value.source,
            today=now.get((value.quantity, value.of)),
        )
    all_pass = all(value.verdict is Verdict.PASS for value in judged)
    if not judged or (all_pass and required.verdict is not Verdict.PASS):
        yield replace(begun, value="a limit has no value, or a nut was not read")


def _bounds(value: Judged) -> str:
    unit = value.quantity.unit
    if value.least is not None and value.most is not None:
        return _with_unit(f"{value.least:g} to {value.most:g}", unit)
    if value.least is not None:
        return _with_unit(f"at least {value.least:g}", unit)
    return _with_unit(f"at most {value.most:g}", unit)


def _with_unit(words: str, unit: str) -> str:
    return f"{words}{THIN}{unit}" if unit else words
