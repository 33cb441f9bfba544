"""Limits and figures on pages: written in a form, read as a sheet, put in force by another."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.arithmetic.figures_fields import FIELDS
from service.limits.pages import HELP, SECTIONS
from service.limits.queries import limits_in_force
from service.limits.tables import LimitSet
from tests import builders

Clients = Callable[..., Any]
Rows = dict[str, str]
SAID = {"source": "design note 3, invented", "reason": "first figures"}
CLAMP = {"clamp_thread": "M8", "clamp_strength_class": "8.8", "clamp_nut_factor": "0,18"}
LIMIT = {
    "limit_gdl_pressure_least": "0.8",
    "limit_gdl_pressure_most": "1.4",
    "limit_gdl_pressure_source": "design note 3",
}


@pytest.fixture
def design(app: Any) -> int:
    with Session(app.state.engine) as session:
        made = builders.a_design(session)
        made.name = "Tarn 100"
        session.commit()
        return made.id


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def typed_in(html: str) -> Rows:
    """What a browser would send of the form."""
    form = html[html.index("data-keep>") :].partition("</form>")[0]
    sent = {
        unescape(name): unescape(value)
        for name, value in re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', form)
    }
    for name, body in re.findall(r'<select id="[^"]+" name="([^"]+)"[^>]*>(.*?)</select>', form):
        chosen = re.search(r'value="([^"]*)" selected', body)
        sent[name] = unescape(chosen[1]) if chosen else ""
    return sent


def write(client: Any, design: int, **typed: str) -> Any:
    return client.post(f"/designs/{design}/limits/new", data=SAID | typed)


def test_the_usual_rules_for_repeating_tests_are_offered_and_marked(
    signed_in_client: Clients, design: int
) -> None:
    client = signed_in_client("quality")
    plain = client.get(f"/designs/{design}/limits/new").text
    assert f'href="/designs/{design}/limits/new?retests=usual#section_retests"' in plain
    assert typed_in(plain)["retests_re_torque"] == ""

    offered = typed_in(client.get(f"/designs/{design}/limits/new?retests=usual").text)
    made = write(client, design, **{name: offered[name] for name in offered if "retests" in name})

    assert offered["retests_re_torque"] == "leak to outside, insulation"
    assert offered["retests_source"] == "common practice, no source"
    shown = words(client.get(made.headers["location"]).text)
    assert "After a re-torque of the cold stack, clamp not released" in shown
    assert "leak to outside, insulation" in shown


def sign(client: Any, app: Any, key: int, password: str = builders.PASSWORD) -> Any:
    with Session(app.state.engine) as session:
        sha256 = session.get_one(LimitSet, key).content_sha256
    return client.post(
        f"/limits/{key}/approve", data={"password": password, "content_sha256": sha256}
    )


def test_every_field_is_asked_for_once_with_label_unit_and_help(
    signed_in_client: Clients, design: int
) -> None:
    client = signed_in_client("quality")
    html = client.get(f"/designs/{design}/limits/new").text

    shown = [one.name for section in SECTIONS for group in section.groups for one in group.fields]
    assert sorted(shown) == sorted(field.name for field in FIELDS)
    for field in FIELDS:
        assert len(re.findall(rf'\bid="{field.name}"', html)) == 1
        label = re.search(rf'<label for="{field.name}">(.*?)</label>', html)
        assert label
        assert field.label in unescape(label[1])
        if field.unit:
            rest = html[html.index(f'id="{field.name}"') :].partition("</div>")[0]
            assert f'<span class="unit">{field.unit}</span>' in rest
    without = [name for name, line in HELP.items() if not line]
    assert without == []


def test_a_version_is_written_read_and_put_in_force_by_another(
    signed_in_client: Clients, app: Any, design: int
) -> None:
    quality = signed_in_client("quality", name="Ida Moss")
    supervisor = signed_in_client("supervisor")
    assert "No limits and figures are kept yet" in words(quality.get(f"/designs/{design}").text)

    made = write(quality, design, **CLAMP, **LIMIT)
    assert (made.status_code, made.headers["location"]) == (303, "/limits/1")
    own = words(quality.get("/limits/1").text)
    assert "You wrote this yourself" in own
    assert "Nut factor 0.18" in own
    assert "Least GDL pressure 0.8 MPa" in own
    assert "waiting for approval" in own
    assert "You wrote this yourself" in words(quality.get("/approvals").text)
    assert '<a class="button" href="/limits/1">' in supervisor.get("/approvals").text
    assert sign(quality, app, 1).status_code == 403
    wrong = sign(supervisor, app, 1, password="red water")
    assert wrong.status_code == 422
    assert 'id="wrong-password"' in wrong.text
    signed = sign(supervisor, app, 1)

    assert signed.status_code == 303
    assert "Nothing waits for a decision" in words(supervisor.get("/approvals").text)
    assert "in force" in words(supervisor.get("/limits/1").text)
    assert "version 1" in words(supervisor.get(f"/designs/{design}").text)
    with Session(app.state.engine) as session:
        found = limits_in_force(session, design)
    assert found is not None
    assert found.figures.clamp is not None
    assert found.figures.clamp.nut_factor == 0.18
    assert "put limits of Tarn 100 A, version 1 in force" in words(
        supervisor.get("/audit-trail").text
    )


def test_a_new_version_begins_with_the_newest_and_tells_what_changed(
    signed_in_client: Clients, design: int
) -> None:
    client = signed_in_client("quality")
    write(client, design, **CLAMP, **LIMIT)
    sent = typed_in(client.get(f"/designs/{design}/limits/new").text)
    assert sent["clamp_nut_factor"] == "0.18"
    assert sent["clamp_strength_class"] == "8.8"
    same = client.post(f"/designs/{design}/limits/new", data=sent | SAID)
    assert same.status_code == 422
    assert "nothing differs from version 1" in words(same.text).casefold()

    client.post(
        f"/designs/{design}/limits/new",
        data=sent | SAID | {"limit_gdl_pressure_most": "1.5", "clamp_running_temperature_c": "65"},
    )

    seen = words(client.get("/limits/2").text)
    assert "What changed against version 1" in seen
    assert "Most GDL pressure 1.4 MPa 1.5 MPa" in seen
    assert "Temperature when running not given 65 °C" in seen
    listed = words(client.get(f"/designs/{design}/limits").text)
    assert "version 2 waiting for approval" in listed
    assert "version 1 replaced, never in force" in listed


@pytest.mark.parametrize(
    "case",
    [
        ({"clamp_thread": "M8"}, "clamp_strength_class", "This is needed"),
        (CLAMP | {"clamp_thread_friction": "0.14"}, "section_clamp", "either the nut factor"),
        (CLAMP | {"clamp_nut_factor": "x"}, "clamp_nut_factor", "“x” cannot be taken"),
        (CLAMP | {"clamp_thread": "M8z"}, "clamp_thread", "“M8z”"),
        (CLAMP | {"clamp_running_temperature_c": "338.15"}, "clamp_running_temperature_c", "65 °C"),
        ({"limit_gdl_pressure_least": "0.8"}, "limit_gdl_pressure_source", "needed"),
        (LIMIT | {"limit_gdl_pressure_most": "0.7"}, "limit_gdl_pressure_least", "must lie below"),
        (LIMIT | {"limit_gdl_pressure_least": "-1"}, "limit_gdl_pressure_least", "“-1”"),
        ({"shorts_least_ohm_cm2": "0"}, "shorts_least_ohm_cm2", "“0”"),
        ({"leak_gas": "helium", "leak_anode_volume_l": "0.2"}, "leak_anode_volume_per_cell_l",
         "needed"),
        ({"leak_gas": "steam"}, "leak_gas", "“steam”"),
    ],
)  # fmt: skip
def test_bad_input_stands_beside_its_field_and_nothing_typed_is_lost(
    signed_in_client: Clients, app: Any, design: int, case: tuple[Rows, str, str]
) -> None:
    client = signed_in_client("quality")
    typed, at, said = case

    answer = write(client, design, **typed)

    assert answer.status_code == 422
    beside = re.search(rf'id="wrong-{at}">(.*?)</p>', answer.text)
    assert beside, re.findall(r'id="wrong-(\w+)">(.*?)</p>', answer.text)
    assert said in unescape(beside[1])
    sent = typed_in(answer.text)
    kept = {name: value for name, value in typed.items() if name != "leak_gas"}
    assert {name: sent[name] for name in kept} == kept
    assert SAID["source"] in answer.text
    with Session(app.state.engine) as session:
        assert session.scalars(select(LimitSet)).all() == []


def test_everything_wrong_is_said_at_once(signed_in_client: Clients, design: int) -> None:
    client = signed_in_client("quality")

    answer = write(client, design, clamp_thread="M8", shorts_least_ohm_cm2="-3", leak_gas="helium",
                   source="")  # fmt: skip

    wrong = set(re.findall(r'id="wrong-(\w+)"', answer.text))
    assert {"clamp_strength_class", "shorts_least_ohm_cm2", "leak_limit_source", "source"} >= wrong
    assert {"clamp_strength_class", "shorts_least_ohm_cm2", "source"} <= wrong


def test_who_may_not_write_limits_is_not_offered_it(signed_in_client: Clients, design: int) -> None:
    client = signed_in_client("builder")

    assert client.get(f"/designs/{design}/limits").status_code == 200
    assert "limits/new" not in client.get(f"/designs/{design}").text
    assert client.get(f"/designs/{design}/limits/new").status_code == 403
    assert write(client, design, **CLAMP).status_code == 403
    for nowhere in ("/limits/999", "/designs/999/limits", "/limits/99999999999999999999"):
        assert client.get(nowhere).status_code in {404, 422}
