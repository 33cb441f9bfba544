"""The desk for machines: fields listed, SI values with uncertainty, the API's own error shape."""

from collections.abc import Callable
from typing import Any

import pytest

from service.calculators.arithmetic.calculators import CALCULATORS

Calling = Callable[..., Any]


def test_nobody_computes_without_a_token(client: Any) -> None:
    assert client.get("/api/v1/desk").status_code == 401
    assert client.get("/api/v1/desk/torque").status_code == 401


def test_the_list_names_every_calculator_with_its_fields(calling: Calling) -> None:
    listed = calling("quality").get("/api/v1/desk").json()["calculators"]

    assert [one["name"] for one in listed] == [one.name for one in CALCULATORS]
    torque = next(one for one in listed if one["name"] == "torque")
    field = next(field for field in torque["fields"] if field["name"] == "torque")
    assert field["unit"] == "N·m"
    assert "in·lbf" in field["units"]
    assert {show["name"] for show in torque["results_in"]} == {"force_in", "torque_in"}


@pytest.mark.parametrize("name", [one.name for one in CALCULATORS])
def test_the_example_of_the_list_can_be_sent_as_it_is(calling: Calling, name: str) -> None:
    client = calling("builder")
    listed = client.get("/api/v1/desk").json()["calculators"]
    example = next(one["example"] for one in listed if one["name"] == name)

    answer = client.get(f"/api/v1/desk/{name}", params=example)

    assert answer.status_code == 200
    assert answer.json()["coverage"] == 2.0
    assert answer.json()["results"]


def test_a_result_is_given_in_si_and_in_the_unit_chosen(calling: Calling) -> None:
    asked = {
        "torque": "8.5",
        "thread": "M8",
        "nut_factor": "0.2",
        "each_percent": "19.6",
        "driver_percent": "0",
        "force_in": "kN",
    }

    answer = calling("builder").get("/api/v1/desk/torque", params=asked).json()

    figure = answer["results"][0]["figure"]
    assert answer["results"][0]["name"] == "preload"
    assert (figure["si"], figure["si_unit"]) == (pytest.approx(5312.5), "N")
    assert (figure["value"], figure["unit"]) == (pytest.approx(5.3125), "kN")
    assert figure["u_si"] == pytest.approx(531.25)
    assert figure["expanded"] == pytest.approx(1.0625)
    assert figure["parts"] == [{"source": "friction", "u_si": pytest.approx(531.25)}]
    assert answer["formula"] == "clamping 1"
    assert answer["cautions"] == ["clamp"]


def test_the_map_is_given_as_numbers(calling: Calling) -> None:
    asked = {
        "rods": "1 -110 85 5\n2 110 85 5\n3 110 -85 5\n4 -110 -85 5",
        "thread": "M8",
        "width": "170",
        "depth": "118",
        "nut_factor": "0.18",
    }

    field = calling("builder").get("/api/v1/desk/pressure-map", params=asked).json()

    found = field["pressure_field"]
    assert found["resultant_mm"] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert len(found["pressures_mpa"]) == len(found["y_mm"])
    assert field["verdict"] is None


def test_what_cannot_be_taken_is_told_field_by_field_as_everywhere(calling: Calling) -> None:
    asked = {"torque": "-8", "thread": "M8", "nut_factor": "3"}

    answer = calling("builder").get("/api/v1/desk/torque", params=asked)

    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    fields = {one["field"]: one for one in answer.json()["fields"]}
    assert set(fields) == {"torque", "nut_factor"}
    assert fields["torque"]["value"] == "-8"
    assert fields["torque"]["right_would_be"] == "Right would be more than zero, up to 1000 N·m."
    assert fields["nut_factor"]["right_would_be"] == "Right would be 0.05 to 0.6."


def test_an_unknown_calculator_is_not_found(calling: Calling) -> None:
    answer = calling("builder").get("/api/v1/desk/horoscope")

    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
