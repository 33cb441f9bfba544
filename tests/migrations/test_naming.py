"""Who was taken out of a record's head before the step still counts after it."""

from sqlalchemy import text

from service.operation.migrating import migrate, triggers
from service.platform.database import make_engine, reading
from service.records.changes.rebuild_records import change_record
from service.records.queries.records import people_on, removed_from
from service.records.tables import Involvement
from tests.bench.at_the_bench import WORK_BEGAN, a_lab

BEFORE = "d1a1"


def test_the_trail_of_before_tells_who_was_taken_out(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))
    record = lab.begin(
        people=[(lab.builder.id, Involvement.WORKED), (lab.witness.id, Involvement.WITNESSED)]
    )
    record.do(
        change_record,
        reason="cell 2 is weak",
        performed_from=WORK_BEGAN,
        notes="",
        people=[(lab.builder.id, Involvement.WORKED)],
    )
    with lab.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(text("DELETE FROM record_person_removed"))
    lab.engine.dispose()

    migrate(newest_url, BEFORE)
    migrate(newest_url)

    with reading(lab.engine) as session:
        (removed,) = removed_from(session, record.number)
        assert people_on(session, [record.number])[record.number] == {
            lab.builder.id,
            lab.witness.id,
        }
    assert (removed.login, removed.involvement) == (lab.witness.login, Involvement.WITNESSED)
    assert (removed.removed_by_login, removed.removed_at) == (lab.builder.login, lab.now)
    lab.engine.dispose()
