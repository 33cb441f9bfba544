"""Calibrations, absences and devices by pages and by machine; at the bench, what follows."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.closing.changes.torque import read_torque
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.errors import Refused
from service.platform.tables import Attachment
from service.store.tables import Calibration, CalibrationPoint, InstrumentAway
from tests import builders
from tests.bench.at_the_bench import a_lab
from tests.bench.test_kept_beside_pages import words

Clients = Callable[..., Any]
TYPED = {
    "done_at": "2026-03-07", "due_at": "2027-03-07", "certificate": "C-77",
    "result": "out of tolerance as found", "as_left": "in tolerance as left",
    "due_operations": "5000", "error_full_scale_percent": "0,5",
}  # fmt: skip
PDF = b"%PDF-1.4\n1 0 obj\n<<>>\nendobj\ntrailer\n<<>>\nstartxref\n9\n%%EOF\n"


@pytest.fixture
def driver(app: Any) -> int:
    with Session(app.state.engine) as session:
        builders.a_build(session, builders.a_stack(session, serial="TARN-1", cells=1))
        key = builders.a_torque_instrument(session, label="TD-9").id
        session.commit()
        return key


def test_a_certificate_is_recorded_whole_and_what_is_wrong_stays_typed(
    app: Any, signed_in_client: Clients, driver: int
) -> None:
    client = signed_in_client("quality")
    at = f"/instruments/{driver}"

    wrong = client.post(f"{at}/calibrations", data=TYPED | {"points": "10; 10,9\nten; 11"})
    assert wrong.status_code == 422
    assert "10; 10,9\nten; 11" in wrong.text
    assert 'id="wrong-points"' in wrong.text
    made = client.post(
        f"{at}/calibrations",
        data=TYPED | {"points": "10; 10,9; 10\n5; 5.2"},
        files={"file": ("K-77.pdf", PDF, "application/pdf")},
    )
    assert made.status_code == 303, words(made.text)[:2000]

    seen = words(client.get(at).text)
    assert "0.5 % of full scale" in seen
    assert "in tolerance as left" in seen
    assert "or after 5000 operations" in seen
    assert "found 10.9, left 10" in seen
    with Session(app.state.engine) as session:
        kept = session.scalars(select(Attachment)).one()
        assert len(session.scalars(select(CalibrationPoint)).all()) == 2
    shown = client.get(f"/attachments/{kept.id}")
    assert (shown.status_code, shown.content) == (200, PDF)
    assert client.post(f"/attachments/{kept.id}/remove", data={"reason": "no"}).status_code == 404


@pytest.mark.both_engines
def test_the_same_by_machine(app: Any, calling: Any, driver: int) -> None:
    sent = {
        "done_at": "2026-03-07T11:00:00Z", "due_at": "2027-03-07T11:00:00Z", "certificate": "C-8",
        "result": "in tolerance as found", "due_operations": 5000, "error_offset": -0.1,
        "points": [{"reference": 10, "as_found": 10.1}],
    }  # fmt: skip
    at = f"/api/v1/instruments/{driver}"

    assert calling("builder").post(f"{at}/calibrations", json=sent).status_code == 403
    call = calling("quality")
    wrong = call.post(f"{at}/calibrations", json=sent | {"due_at": "2026-01-01T00:00:00Z"})
    assert wrong.status_code == 422
    assert call.post(f"{at}/calibrations", json=sent).status_code == 201
    away = {"away_from": "2026-03-08T08:00:00Z", "place": "calibration laboratory"}
    assert call.post(f"{at}/away", json=away).status_code == 201
    listed = call.get("/api/v1/instruments", params={"kind": "torque driver"}).json()["rows"]
    assert {row["label"]: row["away"] for row in listed}["TD-9"] == "calibration laboratory"
    assert call.post(f"{at}/back", json={"back_at": "2026-03-09T08:00:00Z"}).status_code == 201
    new = {"from_at": "2026-03-10T08:00:00Z", "device": "serial 4711", "reason": "dropped"}
    assert call.post(f"{at}/devices", json=new).status_code == 201

    whole = call.get(at).json()
    assert whole["calibrations"][0]["points"] == [
        {"reference": 10.0, "as_found": 10.1, "as_left": None}
    ]
    assert whole["calibrations"][0]["error_offset"] == -0.1
    assert whole["devices"][0]["device"] == "serial 4711"
    added = {"kind": "scale", "label": "SC-1", "unit": "g", "range_most": 500,
             "accuracy_offset": 0.02, "accuracy_coverage": "expanded, k = 2"}  # fmt: skip
    assert call.post("/api/v1/instruments", json=added | {"unit": "bar"}).status_code == 422
    assert call.post("/api/v1/instruments", json=added).status_code == 201
    with Session(app.state.engine) as session:
        assert session.scalar(select(Calibration.due_operations).where(
            Calibration.certificate == "C-8"
        )) == 5000  # fmt: skip


def test_an_instrument_away_is_refused_at_the_bench_with_why(engine: Engine) -> None:
    lab = a_lab(engine)
    record = lab.begin()
    lab.rows(
        lambda session: session.add(
            InstrumentAway(
                instrument_id=lab.driver_id,
                away_from=lab.now,
                place="calibration laboratory",
                written_by_id=lab.builder.id,
                written_at=lab.now,
            )
        )
    )

    with pytest.raises(Refused, match=r"is away since .*: calibration laboratory") as refused:
        record.do(
            read_torque,
            rod_number=1,
            pass_number=1,
            entered="5",
            instrument_id=lab.driver_id,
            stage=Stage.AS_FOUND,
            kind=ReadingKind.BREAKAWAY,
        )
    assert refused.value.field == "instrument_id"
