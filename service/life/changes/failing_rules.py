"""The rule by which an MEA of a design counts as failing: written as versions, never changed."""

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Engine, exists, or_, select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.life.arithmetic.failing_rules import CriterionKind, FailingRule, rule_as_data
from service.life.queries.failing_rules import RuleVersion, rule_label, rules_of_design
from service.life.tables import FailingRule as Row
from service.life.tables import RuleVerdict
from service.platform import changes as given
from service.platform.arithmetic.canonical import canonical_json
from service.platform.arithmetic.vocabulary import Kind
from service.platform.audit import Change, Event
from service.platform.database import Work, housekeeping, now_utc
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.proof.tables import StackTest
from service.records.queries.lab_words import newest_words
from service.records.tables import Finding, RebuildRecord
from service.runs.tables import PolarisationCurve, Snapshot
from service.stacks.changes.rule_verdicts import judge_stacks
from service.stacks.tables import Stack
from service.store.changes.proposals import propose
from service.store.tables import ChangeKind

STACKS_AT_ONCE = 20
"""Stacks judged with the rule that is written; the rest is judged piece by piece after it."""


def propose_rule(work: Work, design_id: int, rule: FailingRule, *, source: str, reason: str) -> int:
    """Propose a design's rule, in force once somebody else approves it. Gives the proposal.

    Raises Refused where nothing differs from the version in force.
    """
    need(work.by, Act.FAILING_RULE)
    design = work.locked(Design, design_id, "design")
    said_source = given.words(
        "source", source, "Where the figures come from, such as a design note.", most=1000
    )
    why = given.reason(reason)
    _check_words(work, rule)
    before = _in_force(work, design_id, rule)
    return propose(
        work,
        ChangeKind.FAILING_RULE,
        (design_id, f"{design.name} {design.revision}"),
        {"rule": rule_as_data(rule)},
        _differences(before.rule if before else None, rule),
        source=said_source,
        reason=why,
    )


def _check_words(work: Work, rule: FailingRule) -> None:
    """Refuse words of findings the laboratory does not have for MEAs."""
    criterion = rule.criterion(CriterionKind.FINDING)
    if criterion is None:
        return
    codes = [word.code for word in newest_words(work.session)[1].words if Kind.MEA in word.fits]
    for code in criterion.codes:
        if code not in codes:
            raise Refused(
                "criteria",
                code,
                "no word for an MEA has this code.",
                f"One of: {', '.join(codes)}.",
            )


def _in_force(work: Work, design_id: int, rule: FailingRule) -> RuleVersion | None:
    versions = rules_of_design(work.session, design_id)
    before = versions[0] if versions else None
    if before is not None and before.rule == rule:
        raise Refused(
            "criteria", "", f"nothing differs from version {before.version}.", "A change."
        )
    return before


def put_rule_in_force(
    work: Work, design_id: int, rule: FailingRule, *, source: str, reason: str, by_id: int
) -> int:
    """Keep a new version of a design's rule which somebody else approved, inside that change.

    ``by_id`` wrote it. Its first stacks are judged by it at once; `stacks_to_judge` names the rest.
    """
    need(work.by, Act.CHANGE_APPROVE)
    design = work.locked(Design, design_id, "design")
    before = _in_force(work, design_id, rule)
    row = Row(
        design_id=design_id,
        version=before.version + 1 if before else 1,
        content=canonical_json(rule_as_data(rule)),
        source=source,
        reason=reason,
        by_id=by_id,
        made_at=work.now,
    )
    work.session.add(row)
    work.session.flush()
    label = rule_label(f"{design.name} {design.revision}", row.version)
    changes = [
        ("source", before.source if before else None, source),
        *_differences(before.rule if before else None, rule),
    ]
    work.note(Event.FAILING_RULE_WRITTEN, ("failing rule", row.id, label), changes, reason=reason)
    judge_stacks(work.session, stacks_to_judge(work.session, design_id, STACKS_AT_ONCE), work.now)
    return row.id


def stacks_to_judge(session: Session, design_id: int, most: int) -> tuple[int, ...]:
    """Return stacks of a design with anything to judge by, but no verdict by the rule in force.

    At most so many; one statement.
    """
    newest = (
        select(Row.id)
        .where(Row.design_id == design_id)
        .order_by(Row.version.desc())
        .limit(1)
        .scalar_subquery()
    )
    by_it = exists().where(RuleVerdict.stack_id == Stack.id, RuleVerdict.rule_id == newest)
    in_records = select(RebuildRecord.id).where(RebuildRecord.stack_id == Stack.id)
    read = or_(
        exists().where(Finding.record_id.in_(in_records)),
        exists().where(StackTest.record_id.in_(in_records)),
        exists().where(Snapshot.stack_id == Stack.id, Snapshot.known_until.is_(None)),
        exists().where(
            PolarisationCurve.stack_id == Stack.id, PolarisationCurve.known_until.is_(None)
        ),
        exists().where(RuleVerdict.stack_id == Stack.id),
    )
    return tuple(
        session.scalars(
            select(Stack.id)
            .where(Stack.design_id == design_id, ~by_it, read)
            .order_by(Stack.id)
            .limit(most)
        )
    )


def judge_some(
    session: Session, design_id: int, now: datetime, passed: Collection[int] = ()
) -> tuple[int, ...]:
    """Judge the next stacks that the rule in force has not judged. Gives which, none at the end.

    ``passed`` were tried before: a stack whose MEAs moved on gets no verdict and is named again.
    """
    stacks = stacks_to_judge(session, design_id, STACKS_AT_ONCE + len(passed))
    stacks_now = [stack_id for stack_id in stacks if stack_id not in passed][:STACKS_AT_ONCE]
    judge_stacks(session, stacks_now, now)
    return tuple(stacks_now)


def judge_rest(engine: Engine, design_id: int) -> None:
    """Judge the stacks of a design piece by piece, each piece in a transaction of its own."""
    passed: tuple[int, ...] = ()
    while True:
        with housekeeping(engine) as session:
            some = judge_some(session, design_id, now_utc(), passed)
        if not some:
            return
        passed += some


def _differences(before: FailingRule | None, after: FailingRule) -> list[Change]:
    old = _facts_of_rule(before) if before else {}
    new = _facts_of_rule(after)
    return [
        (name, old.get(name), new.get(name, "left out" if name in old else None))
        for name in dict.fromkeys((*old, *new))
    ]


def _facts_of_rule(rule: FailingRule) -> dict[str, str]:
    """The rule field by field in words."""
    density = rule.reference_density_a_cm2
    texts = {
        "reference density": "the one most readings share"
        if density is None
        else f"{density:g}\u2009A/cm²",
        "how near": f"{rule.near_percent:g}\u2009%",
    }
    for kind in CriterionKind:
        criterion = rule.criterion(kind)
        if criterion is not None:
            texts[str(kind)] = criterion.words
    return texts
