"""Failed, suspected, end of life: three words on an MEA, each with the grounds it rests on."""

from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import note_finding
from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.arithmetic.grounds import GroundKind, MeaWord
from service.life.changes.failing_marks import confirm_failing
from service.life.changes.failing_rules import propose_rule
from service.life.queries.compared import compared
from service.life.queries.failing import failing_counts, marks_of, said_of_meas, verdict_of
from service.life.queries.grounds import grounds_offered
from service.life.queries.lives_of_groups import GroupBy, lives_of_groups
from service.life.queries.traces import traced_mea
from service.life.tables import FailingGround, RuleAnswer
from service.people.tables import Role
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import Kind
from service.platform.errors import Refused
from tests import builders
from tests.bench.at_the_bench import known
from tests.life.suspecting import a_mark, failing_lab, fill
from tests.proof.stack_testing import a_closed_stack
from tests.proposing import put_in_force


@pytest.mark.both_engines
def test_only_what_failed_counts_as_failing_and_the_others_are_counted_apart(
    engine: Engine,
) -> None:
    with Session(engine) as session:
        lab = failing_lab(session, failing=((0, 0), (1, 0)))
        suspected, worn = lab.meas[2][0], lab.meas[2][1]
        a_mark(session, suspected, says=MeaWord.SUSPECTED)
        a_mark(session, worn, says=MeaWord.END_OF_LIFE)
        design_id, suspected_id, worn_id = lab.design.id, suspected.id, worn.id
        types = [suspected.part_type_id]
        session.commit()
    fill(engine)

    with Session(engine) as session:
        sides = compared(session, design_id, by_rule=True)
        lives = lives_of_groups(session, GroupBy.LOT, types)
        counts = failing_counts(session)
        (row,) = said_of_meas(session, MeaWord.SUSPECTED).rows
        traced = traced_mea(session, worn_id)

    assert int(sides.population.failing.sum()) == 2
    assert sides.apart == {MeaWord.SUSPECTED: 1, MeaWord.END_OF_LIFE: 1}
    assert sum(int(group.lives.failed.sum()) for group in lives.groups) == 2
    assert lives.apart_words == "1 suspected and 1 at the end of life count as not failed"
    assert (counts.failed, counts.suspected, counts.end_of_life) == (2, 1, 1)
    assert row.part_id == suspected_id
    assert traced.says is MeaWord.END_OF_LIFE
    assert not traced.is_failing


@pytest.mark.both_engines
def test_a_rule_judges_by_tests_and_findings_and_names_them(engine: Engine) -> None:
    """No voltage was read: a short of its cell, a finding, what the whole stack lets through."""
    stack = a_closed_stack(engine)
    layers = stack.bench.pile.pile.layers
    shorted, marked = [layer.part for layer in layers if layer.kind is Kind.MEA]
    stack.shorts("2", "40")
    stack.leak(4, arrived={"cathode": "5"})
    quality = stack.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    kinds = CriterionKind
    rule = FailingRule(
        (
            Criterion(kinds.SHORT, 500.0),
            Criterion(kinds.CROSSOVER, 1e-6),
            Criterion(kinds.FINDING, 0, codes=("BURN-MARK",)),
        )
    )

    def propose(rule: FailingRule) -> int:
        said = {"source": "design note 8", "reason": "shorts fail", "by": quality}
        return int(stack.lab.do(propose_rule, stack.design_id, rule, **said))

    strange = FailingRule((Criterion(kinds.FINDING, 0, codes=("NO-SUCH",)),))
    with pytest.raises(Refused, match="no word for an MEA"):
        propose(strange)
    put_in_force(engine, propose(rule))

    with Session(engine) as session:
        first, second = (verdict_of(session, mea) for mea in (shorted, marked))
    assert first is not None
    assert second is not None
    assert (first.answer, second.answer) == (RuleAnswer.MET, RuleAnswer.NOT_MET)
    (reason,) = first.telling
    assert (reason.criterion, reason.address) == (
        "short", f"/records/{stack.bench.number}#entries",
    )  # fmt: skip
    assert reason.ground in {of.key for of in stack.lab.rows(lambda s: grounds_offered(s, shorted))}
    crossover = second.reasons[1]
    assert crossover.answer is RuleAnswer.CANNOT_BE_JUDGED
    assert "2 cells together" in crossover.words

    stack.bench.do(note_finding, part_id=marked, findings=[FindingEntry("burn mark", 2, "A3")])
    stack.bench.do(hand_in)

    with Session(engine) as session:
        seen = verdict_of(session, marked)
        counts = failing_counts(session)
    assert seen is not None
    assert [(x.criterion, x.words) for x in seen.telling] == [
        ("finding", f"burn mark, severity 2, in record {stack.bench.number}")
    ]
    assert (counts.failed, counts.met) == (0, 2), "a rule sorts; a person says"


@pytest.mark.both_engines
def test_a_word_names_the_finding_and_the_test_it_rests_on(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    mea = next(layer.part for layer in stack.bench.pile.pile.layers if layer.kind is Kind.MEA)
    assert mea is not None
    stack.bench.do(note_finding, part_id=mea, findings=[FindingEntry("burn mark", 2, "A3")])
    stack.leak(3)
    stack.leak(4)
    lab = stack.lab
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    offered = lab.rows(lambda s: grounds_offered(s, mea))
    assert len({of.words for of in offered}) == len(offered), "two that cannot be told apart"
    by_kind = {of.kind: of for of in offered}
    assert {GroundKind.FINDING, GroundKind.CROSSOVER, GroundKind.LEAK} < set(by_kind)

    def say(*grounds: str, says: MeaWord = MeaWord.FAILED) -> Any:
        return lab.do(
            confirm_failing,
            mea,
            says=says,
            failed_at=lab.now,
            grounds=grounds,
            reason="gas crosses over",
            by=quality,
        )

    for says in (MeaWord.FAILED, MeaWord.END_OF_LIFE):
        with pytest.raises(Refused, match="needs a ground"):
            say(says=says)
    with pytest.raises(Refused, match="it is no ground of"):
        say("finding 999")
    key = say(by_kind[GroundKind.FINDING].key, by_kind[GroundKind.CROSSOVER].key)

    finding, crossover = lab.rows(lambda s: marks_of(s, mea))[0].grounds
    assert "burn mark" in finding.words
    assert finding.address == f"/records/{stack.bench.number}#entries"
    assert crossover.words.startswith("crossover: leak test of ")
    assert "set-up 3, coolant" in crossover.words
    with Session(engine) as session:
        rows = session.scalars(select(FailingGround).where(FailingGround.mark_id == key)).all()
        assert {row.test_id for row in rows} == {None, crossover.test_id}
        session.add(FailingGround(mark_id=key, kind=GroundKind.LEAK))
        with pytest.raises(IntegrityError):
            session.flush()
