"""Torque drivers of before the step are reading tools after it, with every reading as it was."""

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.operation.migrating import migrate
from service.platform.database import make_engine
from service.records.tables import TorqueReading
from service.store.arithmetic.instruments import TorqueTool
from service.store.tables import Instrument
from tests.bench.at_the_bench import a_lab

BEFORE = "c7b4"


def test_drivers_of_before_are_carried_over_as_reading_tools(newest_url: str) -> None:
    lab = a_lab(make_engine(newest_url))
    readings = text("SELECT id, rod_number, torque_nm, entered FROM torque_reading ORDER BY id")
    with lab.engine.connect() as connection:
        was = connection.execute(readings).all()
    lab.engine.dispose()
    migrate(newest_url, BEFORE)

    migrate(newest_url)

    with Session(lab.engine) as session:
        tools = dict(session.execute(select(Instrument.label, Instrument.tool)).all())
        presses = session.scalars(select(TorqueReading.press)).all()
    with lab.engine.connect() as connection:
        assert connection.execute(readings).all() == was
    assert tools.pop("TD-9") is TorqueTool.READING
    assert set(tools.values()) <= {None, TorqueTool.READING}
    assert was
    assert set(presses) == {None}
    lab.engine.dispose()
