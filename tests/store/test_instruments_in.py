"""Import of a list of instruments: looked at, each error named, written with their calibrations."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.database import reading
from service.platform.tables import AuditEntry
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.queries.instruments import instrument
from service.store.tables import CalibrationPoint, Instrument
from tests.store.test_make_safe_lists_pages import words

HEADER = (
    "Mark;Kind;Type of torque driver;Unit;Range from;Range to;Accuracy, share of full scale;"
    "Done;Due;Or due after;Certificate;Result;Error as found, offset;Points of the certificate\n"
)
DRIVER = (
    "TD-7;torque driver;dial or electronic;N·m;0,5;20;;2025-11-03;2026-11-03;5000;C-77;"
    "in tolerance as found;-0,1;10; 10,1; 10 | 20; 20,2\n"
)
GAUGE = "PG-7;pressure gauge;;kPa;0;400;0,25;;;;;;;\n"


def points_quoted(line: str) -> str:
    """The points of a certificate stand in one cell."""
    return line.replace("10; 10,1; 10 | 20; 20,2", '"10; 10,1; 10 | 20; 20,2"')


def sent(client: Any, text: str) -> str:
    """Send a list; the address it is looked at."""
    file = {"file": ("tools.csv", text.encode(), "text/csv")}
    answer = client.post("/import/instruments", files=file)
    assert answer.status_code == 303, words(answer.text)
    at: str = answer.headers["location"]
    return at


@pytest.mark.both_engines
def test_a_list_makes_instruments_with_their_calibrations(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    client = signed_in_client("quality")
    at = sent(client, HEADER + points_quoted(DRIVER) + GAUGE)

    look = words(client.get(at).text)
    assert "Write 2 instruments" in look, look[-900:]
    assert client.post(at, data={}).status_code == 303

    with reading(app.state.engine) as session:
        rows = {row.label: row for row in session.scalars(select(Instrument))}
        driver, gauge = rows["TD-7"], rows["PG-7"]
        assert (driver.range_least, driver.range_most, driver.unit) == (0.5, 20.0, "N·m")
        assert (gauge.accuracy_full_scale_percent, gauge.tool) == (0.25, None)
        (kept,) = instrument(session, driver.id).calibrations
        assert (kept.certificate, kept.due_operations, kept.error_offset) == ("C-77", 5000, -0.1)
        assert kept.result is CalibrationResult.IN_TOLERANCE
        assert kept.done_at.date() == date(2025, 11, 3)
        points = session.execute(
            select(CalibrationPoint.reference, CalibrationPoint.as_found).order_by(
                CalibrationPoint.number
            )
        ).all()
        assert [tuple(point) for point in points] == [(10.0, 10.1), (20.0, 20.2)]
        assert not instrument(session, gauge.id).calibrations
        entries = select(AuditEntry.id).where(AuditEntry.act == "instruments:imported")
        assert len(session.scalars(entries).all()) == 1


def test_every_row_in_error_is_named_and_nothing_is_written(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    client = signed_in_client("quality")
    half = "PG-8;pressure gauge;;kPa;0;400;;2025-11-03;;;;;;\n"
    wrong = "XX-1;ruler;;;;;;;;;;;;\n"
    unit = "PG-9;pressure gauge;;N·m;0;400;;;;;;;;\n"
    at = sent(client, HEADER + GAUGE + GAUGE + half + wrong + unit)

    look = words(client.get(at).text)
    assert "4 things cannot be taken" in look, look[:3000]
    assert "it stands in line 2 as well" in look
    assert "due: not given. A row with a calibration gives its day" in look
    assert "ruler" in look
    assert client.post(at, data={}).status_code == 422
    with Session(app.state.engine) as session:
        assert session.scalars(select(Instrument.id)).all() == []


def test_who_may_not_add_instruments_imports_none(signed_in_client: Callable[..., Any]) -> None:
    client = signed_in_client("builder")

    assert client.get("/import/instruments").status_code == 403


def test_each_field_is_known_by_its_heading() -> None:
    """Every field has a heading of its own, so that none takes the column of another."""
    from service.platform.files.tables_in import read_table, suggest_mapping
    from service.store.files.instruments_in import HEADINGS, SYNONYMS

    table = read_table((HEADER + GAUGE).encode(), "tools.csv", headings=HEADINGS)
    mapping = suggest_mapping(table.headers, SYNONYMS)
    assert [mapping[name] for name in ("label", "kind", "tool", "unit", "done_at", "due_at")] == [
        *(0, 1, 2, 3, 7, 8)
    ]
