"""A stack's condition on its sheet: cells and outliers, spread, each MEA, curves, open circuit."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.runs.tables import PolarisationCurve, Snapshot
from tests.builders import FIRST_CLOSING
from tests.condition.curving import DAY, ReadStack, a_read_stack, some_points, volts
from tests.condition.test_polarisation_curves import curve, voltages
from tests.found_by_index import read_whole
from tests.operation.keeping import NOW
from tests.taps.tapping import a_tap_map

Clients = Callable[..., Any]


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def sections(html: str) -> dict[str, str]:
    """The text of each section by its id."""
    parts = re.split(r'<section aria-labelledby="(\w+)">', html)
    return {name: words(text) for name, text in zip(parts[1::2], parts[2::2], strict=True)}


@pytest.fixture
def stack(engine: Engine) -> ReadStack:
    return a_read_stack(engine)


@pytest.fixture
def whole(stack: ReadStack) -> ReadStack:
    """A stack with readings under load and without, and three curves."""
    for day, loss in ((0, 0.0), (2, 0.002), (30, 0.03), (32, 0.034)):
        at = stack.before + day * DAY
        voltages(
            stack,
            taken_at=at,
            voltages_v=tuple(round(0.70 - loss - 0.001 * cell, 4) for cell in (1, 2, 3, 4)),
        )
    voltages(stack, taken_at=stack.after + 3 * DAY, voltages_v=(0.66, 0.659, 0.658, 0.60))
    voltages(
        stack,
        taken_at=stack.after + 4 * DAY,
        current_a=0.0,
        voltages_v=(0.98, 0.979, 0.978, 0.93),
    )
    curve(stack)
    curve(stack, taken_at=stack.after, points=some_points(4, 0.03), occasion="yearly check")
    return stack


def test_a_stack_nothing_was_read_of_says_how_to_begin(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    answer = signed_in_client("builder").get(f"/stacks/{stack.serial}/condition")

    assert answer.status_code == 200
    said = sections(answer.text)
    assert "No voltage of a cell is known yet" in said["cells"]
    assert "No polarisation curve is known" in said["curves"]
    assert "No open-circuit voltage is known" in said["open"]
    assert "<svg class" not in answer.text


def test_the_newest_cells_are_drawn_with_the_low_one_marked(
    whole: ReadStack, signed_in_client: Clients
) -> None:
    """0.60 V among 0.658 to 0.66 V: the score says so, and few cells are said to be few."""
    answer = signed_in_client("builder").get(f"/stacks/{whole.serial}/condition")

    cells = sections(answer.text)["cells"]
    assert "0.6000 V" in cells
    assert "−58.5 mV" in cells
    assert " low " in cells
    assert "Only 4 cells were read" in cells
    assert "apart below" in cells
    assert "typed in" in cells
    assert answer.text.count('role="img"') == 6


def test_a_present_build_without_voltages_is_told_at_the_top(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    """What is shown is of the build before; once it is read itself nothing is said."""
    client, at = signed_in_client("builder"), f"/stacks/{stack.serial}/condition"
    said = "Build 2 has no voltages yet; shown: build 1"
    assert said not in words(client.get(at).text)
    voltages(stack, taken_at=stack.before, voltages_v=(0.7, 0.699, 0.698, 0.697))

    assert said in words(client.get(at).text)

    voltages(stack, taken_at=stack.after + DAY, voltages_v=(0.7, 0.699, 0.698, 0.697))
    assert said not in words(client.get(at).text)


def test_an_mea_is_followed_through_renumbering_on_the_page(
    whole: ReadStack, signed_in_client: Clients
) -> None:
    answer = signed_in_client("builder").get(f"/stacks/{whole.serial}/condition")

    history = sections(answer.text)["history"]
    assert "build 1, cell 2 → build 2, cell 1" in history
    assert history.count("build 2, cell") >= 4
    assert "−30.0 mV" not in sections(answer.text)["open"]


def test_curves_are_fitted_and_compared_with_the_first_one(
    whole: ReadStack, signed_in_client: Clients
) -> None:
    """30 mΩ·cm² more on the later curve: 21 mV at 0.7 A/cm², all of it with the current."""
    answer = signed_in_client("builder").get(f"/stacks/{whole.serial}/condition")

    curves = sections(answer.text)["curves"]
    assert "180.0 mΩ·cm² (180.0 to 180.0)" in curves
    assert "−21.0 mV (−21.0 to −21.0)" in curves
    assert "ohmic part fell" in curves
    assert "The earlier curve did not read this MEA." in curves
    alone = signed_in_client("builder").get(f"/stacks/{whole.serial}/condition?against=none")
    assert "Change of each MEA" not in alone.text


@pytest.mark.both_engines
def test_every_choice_shows_another_sheet(whole: ReadStack, signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    at = f"/stacks/{whole.serial}/condition"
    with Session(whole.lab.engine) as session:
        first = session.scalars(select(Snapshot.id).order_by(Snapshot.from_at)).first()
        curve_id = session.scalars(select(PolarisationCurve.id)).first()

    before = sections(client.get(f"{at}?moment=s{first}").text)["cells"]
    assert "0.6990 V" in before
    assert "its present build is 2: cells and MEAs here are those of build 1" in before
    on_curve = sections(client.get(f"{at}?moment=c{curve_id}").text)["cells"]
    assert "on a polarisation curve" in on_curve
    other = client.get(f"{at}?density=0.5").text
    assert "at 0.5 A/cm²" in words(other)
    assert f"{volts(0.5, 1):.4f}" in sections(other)["history"]
    dated = client.get(f"{at}?over=days&mea={whole.first_meas[1]}")
    assert "over dates" in words(dated.text)
    assert len(re.findall(r'name="mea" value="\d+"[^>]* checked', dated.text)) == 1
    narrow = client.get(f"{at}?fit_from=0.9&fit_to=1.0").text
    assert "A fit needs at least 4 points" in sections(narrow)["curves"]


@pytest.mark.parametrize(
    "asked",
    [
        "moment=s999",
        "moment=xyz",
        "density=abc",
        "density=0",
        "curve=999",
        "fit_from=2&fit_to=1",
        "known_at=soon",
    ],
)
def test_what_is_not_there_is_said_and_the_sheet_still_shown(
    whole: ReadStack, signed_in_client: Clients, asked: str
) -> None:
    answer = signed_in_client("builder").get(f"/stacks/{whole.serial}/condition?{asked}")

    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert "0.6000 V" in words(answer.text)


def test_a_corrected_tap_map_reads_the_page_anew_and_tells_what_was_thought(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    """Channel 4 reads cell 1: the low voltage moves to another MEA, and was thought of cell 4."""
    voltages(stack, voltages_v=(0.69, 0.69, 0.69, 0.60))
    crossed: dict[int, int | None] = {1: 4, 2: 2, 3: 3, 4: 1}
    later = NOW + timedelta(days=1)
    stack.lab.rows(
        lambda session: a_tap_map(session, stack.stack_id, FIRST_CLOSING, crossed, known_from=later)
    )
    client = signed_in_client("builder")
    at = f"/stacks/{stack.serial}/condition"

    now = sections(client.get(at).text)["history"]
    then = client.get(f"{at}?known_at={NOW + timedelta(hours=1):%Y-%m-%d %H:%M}")

    assert re.search(r"build 1, cell 1 0\.6000 V", now)
    assert re.search(r"build 1, cell 4 0\.6000 V", sections(then.text)["history"])
    assert "As it was known on" in words(then.text)


def test_a_cell_reversed_under_load_is_an_alarm(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    voltages(stack, voltages_v=(0.66, 0.659, -0.2, 0.6))

    answer = signed_in_client("quality").get(f"/stacks/{stack.serial}/condition")

    assert "Cell 3 read zero or less under load." in words(answer.text)
    assert "Take the load off" in words(answer.text)


@pytest.mark.both_engines
def test_the_sheet_takes_the_same_statements_however_much_was_read(
    whole: ReadStack, signed_in_client: Clients, statements: Any, engine: Engine
) -> None:
    client = signed_in_client("builder")
    at = f"/stacks/{whole.serial}/condition"
    client.get(at)
    with statements() as before:
        client.get(at)
    for day in range(5, 9):
        voltages(whole, taken_at=whole.after + day * DAY)

    with statements() as after:
        client.get(at)

    assert len(before) == len(after) <= 23
    if engine.dialect.name == "sqlite":
        assert read_whole(engine, after) == []


# Typed in


ROWS = "A\tU1\tU2\tU3\tU4\n" + "\n".join(
    "\t".join([f"{d * 100:g}", *(f"{volts(d, c):.4f}".replace(".", ",") for c in (1, 2, 3, 4))])
    for d in (0.05, 0.1, 0.3, 0.6, 1.0)
)


def test_a_pasted_curve_is_kept_and_shown(stack: ReadStack, signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    at = f"/stacks/{stack.serial}/curves/new"
    assert "Hydrogen" in client.get(at).text

    answer = client.post(
        at,
        data={
            "taken_at": "2026-02-12 10:00",
            "across": "current in A",
            "rows": ROWS,
            "occasion": "commissioning",
            "temperature_c": "65",
        },
    )

    assert answer.status_code == 303, words(answer.text)
    shown = client.get(answer.headers["location"])
    assert "commissioning" in sections(shown.text)["curves"]
    with Session(stack.lab.engine) as session:
        (key,) = session.scalars(select(PolarisationCurve.id))
    sheet = words(client.get(f"/curves/{key}").text)
    assert "channel 4, cell 4" in sheet
    assert f"{volts(0.6, 4):.4f}" in sheet


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"rows": ""}, "has to be filled in"),
        ({"rows": "0.1 0.8\n0.2"}, "line 2"),
        ({"rows": "0.1 eight 0.8 0.8 0.8"}, "line 1, channel 1"),
        ({"rows": "70 0.8 0.8 0.8 0.8"}, "a number from 0 to 10 A/cm²"),
        ({"rows": "0.1 0.8 0.8"}, "has 4 cells"),
        ({"taken_at": "2025-02-12 10:00", "rows": "0.1 0.8 0.8 0.8 0.8"}, "was closed later"),
        ({"across": "volts", "rows": "0.1 0.8"}, "is not one of the choices"),
    ],
)
def test_rows_that_cannot_be_read_are_kept_and_said(
    stack: ReadStack, signed_in_client: Clients, given: dict[str, str], says: str
) -> None:
    data = {
        "taken_at": "2026-02-12 10:00",
        "across": "current density in A/cm²",
        **given,
    }

    answer = signed_in_client("builder").post(f"/stacks/{stack.serial}/curves/new", data=data)

    assert answer.status_code == 422
    assert says in words(answer.text)
    assert data["rows"] in unescape(answer.text)


def test_a_curve_is_made_void_with_a_reason(whole: ReadStack, signed_in_client: Clients) -> None:
    client = signed_in_client("builder")
    with Session(whole.lab.engine) as session:
        key = session.scalars(select(PolarisationCurve.id)).first()

    assert client.post(f"/curves/{key}/void", data={"reason": ""}).status_code == 422
    answer = client.post(f"/curves/{key}/void", data={"reason": "wrong stack"})

    assert answer.status_code == 303
    assert "counts no more" in words(client.get(answer.headers["location"]).text)
    assert f"/curves/{key}" not in client.get(f"/stacks/{whole.serial}/condition").text
    trail = words(client.get(f"/audit-trail?subject=curve:{key}").text)
    assert "wrong stack" in trail


@pytest.mark.both_engines
def test_voltages_are_typed_in_shown_and_made_void(
    stack: ReadStack, signed_in_client: Clients
) -> None:
    client = signed_in_client("builder")
    at = f"/stacks/{stack.serial}/voltages/new"
    data = {
        "taken_at": "2026-02-12 10:00",
        "current_a": "70",
        "voltages": "690 mV\n0,689\n-\n0.687",
        "stack_voltage_v": "2.7",
    }
    refused = client.post(at, data={**data, "voltages": "0.6\n0.5"})
    assert refused.status_code == 422
    assert "has 4 cells" in words(refused.text)

    answer = client.post(at, data=data)

    assert answer.status_code == 303, words(answer.text)
    shown = sections(client.get(answer.headers["location"]).text)["cells"]
    assert "0.6890 V" in shown
    assert "1 of 4 cells were not read." in shown
    assert "not made to agree" in shown or "Neither is made to agree" in shown
    with Session(stack.lab.engine) as session:
        (key,) = session.scalars(select(Snapshot.id))
    assert "channel 3 not read" in words(client.get(f"/voltages/{key}").text)
    assert client.post(f"/voltages/{key}/void", data={"reason": ""}).status_code == 422
    answer = client.post(f"/voltages/{key}/void", data={"reason": "misread"})
    assert "they count no more" in words(client.get(answer.headers["location"]).text)
    assert client.get("/voltages/999").status_code == 404


def test_who_may_not_write_sees_the_sheet_without_the_forms(
    whole: ReadStack, signed_in_client: Clients
) -> None:
    client = signed_in_client("admin")

    sheet = client.get(f"/stacks/{whole.serial}/condition")

    assert sheet.status_code == 200
    assert "curves/new" not in sheet.text
    assert client.get(f"/stacks/{whole.serial}/curves/new").status_code == 403
    assert client.get(f"/stacks/{whole.serial}/voltages/new").status_code == 403


@pytest.mark.parametrize("mea", ["9" * 5000, "²"])
def test_what_is_no_number_draws_the_meas_it_would_without(
    whole: ReadStack, signed_in_client: Clients, mea: str
) -> None:
    """An address somebody wrote by hand."""
    client, at = signed_in_client("builder"), f"/stacks/{whole.serial}/condition"

    answer = client.get(at, params={"mea": mea})

    assert answer.status_code == 200
    assert re.findall(r"<input type=\"checkbox\"[^>]*>", answer.text) == re.findall(
        r"<input type=\"checkbox\"[^>]*>", client.get(at).text
    )
