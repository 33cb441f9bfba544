"""Checklists of designs, carried over as lists that wait, with nothing lost."""

import pytest
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.designs.tables import ChecklistLine
from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.records.changes.bench_opening import open_stack
from service.records.queries.content import verify
from service.records.tables import RebuildRecord
from service.store.queries.make_safe_lists import lists_in_force, make_safe_lists
from service.store.tables import Instrument
from tests import builders
from tests.bench.at_the_bench import a_lab
from tests.proposing import put_in_force

pytestmark = pytest.mark.both_engines
BEFORE = "b3e6"


def test_each_distinct_checklist_becomes_a_list_that_waits(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))

    def two_more(session: Session) -> tuple[int, int]:
        same, other = builders.a_design(session), builders.a_design(session)
        of_other = ChecklistLine.design_id == other.id
        session.execute(delete(ChecklistLine).where(of_other, ChecklistLine.number == 2))
        return same.id, other.id

    lab.rows(two_more)
    record = lab.begin()
    record.make_safe()
    lab.engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(lab.engine) as session:
        first, second = make_safe_lists(session)
        assert [first.carried_from, second.carried_from] == ["Tarn 1 A, Tarn 2 A", "Tarn 3 A"]
        assert [line.number for line in first.newest] == [1, 2, 3]
        assert [line.reading_most for line in first.newest] == [None, 0.4, 0.5]
        assert [line.number for line in second.newest] == [1, 3]
        assert first.in_force is None
        assert first.waiting is not None
        assert first.waiting.made_by is None
        assert first.waiting.holds
        assert lists_in_force(session, "", 1) == {}
        assert all(each.holds for each in verify(session, session.scalars(
            select(RebuildRecord.id))).values())  # fmt: skip
        assert session.scalars(select(Instrument.principle)).all() == [None, None, None]
        waiting = first.waiting.id
    record.do(open_stack, hours=120.0)
    put_in_force(lab.engine, waiting, lab.now)

    with Session(lab.engine) as session:
        assert [each.list_id for each in lists_in_force(session, "", 2).values()] == [first.id]
        assert lists_in_force(session, "", 3) == {}
    lab.engine.dispose()
