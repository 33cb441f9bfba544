"""What an act on the closed stack makes outdated by the rules of its design, and what it ends."""

from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.queries.corrections import correctable
from service.bench.tables import Correction
from service.closing.changes.click_tools import press_nut, set_tool
from service.limits.arithmetic.retests import USUAL, Retest, RetestRule
from service.limits.tables import Spared
from service.people.tables import Role
from service.platform.arithmetic.verdicts import Undoing, Verdict
from service.platform.arithmetic.vocabulary import Press
from service.platform.database import reading
from service.proof.queries.build_verdicts import tests_in_words as in_words
from service.proof.queries.build_verdicts import verdicts_of_build
from service.records.changes.deviations import Stands, Unloaded
from service.records.queries.content import verify
from service.records.tables import RecordKind
from service.stacks.tables import Build
from service.store.arithmetic.instruments import TorqueTool
from tests import builders
from tests.bench.at_the_bench import known
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


@pytest.mark.both_engines
def test_unloading_before_a_click_re_torque_counts_and_can_be_put_right(engine: Engine) -> None:
    """The entry that sets the tool says it; the nuts that answered are read anew with it."""
    stack = ready(engine)
    in_force(stack, NOTHING)
    released(stack)
    later(stack)
    stack.bench = stack.lab.begin(RecordKind.RE_TORQUE, performed_from=stack.lab.now)
    tool = stack.lab.rows(
        lambda s: builders.a_torque_instrument(s, label="TD-5", tool=TorqueTool.CLICK).id
    )
    why = {"stands": Stands.STANDS, "outside_because": "new lubricant"}
    set_and_pressed(stack, tool, 1, "9.6", **why, unloaded_first=Unloaded.NO)
    assert state_of(stack) == "released"
    set_and_pressed(stack, tool, 2, "8.9", **why, unloaded_first=Unloaded.YES)
    assert state_of(stack) == "not released"
    assert "clamp released and closed again in record 3" in {
        line.outdated_by for line in lines(stack).values()
    }
    stack.bench.do(hand_in)
    later(stack)

    put_right(stack, "tool of pass 2, before, entry 6, stack unloaded first", "no")

    assert outdated(stack) == set(), "a re-torque alone outdates nothing here"
    with reading(engine) as session:
        assert verify(session, [stack.bench.number])[stack.bench.number].holds


def set_and_pressed(stack: ClosedStack, tool: int, number: int, torque: str, **more: Any) -> None:
    later(stack)
    given = {"pass_number": number, "entered": torque, "instrument_id": tool}
    stack.bench.do(set_tool, **given, **more)
    for rod in (1, 2, 3, 4):
        stack.bench.do(press_nut, rod_number=rod, pass_number=number, press=Press.NOT_MOVED)
    later(stack)


def put_right(stack: ClosedStack, ending: str, value: str) -> None:
    """Correct the value of the record whose label ends so."""
    number = stack.bench.number
    with Session(stack.lab.engine) as session:
        facts = correctable(session, number).facts
    fact = next(each for each in facts if each.label.endswith(ending))
    given = {"of": fact.of, "subject_id": fact.subject_id, "field": fact.field}
    key = stack.lab.do(propose, number, new_value=value, reason="a slip of the pen", **given)
    stack.lab.do(
        decide,
        key,
        approve=True,
        content_sha256=stack.lab.get(Correction, key).content_sha256,
        password=builders.PASSWORD,
        by=stack.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY))),
    )
    later(stack)
