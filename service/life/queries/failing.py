"""What people say of MEAs, those that meet the rule, and why."""

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from typing import Any

from sqlalchemy import and_, func, select
from sqlalchemy.orm import Session, aliased

from service.designs.tables import Design
from service.life.arithmetic.grounds import MeaWord
from service.life.queries.failing_rules import rule_label
from service.life.queries.grounds import GroundSeen, grounds_of
from service.life.tables import FailingMark, FailingRule, RuleAnswer, RuleVerdict
from service.people.tables import Person
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.queries.answers import columns, read_as
from service.platform.queries.lists import FIRST, Listing, Order, Turn, listing
from service.platform.queries.statements import param, statement
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.tables import Lot, Part

CONFIRMED, WITHDREW = aliased(Person), aliased(Person)


@dataclass(frozen=True, slots=True)
class Reason:
    """What one criterion said of an MEA, in words with figures.

    ``ground`` and ``address``: the test or finding it rests on, by the key of a ground, and the
    page that is read on; empty where it rests on voltages.
    """

    criterion: str
    answer: RuleAnswer
    words: str
    address: str = ""
    ground: str = ""


@dataclass(frozen=True, slots=True)
class VerdictOfRule:
    """What a rule says of an MEA; ``is_newest``: by the version in force."""

    rule_id: int
    rule: str
    design_id: int
    version: int
    is_newest: bool
    answer: RuleAnswer
    reasons: tuple[Reason, ...]
    figures: dict[str, Any]
    judged_at: datetime

    @property
    def telling(self) -> tuple[Reason, ...]:
        """The criteria that gave the answer."""
        return tuple(reason for reason in self.reasons if reason.answer is self.answer)


@dataclass(frozen=True, slots=True)
class MarkOfPerson:
    """Somebody's word on an MEA; ``withdrawn_at`` None: it stands.

    ``rule_answer`` is what the rule said then, None where there was none.
    """

    id: int
    says: MeaWord
    failed_at: datetime
    reason: str
    confirmed_by: str
    confirmed_at: datetime
    withdrawn_by: str | None
    withdrawn_at: datetime | None
    withdrawn_because: str
    rule_answer: RuleAnswer | None
    rule_words: str
    grounds: tuple[GroundSeen, ...]


@dataclass(frozen=True, slots=True)
class FailingRow:
    """One MEA of the list. ``answer`` None: no verdict; ``says`` None: nobody said anything yet."""

    part_id: int
    label: str
    lot_id: int | None
    lot: str | None
    whereabouts: Whereabouts
    usability: Usability
    place: str
    stack_serial: str | None
    cell: int | None
    design: str | None
    answer: RuleAnswer | None
    reasons: tuple[Reason, ...]
    figures: dict[str, Any]
    judged_at: datetime | None
    failed_at: datetime | None
    mark_id: int | None
    says: MeaWord | None
    mark_reason: str
    confirmed_by: str | None
    confirmed_at: datetime | None
    grounds: tuple[GroundSeen, ...]

    @property
    def telling(self) -> tuple[Reason, ...]:
        """The criteria that gave the answer."""
        return tuple(reason for reason in self.reasons if reason.answer is self.answer)


@dataclass(frozen=True, slots=True)
class Counts:
    """How many MEAs stand where; people's words stand apart, and only failed ones are failing."""

    failed: int
    suspected: int
    end_of_life: int
    met: int
    """meet the rule and nobody has said anything"""
    cannot_be_judged: int
    judged: int


@statement
def _verdict_of_part() -> Any:
    newest = _newest_version()
    return (
        select(
            Design.name,
            Design.revision,
            newest.label("newest"),
            *columns(VerdictOfRule, RuleVerdict, FailingRule),
        )
        .join(FailingRule, FailingRule.id == RuleVerdict.rule_id)
        .join(Design, Design.id == FailingRule.design_id)
        .where(RuleVerdict.part_id == param("part_id"))
    )


def verdict_of(session: Session, part_id: int) -> VerdictOfRule | None:
    """Return what the rule says of an MEA; None where it was not judged. One statement."""
    row: Any = session.execute(_verdict_of_part(), {"part_id": part_id}).first()
    if row is None:
        return None
    return read_as(
        VerdictOfRule,
        row,
        rule=rule_label(f"{row.name} {row.revision}", row.version),
        is_newest=row.version == row.newest,
        reasons=read_reasons(row.reasons),
        figures=json.loads(row.figures),
    )


MARKS = (
    select(
        FailingMark.evidence,
        *columns(
            MarkOfPerson, FailingMark, confirmed_by=CONFIRMED.name, withdrawn_by=WITHDREW.name
        ),
    )
    .join(CONFIRMED, CONFIRMED.id == FailingMark.confirmed_by_id)
    .outerjoin(WITHDREW, WITHDREW.id == FailingMark.withdrawn_by_id)
    .where(FailingMark.part_id == param("part_id"))
    .order_by(FailingMark.id.desc())
)


def marks_of(session: Session, part_id: int) -> tuple[MarkOfPerson, ...]:
    """Return what people said of an MEA, the newest first, withdrawn words too. Two statements."""
    marks = [_mark(row) for row in session.execute(MARKS, {"part_id": part_id})]
    grounds = grounds_of(session, [(mark.id, part_id) for mark in marks])
    return tuple(replace(mark, grounds=tuple(grounds[mark.id])) for mark in marks)


def _mark(row: Any) -> MarkOfPerson:
    evidence = json.loads(row.evidence)
    answer = RuleAnswer(evidence["answer"]) if evidence.get("answer") else None
    return read_as(
        MarkOfPerson, row, rule_answer=answer, rule_words=evidence.get("words", ""), grounds=()
    )


def evidence_of(session: Session, part_id: int) -> tuple[int | None, dict[str, Any]]:
    """Return the rule that judged an MEA and what it said, to be kept beside a person's word."""
    verdict = verdict_of(session, part_id)
    if verdict is None:
        return None, {}
    return verdict.rule_id, {
        "rule": verdict.rule,
        "answer": str(verdict.answer),
        "words": "; ".join(reason.words for reason in verdict.telling),
        "figures": verdict.figures,
    }


def failing_counts(session: Session, design_id: int | None = None) -> Counts:
    """Count MEAs by people's words, those meeting the rule without one, and not to be judged.

    Two statements.
    """
    answers: dict[Any, int] = dict(
        session.execute(
            select(RuleVerdict.answer, func.count())
            .where(_by_rules_of(design_id))
            .group_by(RuleVerdict.answer)
        ).all()
    )
    marks = (
        select(FailingMark.says, RuleVerdict.answer, func.count())
        .select_from(FailingMark)
        .outerjoin(RuleVerdict, RuleVerdict.part_id == FailingMark.part_id)
        .where(FailingMark.withdrawn_at.is_(None))
        .group_by(FailingMark.says, RuleVerdict.answer)
    )
    if design_id is not None:
        marks = marks.where(_by_rules_of(design_id))
    said: Counter[MeaWord] = Counter()
    marked: Counter[RuleAnswer] = Counter()
    for says, answer, count in session.execute(marks):
        said[says] += count
        marked[answer] += count
    return Counts(
        said[MeaWord.FAILED],
        said[MeaWord.SUSPECTED],
        said[MeaWord.END_OF_LIFE],
        answers.get(RuleAnswer.MET, 0) - marked[RuleAnswer.MET],
        answers.get(RuleAnswer.CANNOT_BE_JUDGED, 0) - marked[RuleAnswer.CANNOT_BE_JUDGED],
        sum(answers.values()),
    )


def judged_by_earlier(session: Session, design_id: int) -> int:
    """Count MEAs still judged by an earlier version of a design's rule. One statement."""
    versions = aliased(FailingRule)
    newest = select(func.max(versions.version)).where(versions.design_id == design_id)
    earlier = select(FailingRule.id).where(
        FailingRule.design_id == design_id, FailingRule.version < newest.scalar_subquery()
    )
    return (
        session.scalar(
            select(func.count()).select_from(RuleVerdict).where(RuleVerdict.rule_id.in_(earlier))
        )
        or 0
    )


NEWEST_WORD = Order((FailingMark.id,), descending=True)
BY_PART = Order((RuleVerdict.part_id,))


def said_of_meas(
    session: Session, says: MeaWord, turn: Turn = FIRST, *, design_id: int | None = None
) -> Listing[FailingRow]:
    """Return MEAs of which somebody says so, the newest word first. Two statements."""
    statement = (
        _columns()
        .select_from(FailingMark)
        .join(Part, Part.id == FailingMark.part_id)
        .outerjoin(RuleVerdict, RuleVerdict.part_id == Part.id)
        .where(FailingMark.withdrawn_at.is_(None), FailingMark.says == says)
    )
    if design_id is not None:
        statement = statement.where(_by_rules_of(design_id))

    def with_grounds(rows: Iterable[Any]) -> Iterator[FailingRow]:
        kept = [_row(row) for row in rows]
        grounds = grounds_of(session, [(row.mark_id or 0, row.part_id) for row in kept])
        for row in kept:
            yield replace(row, grounds=tuple(grounds[row.mark_id]))

    return listing(session, _with_the_rest(statement), NEWEST_WORD, turn, with_grounds)


def judged(
    session: Session, answer: RuleAnswer, turn: Turn = FIRST, *, design_id: int | None = None
) -> Listing[FailingRow]:
    """Return MEAs of which the rule says so and nobody's word stands, by number. One statement."""
    standing = and_(FailingMark.part_id == Part.id, FailingMark.withdrawn_at.is_(None))
    statement = (
        _columns()
        .select_from(RuleVerdict)
        .join(Part, Part.id == RuleVerdict.part_id)
        .outerjoin(FailingMark, standing)
        .where(RuleVerdict.answer == answer, _by_rules_of(design_id), FailingMark.id.is_(None))
    )
    return listing(session, _with_the_rest(statement), BY_PART, turn, partial(map, _row))


def read_reasons(text: str) -> tuple[Reason, ...]:
    """Return reasons as they are kept."""
    return tuple(
        Reason(
            reason["criterion"],
            RuleAnswer(reason["answer"]),
            reason["words"],
            reason.get("address", ""),
            reason.get("ground", ""),
        )
        for reason in json.loads(text)
    )


def _by_rules_of(design_id: int | None) -> Any:
    """Verdicts by any version of the rules, of one design or of all: found by index."""
    versions = aliased(FailingRule)
    versions_in_force = select(versions.id)
    if design_id is not None:
        versions_in_force = versions_in_force.where(versions.design_id == design_id)
    return RuleVerdict.rule_id.in_(versions_in_force)


def _newest_version() -> Any:
    every = aliased(FailingRule)
    return (
        select(func.max(every.version))
        .where(every.design_id == FailingRule.design_id)
        .correlate(FailingRule)
        .scalar_subquery()
    )


def _columns() -> Any:
    return select(
        Part.id,
        Part.serial,
        Part.item_number,
        Part.lot_id,
        Lot.label.label("lot"),
        Part.whereabouts,
        Part.usability,
        Part.place,
        Stack.serial.label("stack_serial"),
        Layer.cell,
        Design.name,
        Design.revision,
        RuleVerdict.answer,
        RuleVerdict.reasons,
        RuleVerdict.figures,
        RuleVerdict.judged_at,
        FailingMark.failed_at,
        FailingMark.id.label("mark_id"),
        FailingMark.says,
        FailingMark.reason.label("mark_reason"),
        CONFIRMED.name.label("confirmed_by"),
        FailingMark.confirmed_at,
    )


def _with_the_rest(statement: Any) -> Any:
    return (
        statement.outerjoin(FailingRule, FailingRule.id == RuleVerdict.rule_id)
        .outerjoin(Design, Design.id == FailingRule.design_id)
        .outerjoin(CONFIRMED, CONFIRMED.id == FailingMark.confirmed_by_id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .outerjoin(Stack, Stack.id == Part.stack_id)
        .outerjoin(Layer, and_(Layer.part_id == Part.id, Layer.present))
    )


def _row(row: Any) -> FailingRow:
    return read_as(
        FailingRow,
        row,
        part_id=row.id,
        label=part_label(row.serial, row.lot, row.item_number),
        design=None if row.name is None else f"{row.name} {row.revision}",
        reasons=read_reasons(row.reasons) if row.reasons is not None else (),
        figures=json.loads(row.figures) if row.figures else {},
        mark_reason=row.mark_reason or "",
        grounds=(),
    )
