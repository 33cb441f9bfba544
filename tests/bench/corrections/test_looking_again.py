"""What was signed before a fact it rests on was corrected is marked until somebody looks again."""

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DatabaseError

from service.bench.changes.looking_again import look_again
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.tables import CorrectionOf, Rests
from service.people.tables import Role
from service.planning.tables import ChangeoverPlan
from service.platform.database import reading
from service.platform.errors import NotAllowed, NotFound
from service.store.tables import AcceptedUsed, Basis, UseDecision, UseJudgement
from tests import builders
from tests.proof.test_later_closings import Again
from tests.proof.test_later_closings import stack as stack  # noqa: PLC0414 - the fixture

OF = CorrectionOf


def marked(stack: Again) -> dict[Rests, RestsOn]:
    with reading(stack.lab.engine) as session:
        return {each.of: each for each in rests_on(session)}


def corrected(stack: Again, of: CorrectionOf) -> int:
    """A correction of the second build, approved."""
    third, stack.bench = stack.bench, stack.second
    number = stack.correction_of(of)
    stack.bench = third
    stack.decide(number)
    return number


def rest_on(stack: Again, part_id: int) -> None:
    """A plan for the third build, a judgement of it, and two words on one of its parts."""
    at, by = stack.lab.now, stack.lab.builder.id
    plan = ChangeoverPlan(
        stack_id=stack.lab.stack_id,
        base_build_id=stack.build_id,
        wishes="{}",
        content="{}",
        content_sha256="0" * 64,
        note="cell 2",
        made_by_id=by,
        made_at=at,
    )
    judged = UseJudgement(
        build_id=stack.build_id,
        instrument_id=stack.lab.driver_id,
        decision=UseDecision.ACCEPT,
        reason="small",
        content="{}",
        content_sha256="0" * 64,
        signed_by_id=by,
        signed_at=at,
    )
    accepted = AcceptedUsed(
        part_id=part_id, basis=next(iter(Basis)), same_anode_side=False, by_id=by, at=at
    )
    stack.lab.rows(lambda s: s.add_all([plan, judged, accepted]))
    stack.lab.rows(lambda s: builders.a_failing_mark(s, part_id, at))
    stack.later()


@pytest.mark.both_engines
def test_case_06_what_rests_on_a_serial_corrected_after_approval_is_marked_until_looked_at(
    stack: Again,
) -> None:
    third, stack.bench = stack.bench, stack.second
    mea = stack.fact(OF.LAYER_PART, kind=builders.Kind.MEA).details
    stack.bench = third
    rest_on(stack, mea.part_id)
    assert marked(stack) == {}

    number = corrected(stack, OF.LAYER_PART)
    found = marked(stack)

    assert set(found) == set(Rests)
    assert {each.cause for each in found.values()} == {f"correction {number}"}
    assert found[Rests.RECORD].subject_id == third.number
    quality = stack.a_person(Role.QUALITY)
    for each in found.values():
        stack.lab.do(look_again, of=each.of, subject_id=each.subject_id, note="holds", by=quality)
    assert marked(stack) == {}
    with pytest.raises(NotFound):
        stack.lab.do(look_again, of=Rests.RECORD, subject_id=third.number, by=quality)
    with pytest.raises(DatabaseError), stack.lab.engine.begin() as connection:
        connection.execute(text("DELETE FROM looked_again"))

    stack.later()
    corrected(stack, OF.HOURS)
    assert set(marked(stack)) == {Rests.RECORD, Rests.FAILING, Rests.ACCEPTED}


def test_case_06_only_quality_and_supervisors_take_the_mark_off(stack: Again) -> None:
    corrected(stack, OF.TORQUE)
    record = marked(stack)[Rests.RECORD]

    with pytest.raises(NotAllowed):
        stack.lab.do(look_again, of=record.of, subject_id=record.subject_id)
