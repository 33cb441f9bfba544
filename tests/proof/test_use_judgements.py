"""An instrument found out of tolerance: what rests on it, and the judgement of each build."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.use_judgements import judge_use
from service.operation.migrating import triggers
from service.overview.queries.columns import NeedKind
from service.overview.queries.overview import floor
from service.people.tables import Role
from service.platform.database import reading
from service.platform.errors import NotAllowed, Stale
from service.proof.arithmetic.with_the_error import Still
from service.proof.queries.instrument_uses import Assessment, assessment
from service.proof.tables import StackTest
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.changes.calibrations import CalibrationEntry, add_calibration
from service.store.changes.holds import Subject, give_concession
from service.store.tables import Calibration, UseDecision, UseJudgement
from tests import builders
from tests.bench.at_the_bench import known
from tests.proof.stack_testing import ClosedStack, a_closed_stack, later
from tests.proof.test_releases import approved, at_the_gate, ready, released, state_of, the_build

WORDS = "to be judged"


def somebody(stack: ClosedStack, role: Role = Role.QUALITY) -> Any:
    return stack.lab.rows(lambda s: known(s, builders.a_person(s, role)))


def found_out(stack: ClosedStack, tool: int, **error: float) -> int:
    """Find an instrument out of tolerance now; the calibration's number."""
    entry = CalibrationEntry(
        stack.lab.now - timedelta(minutes=1),
        stack.lab.now + timedelta(days=300),
        "K-9",
        CalibrationResult.OUT_OF_TOLERANCE,
        **error,  # type: ignore[arg-type]
    )
    key: int = stack.lab.do(add_calibration, tool, entry, by=somebody(stack))
    later(stack, hours=1)
    return key


def resting(stack: ClosedStack, tool: int, finding: int | None) -> Assessment:
    with reading(stack.lab.engine) as session:
        return assessment(session, tool, finding)


def judge(
    stack: ClosedStack, tool: int, finding: int | None, decision: UseDecision, **facts: Any
) -> int:
    (build,) = resting(stack, tool, finding).builds
    given = {
        "reason": "the limit is far away",
        "content_sha256": build.content_sha256,
        "password": builders.PASSWORD,
        "by": facts.pop("by", None) or somebody(stack),
    }
    key: int = stack.lab.do(
        judge_use, tool, finding, the_build(stack), decision=decision, **(given | facts)
    )
    later(stack, hours=1)
    return key


def waits(stack: ClosedStack) -> bool:
    """Whether the overview says that it waits for a judgement."""
    with reading(stack.lab.engine) as session:
        rows = floor(session, stack.lab.builder, stack.lab.now).rows
    return any(
        need.kind is NeedKind.INSTRUMENT and WORDS in need.sentence
        for row in rows
        for need in row.needs
    )


@pytest.mark.both_engines
def test_case_05_each_reading_is_listed_with_the_error_and_each_build_judged(
    engine: Engine,
) -> None:
    stack = ready(engine)
    released(stack)
    later(stack, hours=1)
    with Session(engine) as session:
        kept = session.scalars(select(StackTest.content).order_by(StackTest.id)).all()
    finding = found_out(stack, stack.tools.gauge, error_percent=0.1)

    (build,) = resting(stack, stack.tools.gauge, finding).builds

    assert [use.what for use in build.uses] == ["leak test"] * 5
    assert build.judged is None
    assert set(build.tally) == {Still.PASSES}
    assert any(WORDS in sentence for sentence in at_the_gate(stack).shut)
    assert state_of(stack) == "released", "flagged, and not stopped by itself"
    assert waits(stack)
    with pytest.raises(NotAllowed):
        judge(stack, stack.tools.gauge, finding, UseDecision.ACCEPT, by=stack.lab.builder)
    with pytest.raises(Stale):
        judge(stack, stack.tools.gauge, finding, UseDecision.ACCEPT, content_sha256="0" * 64)

    judge(stack, stack.tools.gauge, finding, UseDecision.ACCEPT)

    assert at_the_gate(stack).shut == ()
    assert state_of(stack) == "released"
    assert not waits(stack)
    (build,) = resting(stack, stack.tools.gauge, finding).builds
    assert build.judged is not None
    assert (build.judged.decision, build.judged.holds) == (UseDecision.ACCEPT, True)
    assert resting(stack, stack.tools.gauge, finding).waiting == ()
    with Session(engine) as session:
        assert session.scalars(select(StackTest.content).order_by(StackTest.id)).all() == kept
        for statement in ("UPDATE use_judgement SET reason = 'x'", "DELETE FROM use_judgement"):
            with pytest.raises(DBAPIError), session.begin_nested():
                session.execute(text(statement))


def test_case_05_a_pass_that_would_not_stand_and_one_that_cannot_be_told(engine: Engine) -> None:
    stack = ready(engine)
    far = found_out(stack, stack.tools.tester, error_offset=840.0)
    assert set(resting(stack, stack.tools.tester, far).builds[0].tally) & {
        Still.WOULD_NOT,
        Still.CANNOT_TELL,
    }
    unknown = found_out(stack, stack.tools.meter)

    (build,) = resting(stack, stack.tools.meter, unknown).builds

    assert set(build.tally) == {Still.CANNOT_TELL}


@pytest.mark.parametrize("decision", [UseDecision.TEST_AGAIN, UseDecision.HOLD])
def test_case_05_test_again_and_hold_end_the_release(engine: Engine, decision: UseDecision) -> None:
    stack = ready(engine)
    released(stack)
    later(stack, hours=1)
    finding = found_out(stack, stack.tools.gauge, error_percent=9.0)

    judge(stack, stack.tools.gauge, finding, decision)

    assert state_of(stack) == "not released"
    shut = " ".join(at_the_gate(stack).shut)
    assert f"judged “{decision}”" in shut
    assert ("On hold by a judgement" in shut) is (decision is UseDecision.HOLD)
    judge(stack, stack.tools.gauge, finding, UseDecision.ACCEPT)
    assert at_the_gate(stack).shut == ()
    assert state_of(stack) == "not released", "it is released again by a signature"


@pytest.mark.both_engines
def test_case_26_a_test_with_a_gauge_run_out_is_no_pass_without_a_judgement(
    calling: Callable[..., Any], engine: Engine
) -> None:
    """A machine reads what waits, and the judgement; it signs nothing."""
    stack = a_closed_stack(engine)
    call, at = calling("quality"), f"/api/v1/instruments/{stack.tools.gauge}/uses"
    with Session(engine) as session:
        triggers().lift(session.connection())
        gauge = Calibration.instrument_id == stack.tools.gauge
        early = {"done_at": builders.START - timedelta(days=800), "due_at": builders.START}
        session.execute(update(Calibration).where(gauge).values(**early))
        triggers().lay(session.connection())
        session.commit()
    about = Subject(instrument_id=stack.tools.gauge)
    stack.lab.do(give_concession, about, reason="no other gauge", by=somebody(stack))
    stack.all()
    later(stack)
    approved(stack)

    assert any("was not in calibration, to be judged" in each for each in at_the_gate(stack).shut)
    (build,) = resting(stack, stack.tools.gauge, None).builds
    assert len(build.uses) == 5
    (waiting,) = call.get(at).json()["builds"]
    assert (waiting["judged"], waiting["content_sha256"]) == (None, build.content_sha256)
    assert [use["what"] for use in waiting["uses"]] == ["leak test"] * 5
    assert call.get(f"{at}?calibration=9999").status_code == 404

    judge(stack, stack.tools.gauge, None, UseDecision.ACCEPT)

    assert at_the_gate(stack).shut == ()
    (judged,) = call.get(at).json()["builds"]
    assert (judged["judged"]["decision"], judged["judged"]["holds"]) == (UseDecision.ACCEPT, True)
    with Session(engine) as session:
        assert session.scalars(select(UseJudgement.calibration_id)).all() == [None]
