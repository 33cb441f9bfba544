"""What the rules in force say of MEAs: derived rows, written anew whenever their facts change.

A verdict is the rule's of the design of the stack in which the MEA was read last. An MEA without
any voltage has none, unless a test or finding tells what its rule asks for: then that of the stack
it sat in last.
"""

import json
from collections.abc import Collection, Iterable
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, union
from sqlalchemy.orm import Session

from service.life.arithmetic.failing_verdicts import MeaFacts, RuleFinding, judge
from service.life.arithmetic.voltage_trend import Rate
from service.life.queries.failing_rules import RuleVersion, rules_in_force
from service.life.queries.grounds import GroundsRead, grounds_read
from service.life.queries.mea_histories import MeaHistory, mea_histories
from service.life.queries.own_hours import operating_densities
from service.life.tables import RuleAnswer, RuleVerdict
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import Work
from service.platform.queries.statements import known
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Part, PartType

AT_ONCE = 500
"""MEAs whose voltages are held in memory together."""


def judge_stack(work: Work, stack_id: int) -> None:
    """Judge anew every MEA that sits or sat in a stack. Cheap where no design has a rule."""
    judge_stacks(work.session, [stack_id], work.now)


def judge_stacks(session: Session, stack_ids: Collection[int], now: datetime) -> int:
    """Judge anew every MEA that sits or sat in these stacks. Gives how many have a verdict."""
    rules = rules_in_force(session)
    if not rules or not stack_ids:
        return 0
    session.flush()
    parts = sorted(_parts_of(session, stack_ids))
    judged = 0
    for first in range(0, len(parts), AT_ONCE):
        judged += _judge_parts(session, parts[first : first + AT_ONCE], rules, now)
    return judged


def judge_parts(work: Work, part_ids: Collection[int]) -> None:
    """Judge anew the MEAs among these parts: a test of them alone was made, or counts no more."""
    rules = rules_in_force(work.session)
    if rules:
        work.session.flush()
        meas = select(Part.id).join(PartType, PartType.id == Part.part_type_id)
        of_them = meas.where(Part.id.in_(part_ids), PartType.kind == Kind.MEA).order_by(Part.id)
        _judge_parts(work.session, list(work.session.scalars(of_them)), rules, work.now)


def _parts_of(session: Session, stack_ids: Collection[int]) -> set[int]:
    """MEAs in the builds of these stacks, and those with a verdict from there."""
    sat = (
        select(Layer.part_id)
        .join(Build, Build.id == Layer.build_id)
        .join(Part, Part.id == Layer.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(
            Build.stack_id.in_(stack_ids),
            known(Layer),
            Layer.cell.is_not(None),
            PartType.kind == Kind.MEA,
        )
    )
    judged = select(RuleVerdict.part_id).where(RuleVerdict.stack_id.in_(stack_ids))
    return set(session.scalars(union(sat, judged)))


def _judge_parts(
    session: Session, parts: list[int], rules: dict[int, RuleVersion], now: datetime
) -> int:
    histories = mea_histories(session, parts)
    operating = operating_densities(session, _designs(histories.values(), rules))
    asked = any(of.kind.is_ground for version in rules.values() for of in version.rule.criteria)
    grounds = grounds_read(session, parts) if asked else {}
    rows = [
        row
        for history in histories.values()
        if (row := _row(history, rules, operating, grounds.get(history.part_id, {}), now))
        is not None
    ]
    _hold(session, {row["stack_id"] for row in rows})
    session.execute(delete(RuleVerdict).where(RuleVerdict.part_id.in_(parts)))
    if rows:
        session.execute(insert(RuleVerdict), rows)
    return len(rows)


def _designs(histories: Iterable[MeaHistory], rules: dict[int, RuleVersion]) -> set[int]:
    """Designs whose rule leaves the density open."""
    newest = {history.newest.design_id for history in histories if history.newest}
    return {
        design_id
        for design_id in newest
        if design_id in rules and rules[design_id].rule.reference_density_a_cm2 is None
    }


def _hold(session: Session, stack_ids: Collection[int]) -> None:
    """Two who judge the same stack do so one after the other."""
    if stack_ids:
        session.execute(
            select(Stack.id)
            .where(Stack.id.in_(stack_ids))
            .order_by(Stack.id)
            .with_for_update(key_share=True)
        ).all()


def _row(
    history: MeaHistory,
    rules: dict[int, RuleVersion],
    operating: dict[int, float],
    grounds: GroundsRead,
    now: datetime,
) -> dict[str, Any] | None:
    newest = history.newest or (history.sat[-1] if history.sat else None)
    version = rules.get(newest.design_id) if newest else None
    if newest is None or version is None:
        return None
    if history.newest is None and not any(grounds.get(of.kind) for of in version.rule.criteria):
        return None
    density = (
        version.rule.reference_density_a_cm2
        or history.usual_density()
        or operating.get(newest.design_id)
    )
    readings = history.at_density(density, version.rule.near_percent) if density else None
    facts = replace(history.facts(readings), grounds=grounds)
    verdict = judge(version.rule, facts)
    return {
        "part_id": history.part_id,
        "rule_id": version.id,
        "stack_id": newest.stack_id,
        "answer": RuleAnswer(verdict.answer.value),
        "reasons": json.dumps(_reasons(verdict), ensure_ascii=False),
        "figures": json.dumps(_figures(facts, density), ensure_ascii=False),
        "judged_at": now,
    }


def _reasons(verdict: RuleFinding) -> list[dict[str, Any]]:
    return [
        {
            "criterion": str(finding.kind),
            "answer": str(finding.answer),
            "value": finding.value,
            "limit": finding.limit,
            "unit": finding.kind.unit,
            "words": finding.words,
            "address": finding.ground.address if finding.ground else "",
            "ground": finding.ground.key if finding.ground else "",
        }
        for finding in verdict.findings
    ]


def _figures(facts: MeaFacts, density: float | None) -> dict[str, Any]:
    trend = facts.trend
    return {
        "density_a_cm2": density,
        "readings": trend.readings if trend else 0,
        "hours_h": facts.hours_h[-1] if facts.hours_h else None,
        "voltage_v": facts.voltages_v[-1] if facts.voltages_v else None,
        "first_voltage_v": facts.voltages_v[0] if facts.voltages_v else None,
        "first_hours_h": facts.hours_h[0] if facts.hours_h else None,
        "least_squares": _rate(trend.least_squares if trend else None),
        "median_of_slopes": _rate(trend.median_of_slopes if trend else None),
        "score": facts.scores[-1] if facts.scores else None,
        "open_circuit_v": facts.open_circuit_v[-1] if facts.open_circuit_v else None,
    }


def _rate(rate: Rate | None) -> dict[str, Any] | None:
    return None if rate is None else {**asdict(rate), "method": str(rate.method)}
