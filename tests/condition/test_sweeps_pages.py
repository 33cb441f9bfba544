"""A sweep's file on pages: sent, looked at, its columns named, kept once."""

import io
import re
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.runs.tables import PolarisationCurve, Run, RunReading, Snapshot
from tests import builders
from tests.condition.curving import ReadStack, a_read_stack, volts
from tests.taps.tapping import a_tap_map

Clients = Callable[..., Any]
OPEN_DATA = Path(__file__).parents[3] / "shared" / "data" / "five-cell-stack"
DENSITIES = [n / 100 for n in range(100, -1, -1)] + [0.0] * 60


def a_file(cells: int = 4, *, heading: str = "I (A)") -> bytes:
    """A sweep downwards as a bench in Europe writes it: semicolons, decimal commas, a mark."""
    names = [f"U{cell} (V)" for cell in range(1, cells + 1)]
    lines = [";".join(["Time (s)", heading, *names])]
    for at, density in enumerate(DENSITIES):
        row = [
            str(at),
            f"{density * 100:.2f}",
            *(f"{volts(density, c + 1):.4f}" for c in range(cells)),
        ]
        lines.append(";".join(row).replace(".", ","))
    return "\ufeff".encode() + "\n".join(lines).encode()


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.fixture
def stack(engine: Engine) -> ReadStack:
    return a_read_stack(engine)


def send(client: Any, serial: str, content: bytes, name: str = "sweep.csv") -> Any:
    return client.post(
        f"/stacks/{serial}/sweeps/new",
        data={"entry_key": "a-key-of-ones-own"},
        files={"file": (name, io.BytesIO(content), "text/csv")},
    )


def kept_fields(html: str) -> dict[str, list[str]]:
    """The hidden and ticked fields of the form that keeps the sweep."""
    form = html[html.index("Keep it") :]
    found: dict[str, list[str]] = {}
    for tag in re.findall(r"<input[^>]*>", form):
        name, value = re.search(r'name="([^"]*)"', tag), re.search(r'value="([^"]*)"', tag)
        if name and value and ('type="hidden"' in tag or " checked" in tag):
            found.setdefault(name[1], []).append(unescape(value[1]))
    return found


@pytest.mark.both_engines
def test_a_sweep_is_sent_looked_at_and_kept(stack: ReadStack, signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    assert "Hydrogen" in client.get(f"/stacks/{stack.serial}/sweeps/new").text

    answer = send(client, stack.serial, a_file())
    assert answer.status_code == 303, words(answer.text)
    at = answer.headers["location"]
    look = client.get(at)
    said = words(look.text)
    assert "decimal comma" in said
    assert "161 rows, 4 channels" in said
    assert "falling" in said
    fields = kept_fields(look.text)
    assert (fields["cells"], fields["current"], fields["legs"]) == (
        ["2", "3", "4", "5"],
        ["1"],
        ["1"],
    )
    refused = client.post(at, data={**fields, "occasion": "commissioning"})
    assert refused.status_code == 422
    assert "does not say when it was taken" in words(refused.text)
    answer = client.post(
        at,
        data={
            **fields,
            "entry_key": "another-key-of-ones-own",
            "taken_at": "2026-02-12 10:00",
            "occasion": "commissioning",
            "temperature_c": "65",
        },
    )

    assert answer.status_code == 303, words(answer.text)
    shown = words(client.get(answer.headers["location"]).text)
    assert "commissioning" in shown
    assert "sweep.csv" in shown
    with Session(stack.lab.engine) as session:
        run = session.scalars(select(Run)).one()
        assert (run.name, run.size_bytes) == ("sweep.csv", len(a_file()))
        assert session.scalars(select(PolarisationCurve.temperature_c)).all() == [65.0]
        assert session.scalars(select(Snapshot.kind)).all() == ["open circuit"]
        assert "log columns 1" in session.scalars(select(RunReading.mapping)).one()


@pytest.mark.both_engines
def test_the_raw_file_is_kept_and_the_same_is_taken_once(
    stack: ReadStack, signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    for number in (1, 2):
        at = send(client, stack.serial, a_file()).headers["location"]
        fields = kept_fields(client.get(at).text)
        answer = client.post(
            at,
            data={
                **fields,
                "entry_key": f"key-number-{number}-of-two",
                "taken_at": "2026-02-12 10:00",
            },
        )

    assert answer.status_code == 422
    assert "the same content was brought in" in words(answer.text)
    with Session(stack.lab.engine) as session:
        sha256 = session.scalars(select(Run.content_sha256)).one()
    kept = app.state.settings.data_folder / "runs" / sha256[:2] / sha256
    assert kept.read_bytes() == a_file()


def test_columns_are_named_by_hand_where_the_guess_is_wrong(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    """A current under a name nobody guesses: without it nothing can be kept."""
    client = signed_in_client("builder")
    at = send(client, stack.serial, a_file(heading="xyz")).headers["location"]
    first = client.get(at)
    assert first.status_code == 200
    assert "Keep it" not in first.text
    assert "Choose the column of the current" in words(first.text)

    look = client.get(
        at,
        params={
            "cells": ["2", "3", "4", "5"],
            "cell_unit": "V",
            "current": "1",
            "current_unit": "A",
            "time": "",
            "time_unit": "s",
            "temperature": "",
            "whole": "",
        },
    )

    assert look.status_code == 200
    assert "Keep it" in look.text
    assert "161 rows, 4 channels" in words(look.text)


@pytest.mark.parametrize(
    ("params", "says"),
    [
        ({"cells": ["99"]}, "no such column"),
        ({"cells": []}, "No column is the voltage of a cell"),
        ({"current": "2"}, "columns"),
        ({"current_unit": "furlong"}, "is not one of the choices"),
        ({"current": ""}, "has to be given"),
    ],
)
def test_columns_that_contradict_are_said(
    stack: ReadStack, signed_in_client: Clients, params: dict[str, Any], says: str
) -> None:
    client = signed_in_client("builder")
    at = send(client, stack.serial, a_file()).headers["location"]
    fields = {
        "cells": ["2", "3", "4", "5"],
        "cell_unit": "V",
        "current": "1",
        "current_unit": "A",
        "time_unit": "s",
    }

    answer = client.get(at, params={**fields, **params})

    assert answer.status_code == 422
    assert says in words(answer.text)


@pytest.mark.parametrize(
    ("content", "name", "says"),
    [
        (b"", "empty.csv", "empty"),
        (b"\x89PNG\r\n\x1a\n" + b"0" * 200, "photo.png", "file"),
        (b"name;colour\nleft;red\nright;blue\n", "list.csv", "no row of it holds a number"),
    ],
)
def test_a_file_that_is_no_sweep_is_refused_at_once(
    stack: ReadStack, signed_in_client: Clients, content: bytes, name: str, says: str
) -> None:
    answer = send(signed_in_client("builder"), stack.serial, content, name)

    assert answer.status_code == 422
    assert says in words(answer.text)


def test_another_count_of_cells_is_explained_by_the_tap_map(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    """Five channels on four cells are refused, until a map says channel 5 reads none."""
    client = signed_in_client("builder")
    at = send(client, stack.serial, a_file(5)).headers["location"]
    fields = {**kept_fields(client.get(at).text), "taken_at": "2026-02-12 10:00"}
    refused = client.post(at, data={**fields, "entry_key": "first-key-of-the-two"})
    assert "it reads cell 5, but build 1 has 4 cells" in words(refused.text)

    cell_of: dict[int, int | None] = {1: 1, 2: 2, 3: 3, 4: 4, 5: None}
    stack.lab.rows(lambda s: a_tap_map(s, stack.stack_id, builders.FIRST_CLOSING, cell_of))
    answer = client.post(at, data={**fields, "entry_key": "second-key-of-the-two"})

    assert answer.status_code == 303, words(answer.text)


def test_somebody_elses_file_is_not_found(stack: ReadStack, signed_in_client: Clients) -> None:
    at = send(signed_in_client("builder"), stack.serial, a_file()).headers["location"]

    assert signed_in_client("quality").get(at).status_code == 404
    assert signed_in_client("admin").get(at).status_code == 403


@pytest.mark.parametrize("hours", [0, 991])
def test_a_real_sweep_comes_in_as_it_is(app: Any, signed_in_client: Clients, hours: int) -> None:
    """Open data of the IEEE PHM 2014 Data Challenge (FCLAB research federation), unedited."""
    path = OPEN_DATA / f"FC1_Pola_T{hours:03d}.xlsx"
    if not path.exists():
        pytest.skip("the open data of the five-cell stack are not beside the project")
    with Session(app.state.engine) as session:
        builders.a_stack(session, cells=5, serial="FIVE-1")
        session.commit()
    client = signed_in_client("builder")
    at = send(client, "FIVE-1", path.read_bytes(), path.name).headers["location"]
    look = client.get(at)
    assert "5 channels" in words(look.text)

    answer = client.post(
        at,
        data={
            **kept_fields(look.text),
            "entry_key": "a-key-for-the-real-one",
            "taken_at": "2026-02-12 10:00",
        },
    )

    assert answer.status_code == 303, words(answer.text)
    sheet = client.get(f"{answer.headers['location'].partition('?')[0]}?density=0.7")
    cell_3 = {0: "0.6831", 991: "0.6485"}[hours]
    shown = [float(volt) for volt in re.findall(r"(0\.\d{4}) V", words(sheet.text))]
    assert any(abs(volt - float(cell_3)) < 1e-3 for volt in shown)
