"""The verdicts of a closed stack line by line: value, limit, source, version, worth now."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.closing.arithmetic.outcome import judge_closing
from service.limits.arithmetic.limits import Judged
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.insulation_tests import InsulationOutcome
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.release_gate import RequiredVerdict
from service.proof.arithmetic.short_checks import ShortOutcome
from service.proof.arithmetic.tests_in_words import (
    THIN,
    ResultLine,
    estimate_words,
    insulation_line,
    path_line,
    shorts_line,
)
from service.proof.queries.build_verdicts import CLAMP, ClosedVerdicts, StandingTest


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
    found: dict[Verdict | None, list[str]] = {verdict: [] for verdict in (*Verdict, None)}
    for it in closed.wanted:
        now = Verdict.TEST_AGAIN if it.verdict and it.outdated_by else it.verdict
        found[now].append(it.what)
    return tuple((verdict, tuple(what)) for verdict, what in found.items() if what)


def verdict_lines(closed: ClosedVerdicts) -> tuple[VerdictLine, ...]:
    """Return one line for each verdict the limits in force ask for.

    The clamp's by each of its limits.
    """
    today = closed.today
    lines: list[VerdictLine] = []
    for it in closed.wanted:
        if it.what == CLAMP and closed.clamp is not None:
            lines += _clamp_lines(closed, it)
            continue
        line = VerdictLine(it.what, it.verdict, it.outdated_by, today=today.get(it.what))
        found = _best(closed.tests, it)
        if found is not None:
            line = _filled(line, *found)
        lines.append(line)
    return tuple(lines)


def _filled(line: VerdictLine, one: StandingTest, said: ResultLine) -> VerdictLine:
    return replace(
        line,
        value=said.value,
        limit=said.limit,
        source=said.source,
        aside=said.aside,
        limit_version=one.made.limit_version,
        record_id=one.made.record_id,
        entry=one.made.sequence,
        done_at=one.made.done_at,
    )


def _best(
    tests: Sequence[StandingTest], wanted: RequiredVerdict
) -> tuple[StandingTest, ResultLine] | None:
    """The test and value the verdict comes from: counted ones first, a bound last, the newest."""
    latest: dict[object, StandingTest] = {}
    for one in tests:
        result = one.made.result
        latest[result.set_up if isinstance(result, LeakResult) else one.made.step_id] = one
    found = [
        (rank, at, one, line)
        for at, one in enumerate(latest.values())
        for rank, line in _told(one, wanted)
    ]
    if not found:
        return None
    _rank, _at, one, line = max(found, key=lambda each: (each[0], each[1]))
    return one, line


def _told(
    one: StandingTest, wanted: RequiredVerdict
) -> Iterator[tuple[tuple[bool, bool, bool], ResultLine]]:
    result, counts = one.made.result, one.outdated_by is None
    if isinstance(result, LeakResult):
        for it in result.paths:
            if wanted.what == f"leak {it.path}":
                yield (counts, not it.is_bound, it.verdict is wanted.verdict), path_line(it)
    elif isinstance(result, InsulationOutcome):
        for reading in result.found:
            line = insulation_line(reading)
            if line.what == wanted.what:
                yield (True, True, True), line
    elif isinstance(result, ShortOutcome):
        line = shorts_line(result)
        if line.what == wanted.what:
            yield (True, True, True), line


def _clamp_lines(closed: ClosedVerdicts, wanted: RequiredVerdict) -> Iterator[VerdictLine]:
    """Each limit of the clamp by itself, then what has a limit and no value."""
    clamp = closed.clamp
    if clamp is None:
        return
    now = {(it.quantity, it.of): it.verdict for it in judge_closing(clamp.outcome, closed.figures)}
    begun = VerdictLine(
        CLAMP,
        wanted.verdict,
        wanted.outdated_by,
        limit_version=clamp.limit_version,
        record_id=clamp.record_id,
    )
    for it in clamp.outcome.judged:
        yield replace(
            begun,
            what=f"{it.quantity}, {it.of}" if it.of else str(it.quantity),
            verdict=it.verdict,
            value=_with_unit(estimate_words(it.value), it.quantity.unit),
            limit=_bounds(it),
            source=it.source,
            today=now.get((it.quantity, it.of)),
        )
    judged = clamp.outcome.judged
    all_pass = all(it.verdict is Verdict.PASS for it in judged)
    if not judged or (all_pass and wanted.verdict is not Verdict.PASS):
        yield replace(begun, value="a limit has no value, or a nut was not read")


def _bounds(it: Judged) -> str:
    unit = it.quantity.unit
    if it.least is not None and it.most is not None:
        return _with_unit(f"{it.least:g} to {it.most:g}", unit)
    if it.least is not None:
        return _with_unit(f"at least {it.least:g}", unit)
    return _with_unit(f"at most {it.most:g}", unit)


def _with_unit(words: str, unit: str) -> str:
    return f"{words}{THIN}{unit}" if unit else words
