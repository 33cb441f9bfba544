"""A calibration corrected: old and new kept, readings judged by it derived anew."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Engine, delete, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.calibration_corrections import record_calibration
from service.bench.changes.proposals import approve_proposal
from service.bench.queries.calibration_follows import follows
from service.bench.tables import CorrectionOf
from service.closing.tables import ClosingResult
from service.overview.queries.overview import floor
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Stage
from service.platform.audit import Event
from service.platform.database import reading
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from service.proof.tables import ReleaseEnd
from service.records.queries.content import verify
from service.records.tables import TorqueReading
from service.store.arithmetic.calibrations import CalibrationResult, Point
from service.store.changes.calibrations import CalibrationEntry, propose_correction
from service.store.queries.calibrations import calibration_on
from service.store.queries.instruments import instrument
from service.store.tables import Calibration, Instrument, ProposedChange
from tests import builders
from tests.bench.at_the_bench import known
from tests.bench.test_kept_beside_pages import words
from tests.proof.stack_testing import later
from tests.proof.test_releases import at_the_gate
from tests.proof.test_releases_corrected import Released
from tests.store.test_calibrations_pages import PDF

OUT = CalibrationResult.OUT_OF_TOLERANCE
ENDED = AuditEntry.act == Event.BUILD_RELEASE_ENDED
RIGHT = CalibrationEntry(
    builders.START - timedelta(days=30),
    builders.START + timedelta(days=335),
    "C-0001",
    CalibrationResult.IN_TOLERANCE,
    0.4,
)


@pytest.fixture
def stack(engine: Engine) -> Released:
    return Released(engine)


def of_driver(stack: Released) -> int:
    with reading(stack.lab.engine) as session:
        return session.scalars(
            select(Calibration.id).where(Calibration.instrument_id == stack.lab.driver_id)
        ).one()


def somebody(stack: Released, role: Role = Role.QUALITY) -> Person:
    return stack.lab.rows(lambda s: known(s, builders.a_person(s, role)))


def approved(stack: Released, entry: CalibrationEntry) -> None:
    """Propose a correction of the driver's calibration, and let somebody else approve it."""
    maker = somebody(stack)
    number = stack.lab.do(
        propose_correction, of_driver(stack), entry, reason="misread certificate", by=maker
    )
    later(stack, hours=1)
    with reading(stack.lab.engine) as session:
        sha256 = session.get_one(ProposedChange, number).content_sha256
    signed = {"content_sha256": sha256, "password": builders.PASSWORD}
    with pytest.raises(NotAllowed):
        stack.lab.do(approve_proposal, number, by=maker, **signed)
    stack.lab.do(approve_proposal, number, by=somebody(stack, Role.SUPERVISOR), **signed)
    later(stack, hours=1)


@pytest.mark.both_engines
def test_a_date_corrected_judges_the_readings_anew_and_keeps_both(stack: Released) -> None:
    """Done only after the closing: the nuts were read with no calibration that held."""
    old = of_driver(stack)
    late = stack.lab.now - timedelta(minutes=5)
    entry = replace(RIGHT, done_at=late, due_at=late + timedelta(days=365))
    with reading(stack.lab.engine) as session:
        shown = follows(session, old, entry)
        nuts = session.scalars(
            select(TorqueReading.id).where(TorqueReading.instrument_id == stack.lab.driver_id)
        ).all()
    assert any("never" in each.after and "in calibration" in each.before for each in shown)
    assert all(each.before != each.after for each in shown)

    approved(stack, entry)

    with Session(stack.lab.engine) as session:
        wrong = session.get_one(Calibration, old)
        (right,) = session.scalars(select(Calibration).where(Calibration.replaces_id == old))
        assert wrong.known_until is not None
        assert (right.done_at, right.known_until) == (late, None)
        standing = session.scalars(
            select(TorqueReading).where(
                TorqueReading.instrument_id == stack.lab.driver_id,
                TorqueReading.known_until.is_(None),
            )
        ).all()
        assert len(standing) == len(nuts)
        assert {nut.calibration_id for nut in standing} == {None}
        assert {nut.replaces_id for nut in standing} == set(nuts), "those of before are kept"
        assert calibration_on(session, stack.lab.driver_id, builders.START).state == "never"
        seen = instrument(session, stack.lab.driver_id)
        assert len(seen.calibrations) == 2
        assert verify(session, {stack.bench.number})[stack.bench.number].holds
    with pytest.raises(Refused, match="was corrected before"):
        stack.lab.do(propose_correction, old, RIGHT, reason="again", by=somebody(stack))


def test_an_error_corrected_computes_the_closing_anew(stack: Released) -> None:
    stack.lab.rows(
        lambda s: setattr(s.get_one(Instrument, stack.lab.driver_id), "accuracy_percent", 2.0)
    )
    with reading(stack.lab.engine) as session:
        before = len(session.scalars(select(ClosingResult.id)).all())
        shown = follows(session, of_driver(stack), replace(RIGHT, error_percent=12.0))
    assert any(each.what.startswith("closing of record") for each in shown)

    approved(stack, replace(RIGHT, error_percent=12.0))

    with Session(stack.lab.engine) as session:
        assert len(session.scalars(select(ClosingResult.id)).all()) > before


def found_out(stack: Released, percent: float) -> int:
    """Find the driver out of tolerance now, its error known."""
    later(stack, hours=1)
    due = stack.lab.now + timedelta(days=365)
    entry = CalibrationEntry(
        stack.lab.now - timedelta(minutes=1), due, "K-9", OUT, error_percent=percent
    )
    key: int = stack.lab.do(record_calibration, stack.lab.driver_id, entry, by=somebody(stack))
    return key


@pytest.mark.both_engines
def test_a_release_ends_where_the_closing_does_not_hold_with_the_error_found(
    stack: Released,
) -> None:
    """At once, with the calibration; the closing as kept and the readings stay as they are."""
    with reading(stack.lab.engine) as session:
        kept = len(session.scalars(select(ClosingResult.id)).all())
        release_ends = session.scalars(select(AuditEntry.id).where(ENDED)).all()
    assert (stack.states, release_ends) == ({"released"}, [])

    found_out(stack, 60.0)

    assert stack.states == {"not released"}
    assert "the calibration of" in at_the_gate(stack).ended_by
    with reading(stack.lab.engine) as session:
        (told,) = session.scalars(select(AuditEntry.changes).where(ENDED))
        assert len(session.scalars(select(ClosingResult.id)).all()) == kept
        sentences = [
            need.sentence
            for row in floor(session, stack.lab.builder, stack.lab.now).rows
            for need in row.needs
        ]
    assert "ended by calibration" in told
    assert any("A calibration ended its release" in each for each in sentences)
    with Session(stack.lab.engine) as session, pytest.raises(DBAPIError):
        session.execute(delete(ReleaseEnd))


def test_a_release_stands_where_the_closing_holds_with_the_error_found(stack: Released) -> None:
    found_out(stack, 1.0)

    assert stack.states == {"released"}
    assert "found out of tolerance" in at_the_gate(stack).closed.doubts.closing


def test_a_result_corrected_to_out_of_tolerance_ends_the_release_and_says_so_before(
    stack: Released,
) -> None:
    later(stack, hours=1)
    at = stack.lab.now
    wrong = replace(
        RIGHT,
        result=OUT,
        points=(Point(9.0, 14.0),),
        done_at=at - timedelta(minutes=2),
        due_at=at + timedelta(days=9),
    )
    with reading(stack.lab.engine) as session:
        shown = follows(session, of_driver(stack), wrong)

    approved(stack, wrong)

    assert any(each.after == "ended by this correction" for each in shown)
    assert stack.states == {"not released"}


def test_a_result_corrected_leaves_what_it_doubts_to_be_judged(stack: Released) -> None:
    later(stack, hours=1)
    finding = replace(RIGHT, result=CalibrationResult.OUT_OF_TOLERANCE, points=(Point(10.0, 10.9),))
    assert at_the_gate(stack).closed.doubts.closing == ""

    approved(stack, replace(finding, done_at=stack.lab.now - timedelta(minutes=2),
                            due_at=stack.lab.now + timedelta(days=9)))  # fmt: skip

    assert "found out of tolerance" in at_the_gate(stack).closed.doubts.closing


OUT_SENT = {"certificate": "K-9", "result": str(OUT), "error_percent": 60.0}


@pytest.mark.both_engines
def test_what_a_finding_ends_is_shown_before_it_is_recorded(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    """By page a step with the file kept, shown again once another is typed; by machine asked."""
    stack = Released(app.state.engine)
    later(stack, hours=1)
    tool = stack.lab.driver_id
    client, at = signed_in_client("quality"), f"/instruments/{tool}"
    day = f"{stack.lab.now + timedelta(days=1):%Y-%m-%d}"
    typed = OUT_SENT | {"done_at": day, "due_at": "2031-03-07", "points": "1; 4\n5; 32"}
    ends = "ended by this calibration"
    sent = OUT_SENT | {
        "done_at": stack.lab.now.isoformat(), "due_at": "2031-03-07T11:00:00Z"
    }  # fmt: skip
    effect = f"/api/v1{at}/calibrations/effect"
    call = calling("quality")
    rows = call.post(effect, json=sent).json()
    (right,) = call.post(f"{effect}?corrects={of_driver(stack)}", json=sent).json()[-1:]
    good = call.post(effect, json=sent | {"result": str(CalibrationResult.IN_TOLERANCE)})
    assert rows[-1]["after"] == ends
    assert right["after"] == "ended by this correction"
    assert good.json() == []
    assert call.post(f"{effect}?corrects=9999", json=sent).status_code == 404
    assert calling("builder").post(effect, json=sent).status_code == 403

    step = client.post(
        f"{at}/calibrations", data=typed, files={"file": ("K-9.pdf", PDF, "application/pdf")}
    )
    assert (step.status_code, stack.states) == (200, {"released"})
    assert "Nothing is recorded yet" in step.text
    assert ends in step.text
    going_on = hidden_of(step.text)
    assert going_on["points"].split() == ["1;", "4", "5;", "32"]
    again = client.post(f"{at}/calibrations", data=going_on | {"step": "change"})
    assert "K-9.pdf" in again.text
    other = client.post(f"{at}/calibrations", data=going_on | {"done_at": "2026-03-01"})
    assert "Nothing is recorded yet" in other.text, "what was seen is not what would follow"

    made = client.post(f"{at}/calibrations", data=going_on)

    assert made.status_code == 303, words(made.text)[:1500]
    assert stack.states == {"not released"}
    assert ">file</a>" in client.get(at).text


def hidden_of(page: str) -> dict[str, str]:
    """What the form of a page sends of itself."""
    found = re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)">', page)
    return {name: unescape(value) for name, value in reversed(found) if name != "form_token"}


@pytest.mark.both_engines
def test_case_42_a_reading_with_another_instrument_is_judged_by_that_ones_calibration(
    stack: Released,
) -> None:
    """Corrected, the reading's calibration and the closing are derived anew."""
    number = stack.correction_of(CorrectionOf.TORQUE_INSTRUMENT)
    with reading(stack.lab.engine) as session:
        results = len(session.scalars(select(ClosingResult.id)).all())

    stack.decide(number)

    with Session(stack.lab.engine) as session:
        other = session.scalars(select(Instrument).where(Instrument.label == "TD-10")).one()
        its = session.scalars(
            select(Calibration.id).where(Calibration.instrument_id == other.id)
        ).one()
        (nut,) = session.scalars(
            select(TorqueReading).where(
                TorqueReading.instrument_id == other.id,
                TorqueReading.known_until.is_(None),
                TorqueReading.stage == Stage.CLOSING,
            )
        )
        assert nut.calibration_id == its
        assert nut.replaces_id is not None
        assert len(session.scalars(select(ClosingResult.id)).all()) > results
        session.add(
            Calibration(
                instrument_id=other.id,
                done_at=stack.lab.now,
                due_at=stack.lab.now + timedelta(days=9),
                certificate="K-10",
                result=CalibrationResult.OUT_OF_TOLERANCE,
                written_by_id=stack.lab.builder.id,
                written_at=stack.lab.now,
            )
        )
        session.commit()
    assert "TD-10 found out of tolerance" in at_the_gate(stack).closed.doubts.closing


def test_the_pages_show_what_follows_before_it_is_approved(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    with Session(app.state.engine) as session:
        builders.a_build(session, builders.a_stack(session, serial="TARN-1", cells=1))
        key = session.scalars(select(Calibration.id)).first()
        session.commit()
    client = signed_in_client("quality")
    at = f"/instruments/calibrations/{key}"
    form = client.get(at)
    assert form.status_code == 200
    typed = {"done_at": "2026-02-01", "due_at": "2027-02-01", "certificate": "C-1",
             "result": "in tolerance as found", "error_percent": "0.4"}  # fmt: skip

    wrong = client.post(f"{at}/correct", data=typed | {"reason": "x", "due_at": "2026-01-01"})
    assert wrong.status_code == 422
    made = client.post(f"{at}/correct", data=typed | {"reason": "the date was misread"})

    assert made.status_code == 303, words(made.text)[:1500]
    sheet = words(client.get(made.headers["location"]).text)
    assert "Effect if approved" in sheet
    assert "the date was misread" in sheet
