"""What a correction of an earlier build makes of the closings after it, and nothing more."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select

from service.bench.tables import CorrectionOf
from service.closing.queries.closing_results import KeptResult, kept_results
from service.platform.database import reading
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.make_safe import record_exception
from service.records.tables import RecordKind
from service.stacks.tables import Build
from tests.bench.at_the_bench import Bench, Lab
from tests.proof.test_releases_corrected import FAR_ABOVE, Released

OF = CorrectionOf


class Again(Released):
    """A stack whose second build was released, and whose third is."""

    def __init__(self, engine: Engine) -> None:
        super().__init__(engine)
        self.second = Bench(self.lab, self.bench.number - 1)

    def tell(self, engine: Engine) -> tuple[Lab, int, int]:
        """Build 2 released, then a third on the same soft parts, released too."""
        super().tell(engine)
        self.bench = self.lab.begin(performed_from=self.lab.now)
        self.bench.do(record_exception, reason="the checklist hangs in the other room")
        self.bench.do(open_stack, opened_at=None, hours=122.0)
        self.later()
        self.read_nuts()
        self.bench.do(close_stack, closed_at=self.lab.now)
        self.hand_in_and_approve()
        self.build_id = self.lab.rows(
            lambda s: s.scalars(select(Build.id).order_by(Build.id.desc())).first()
        )
        self.release()
        return self.lab, self.bench.number, self.build_id


@pytest.fixture
def stack(engine: Engine) -> Again:
    """Build 2 released, then a third on the same soft parts, released too."""
    return Again(engine)


def of_second(stack: Again, of: CorrectionOf, new_value: str, **answers: Any) -> int:
    """A correction of the second build, proposed."""
    third, stack.bench = stack.bench, stack.second
    number = stack.propose(stack.fact(of), new_value, **answers)
    stack.bench = third
    return number


def kept(stack: Again) -> dict[int, tuple[KeptResult, ...]]:
    """What is kept of the closings of the second and third build, the newest first."""
    with reading(stack.lab.engine) as session:
        return kept_results(session, [stack.second.number, stack.bench.number])


@pytest.mark.both_engines
def test_a_later_closing_is_computed_anew_where_parts_used_again_were_pressed_otherwise(
    stack: Again,
) -> None:
    """And of what it was computed from nothing else is taken anew; its release ends."""
    second, third = stack.second.number, stack.bench.number
    number = of_second(stack, OF.TORQUE, "11.4 N·m", **FAR_ABOVE)
    shown = stack.preview(number)
    before = [row for row in shown.rows if row.what.startswith("closing of record")]
    assert stack.states == {"released"}

    stack.decide(number)

    assert {row.what.split(",")[0] for row in before} == {
        f"closing of record {second}",
        f"closing of record {third}",
    }
    done = [row for row in stack.preview(number).rows if row.what.startswith("closing of record")]
    assert [row for row in before if row.before != row.after] == done
    assert any(f"Of record {third} nothing is corrected" in note for note in shown.notes)
    newest, handed_in = kept(stack)[third]
    assert (newest.correction_id, newest.counts, newest.holds) == (number, True, True)
    then, now = handed_in.inputs, newest.inputs
    assert then is not None
    assert now is not None
    assert (now.readings, now.figures, now.pile.layers) == (
        then.readings,
        then.figures,
        then.pile.layers,
    )
    assert max(each.percent for each in now.pile.seen) > max(
        each.percent for each in then.pile.seen
    )
    assert stack.states == {"not released"}
    assert any("build 3 of TARN-001" in row.what and "release" in row.what for row in shown.rows)


@pytest.mark.parametrize("of", [OF.HOURS, OF.CLOSED_AT])
def test_no_later_closing_rests_on_hours_or_times(stack: Again, of: CorrectionOf) -> None:
    third = stack.bench
    stack.bench = stack.second
    number = stack.correction_of(of)
    stack.bench = third

    stack.decide(number)

    (_only,) = kept(stack)[third.number]
    assert stack.states == {"released"}


def test_a_re_torque_of_a_later_build_follows_too(stack: Again) -> None:
    closed = stack.bench
    stack.bench = stack.lab.begin(RecordKind.RE_TORQUE, performed_from=stack.lab.now)
    stack.read_nuts()
    stack.lab.now += timedelta(hours=1)
    stack.hand_in_and_approve()

    number = of_second(stack, OF.TORQUE, "11.4 N·m", **FAR_ABOVE)
    stack.decide(number)

    newest, handed_in = kept(stack)[stack.bench.number]
    assert newest.correction_id == number
    assert handed_in.correction_id is None
    with reading(stack.lab.engine) as session:
        assert len(kept_results(session, [closed.number])[closed.number]) == 2
