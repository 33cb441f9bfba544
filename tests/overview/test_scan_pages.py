"""The scan field: a serial or code opens what it is."""

from typing import Any
from urllib.parse import quote

import pytest
from sqlalchemy.orm import Session

from tests import builders
from tests.stacks.test_stacks_pages import Clients, words


@pytest.fixture
def lab(app: Any) -> dict[str, int]:
    """Parts of one serial in two types, one of them in a lot; a stack, an instrument, a record."""
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-4")
        ids = {
            "mea": builders.a_part(session, types.mea, serial="A-0017", lot=lot).id,
            "plate": builders.a_part(session, types.fuel_plate, serial="a-0017").id,
            "code": builders.a_part(session, types.mea, serial="(21)N-7").id,
            "item": builders.a_part(
                session,
                types.gas_gasket,
                lot=builders.a_lot(session, types.gas_gasket, label="S-31"),
            ).id,
            "alone": builders.a_part(session, types.mea, serial="B-1").id,
            "tool": builders.a_torque_instrument(session, label="TD-7").id,
            "lot": lot.id,
        }
        stack = builders.a_stack(session, serial="TEL 4/B", cells=1)
        ids["stack"] = stack.id
        session.commit()
        return ids


@pytest.mark.parametrize(
    ("text", "opens"),
    [
        ("b-1", "/parts/{alone}"),
        (" B-1 ", "/parts/{alone}"),
        ("(21)A-0017(10)M-4", "/parts/{mea}"),
        ("]d201095060001343521A-0017\x1d10M-4", None),
        ("(21)N-7", "/parts/{code}"),
        ("s-31 item 1", "/parts/{item}"),
        ("tel 4/b", "/stacks/TEL%204%2FB"),
        ("TD-7", "/instruments/{tool}"),
        ("M-4", "/lots/{lot}"),
        ("record 1", "/records/1"),
    ],
)
def test_one_hit_opens_what_it_is(
    signed_in_client: Clients, lab: dict[str, int], text: str, opens: str | None
) -> None:
    """Typed or scanned, plain or GS1."""
    answer = signed_in_client("builder").get(f"/scan?text={quote(text)}")

    if opens:
        assert (answer.status_code, answer.headers["location"]) == (303, opens.format(**lab))
    else:
        assert answer.status_code in (303, 404)


def test_several_hits_are_offered_as_a_choice(
    signed_in_client: Clients, lab: dict[str, int]
) -> None:
    """Serial numbers are unique within a part type only."""
    answer = signed_in_client("builder").get("/scan?text=A-0017")

    assert answer.status_code == 200
    assert "Several things go by A-0017" in words(answer.text)
    assert f'href="/parts/{lab["mea"]}"' in answer.text
    assert f'href="/parts/{lab["plate"]}"' in answer.text


def test_no_hit_says_so_and_offers_what_to_do(signed_in_client: Clients) -> None:
    """What came is shown as text, whatever it is."""
    client = signed_in_client("builder")

    answer = client.get("/scan?text=" + quote('<script>alert("x")</script>\x1d7'))

    assert answer.status_code == 404
    assert "<script>alert" not in answer.text
    assert "&lt;script&gt;alert" in answer.text
    assert "⟨1D⟩" in answer.text
    plain = client.get("/scan?text=NEW-9").text
    assert "/parts/new?serial=NEW-9" in plain
    assert "/stacks/new?serial=NEW-9" in plain
    assert "Put the part aside" in plain


def test_a_malformed_code_tells_what_is_wrong(signed_in_client: Clients) -> None:
    """A wrong check digit is named."""
    answer = signed_in_client("builder").get("/scan?text=" + quote("(01)09506000134353(21)X"))

    assert answer.status_code == 404
    assert "check digit" in answer.text


def test_nothing_scanned_asks_for_something(signed_in_client: Clients) -> None:
    """The field is in the head of every page."""
    client = signed_in_client("builder")

    assert "Scan or type a serial number" in client.get("/scan").text
    assert client.get("/scan?text=" + "9" * 5000).status_code == 404
    assert client.get("/scan?text=" + "9" * 15).status_code == 404
