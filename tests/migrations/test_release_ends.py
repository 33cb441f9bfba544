"""Releases of before stand: no calibration of before ended one by itself."""

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.proof.tables import ReleaseEnd
from tests import builders

BEFORE = "e7c3"


def test_what_a_calibration_ended_is_forgotten_by_the_way_down_and_asked_anew(
    newest_url: str,
) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        build = builders.a_build(session, builders.a_stack(session, serial="TARN-9", cells=1))
        calibration = session.execute(text("SELECT MIN(id) FROM calibration")).scalar_one()
        session.add(
            ReleaseEnd(build_id=build.id, calibration_id=calibration, ended_at=builders.START)
        )
        session.commit()
    engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(engine) as session:
        assert session.scalars(select(ReleaseEnd.id)).all() == []
    engine.dispose()
