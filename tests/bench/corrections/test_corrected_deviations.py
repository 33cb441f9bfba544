"""A correction's new value that departs from what was set is asked about, as a fresh entry is."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.queries.corrections import correction
from service.bench.tables import CorrectionOf
from service.platform.errors import Question, Refused, RefusedTogether
from service.records.changes.deviations import Stands, Unloaded
from service.stacks.tables import Stack
from service.store.tables import Instrument
from tests import builders
from tests.bench.corrections.test_corrections import STAYS, Desk, a_desk
from tests.bench.test_entries_api import Calling
from tests.proof.test_releases_corrected import Released

OF = CorrectionOf


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


def asked(desk: Desk, fact: Any, new_value: str, **answers: Any) -> list[str]:
    """The keys of what is asked of a new value."""
    with pytest.raises((Refused, RefusedTogether)) as refused:
        desk.propose(desk.second, fact, new_value, **answers)
    error = refused.value
    refusals = error.refusals if isinstance(error, RefusedTogether) else (error,)
    return [each.key if isinstance(each, Question) else each.field for each in refusals]


@pytest.mark.both_engines
def test_a_torque_outside_its_band_is_asked_about_and_kept_with_the_reason(desk: Desk) -> None:
    fact = desk.facts(desk.second, OF.TORQUE)[0]

    assert asked(desk, fact, "4 N·m") == ["stands"]
    assert asked(desk, fact, "4 N·m", stands=Stands.STANDS) == ["outside_because"]
    number = desk.propose(desk.second, fact, "4 N·m", **STAYS)

    with Session(desk.lab.engine) as session:
        kept = correction(session, number)
    assert kept.deviation == (
        "4 N·m in pass 1: its target is 3 N·m, its band 2.25 to 3.75 N·m,"
        " the last target 9 N·m ± 5 %."
    )
    assert kept.deviation_because == "it was found so"
    assert kept.holds
    desk.decide(number)
    assert desk.all_hold()


def test_above_the_last_target_it_is_asked_what_was_done_first(desk: Desk) -> None:
    fact = desk.facts(desk.second, OF.TORQUE)[0]

    assert asked(desk, fact, "10 N·m") == ["stands", "unloaded_first"]
    number = desk.propose(desk.second, fact, "10 N·m", **STAYS, unloaded_first=Unloaded.NO)

    with Session(desk.lab.engine) as session:
        assert correction(session, number).unloaded_first is False


def test_a_torque_inside_its_band_is_taken_unasked(desk: Desk) -> None:
    number = desk.propose(desk.second, desk.facts(desk.second, OF.TORQUE)[0], "3.7 N·m")

    with Session(desk.lab.engine) as session:
        assert correction(session, number).deviation is None


def test_a_torque_its_driver_cannot_have_shown_is_refused(desk: Desk) -> None:
    fact = desk.facts(desk.second, OF.TORQUE)[0]
    desk.lab.rows(lambda s: _range(s, fact.details.instrument_id, 3.6))

    assert asked(desk, fact, "3.7 N·m") == ["new_value"]


def _range(session: Session, instrument_id: int, most: float) -> None:
    driver = session.get_one(Instrument, instrument_id)
    driver.range_least, driver.range_most = 1.0, most


def test_a_driver_that_cannot_have_shown_the_torque_is_refused(desk: Desk) -> None:
    desk.lab.rows(lambda s: _range(s, builders.a_torque_instrument(s, label="TD-20").id, 2.0))
    fact = desk.facts(desk.second, OF.TORQUE_INSTRUMENT)[0]

    assert asked(desk, fact, "TD-20") == ["new_value"]


def test_a_driver_out_of_calibration_is_asked_about(desk: Desk) -> None:
    long_ago = builders.START - timedelta(days=900)
    desk.lab.rows(
        lambda s: builders.a_torque_instrument(
            s, label="TD-OLD", done_at=long_ago, due_at=long_ago + timedelta(days=365)
        )
    )
    fact = desk.facts(desk.second, OF.TORQUE_INSTRUMENT)[0]

    assert asked(desk, fact, "TD-OLD") == ["stands"]


@pytest.mark.parametrize(("of", "is_asked"), [("910 h", True), ("490 h", False)])
def test_hours_beyond_the_time_that_passed_are_asked_about(
    desk: Desk, of: str, is_asked: bool
) -> None:
    """From the second closing at 310 h on, 20 days and five hours are 485 h."""
    fact = desk.fact(desk.second, OF.HOURS, hours=500.0)

    if not is_asked:
        desk.propose(desk.second, fact, of)
        return
    assert asked(desk, fact, of) == ["stands"]
    number = desk.propose(desk.second, fact, of, **STAYS)
    with Session(desk.lab.engine) as session:
        kept = correction(session, number)
    assert kept.deviation is not None
    assert kept.deviation.startswith("600 h on the meter in 485 h of time, 5 h of it open")


def test_an_opening_moved_where_its_reading_runs_ahead_of_the_clock_is_asked_about(
    desk: Desk,
) -> None:
    """310 h were read at the opening; from 105 h at the first closing on they need 205 h."""

    def read(session: Session) -> None:
        stack = session.get_one(Stack, desk.lab.stack_id)
        builders.an_hour_reading(session, stack, 105.0, builders.FIRST_CLOSING)

    desk.lab.rows(read)
    fact = desk.facts(desk.second, OF.OPENED_AT)[0]
    early = (builders.FIRST_CLOSING + timedelta(days=3)).isoformat()

    assert asked(desk, fact, early) == ["stands"]
    assert desk.propose(desk.second, fact, early, **STAYS)


def test_a_machine_is_asked_and_answers(app: Any, calling: Calling) -> None:
    """By the API: the facts with their numbers, the question by its key, the correction made."""
    stack = Released(app.state.engine)
    number = stack.bench.number
    machine = calling("builder")
    facts = machine.get(f"/api/v1/records/{number}/facts").json()
    fact = next(each for each in facts if each["of"] == OF.TORQUE)
    sent = {
        "of": OF.TORQUE.value,
        "subject": fact["subject"],
        "new_value": "8 N·m",
        "reason": "misread",
    }

    asked_of = machine.post(f"/api/v1/records/{number}/corrections", json=sent)
    stays = sent | {"stands": "stands", "outside_because": "it was found so"}
    made = machine.post(f"/api/v1/records/{number}/corrections", json=stays)

    assert asked_of.status_code == 422
    assert asked_of.json()["fields"][0]["question"]["key"] == "stands"
    assert made.status_code == 201
    kept = machine.get(f"/api/v1/corrections/{made.json()['id']}").json()
    assert kept["deviation"].startswith("8 N·m in pass 3")
    assert kept["deviation_because"] == "it was found so"
