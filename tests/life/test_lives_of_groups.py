"""Lives of MEAs: watched from when to when, what ended them, and who is left out."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.life.arithmetic.life_pieces import WHY, Why
from service.life.queries.life_rows import designs_with_stacks, mea_types
from service.life.queries.lives_of_groups import GroupBy, LivesOfGroups, lives_of_groups
from service.life.tables import FailingRule, RuleAnswer, RuleVerdict
from service.people.tables import Role
from service.stacks.tables import Stack
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.found_by_index import read_whole
from tests.life.living import DAY, a_failing_mark, a_living_lab, builds_of
from tests.taps.tapping import a_bridge


def told(session: Session, by: GroupBy = GroupBy.LOT, **more: Any) -> LivesOfGroups:
    return lives_of_groups(session, by, [it.id for it in mea_types(session)], **more)


def lives(found: LivesOfGroups) -> dict[str, list[tuple[float, float, bool]]]:
    """Entry, end and whether it failed, of all lives counted, by the name of the group."""
    return {
        group.name: sorted(
            zip(
                group.lives.entry_h.tolist(),
                group.lives.exit_h.tolist(),
                group.lives.failed.tolist(),
                strict=True,
            )
        )
        for group in found.groups
    }


def test_lives_are_told_lot_by_lot(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)

        found = told(session)

        by_name = lives(found)
        assert list(by_name) == ["M-A", "M-B", "no lot named"]
        assert by_name["M-A"] == [
            (0, 200, True),  # A1, halfway through 400 h
            (0, 300, False),  # A4
            (0, 300, False),  # A5
            (0, 400, False),  # A2 lies in store
            (0, 550, False),  # A3: 400 h in one stack and 150 h in the other
        ]
        # B1 came with 1 000 h: watched from then on
        assert by_name["M-B"] == [(1000, 1700, False)]
        assert by_name["no lot named"] == [(0, 150, False)]
        of_a, of_b, _ = (group.lives for group in found.groups)
        assert (of_a.failures, of_a.removed, of_a.running, of_a.unknown) == (1, 1, 3, 0)
        assert (of_b.late, of_b.unknown) == (1, 1)
        assert [group.id for group in found.groups] == [lab.lots[0].id, lab.lots[1].id, None]
        assert (found.meas, found.never_fitted) == (8, 1)
        assert (found.left_out, found.left_out_failed) == (1, 0)
        (lost,) = found.left_out_lives
        assert (lost.label, lost.why, lost.has_failed) == ("B2", WHY[Why.MISSING], False)


def test_by_design_a_moved_mea_leaves_one_unfailed_and_enters_the_other_late(
    engine: Engine,
) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)

        found = told(session, GroupBy.DESIGN)

        first, second = lives(found).values()
        assert first.count((0, 400, False)) == 2  # A2, and A3 until it moved
        assert second == [(0, 150, False), (400, 550, False)]
        assert [group.lives.running for group in found.groups] == [3, 2]
        assert [group.id for group in found.groups] == [lab.first.design_id, lab.second.design_id]
        assert found.meas == 8


def test_within_one_design_only_what_was_lived_there_counts(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)

        found = told(session, design_id=lab.second.design_id)

        assert lives(found) == {"M-A": [(400, 550, False)], "no lot named": [(0, 150, False)]}
        assert found.left_out == 0
        assert {it.id for it in designs_with_stacks(session)} == {
            lab.first.design_id, lab.second.design_id
        }  # fmt: skip


def test_by_supplier_and_by_part_type(engine: Engine) -> None:
    with Session(engine) as session:
        a_living_lab(session)

        by_supplier = lives(told(session, GroupBy.SUPPLIER))
        by_type = told(session, GroupBy.PART_TYPE)

        assert {name: len(own) for name, own in by_supplier.items()} == {
            "Beckfoot Membranes (invented)": 1,
            "Fellside Seals (invented)": 5,
            "no supplier named": 1,
        }
        (only,) = by_type.groups
        assert (only.name, only.lives.n) == ("mea TEL-001 A", 7)


def test_lots_of_several_types_say_of_which_they_are(engine: Engine) -> None:
    with Session(engine) as session:
        a_living_lab(session)
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea_directional, label="M-A")
        mea = builders.a_part(session, types.mea_directional, lot=lot)
        stack = builders.a_stack(session, serial="TARN-D1")
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, 1, meas=[mea]))
        builders.an_hour_reading(session, stack, 80.0, FIRST_CLOSING + 9 * DAY)

        assert list(lives(told(session))) == [
            "M-A of mea directional TEL-002 A", "M-A of mea TEL-001 A", "M-B of mea TEL-001 A",
            "no lot named",
        ]  # fmt: skip
        one_type = [it.id for it in mea_types(session) if "TEL-002" in it.name]
        (only,) = lives_of_groups(session, GroupBy.LOT, one_type).groups
        assert (only.name, only.lives.exit_h.tolist()) == ("M-A", [80.0])


def test_a_withdrawn_mark_is_no_failure(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)
        mark = a_failing_mark(session, lab.meas["A4"], FIRST_CLOSING + 45 * DAY)
        before = told(session).groups[0].lives.failures
        mark.withdrawn_at, mark.withdrawn_by_id = FIRST_CLOSING + 70 * DAY, mark.confirmed_by_id
        session.flush()

        after = told(session).groups[0].lives.failures

        assert (before, after) == (2, 1)


def test_a_failure_found_after_removal_is_at_the_hours_it_was_removed_with(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)
        a_failing_mark(session, lab.meas["A2"], FIRST_CLOSING + 50 * DAY)

        assert (0, 400, True) in lives(told(session))["M-A"]


def test_a_failure_told_before_it_was_fitted_was_never_watched(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)
        a_failing_mark(session, lab.meas["B1"], FIRST_CLOSING - DAY)

        of_b = told(session).groups[1].lives

        assert (of_b.n, of_b.unwatched) == (0, 1)


def test_a_failure_before_moving_ends_the_life_there(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)
        a_failing_mark(session, lab.meas["A3"], lab.failed_at)

        first, second = lives(told(session, GroupBy.DESIGN)).values()

        assert first.count((0, 200, True)) == 2
        assert second == [(0, 150, False)]


@pytest.mark.both_engines
def test_meas_whose_hours_nobody_read_are_left_out_and_named(engine: Engine) -> None:
    with Session(engine) as session:
        types = builders.the_part_types(session)
        stack = builders.a_stack(session, serial="TARN-U1")
        meas = [builders.a_part(session, types.mea, serial="U1")]
        pile = builders.a_pile(session, stack, 1, meas=meas)
        builders.a_build(session, stack, laid=pile)
        builders.a_build(session, stack, laid=pile)  # opened and closed, and no meter read
        old = builders.a_stack(session, serial="TARN-U2")
        meas = [builders.a_part(session, types.mea, serial=serial) for serial in ("U2", "U3")]
        meas[0].hours_before_unknown = True
        pile = builders.a_pile(session, old, 2, meas=meas)
        for hours in (0.0, 300.0):
            builders.a_build(session, old, laid=pile, hours=hours)

        found = told(session)

        assert [(lost.label, lost.why) for lost in found.left_out_lives] == [
            ("U1", WHY[Why.NO_HOURS]),
            ("U2", WHY[Why.NO_HOURS_AT_ENTRY]),
        ]
        assert lives(found)["no lot named"] == [(0, 300, False)]


def test_those_that_meet_the_rule_unconfirmed_are_counted_beside(engine: Engine) -> None:
    with Session(engine) as session:
        lab = a_living_lab(session)
        rule = FailingRule(
            design_id=lab.first.design_id, version=1, content="{}", source="invented",
            reason="a beginning", by_id=builders.a_person(session, Role.QUALITY).id,
            made_at=FIRST_CLOSING,
        )  # fmt: skip
        session.add(rule)
        session.flush()
        for name, answer in (("A1", RuleAnswer.MET), ("A4", RuleAnswer.MET),
                             ("A5", RuleAnswer.NOT_MET)):  # fmt: skip
            session.add(
                RuleVerdict(
                    part_id=lab.meas[name].id, rule_id=rule.id, stack_id=lab.first.id,
                    answer=answer, reasons="[]", judged_at=FIRST_CLOSING,
                )
            )  # fmt: skip
        session.flush()

        assert told(session).met_unconfirmed == 1


@pytest.mark.parametrize("by", GroupBy)
def test_the_number_of_statements_does_not_grow(
    engine: Engine, statements: Callable[[], Any], by: GroupBy
) -> None:
    with Session(engine) as session:
        a_living_lab(session)
        session.commit()
        with statements() as few:
            told(session, by)
        for _ in range(3):
            builders.a_build(session, builders.a_stack(session, cells=3), hours=50.0)
        session.commit()
        with statements() as many:
            told(session, by)

        assert len(few) == len(many) <= 24


def test_a_bridged_cell_runs_without_its_mea(engine: Engine) -> None:
    """B1 sat in cell 4 and was bridged for the second half of build 1."""
    with Session(engine) as session:
        lab = a_living_lab(session)
        a_bridge(session, builds_of(session, lab.first)[0], 4, lab.failed_at)

        (life,) = lives(told(session))["M-B"]

        assert life == (1000, pytest.approx(1500), False)


def test_nothing_but_meas_is_read(statements: Callable[[], Any], app: Any) -> None:
    with Session(app.state.engine) as session:
        a_living_lab(session)
        session.commit()
        with statements() as seen:
            told(session)

    assert read_whole(app.state.engine, seen) == []


@pytest.mark.both_engines
def test_without_meas_there_is_nothing(engine: Engine) -> None:
    with Session(engine) as session:
        found = told(session)

        assert (found.groups, found.meas, session.get(Stack, 1)) == ((), 0, None)
