"""Readings of before keep by how much the clock of their log was corrected, from their doubts."""

import json
from datetime import timedelta

from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.runs.changes.run_readings import clock_corrected
from service.runs.tables import RunReading
from tests import builders
from tests.taps.tapping import a_run

BEFORE = "c6e2"


def test_corrections_of_before_are_added_up(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        build = builders.a_build(session, builders.a_stack(session))
        said = [clock_corrected(timedelta(minutes=minutes)) for minutes in (60, -15.5)]
        ids = []
        for doubts in (["Two rows have the same time.", *said], []):
            at = builders.START + timedelta(days=1 + len(ids))
            words = json.dumps(doubts, ensure_ascii=False)
            ids.append(a_run(session, build, at, at + timedelta(hours=1), doubts=words).id)
        session.commit()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        assert [session.get_one(RunReading, key).clock_min for key in ids] == [44.5, 0.0]
    engine.dispose()
