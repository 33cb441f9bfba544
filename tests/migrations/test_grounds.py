"""Words on MEAs of before the step said “failed”, by the voltage; withdrawn ones too."""

from typing import Any

from sqlalchemy import text
from sqlalchemy.orm import Session

from service.life.arithmetic.grounds import MeaWord
from service.life.queries.failing import marks_of
from service.operation.migrating import migrate
from service.platform.database import make_engine
from tests import builders

BEFORE = "d8b1"


def test_every_word_of_before_is_kept_as_failed_by_the_voltage(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        parts = [builders.a_part(session, builders.the_part_types(session).mea) for _ in range(2)]
        standing, withdrawn = (part.id for part in parts)
        builders.a_failing_mark(session, standing)
        gone: dict[str, Any] = {"withdrawn_at": builders.START, "withdrawn_because": "loose lead"}
        by = builders.a_person(session, "quality").id
        builders.a_failing_mark(session, withdrawn, withdrawn_by_id=by, **gone)
        session.commit()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        for part_id in (standing, withdrawn):
            (mark,) = marks_of(session, part_id)
            assert (mark.says, mark.reason) == (MeaWord.FAILED, "below 0.60 V twice")
            assert [ground.key for ground in mark.grounds] == ["voltage"]
        (mark,) = marks_of(session, withdrawn)
        assert mark.withdrawn_because == "loose lead"
        assert session.scalar(text("SELECT count(*) FROM failing_ground")) == 2
    engine.dispose()
