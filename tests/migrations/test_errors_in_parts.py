"""What was kept of instruments as one share of the reading stays one, through the step."""

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.store.arithmetic.instrument_errors import Coverage, may_be_off
from service.store.tables import Calibration, Instrument
from tests import builders

BEFORE = "f9c1"
pytestmark = pytest.mark.both_engines


def test_a_share_of_the_reading_is_carried_over(newest_url: str) -> None:
    engine = make_engine(newest_url)
    with Session(engine) as session:
        builders.a_torque_instrument(session, label="TD-9").accuracy_percent = 3.0
        session.commit()
    engine.dispose()

    migrate(newest_url, BEFORE)
    migrate(newest_url)

    with Session(engine) as session:
        driver = session.scalars(select(Instrument)).one()
        calibration = session.scalars(select(Calibration)).one()
        assert (driver.accuracy_percent, driver.accuracy_coverage) == (3.0, Coverage.GREATEST)
        assert (calibration.error_percent, calibration.error_offset) == (0.4, None)
        assert may_be_off(driver, calibration).at(10.0) == pytest.approx(0.3)
    engine.dispose()
