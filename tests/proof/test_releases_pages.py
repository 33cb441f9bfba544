"""The gate to hydrogen as a page: what keeps it shut, what is read, who signs."""

import re
from collections.abc import Callable
from dataclasses import replace
from html import unescape
from typing import Any

import pytest

from service.platform.arithmetic.vocabulary import Kind
from service.store.changes.holds import Subject, place_hold
from tests import builders
from tests.closing.closings import put_limits_in_force
from tests.proof.stack_testing import FIGURES, ClosedStack, a_closed_stack
from tests.proof.test_releases import approved, ready, the_build

Clients = Callable[..., Any]


def words(html: str) -> str:
    """The page's text without its marks."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def hidden(html: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    assert found, f"no field {name}"
    return found[1]


@pytest.fixture
def tested(app: Any) -> ClosedStack:
    """A stack with every test passed and its record approved."""
    return ready(app.state.engine)


def sign(client: Any, stack: ClosedStack, **typed: str) -> Any:
    address = f"/builds/{the_build(stack)}/release"
    seen = hidden(client.get(address).text, "set_points_sha256")
    given = {"set_points_sha256": seen, "acknowledged": "yes", "password": builders.PASSWORD}
    return client.post(address, data=given | typed)


def test_a_supervisor_reads_verdicts_and_set_points_and_releases(
    signed_in_client: Clients, tested: ClosedStack
) -> None:
    client = signed_in_client("supervisor", name="Ada Holm")
    address = f"/builds/{the_build(tested)}/release"

    before = words(client.get(address).text)
    answer = sign(client, tested)
    after = words(client.get(address).text)

    assert "Nothing on record blocks the release" in before
    assert "leak anode to outside" in before
    assert re.search(r"hydrogen at .+? L/min", before)
    assert "Caution: Hydrogen" in before
    assert (answer.status_code, answer.headers["location"]) == (303, address)
    assert "Released by Ada Holm" in after
    assert "nothing is to be decided" in after
    sheet = client.get("/stacks/TARN-001").text
    assert f'href="{address}"' in sheet
    assert "not released" not in words(sheet)


def test_set_points_which_were_not_read_and_a_wrong_password_keep_it_shut(
    signed_in_client: Clients, tested: ClosedStack
) -> None:
    client = signed_in_client("supervisor")

    unread = sign(client, tested, acknowledged="")
    others = sign(client, tested, set_points_sha256="0" * 64)
    wrong = sign(client, tested, password="red water")

    assert unread.status_code == others.status_code == wrong.status_code == 422
    assert "are not acknowledged" in words(unread.text)
    assert "others than those you were shown" in words(others.text)
    assert 'id="wrong-password"' in wrong.text
    assert "acknowledged" in wrong.text
    assert re.search(r'name="acknowledged" value="yes" checked', wrong.text), "the tick is kept"


def test_a_builder_looks_and_does_not_sign(signed_in_client: Clients, tested: ClosedStack) -> None:
    client = signed_in_client("builder")
    address = f"/builds/{the_build(tested)}/release"

    page = client.get(address)
    answer = client.post(address, data={"acknowledged": "yes", "password": builders.PASSWORD})

    assert page.status_code == 200
    assert "Sign and release" not in page.text
    assert "This needs the role supervisor." in words(page.text)
    assert answer.status_code == 403


def test_what_keeps_the_gate_shut_is_said_and_no_signature_asked_for(
    app: Any, signed_in_client: Clients
) -> None:
    stack = a_closed_stack(app.state.engine)
    approved(stack)
    client = signed_in_client("supervisor")

    page = client.get(f"/builds/{the_build(stack)}/release").text

    assert "Blocking release" in page
    assert "Shorts of cells: not tested" in words(page)
    assert "Sign and release" not in page


def test_limits_made_tighter_tell_what_would_fail_today(
    app: Any, signed_in_client: Clients, tested: ClosedStack
) -> None:
    rules = tuple(replace(one, ohm_per_volt=1e9) for one in FIGURES.insulation)
    tighter = replace(FIGURES, insulation=rules)
    tested.lab.rows(lambda s: (put_limits_in_force(s, tested.design_id, tighter), s.commit()))
    client = signed_in_client("quality")

    page = words(client.get(f"/builds/{the_build(tested)}/release").text)

    assert "would fail today" in page


def test_a_released_build_says_which_of_its_parts_went_on_hold_since(
    signed_in_client: Clients, tested: ClosedStack
) -> None:
    """The release stands, nobody is stopped; whoever looks reads it."""
    client = signed_in_client("supervisor")
    sign(client, tested, acknowledged="yes")
    mea = next(layer for layer in tested.bench.pile.layers if layer.kind is Kind.MEA)
    tested.lab.do(place_hold, Subject(mea.part), reason="a sister tore")

    page = words(client.get(f"/builds/{the_build(tested)}/release").text)

    assert "The release stands. Today it would not be given:" in page
    assert f"MEA {mea.label}: It is on hold since " in page


def test_a_build_nobody_knows_is_not_found(signed_in_client: Clients) -> None:
    client = signed_in_client("supervisor")

    assert client.get("/builds/77/release").status_code == 404
    assert client.get("/builds/0/release").status_code in {404, 422}
    assert client.post("/builds/77/release", data={}).status_code == 404


def test_a_gate_takes_as_many_statements_again(
    signed_in_client: Clients, tested: ClosedStack, statements: Callable[..., Any]
) -> None:
    client = signed_in_client("supervisor")
    address = f"/builds/{the_build(tested)}/release"
    counts = []
    for _time in range(2):
        with statements() as seen:
            assert client.get(address).status_code == 200
        counts.append(len(seen))

    assert counts[0] == counts[1] <= 18
