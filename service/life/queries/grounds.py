"""The grounds of what people say of MEAs: findings on it, tests of its stack, its voltages, hours.

Each names what it rests on by its row, and the page where that is read.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import and_, literal, null, or_, select
from sqlalchemy.orm import Session

from service.life.arithmetic.failing_rules import CriterionKind
from service.life.arithmetic.grounds import GroundKind, GroundRead
from service.life.tables import FailingGround
from service.limits.arithmetic.leak_figures import mbar_l_s
from service.limits.arithmetic.leak_objects import LeakObject
from service.limits.arithmetic.leak_paths import TO_OUTSIDE, Path
from service.physics.arithmetic.conditions import NONE_SEEN, NOT_INSPECTED
from service.physics.arithmetic.tightness import Detection
from service.platform.arithmetic.verdicts import Verdict
from service.platform.queries.answers import grouped_as
from service.platform.queries.statements import known, param, param_list
from service.proof.arithmetic.electrical_tests import ShortMethod, ShortOutcome
from service.proof.arithmetic.leak_results import LeakResult, PathFound
from service.proof.arithmetic.stack_tests import Result, TestKind
from service.proof.arithmetic.tests_in_words import what_of
from service.proof.queries.stack_tests import read_result
from service.proof.tables import Ending, PartLeakTest, PartLeakTested, StackTest
from service.records.tables import Finding, RebuildRecord, RecordState, Step, StepKind
from service.stacks.queries.part_lives import findings_on
from service.stacks.tables import BuildPeriod, Layer

KINDS_OF_TEST = {
    StepKind.LEAK_TEST: (GroundKind.CROSSOVER, GroundKind.LEAK),
    StepKind.SHORT_CHECK: (GroundKind.SHORT,),
    StepKind.INSULATION_TEST: (GroundKind.SHORT,),
}
"""What each test of a stack may be a ground of."""


@dataclass(frozen=True, slots=True)
class GroundSeen:
    """A ground, in words, with the page it is read on."""

    kind: GroundKind
    words: str
    address: str
    finding_id: int | None = None
    test_id: int | None = None

    @property
    def key(self) -> str:
        """How a form and the API name it: its kind, and the number of the finding or test."""
        number = self.finding_id or self.test_id
        return f"{self.kind} {number}" if number else str(self.kind)


OF_PART = (
    select(Finding.id, Finding.condition, Finding.where, Finding.places, Finding.record_id)
    .join(Step, Step.id == Finding.step_id)
    .join(RebuildRecord, RebuildRecord.id == Finding.record_id)
    .where(
        Finding.part_id == param("part_id"),
        Finding.condition != NOT_INSPECTED,
        known(Finding),
        Step.undone_at.is_(None),
        RebuildRecord.state != RecordState.VOID,
    )
    .order_by(Finding.id.desc())
    .limit(50)
)
FINDINGS = OF_PART.where(Finding.condition != NONE_SEEN)
_MADE = (
    select(
        StackTest.id,
        Step.kind,
        Step.done_at,
        StackTest.verdict,
        StackTest.result,
        StackTest.record_id,
        Layer.part_id,
        Layer.cell,
    )
    .join(Step, Step.id == StackTest.step_id)
    .join(RebuildRecord, RebuildRecord.id == StackTest.record_id)
    .join(
        BuildPeriod,
        and_(
            BuildPeriod.stack_id == RebuildRecord.stack_id,
            known(BuildPeriod),
            BuildPeriod.closed_at <= Step.done_at,
            or_(BuildPeriod.opened_at.is_(None), BuildPeriod.opened_at > Step.done_at),
        ),
    )
    .join(Layer, and_(Layer.build_id == BuildPeriod.build_id, known(Layer)))
    .where(Step.undone_at.is_(None), RebuildRecord.state != RecordState.VOID)
)
"""Tests of closed stacks with the layers there were then."""
TESTS = _MADE.where(Layer.part_id == param("part_id")).order_by(StackTest.id.desc()).limit(50)
JUDGED = _MADE.where(
    Layer.part_id.in_(param_list("part_ids")),
    Layer.cell.is_not(None),
    Step.kind.in_((StepKind.LEAK_TEST, StepKind.SHORT_CHECK)),
    StackTest.verdict != Verdict.TEST_AGAIN,
)


def grounds_offered(session: Session, part_id: int) -> tuple[GroundSeen, ...]:
    """Return what a word on an MEA may rest on, the newest of each kind first. Two statements."""
    findings: Any = session.execute(FINDINGS, {"part_id": part_id})
    tests: Any = session.execute(TESTS, {"part_id": part_id})
    return (
        *(_of_part(ground, part_id) for ground in (GroundKind.VOLTAGE, GroundKind.HOURS)),
        *(_of_finding(row, row.id) for row in findings),
        *(_of_test(row, row.id, kind) for row in tests for kind in KINDS_OF_TEST.get(row.kind, ())),
    )


def findings_to_rest_on(session: Session, part_id: int) -> tuple[GroundSeen, ...]:
    """Return what was seen on a part, the newest first; “none seen” too. One statement."""
    rows: Any = session.execute(OF_PART, {"part_id": part_id})
    return tuple(_of_finding(row, row.id) for row in rows)


OF_PILE = (
    select(
        PartLeakTest.id,
        literal(TestKind.LEAK.value).label("kind"),
        PartLeakTest.done_at,
        PartLeakTest.verdict,
        PartLeakTest.result,
        null().label("record_id"),
        PartLeakTested.part_id,
    )
    .join(PartLeakTested, PartLeakTested.test_id == PartLeakTest.id)
    .where(
        PartLeakTested.part_id.in_(param_list("part_ids")),
        PartLeakTest.leak_object == LeakObject.PART_OF_PILE,
        or_(PartLeakTest.ended_as.is_(None), PartLeakTest.ended_as != Ending.WRONG),
        PartLeakTest.verdict != Verdict.TEST_AGAIN,
    )
)
"""Leak tests of parts of the pile by themselves: what one cell alone lets through is known."""
GroundsRead = Mapping[CriterionKind, list[GroundRead]]


def grounds_read(session: Session, part_ids: Collection[int]) -> dict[int, GroundsRead]:
    """Return what tests and findings say of each MEA, oldest first. Three statements.

    Tests are those of the closed stack it sat in, and of parts of a pile with it; findings of
    void records do not count.
    """
    grounds: dict[int, dict[CriterionKind, list[GroundRead]]] = defaultdict(
        lambda: defaultdict(list)
    )
    values = {"part_ids": list(part_ids)}
    rows: list[Any] = [*session.execute(JUDGED, values), *session.execute(OF_PILE, values)]
    for row in sorted(rows, key=lambda row: (row.done_at, row.id)):
        for kind, read in _of_result(row):
            grounds[row.part_id][kind].append(read)
    for part_id, findings in findings_on(session, part_ids).items():
        grounds[part_id][CriterionKind.FINDING] = [
            GroundRead(
                seen.code or NONE_SEEN,
                seen.severity,
                seen.severity,
                f"{seen.condition}{'' if seen.severity is None else f', severity {seen.severity}'},"
                f" in record {seen.record_id}",
                f"/records/{seen.record_id}#entries",
                f"{GroundKind.FINDING} {seen.id}",
            )
            for seen in findings
            if seen.condition != NOT_INSPECTED and seen.record_state is not RecordState.VOID
        ]
    return dict(grounds)


def _of_result(row: Any) -> Iterator[tuple[CriterionKind, GroundRead]]:
    """What a test says of the MEA of a cell: its own resistance, or what all cells let through."""
    result = read_result(TestKind(row.kind), row.result)

    words, address = _said(row, result), f"/leak-tests/{row.id}"
    if row.record_id is not None:
        address = f"/records/{row.record_id}#entries"

    def read(kind: CriterionKind, low: float, high: float, **path: Any) -> GroundRead:
        key = "" if row.record_id is None else f"{GroundKind(kind.value)} {row.id}"
        return GroundRead(**{"what": "", **path}, low=low, high=high, words=words,
                          address=address, key=key)  # fmt: skip

    if isinstance(result, ShortOutcome) and result.way is ShortMethod.RESISTANCE:
        for cell in result.cells:
            if cell.cell == row.cell and cell.value is not None:
                yield CriterionKind.SHORT, read(CriterionKind.SHORT, cell.value, cell.value)
    if isinstance(result, LeakResult):
        for path in result.counted:
            for kind, low, high in _passed(path, result):
                yield (
                    kind,
                    read(
                        kind,
                        mbar_l_s(max(low, 0.0)),
                        mbar_l_s(high),
                        what=path.path,
                        cells=path.cells or result.cells,
                        set_up=result.set_up,
                        is_bound=path.is_bound,
                    ),
                )


def _passed(path: PathFound, result: LeakResult) -> Iterator[tuple[CriterionKind, float, float]]:
    """What passes a path by a test, mol/s from and to: as hydrogen between the gases."""
    rate, spread = path.rate.rate_mol_s, 2 * path.rate.u_mol_s  # 95 %
    seen = path.rate.seen
    if path.path is Path.ANODE_CATHODE and path.hydrogen is not None:
        found = path.hydrogen
        share = spread / rate if seen is Detection.SEEN else 0.0
        low = 0.0 if found.at_most or path.is_bound else found.least_mol_s * (1 - share)
        yield CriterionKind.CROSSOVER, low, found.most_mol_s * (1 + share)
    elif path.path in TO_OUTSIDE.values() and seen is not Detection.INWARD:
        if result.remarks and path.verdict is Verdict.UNDECIDED:
            return  # its pressure or its time, say, was too small to tell
        is_seen = seen is Detection.SEEN
        low = rate - spread if is_seen and not path.is_bound else 0.0
        least_seen = 0.0 if is_seen else path.rate.detection_limit_mol_s
        yield CriterionKind.LEAK, low, max(rate + spread, least_seen)


OF_MARKS = (
    select(
        FailingGround.mark_id,
        FailingGround.kind.label("ground"),
        FailingGround.finding_id,
        FailingGround.test_id,
        Finding.condition,
        Finding.where,
        Finding.places,
        Step.kind,
        Step.done_at,
        StackTest.verdict,
        StackTest.result,
        Step.record_id,
    )
    .outerjoin(Finding, Finding.id == FailingGround.finding_id)
    .outerjoin(StackTest, StackTest.id == FailingGround.test_id)
    .outerjoin(Step, or_(Step.id == Finding.step_id, Step.id == StackTest.step_id))
    .where(FailingGround.mark_id.in_(param_list("mark_ids")))
    .order_by(FailingGround.id)
)


def grounds_of(
    session: Session, part_of_mark: Collection[tuple[int, int]]
) -> Mapping[int | None, list[GroundSeen]]:
    """Return the grounds of each of these (mark, part). One statement."""
    parts = dict(part_of_mark)
    if not parts:
        return defaultdict(list)
    rows = session.execute(OF_MARKS, {"mark_ids": list(parts)})
    return grouped_as(rows, "mark_id", lambda row: _kept(row, parts[row.mark_id]))


def _kept(row: Any, part_id: int) -> GroundSeen:
    if row.finding_id is not None:
        return _of_finding(row, row.finding_id)
    if row.test_id is not None:
        return _of_test(row, row.test_id, row.ground)
    return _of_part(row.ground, part_id)


def _of_part(kind: GroundKind, part_id: int) -> GroundSeen:
    page = "/life" if kind is GroundKind.VOLTAGE else "#life"
    return GroundSeen(kind, f"its {kind}", f"/parts/{part_id}{page}")


def _of_finding(row: Any, finding_id: int) -> GroundSeen:
    seen = ", ".join(filter(None, (row.condition, row.places, row.where)))
    return GroundSeen(
        GroundKind.FINDING,
        f"finding in record {row.record_id}: {seen}",
        f"/records/{row.record_id}#entries",
        finding_id=finding_id,
    )


def _of_test(row: Any, test_id: int, kind: GroundKind) -> GroundSeen:
    words = _said(row, read_result(TestKind(row.kind), row.result))
    return GroundSeen(
        kind, f"{kind}: {words}", f"/records/{row.record_id}#entries", test_id=test_id
    )


def _said(row: Any, result: Result) -> str:
    where = "" if row.record_id is None else f", in record {row.record_id}"
    return f"{row.kind} of {row.done_at:%Y-%m-%d}, {what_of(result)}{where}: {row.verdict}"
