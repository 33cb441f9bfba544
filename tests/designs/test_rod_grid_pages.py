"""Rods proposed in the form of a design, by a button that needs no script."""

import re
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.designs.arithmetic.rod_grid import rods_in_grid
from service.designs.queries import design
from tests import builders

GRID = {"grid_rows": "3", "grid_columns": "3", "grid_pitch_x_mm": "80", "grid_pitch_y_mm": "62"}


def shown(page: str, name: str) -> str:
    """What stands in a field of the page."""
    found = re.search(rf'name="{name}"[^>]*value="([^"]*)"', page)
    assert found is not None, name
    return found[1]


def test_the_button_fills_the_rows_and_makes_nothing(signed_in_client: Any) -> None:
    """What else was typed stays, and the rods can be changed before the design is made."""
    client = signed_in_client("quality")

    answer = client.post("/designs/new", data=GRID | {"propose": "rods", "name": "Grebe"})

    assert answer.status_code == 200
    assert shown(answer.text, "rod_rows") == "8"
    rod = {field: shown(answer.text, f"rod_2_{field}") for field in ("x_mm", "y_mm", "turn")}
    assert rod == {"x_mm": "0", "y_mm": "62", "turn": "5"}
    assert shown(answer.text, "name") == "Grebe"
    assert "Grebe" not in client.get("/designs").text


def test_a_design_made_from_the_proposal_has_those_rods(signed_in_client: Any) -> None:
    """Sent as the page shows them."""
    client = signed_in_client("quality")
    about = {
        "name": "Grebe", "revision": "A", "active_area_cm2": "100", "least_cells": "1",
        "most_cells": "20", "cooling": "every cell", "plate_width_mm": "190",
        "plate_height_mm": "150", "rod_length_mm": "260", "target_torque_nm": "4.6",
        "torque_tolerance_percent": "5", "tightening_passes": "3", "line_rows": "1",
        "line_1_wording": "Load off", "port_rows": "0",
    }  # fmt: skip
    page = client.post("/designs/new", data=GRID | about | {"propose": "rods"}).text
    rods = dict(re.findall(r'<input [^>]*name="(rod_\w+)"[^>]*value="([^"]*)"', page))

    made = client.post("/designs/new", data=about | rods)

    assert made.status_code == 303, re.findall(r'class="wrong"[^>]*>([^<]*)', made.text)
    design_id = int(made.headers["location"].rsplit("/", 1)[1])
    with Session(client.app.state.engine) as session:
        kept = design(session, design_id).rods
    assert [(rod.x_mm, rod.y_mm, rod.turn) for rod in kept] == [
        (rod.x_mm, rod.y_mm, rod.turn) for rod in rods_in_grid(3, 3, 80.0, 62.0)
    ]


@pytest.mark.parametrize(
    ("typed", "field"),
    [({"grid_rows": ""}, "grid_rows"), ({"grid_rows": "1"}, "grid_rows"),
     ({"grid_pitch_x_mm": "wide"}, "grid_pitch_x_mm"), ({"grid_columns": "99"}, "grid_columns")],
)  # fmt: skip
def test_a_grid_that_is_none_is_answered_beside_its_field(
    signed_in_client: Any, typed: dict[str, str], field: str
) -> None:
    """The rows stay as they were."""
    sent = GRID | {"propose": "rods", "rod_rows": "4", "rod_1_x_mm": "-44"} | typed

    answer = signed_in_client("quality").post("/designs/new", data=sent)

    assert answer.status_code == 422
    assert f'id="wrong-{field}"' in answer.text
    assert shown(answer.text, "rod_1_x_mm") == "-44"


def test_rods_of_a_design_nobody_uses_can_be_proposed_anew(signed_in_client: Any) -> None:
    """On the page that changes it."""
    client = signed_in_client("quality")
    with Session(client.app.state.engine) as session:
        design_id = builders.a_design(session).id
        session.commit()

    answer = client.post(f"/designs/{design_id}/edit", data=GRID | {"propose": "rods"})

    assert shown(answer.text, "rod_rows") == "8"


@pytest.mark.parametrize("rows", ["9" * 5000, "²", "-1"])
def test_a_number_of_rows_that_is_none_shows_none(signed_in_client: Any, rows: str) -> None:
    """Of rods as of a pattern's items: no button sends such a one."""
    client = signed_in_client("quality")
    with Session(client.app.state.engine) as session:
        design_id = builders.a_design(session).id
        session.commit()

    made = client.post("/designs/new", data={"rod_rows": rows, "propose": ""})
    pattern = client.post(
        f"/designs/{design_id}/pattern", data={"cell_items": rows, "do": "add cell"}
    )

    assert (made.status_code, pattern.status_code) == (422, 200)
