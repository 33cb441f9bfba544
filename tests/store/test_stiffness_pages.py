"""What a part type gives under load: typed by kind, drawn as a curve, refused in place."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.store.tables import PartType
from tests import builders
from tests.proposing import put_in_force

Clients = Callable[..., Any]
MEA = {"curve": "densifying: modulus 3; limit 0.55", "set_percent": "25", "unloading_exponent": "2",
       "free_thickness_mm": "0,45"}  # fmt: skip
GASKET = {"curve": "rubber cord: diameter 1.2; modulus 4", "height_mm": "0.6",
          "groove_depth_mm": "0.325", "length_mm": "500"}  # fmt: skip
WHY = {"reason": "test report 7, invented"}


@pytest.fixture
def types(app: Any) -> dict[str, int]:
    with Session(app.state.engine) as session:
        made = builders.the_part_types(session)
        session.commit()
        names = ("mea", "gas_gasket", "fuel_plate", "disc_spring", "tie_rod", "blank_cell")
        return {name: getattr(made, name).id for name in names}


def in_force(client: Any, proposed: Any) -> None:
    """Let somebody else approve what was proposed."""
    proposal_id = int(proposed.headers["location"].removeprefix("/proposals/"))
    put_in_force(client.app.state.engine, proposal_id)


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


@pytest.mark.parametrize(
    ("name", "typed", "seen"),
    [
        ("mea", MEA, ["Free thickness over the active area 0.45 mm", "stress in MPa", "strain"]),
        ("gas_gasket", GASKET, ["Length of its line 500 mm", "line load in N/mm", "squeeze"]),
        ("fuel_plate", {"modulus_gpa": "10", "bearing_cm2": "150"}, ["Modulus 10 GPa"]),
        ("disc_spring", {"outer_mm": "20", "inner_mm": "10.2", "thickness_mm": "1.1",
                         "cone_mm": "0.45"}, ["Cone height of one disc 0.45 mm"]),
        ("blank_cell", {"modulus_gpa": "70", "bearing_cm2": "100"}, ["Area that bears 100 cm²"]),
    ],
)  # fmt: skip
def test_a_part_type_says_what_it_gives(
    signed_in_client: Clients, types: dict[str, int], name: str, typed: dict[str, str],
    seen: list[str],
) -> None:  # fmt: skip
    client, at = signed_in_client("quality"), f"/part-types/{types[name]}"
    assert "Not known" in words(client.get(at).text)

    kept = client.post(f"{at}/stiffness", data=typed | WHY)

    assert kept.status_code == 303
    assert "Not known" in words(client.get(at).text)
    in_force(client, kept)
    page = client.get(at).text
    for one in seen:
        assert one in words(page)
    assert ("<svg" in page.partition('id="curve-drawn"')[2]) == ("curve" in typed)
    form = unescape(client.get(f"{at}/stiffness").text)
    for text in typed.values():
        assert text.replace(",", ".") in form


@pytest.mark.parametrize(
    "case",
    [
        ({"curve": "spring: rate 3"}, "curve", "one of points"),
        ({"curve": "points: 0.2 1; 0.1 2"}, "curve", "The curve must grow"),
        ({"curve": "densifying: limit 0.5"}, "curve", "needs its modulus"),
        ({"free_thickness_mm": ""}, "free_thickness_mm", "This is needed"),
        ({"free_thickness_mm": "thin"}, "free_thickness_mm", "“thin” cannot be taken"),
        ({"free_thickness_mm": "-0.4"}, "free_thickness_mm", "the free thickness is -0.4 mm"),
        ({"set_percent": "120"}, "set_percent", "the set"),
        ({"reason": ""}, "reason", "filled in"),
    ],
)
def test_what_cannot_be_stands_beside_its_field_and_is_kept_typed(
    signed_in_client: Clients, app: Any, types: dict[str, int],
    case: tuple[dict[str, str], str, str],
) -> None:  # fmt: skip
    client = signed_in_client("quality")
    wrong, at, said = case

    answer = client.post(f"/part-types/{types['mea']}/stiffness", data=MEA | WHY | wrong)

    assert answer.status_code == 422
    beside = re.search(rf'id="wrong-{at}">(.*?)</p>', answer.text)
    assert beside, re.findall(r'id="wrong-(\w+)">(.*?)</p>', answer.text)
    assert said.casefold() in unescape(beside[1]).casefold()
    kept = unescape(answer.text)
    for text in (MEA | wrong).values():
        assert text in kept
    with Session(app.state.engine) as session:
        assert session.get_one(PartType, types["mea"]).stiffness is None


def test_who_may_not_write_limits_only_reads(
    signed_in_client: Clients, types: dict[str, int]
) -> None:
    client, at = signed_in_client("builder"), f"/part-types/{types['mea']}"

    assert "/stiffness" not in client.get(at).text
    assert client.get(f"{at}/stiffness").status_code == 403
    assert client.post(f"{at}/stiffness", data=MEA | WHY).status_code == 403


def test_a_tie_rod_gives_nothing_of_the_sort(
    signed_in_client: Clients, types: dict[str, int]
) -> None:
    """What the rods give stands with the figures of the design."""
    client, at = signed_in_client("quality"), f"/part-types/{types['tie_rod']}"

    assert "gives under load" not in words(client.get(at).text)
    assert client.get(f"{at}/stiffness").status_code == 404
    assert client.get("/part-types/999/stiffness").status_code == 404
