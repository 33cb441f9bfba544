"""A real stack from its files to its MEAs' lives: sweeps and log through the pages, unedited.

Data: IEEE PHM 2014 Data Challenge, FCLAB research federation (FR CNRS 3539): five cells of 100 cm²
at a steady 70 A for about 1,150 h; eight sweeps and the last 107 h of the log. The table of mean
cell voltages at 70 ± 0.6 A and its slopes stand with the data.
"""

import io
import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.condition.queries.cell_voltages import mea_of_cells
from service.life.queries.mea_lives import MeaLife, mea_life
from service.people.tables import Role
from service.stacks.tables import Build, Moment
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.condition.test_sweeps_pages import kept_fields
from tests.runs.test_runs_pages import fields_of, waited

DATA = Path(__file__).parents[3] / "shared" / "data" / "five-cell-stack"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not DATA.is_dir(),
        reason="the open data of the five-cell stack does not lie beside the project",
    ),
]
HOURS = (0, 48, 185, 348, 515, 658, 823, 991)
AT_70_A = {
    0: (0.6884, 0.6848, 0.6831, 0.6817, 0.6782),
    991: (0.6618, 0.6565, 0.6485, 0.6563, 0.6491),
}
LEAST_SQUARES = (-28.8, -28.1, -34.5, -27.1, -31.4)
THEIL_SEN = (-32.5, -28.4, -34.7, -28.5, -31.9)
RUN_FROM = FIRST_CLOSING + timedelta(days=2)


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture
def stack(app: Any) -> tuple[str, int]:
    """Five cells of 100 cm², closed and released, its meter at 0 h."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, cells=5)
        build = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
        builders.a_release(session, build)
        builders.an_hour_reading(session, stack, 0.0, FIRST_CLOSING, moment=Moment.CLOSING)
        session.commit()
        return stack.serial, build.id


def local(hours: float) -> str:
    """When the stack had run so long, had it never stood."""
    return f"{RUN_FROM + timedelta(hours=hours):%Y-%m-%d %H:%M}"


def send_sweep(client: Any, serial: str, hours: int) -> None:
    name = f"FC1_Pola_T{hours:03}.xlsx"
    files = {"file": (name, io.BytesIO((DATA / name).read_bytes()), "application/octet-stream")}
    sent = client.post(f"/stacks/{serial}/sweeps/new", data={}, files=files)
    assert sent.status_code == 303, words(sent.text)
    at = sent.headers["location"]
    fields = kept_fields(client.get(at).text)
    typed = {"taken_at": local(hours), "meter_hours": f"{hours}", "occasion": f"after {hours} h"}
    answer = client.post(at, data={**fields, "entry_key": f"sweep-{hours}-of-eight", **typed})
    assert answer.status_code == 303, words(answer.text)


def send_log(client: Any, serial: str) -> str:
    """The log's own column of hours is its clock and the hour meter at once."""
    name = "FC1_Ageing_part3.csv"
    files = {"log": (name, io.BytesIO((DATA / name).read_bytes()), "text/csv")}
    sent = client.post(f"/stacks/{serial}/runs", data={"note": "ageing"}, files=files)
    assert sent.status_code == 303, words(sent.text)
    at = sent.headers["location"]
    form = fields_of(client.get(at).text)
    first_h = float((DATA / name).read_bytes().splitlines()[1].split(b",")[0])
    answer = client.post(at, data={**form, "began_at": local(first_h), "is_meter": "yes"})
    assert answer.status_code == 303, words(answer.text)
    read = waited(client, at)
    assert read.status_code == 303, words(read.text)
    return str(read.headers["location"])


def lives(app: Any, build_id: int) -> list[MeaLife]:
    with Session(app.state.engine) as session:
        meas = mea_of_cells(session, [build_id])[build_id]
        return [mea_life(session, meas[cell], density_a_cm2=0.7) for cell in range(1, 6)]


def test_five_real_meas_from_their_files_to_their_lives(
    app: Any, signed_in_client: Callable[..., Any], stack: tuple[str, int]
) -> None:
    serial, build_id = stack
    client = signed_in_client(Role.BUILDER)

    for hours in HOURS:
        send_sweep(client, serial, hours)

    for cell, life in enumerate(lives(app, build_id)):
        assert life.trend is not None
        assert life.trend.least_squares is not None
        assert life.trend.median_of_slopes is not None
        readings = life.readings
        assert readings is not None
        assert readings.readings in (8, 16)  # one leg a sweep, or both
        assert readings.voltages_v[0] == pytest.approx(AT_70_A[0][cell], abs=5e-4)
        assert readings.voltages_v[-1] == pytest.approx(AT_70_A[991][cell], abs=5e-4)
        assert life.trend.least_squares.slope_uv_h == pytest.approx(LEAST_SQUARES[cell], abs=1.5)
        assert life.trend.median_of_slopes.slope_uv_h == pytest.approx(THEIL_SEN[cell], abs=2.0)

    run = send_log(client, serial)

    assert client.get(run).status_code == 200
    for life in lives(app, build_id):
        assert life.readings is not None
        assert life.readings.readings > 100
        assert life.readings.hours_h[-1] == pytest.approx(1154, abs=2)
        page = client.get(f"/parts/{life.part.id}/life")
        said = words(page.text)
        assert page.status_code == 200
        assert 'role="img"' in page.text
        assert re.search(r"least squares −[23]\d\.\d", said)
