"""What does a rule say of one MEA? Each criterion: met, not met or cannot be judged, with why.

Source: as in failing_rules.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from statistics import median

from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.arithmetic.grounds import GroundRead
from service.life.arithmetic.voltage_trend import Method, Rate, VoltageTrend, percent_lost
from service.proof.arithmetic.tests_in_words import THIN


class Answer(StrEnum):
    """What a rule or criterion says of an MEA."""

    MET = "met"
    NOT_MET = "not met"
    CANNOT_BE_JUDGED = "cannot be judged"


@dataclass(frozen=True, slots=True)
class MeaFacts:
    """What is known of one MEA, each row in order of time, the newest last.

    ``hours_h`` and ``voltages_v`` are the readings at the reference density over own hours;
    ``trend`` is theirs. ``scores`` are modified z-scores among the cells of the stack, of the
    present build, None where a snapshot gives none. ``open_circuit_v`` are voltages without load.
    ``grounds`` are tests and findings by the criterion they meet.
    """

    hours_h: Sequence[float] = ()
    voltages_v: Sequence[float] = ()
    trend: VoltageTrend | None = None
    scores: Sequence[float | None] = ()
    open_circuit_v: Sequence[float] = ()
    grounds: Mapping[CriterionKind, Sequence[GroundRead]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CriterionFinding:
    """What one criterion says and why, in words with figures; ``value`` in the kind's unit.

    ``ground``: the test or finding it rests on.
    """

    kind: CriterionKind
    answer: Answer
    value: float | None
    limit: float
    words: str
    ground: GroundRead | None = None


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """What the rule says of one MEA; the criteria stand in the rule's order."""

    answer: Answer
    findings: tuple[CriterionFinding, ...]

    @property
    def words(self) -> str:
        """The reasons of the answer in one line: the criteria met, or what was found instead."""
        telling = [finding.words for finding in self.findings if finding.answer is self.answer]
        silent = sum(finding.answer is Answer.CANNOT_BE_JUDGED for finding in self.findings)
        aside = ""
        if silent and self.answer is not Answer.CANNOT_BE_JUDGED:
            aside = f"; {silent} of {len(self.findings)} criteria cannot be judged"
        return "; ".join(telling) + aside


def judge(rule: FailingRule, facts: MeaFacts) -> RuleFinding:
    """Judge the MEA by the rule, which is met where any criterion is met.

    Not met where none is met and one at least could be judged; the words say how many could not.

    >>> from service.life.arithmetic.failing_rules import Criterion
    >>> rule = FailingRule((Criterion(CriterionKind.VOLTAGE, 0.6),))
    >>> judge(rule, MeaFacts([10.0], [0.594])).words
    '0.5940\\u2009V at 10\\u2009h, below 0.6\\u2009V'
    >>> judge(rule, MeaFacts()).answer
    <Answer.CANNOT_BE_JUDGED: 'cannot be judged'>
    """
    findings = tuple(_JUDGES[criterion.kind](criterion, facts) for criterion in rule.criteria)
    answers = {finding.answer for finding in findings}
    for answer in (Answer.MET, Answer.NOT_MET):
        if answer in answers:
            return RuleFinding(answer, findings)
    return RuleFinding(Answer.CANNOT_BE_JUDGED, findings)


def _finding(
    criterion: Criterion, is_met: bool | None, value: float | None, words: str
) -> CriterionFinding:
    answer = Answer.CANNOT_BE_JUDGED if is_met is None else Answer.MET if is_met else Answer.NOT_MET
    return CriterionFinding(criterion.kind, answer, value, criterion.limit, words)


def _too_few(criterion: Criterion, readings: int, of: str) -> CriterionFinding:
    count = f"{readings} of {criterion.readings}" if readings else "no"
    return _finding(criterion, None, None, f"{count} {of} to judge it by")


def _by_voltage(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    newest = list(facts.voltages_v)[-criterion.readings :]
    if len(newest) < criterion.readings:
        return _too_few(criterion, len(newest), "readings at the reference density")
    newest_text = f"{newest[-1]:.4f}{THIN}V at {facts.hours_h[-1]:.0f}{THIN}h"
    return _below(criterion, newest, newest_text)


def _by_open_circuit(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    newest = list(facts.open_circuit_v)[-criterion.readings :]
    if len(newest) < criterion.readings:
        return _too_few(criterion, len(newest), "open-circuit readings")
    return _below(criterion, newest, f"{newest[-1]:.3f}{THIN}V without load")


def _below(criterion: Criterion, newest: Sequence[float], limit_text: str) -> CriterionFinding:
    limit = f"{criterion.limit:g}{THIN}V"
    below = sum(voltage < criterion.limit for voltage in newest)
    if len(newest) > 1:
        words = f"{limit_text}; {below} of the newest {len(newest)} below {limit}"
    else:
        words = f"{limit_text}, {'below' if below else 'not below'} {limit}"
    return _finding(criterion, below == len(newest), newest[-1], words)


def _by_rate(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    trend = facts.trend
    rate: Rate | None = None
    if trend is not None:
        by_median = criterion.method is Method.MEDIAN_OF_SLOPES
        rate = trend.median_of_slopes if by_median else trend.least_squares
    if trend is None or rate is None or trend.readings < criterion.readings:
        return _too_few(criterion, trend.readings if trend else 0, "readings for a rate")
    span_h = trend.to_h - trend.from_h
    if span_h < criterion.least_hours_h:
        words = f"read over {span_h:.0f} of {criterion.least_hours_h:.0f}{THIN}h for a rate"
        return _finding(criterion, None, None, words)
    loss, slow, fast = -rate.slope_uv_h, -rate.high_uv_h, -rate.low_uv_h
    unit = f"{THIN}µV/h"
    interval = f"{_signed(slow)} to {_signed(fast)}{unit} ({rate.level:.0%})".replace(
        "%", f"{THIN}%"
    )
    words = f"loses {_signed(loss)}{unit}, {interval}"
    if slow > criterion.limit:
        words += f": faster than {criterion.limit:g}{unit} even by the slow end"
    elif loss > criterion.limit:
        words += f": not surely faster than {criterion.limit:g}{unit}"
    else:
        words += f": not faster than {criterion.limit:g}{unit}"
    return _finding(criterion, slow > criterion.limit, loss, words)


def _by_loss(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    if not facts.hours_h:
        return _too_few(criterion, 0, "readings at the reference density")
    first_h = facts.hours_h[0]
    if first_h > criterion.first_hours_h:
        words = (
            f"first read at {first_h:.0f}{THIN}h, after the first"
            f" {criterion.first_hours_h:g}{THIN}h: its beginning is not known"
        )
        return _finding(criterion, None, None, words)
    pairs = list(zip(facts.hours_h, facts.voltages_v, strict=True))
    beginning = median(volt for hour, volt in pairs if hour <= criterion.first_hours_h)
    later = [volt for hour, volt in pairs if hour > criterion.first_hours_h]
    newest = later[-criterion.readings :]
    if len(newest) < criterion.readings:
        return _too_few(criterion, len(newest), "readings after the first hours")
    lost = [percent_lost(beginning, volt) for volt in newest]
    over = sum(loss > criterion.limit for loss in lost)
    words = f"lost {_signed(lost[-1])}{THIN}% of {beginning:.4f}{THIN}V in its first hours"
    limit = f"{criterion.limit:g}{THIN}%"
    if len(lost) > 1:
        words += f"; {over} of the newest {len(lost)} more than {limit}"
    else:
        words += f", {'more' if over else 'not more'} than {limit}"
    return _finding(criterion, over == len(lost), lost[-1], words)


def _by_score(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    newest = list(facts.scores)[-criterion.readings :]
    scores = [score for score in newest if score is not None]
    if len(newest) < criterion.readings or len(scores) < len(newest):
        return _too_few(criterion, len(scores), "newest snapshots with a score")
    low = sum(score <= -criterion.limit for score in scores)
    words = f"score {_signed(scores[-1])} among its cells"
    limit = f"at or below −{criterion.limit:g}"
    if len(scores) > 1:
        words += f"; {low} of the newest {len(scores)} {limit}"
    else:
        words += f", {'' if low else 'not '}{limit}"
    return _finding(criterion, low == len(scores), scores[-1], words)


def _by_test(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    """Judge the newest test of each path and set-up; a bound only where nothing was measured."""
    reads = facts.grounds.get(criterion.kind, ())
    newest = {(read.what, read.set_up): read for read in reads}
    measured = {read.what for read in newest.values() if not read.is_bound}
    judged = [
        (_is_met(criterion, read), read)
        for read in newest.values()
        if not read.is_bound or read.what not in measured
    ]
    for answer in (True, None, False):
        for is_met, read in judged:
            if is_met is answer:
                words = f"{_read_text(criterion, read)}; {read.words}"
                return replace(_finding(criterion, answer, read.high, words), ground=read)
    return _too_few(criterion, 0, "test")


def _is_met(criterion: Criterion, read: GroundRead) -> bool | None:
    low, high = read.low or 0.0, read.high or 0.0
    if criterion.kind is CriterionKind.SHORT:
        return high < criterion.limit
    if high <= criterion.limit:  # all cells together pass no more than this
        return False
    return True if read.cells == 1 and low > criterion.limit else None


def _read_text(criterion: Criterion, read: GroundRead) -> str:
    low, high, unit = read.low or 0.0, read.high or 0.0, f"{THIN}{criterion.kind.unit}"
    is_met, limit = _is_met(criterion, read), f"{criterion.limit:g}{unit}"
    if criterion.kind is CriterionKind.SHORT:
        return f"{high:.4g}{unit}, {'below' if is_met else 'not below'} {limit}"
    amount = f"{low:.3g} to {high:.3g}{unit} {read.what}"
    if read.cells != 1:
        amount += f", {read.cells or 'all'} cells together"
    if is_met is None and read.cells != 1:
        return f"{amount}: which cell passes more than {limit} is not known"
    said = {True: "above", False: "not above", None: "not surely above"}[is_met]
    return f"{amount}, {said} {limit}"


def _by_finding(criterion: Criterion, facts: MeaFacts) -> CriterionFinding:
    seen = facts.grounds.get(criterion.kind, ())
    named = [read for read in seen if read.what in criterion.codes]
    grave = [read for read in named if not criterion.limit or (read.low or 0) >= criterion.limit]
    unjudged = [read for read in named if read.low is None]
    for is_met, reads in ((True, grave), (None, unjudged)):
        if reads:
            aside = "" if is_met else "; its severity is not judged"
            words = f"{reads[-1].words}{aside}"
            return replace(_finding(criterion, is_met, reads[-1].low, words), ground=reads[-1])
    if not seen:
        return _too_few(criterion, 0, "inspection")
    times = f"{len({read.address for read in seen})} times" if len(seen) > 1 else "once"
    return _finding(criterion, False, None, f"inspected {times}, nothing of it found")


def _signed(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f}".replace("-", "−")


_JUDGES = {
    CriterionKind.VOLTAGE: _by_voltage,
    CriterionKind.RATE: _by_rate,
    CriterionKind.LOSS: _by_loss,
    CriterionKind.AMONG_CELLS: _by_score,
    CriterionKind.OPEN_CIRCUIT: _by_open_circuit,
    CriterionKind.CROSSOVER: _by_test,
    CriterionKind.SHORT: _by_test,
    CriterionKind.LEAK: _by_test,
    CriterionKind.FINDING: _by_finding,
}
