"""Open circuit in a run on its page: times without load, levels, and how quickly each cell fell."""

import re
from collections.abc import Callable
from html import unescape
from math import exp
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.runs.tables import Run
from service.stacks.tables import Stack
from tests import builders
from tests.runs.test_runs_pages import taken_in
from tests.taps.tapping import a_tap_map

Clients = Callable[..., Any]


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def a_log(*, idle: bool = True) -> str:
    """Half an hour at 70 A, then ten minutes without: channel 3 falls with a minute, gas off."""
    lines = ["Time (s);I (A);U1 (V);U2 (V);U3 (V);U4 (V)"]
    for row in range(240):
        rest = max(0, row - 180) * 10
        if row < 180 or not idle:
            lines.append(f"{row * 10};70;0.650;0.648;0.649;0.651")
        else:
            third = 0.95 * exp(-rest / 60)
            lines.append(f"{row * 10};0;0.960;0.958;{third:.4f};0.961")
    return "\n".join(lines).replace(".", ",") + "\n"


@pytest.fixture
def serial(app: Any) -> str:
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TARN-R1")
        builders.a_release(session, builders.a_build(session, stack, cells=4))
        session.commit()
        return "TARN-R1"


def test_the_cell_that_falls_is_told_with_its_mea(
    serial: str, signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    at = taken_in(client, serial, a_log())

    answer = client.get(f"{at}/open-circuit")

    assert answer.status_code == 200
    said = words(answer.text)
    assert re.search(r"U3 \(V\) 3 M-\d+", said)
    assert "52." in said[said.index("U3 (V) 3") : said.index("U4 (V) 4")]
    assert "not within 590 s" in said[said.index("U1 (V) 1") : said.index("U2 (V) 2")]
    assert "0.9600 V" in said
    assert 'role="img"' in answer.text
    other = client.get(f"{at}/open-circuit?rest=1&threshold=0.6")
    assert "27." in words(other.text)[words(other.text).index("U3 (V) 3") :][:200]
    sheet = client.get(f"/stacks/{serial}/condition")
    assert f"{at}/open-circuit" in sheet.text
    assert f"{at}/open-circuit" in client.get(at).text


def test_a_tap_map_says_which_cell_fell(serial: str, signed_in_client: Clients, app: Any) -> None:
    client = signed_in_client("builder")
    at = taken_in(client, serial, a_log())
    with Session(app.state.engine) as session:
        stack = session.scalars(select(Stack)).one()
        crossed = {1: 1, 2: 3, 3: 2, 4: 4}
        a_tap_map(session, stack.id, builders.FIRST_CLOSING, crossed)
        session.commit()

    assert "U3 (V) 2 M-" in words(client.get(f"{at}/open-circuit").text)


def test_a_run_without_a_rest_says_so(serial: str, signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    at = taken_in(client, serial, a_log(idle=False))

    answer = client.get(f"{at}/open-circuit")

    assert answer.status_code == 200
    assert "There was load all the time" in words(answer.text)


@pytest.mark.parametrize("asked", ["rest=9", "threshold=abc", "threshold=-1"])
def test_what_is_not_there_is_said(serial: str, signed_in_client: Clients, asked: str) -> None:
    client = signed_in_client("builder")
    at = taken_in(client, serial, a_log())

    answer = client.get(f"{at}/open-circuit?{asked}")

    assert answer.status_code == 422
    assert 'role="alert"' in answer.text


def test_a_run_that_does_not_count_or_is_not_there_is_not_found(
    serial: str, signed_in_client: Clients, app: Any, engine: Engine
) -> None:
    client = signed_in_client("builder")
    at = taken_in(client, serial, a_log())
    client.post(f"{at}/void", data={"reason": "another stack"})

    assert client.get(f"{at}/open-circuit").status_code == 404
    assert client.get("/runs/999/open-circuit").status_code == 404
    with Session(engine) as session:
        sha256 = session.scalars(select(Run.content_sha256)).one()
    assert (app.state.settings.data_folder / "runs" / sha256[:2] / sha256).is_file()
