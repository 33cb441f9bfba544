"""The site's make-safe lists on pages: written, approved by another, changed, compared."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest

from tests import builders

Clients = Callable[..., Any]
FIRST = {
    "act": "opening",
    "place": "bench 2",
    "line_rows": "2",
    "line_1_wording": "Gases shut and locked.",
    "line_2_wording": "Hydrogen at the outlet",
    "line_2_short": "hydrogen",
    "line_2_unit": "% vol",
    "line_2_reading_most": "0,4",
    "line_2_good_minutes": "30",
    "line_2_instrument_kind": "gas detector",
    "line_2_principle": "thermal conductivity",
    "line_2_gas_matrix": "inert gas",
    "line_2_needs_bump_test": "yes",
    "reason": "procedure 12",
}


def words(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def proposal_at(page: str) -> str:
    found = re.search(r'href="(/proposals/\d+)"', page)
    assert found
    return found[1]


def approved(client: Any, at: str) -> Any:
    sha = re.search(r'name="content_sha256" value="(\w+)"', client.get(at).text)
    assert sha
    return client.post(
        f"{at}/approve", data={"content_sha256": sha[1], "password": builders.PASSWORD}
    )


def test_a_list_is_written_by_one_and_put_in_force_by_another(signed_in_client: Clients) -> None:
    writer, other = signed_in_client("quality"), signed_in_client("supervisor")

    kept = writer.post("/make-safe/new", data=FIRST, follow_redirects=False)
    at = kept.headers["location"]
    waiting = proposal_at(writer.get(at).text)
    assert 'name="content_sha256"' not in writer.get(waiting).text
    assert approved(other, waiting).status_code == 303

    page = words(other.get(at).text)
    asks = (
        "at most 0.4 % vol, good for 30 min, gas detector, thermal conductivity,"
        " reads in inert gas, bump test of the day"
    )
    assert f"2 Hydrogen at the outlet hydrogen {asks}" in page
    assert "Version 1" in page
    assert "opening, bench 2 version 1, approved by" in words(other.get("/make-safe").text)

    second = FIRST | {"line_2_good_minutes": "20", "reason": "20 min is what the purge holds"}
    writer.post(f"{at}/edit", data=second)
    page = writer.get(at).text
    assert "Waits for an approval" in page
    before, then = asks, asks.replace("30 min", "20 min")
    line = "line 2 Hydrogen at the outlet (hydrogen); "
    assert f"{line}{before} Hydrogen at the outlet (hydrogen); {then}" in words(page)


@pytest.mark.parametrize(
    ("typed", "words_said"),
    [
        ({"line_2_good_minutes": ""}, "Minutes, such as 30."),
        ({"line_2_principle": "catalytic"}, "a catalytic head reads low without oxygen"),
        ({"line_2_reading_least": "0.5"}, "the upper limit is not above the lower one"),
        ({"line_2_instrument_kind": "multimeter"}, "belong to an instrument for gases"),
        ({"line_1_reading_most": "3"}, "Such as V or kPa."),
        ({"line_1_wording": "", "line_2_wording": ""}, "At least one line would be right"),
        ({"reason": ""}, "reason"),
    ],
)
def test_a_list_that_cannot_be_is_refused_with_all_that_was_typed(
    signed_in_client: Clients, typed: dict[str, str], words_said: str
) -> None:
    client = signed_in_client("quality")

    answer = client.post("/make-safe/new", data=FIRST | typed)

    assert answer.status_code == 422
    assert words_said in words(answer.text)
    assert "bench 2" in answer.text


def test_more_lines_keep_what_was_typed(signed_in_client: Clients) -> None:
    client = signed_in_client("quality")
    assert "At most" not in client.get("/make-safe/new").text

    page = client.post("/make-safe/new", data=FIRST | {"more": "line"}).text

    assert "Line 6" in page
    assert "Gases shut and locked." in page


def test_a_second_list_for_the_same_place_is_refused(signed_in_client: Clients) -> None:
    client = signed_in_client("quality")
    client.post("/make-safe/new", data=FIRST)

    answer = client.post("/make-safe/new", data=FIRST | {"place": "BENCH 2"})

    assert answer.status_code == 422
    assert "there is a list opening, BENCH 2" in words(answer.text)


def test_who_may_not_write_lists_sees_them_only(signed_in_client: Clients) -> None:
    client = signed_in_client("builder")

    assert "The site has no list yet" in client.get("/make-safe").text
    assert client.post("/make-safe/new", data=FIRST).status_code == 403


def test_a_machine_proposes_a_list_and_reads_what_is_in_force(
    calling: Callable[..., Any], signed_in_client: Clients
) -> None:
    machine, other = calling("quality"), signed_in_client("supervisor")
    at = "/api/v1/make-safe-lists"
    line = {
        "wording": "Hydrogen at the outlet",
        "unit": "% vol",
        "reading_most": 0.4,
        "good_minutes": 30,
        "principle": "thermal conductivity",
        "instrument_kind": "gas detector",
    }
    sent = {"act": "opening", "place": "", "lines": [line], "reason": "procedure 12"}

    missing = machine.post(at, json=sent | {"lines": [line | {"good_minutes": None}]})
    assert missing.status_code == 422
    assert "line_1_good_minutes" in missing.text
    made = machine.post(at, json=sent)
    assert made.status_code == 201, made.text
    (waiting,) = machine.get(at).json()["lists"]
    assert (waiting["in_force"], waiting["id"]) == (None, made.json()["id"])
    approved(other, f"/proposals/{waiting['waiting']}")
    second = sent["lines"] + [line | {"wording": "Oxygen in the room"}]
    version = {"lines": second, "reason": "oxygen too"}
    assert machine.post(f"{at}/{waiting['id']}/versions", json=version).status_code == 201

    (listed,) = machine.get(at).json()["lists"]
    assert listed["in_force"]["number"] == 1
    (kept,) = listed["in_force"]["lines"]
    assert kept["number"] == 1
    assert {name: kept[name] for name in line} == line
    assert listed["waiting"]
    leave, why = f"{at}/{waiting['id']}/withdrawal", {"reason": "the site has another"}
    unknown = machine.post(leave, json=why | {"leaves_none": "perhaps"})
    assert unknown.status_code == 422
    gone = machine.post(leave, json=why | {"leaves_none": "yes"})
    assert gone.status_code == 201, gone.text


@pytest.mark.both_engines
def test_a_list_is_withdrawn_by_two_and_leaves_none_only_where_that_is_said(
    signed_in_client: Clients,
) -> None:
    writer, other = signed_in_client("quality"), signed_in_client("supervisor")
    kept = writer.post("/make-safe/new", data=FIRST | {"act": "leak test"}, follow_redirects=False)
    at = kept.headers["location"]
    approved(other, proposal_at(writer.get(at).text))
    assert f'href="{at}/withdraw"' in writer.get(at).text
    assert "Propose to withdraw" in writer.get(f"{at}/withdraw").text

    typed = {"reason": "the site has another"}
    asked = writer.post(f"{at}/withdraw", data=typed)
    assert asked.status_code == 422
    assert "the leak test would have no list there" in words(asked.text)
    assert typed["reason"] in asked.text
    assert writer.post(f"{at}/withdraw", data=typed | {"leaves_none": "yes"}).status_code == 303
    assert "in force" in words(writer.get(at).text)
    approved(other, proposal_at(writer.get(at).text))

    assert "withdrawn, approved by" in words(writer.get("/make-safe").text)
    assert "/withdraw" not in writer.get(at).text
    assert "Gases shut and locked." in writer.get(f"{at}/edit").text
