"""Rules of failing, what they say of MEAs, and people's word for it."""

import json
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.arithmetic.grounds import MeaWord
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.changes.failing_rules import judge_some, propose_rule, stacks_to_judge
from service.life.queries.failing import (
    failing_counts,
    judged,
    marks_of,
    said_of_meas,
    verdict_of,
)
from service.life.queries.failing_rules import rules_in_force, rules_of_design
from service.life.tables import FailingMark, RuleAnswer, RuleVerdict
from service.people.tables import Role
from service.platform import permissions
from service.platform.database import changing, housekeeping
from service.platform.errors import NotAllowed, Refused
from service.platform.queries.lists import Turn
from service.platform.tables import AuditEntry
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables import Build
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.found_by_index import read_whole
from tests.life.mea_reading import ReadStack, a_read_stack
from tests.proposing import put_in_force
from tests.taps.tapping import a_snapshot, a_tap_map
from tests.turning import turned

RATE = Criterion(CriterionKind.RATE, 60.0, readings=8, least_hours_h=200.0)
VOLTAGE = Criterion(CriterionKind.VOLTAGE, 0.60)
OPEN = Criterion(CriterionKind.OPEN_CIRCUIT, 0.85)
RULE = FailingRule((RATE, VOLTAGE, OPEN), 0.7)
NOW = FIRST_CLOSING + timedelta(days=80)


def somebody(session: Session, *roles: Role) -> permissions.Person:
    row = builders.a_person(session, *roles)
    return permissions.Person(row.id, row.login, row.name, frozenset(roles))


@pytest.fixture
def made(engine: Engine) -> ReadStack:
    with Session(engine) as session:
        made = a_read_stack(session)
        session.commit()
    return made


@pytest.fixture
def quality(engine: Engine) -> permissions.Person:
    with Session(engine) as session:
        person = somebody(session, Role.QUALITY)
        session.commit()
    return person


def write(engine: Engine, by: permissions.Person, design_id: int, rule: FailingRule = RULE) -> int:
    with changing(engine, by, now=NOW) as work:
        key = propose_rule(work, design_id, rule, source="design note 7", reason="first rule")
    return put_in_force(engine, key, NOW)


def answers(engine: Engine) -> dict[int, RuleAnswer]:
    with Session(engine) as session:
        return dict(session.execute(select(RuleVerdict.part_id, RuleVerdict.answer)).all())


def test_a_new_rule_judges_every_mea_that_was_read(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)

    found = answers(engine)
    assert found[made.weak] is RuleAnswer.MET
    assert {found[made.meas[cell]] for cell in (1, 2, 4)} == {RuleAnswer.NOT_MET}
    with Session(engine) as session:
        verdict = verdict_of(session, made.weak)
        rows = judged(session, RuleAnswer.MET).rows
    assert verdict is not None
    assert verdict.is_newest
    said = {one.criterion: one.answer for one in verdict.reasons}
    assert said == {
        "rate": RuleAnswer.MET,
        "voltage": RuleAnswer.MET,
        "open circuit": RuleAnswer.CANNOT_BE_JUDGED,
    }
    assert "faster than 60\u2009µV/h even by the slow end" in verdict.telling[0].words
    assert verdict.figures["readings"] == 27
    assert verdict.figures["median_of_slopes"]["slope_uv_h"] == pytest.approx(-120, abs=1)
    assert [(row.part_id, row.stack_serial, row.cell) for row in rows] == [
        (made.weak, made.serial, 1)
    ]


@pytest.mark.both_engines
def test_mere_noise_of_one_kind_of_fact_leaves_the_rest_judged(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    """Open-circuit voltages were never read: by that criterion alone nothing can be judged."""
    write(engine, quality, made.design_id, FailingRule((OPEN,)))

    assert set(answers(engine).values()) == {RuleAnswer.CANNOT_BE_JUDGED}
    with Session(engine) as session:
        counts = failing_counts(session, made.design_id)
    assert (counts.met, counts.cannot_be_judged, counts.judged) == (0, 4, 4)


def test_a_corrected_tap_map_changes_who_meets_the_rule(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)
    with Session(engine) as session:
        a_tap_map(session, made.stack_id, FIRST_CLOSING, {1: 2, 2: 1, 3: 3, 4: 4})
        session.commit()

    with changing(engine, quality, now=NOW) as work:
        judge_stack(work, made.stack_id)
        work.notes += 1  # the change that made it needful writes the entry

    found = answers(engine)
    assert found[made.meas[2]] is RuleAnswer.MET


def test_new_voltages_are_judged_anew(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)
    with Session(engine) as session:
        build = session.get_one(Build, made.second)
        at = FIRST_CLOSING + timedelta(days=60)
        a_snapshot(session, build, at, [0.6, 0.59, 0.66, 0.66], meter_hours=1010.0)
        session.commit()

    with changing(engine, quality, now=NOW) as work:
        judge_stack(work, made.stack_id)

    assert answers(engine)[made.meas[2]] is RuleAnswer.MET


def test_without_any_rule_nothing_is_judged_and_little_asked(
    engine: Engine, made: ReadStack, quality: permissions.Person, statements: Callable[[], Any]
) -> None:
    with statements() as seen, changing(engine, quality, now=NOW) as work:
        judge_stack(work, made.stack_id)

    assert answers(engine) == {}
    assert len(seen) == 1


def test_a_version_replaces_the_one_before_and_is_told_in_the_trail(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)
    stricter = FailingRule((Criterion(CriterionKind.VOLTAGE, 0.66),), 0.7)

    with changing(engine, quality, now=NOW) as work:
        key = propose_rule(work, made.design_id, stricter, source="note 8", reason="stricter")
    put_in_force(engine, key, NOW)

    assert set(answers(engine).values()) == {RuleAnswer.MET}
    with Session(engine) as session:
        versions = rules_of_design(session, made.design_id)
        told = session.scalars(
            select(AuditEntry.changes).where(AuditEntry.act == "failing rule:written")
        ).all()
        assert rules_in_force(session)[made.design_id].version == 2
    assert [(it.version, it.is_in_force) for it in versions] == [(2, True), (1, False)]
    changed = {field: (before, after) for field, before, after in json.loads(told[-1])}
    assert changed["voltage"] == (
        "below 0.6\u2009V at the reference density",
        "below 0.66\u2009V at the reference density",
    )
    assert changed["rate"][1] == "left out"


def test_a_version_that_changes_nothing_is_refused(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)

    with pytest.raises(Refused, match="nothing differs from version 1"):
        write(engine, quality, made.design_id)


def test_a_builder_writes_no_rule_and_confirms_nothing(engine: Engine, made: ReadStack) -> None:
    with Session(engine) as session:
        builder = somebody(session, Role.BUILDER)
        session.commit()

    with pytest.raises(NotAllowed):
        write(engine, builder, made.design_id)
    with pytest.raises(NotAllowed), changing(engine, builder) as work:
        confirm_failing(work, made.weak, failed_at=NOW, grounds=["voltage"], reason="weak")


def test_more_stacks_than_are_judged_at_once_are_named_and_judged_after(
    engine: Engine, quality: permissions.Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.life.changes.failing_rules.STACKS_AT_ONCE", 1)
    with Session(engine) as session:
        design = builders.a_design(session)
        stacks = [builders.a_stack(session, cells=2, design=design) for _ in range(3)]
        for stack in stacks:
            build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
            a_snapshot(session, build, FIRST_CLOSING + timedelta(days=1), [0.5, 0.7])
        design_id = design.id
        session.commit()

    write(engine, quality, design_id, FailingRule((VOLTAGE,), 0.7))

    assert len(answers(engine)) == 2
    passed: list[int] = []
    while True:
        with housekeeping(engine) as session:
            some = judge_some(session, design_id, NOW, passed)
        if not some:
            break
        passed += some
    assert len(passed) == 2
    assert len(answers(engine)) == 6
    with Session(engine) as session:
        assert stacks_to_judge(session, design_id, 10) == ()
        assert failing_counts(session, design_id).met == 3


@pytest.mark.both_engines
def test_a_person_confirms_with_a_reason_and_the_evidence_is_kept(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id)

    with changing(engine, quality, now=NOW) as work:
        confirm_failing(
            work,
            made.weak,
            failed_at=NOW - timedelta(days=1),
            grounds=["voltage"],
            reason="weak in both builds",
        )

    with Session(engine) as session:
        (mark,) = marks_of(session, made.weak)
        rows = said_of_meas(session, MeaWord.FAILED).rows
        assert judged(session, RuleAnswer.MET).rows == ()
        counts = failing_counts(session)
        told = session.scalars(
            select(AuditEntry).where(AuditEntry.act == "failing:confirmed")
        ).one()
    assert mark.rule_answer is RuleAnswer.MET
    assert "faster than 60" in mark.rule_words
    assert mark.failed_at == NOW - timedelta(days=1)
    assert [(row.part_id, row.confirmed_by) for row in rows] == [(made.weak, quality.name)]
    assert (counts.failed, counts.met) == (1, 0)
    assert told.reason == "weak in both builds"


def test_a_word_is_withdrawn_with_a_reason_and_stays_readable(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    with changing(engine, quality, now=NOW) as work:
        confirm_failing(work, made.weak, failed_at=NOW, grounds=["voltage"], reason="weak")
    with pytest.raises(Refused, match="already"), changing(engine, quality, now=NOW) as work:
        confirm_failing(work, made.weak, failed_at=NOW, grounds=["voltage"], reason="again")

    with changing(engine, quality, now=NOW) as work:
        withdraw_failing(work, made.weak, reason="the lead was loose")

    with Session(engine) as session:
        (mark,) = marks_of(session, made.weak)
        assert said_of_meas(session, MeaWord.FAILED).rows == ()
    assert mark.withdrawn_because == "the lead was loose"
    assert mark.rule_answer is None
    with pytest.raises(Refused, match="nobody's word"), changing(engine, quality) as work:
        withdraw_failing(work, made.weak, reason="again")
    with changing(engine, quality, now=NOW) as work:
        confirm_failing(
            work, made.weak, failed_at=NOW, grounds=["voltage"], reason="it was not the lead"
        )
    with Session(engine) as session:
        assert len(marks_of(session, made.weak)) == 2


def test_only_an_mea_can_fail_and_not_in_the_future(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    with Session(engine) as session:
        plate = builders.a_part(session, builders.the_part_types(session).fuel_plate).id
        session.commit()

    with pytest.raises(Refused, match="Only an MEA"), changing(engine, quality, now=NOW) as work:
        confirm_failing(work, plate, failed_at=NOW, grounds=["voltage"], reason="weak")
    with pytest.raises(Refused, match="lies ahead"), changing(engine, quality, now=NOW) as work:
        confirm_failing(
            work, made.weak, failed_at=NOW + timedelta(days=1), grounds=["voltage"], reason="weak"
        )
    with pytest.raises(Refused, match="reason"), changing(engine, quality, now=NOW) as work:
        confirm_failing(work, made.weak, failed_at=NOW, grounds=["voltage"], reason=" ")


@pytest.mark.both_engines
def test_a_mark_keeps_what_it_says_in_the_database_itself(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    with changing(engine, quality, now=NOW) as work:
        key = confirm_failing(work, made.weak, failed_at=NOW, grounds=["voltage"], reason="weak")

    with Session(engine) as session:
        session.get_one(FailingMark, key).reason = "another"
        with pytest.raises(IntegrityError, match="keeps what it says"):
            session.flush()


@pytest.mark.both_engines
def test_pages_of_the_list_follow_each_other(
    engine: Engine, made: ReadStack, quality: permissions.Person
) -> None:
    write(engine, quality, made.design_id, FailingRule((Criterion(CriterionKind.VOLTAGE, 0.9),)))
    for cell in (1, 2):
        with changing(engine, quality, now=NOW) as work:
            confirm_failing(
                work, made.meas[cell], failed_at=NOW, grounds=["voltage"], reason="weak"
            )

    with Session(engine) as session:
        met, met_back = turned(partial(judged, session, RuleAnswer.MET), 1)
        word, word_back = turned(
            partial(said_of_meas, session, MeaWord.FAILED, design_id=made.design_id), 1
        )

    assert [row.part_id for row in met] == sorted((made.meas[3], made.meas[4]))
    assert [row.part_id for row in word] == [made.meas[2], made.meas[1]]
    assert (met_back, word_back) == (met, word)


@pytest.mark.both_engines
def test_the_list_is_found_by_index(
    engine: Engine,
    made: ReadStack,
    quality: permissions.Person,
    statements: Callable[[], Any],
) -> None:
    if engine.dialect.name != "sqlite":
        pytest.skip("SQLite explains its way")
    write(engine, quality, made.design_id)

    with Session(engine) as session, statements() as seen:
        judged(session, RuleAnswer.MET, Turn(10, "after:3"))
        said_of_meas(session, MeaWord.FAILED, Turn(10, "after:3"), design_id=made.design_id)
        verdict_of(session, made.weak)
        marks_of(session, made.weak)

    assert read_whole(engine, seen) == []
