"""What an act on the closed stack makes outdated by the rules of its design, and what it ends."""

from dataclasses import replace

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.limits.arithmetic.retests import USUAL, Retest, RetestRule
from service.limits.tables import Spared
from service.platform.arithmetic.verdicts import Undoing, Verdict
from service.platform.database import reading
from service.proof.queries.build_verdicts import tests_in_words as in_words
from service.proof.queries.build_verdicts import verdicts_of_build
from service.records.changes.deviations import Stands, Unloaded
from service.stacks.tables import Build
from tests.closing.closings import put_limits_in_force
from tests.proof.stack_testing import FIGURES, ClosedStack, a_closed_stack, later
from tests.proof.test_releases import at_the_gate, re_torque, ready, released, state_of
from tests.proof.test_stack_tests import lines

BY_USUAL = replace(FIGURES, retests=USUAL)
NOTHING = (RetestRule(Undoing.RE_TORQUE, (), "note 5"),)


def outdated(stack: ClosedStack) -> set[str]:
    return {what for what, line in lines(stack).items() if line.now is Verdict.TEST_AGAIN}


@pytest.mark.both_engines
def test_a_re_torque_outdates_what_the_usual_rule_says(engine: Engine) -> None:
    stack = a_closed_stack(engine, figures=BY_USUAL)
    stack.all()
    later(stack)
    re_torque(stack, in_a_new_record=False)

    assert outdated(stack) == {
        "leak anode to outside",
        "leak cathode to outside",
        "leak coolant to outside",
        "insulation tie rods to plates, dry",
        "insulation tie rods to plates, with coolant",
        "insulation plates to ground, dry",
        "insulation plates to ground, with coolant",
    }
    with reading(engine) as session:
        closed = verdicts_of_build(session, session.scalars(select(Build.id)).one())
    (sentence,) = in_words(closed)
    assert sentence.startswith(
        "Repeat these tests (re-torqued in record 2 since): leak anode to outside, "
    )

    stack.leak(2)
    assert len(outdated(stack)) == 4, "leaks to outside were tested again together"


@pytest.mark.both_engines
def test_a_clamp_released_and_closed_again_outdates_all_in_spite_of_the_rule(
    engine: Engine,
) -> None:
    stack = a_closed_stack(engine, figures=replace(FIGURES, retests=USUAL[:1]))
    stack.all()
    later(stack)
    re_torque(
        stack,
        in_a_new_record=False,
        torque_nm=11.0,
        stands=Stands.STANDS,
        outside_because="new lubricant",
        unloaded_first=Unloaded.YES,
    )

    found = lines(stack)

    assert {line.now for line in found.values()} == {Verdict.TEST_AGAIN}
    said = {line.outdated_by for line in found.values()}
    assert said == {"clamp released and closed again in record 2"}


@pytest.mark.both_engines
def test_a_rule_in_force_after_the_act_takes_nothing_back(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    stack.all()
    later(stack)
    re_torque(stack, in_a_new_record=False)
    before = outdated(stack)
    in_force(stack, USUAL)

    assert outdated(stack) == before == set(lines(stack))

    later(stack)
    stack.all()
    later(stack)
    re_torque(stack, in_a_new_record=False)
    assert "shorts of cells" not in outdated(stack)


@pytest.mark.both_engines
def test_a_release_ends_by_an_act_only_as_the_rule_says(engine: Engine) -> None:
    stack = ready(engine)
    in_force(stack, NOTHING)
    released(stack)
    later(stack)

    re_torque(stack)
    assert state_of(stack) == "released"
    assert not [sentence for sentence in at_the_gate(stack).shut if "test again" in sentence]

    in_force(stack, (RetestRule(Undoing.RE_TORQUE, (Retest.SHORTS,), "note 6"),))
    later(stack)
    re_torque(stack, in_a_new_record=False)
    assert state_of(stack) == "not released"
    assert outdated(stack) == {"shorts of cells"}


@pytest.mark.both_engines
def test_what_a_version_spares_is_kept_with_it_for_good(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    in_force(stack, NOTHING)

    with Session(engine) as session:
        kept = session.execute(select(Spared.act, Spared.spares)).all()
        assert sorted((str(row.act), str(row.spares)) for row in kept) == [
            ("re-torque", "leak"),
            ("re-torque", "release"),
        ]
        with pytest.raises(DBAPIError, match="never changed"):
            session.execute(update(Spared).values(act=Undoing.PART_CHANGED))


def in_force(stack: ClosedStack, rules: tuple[RetestRule, ...]) -> None:
    stack.lab.rows(
        lambda s: put_limits_in_force(
            s, stack.design_id, replace(FIGURES, retests=rules), approved_at=stack.lab.now
        )
    )
