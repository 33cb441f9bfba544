"""The page of a lot: what it is made of, typed, shown as a tree and taken back."""

import re
from collections.abc import Callable
from typing import Any

from sqlalchemy.orm import Session

from tests import builders

Clients = Callable[..., Any]


def words(html: str) -> str:
    """The page as it reads, without marks."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_a_lot_page_takes_what_it_is_made_of_and_shows_it(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("quality")
    new_type = {
        "kind": "material",
        "name": "membrane roll",
        "drawing_number": "MT-1",
        "revision": "A",
        "material": "membrane",
        "counted": "yes",
        "back": "none",
    }
    made_type = client.post("/part-types/new", data=new_type)
    assert made_type.status_code == 303, words(made_type.text)
    with Session(app.state.engine) as session:
        mea = builders.the_part_types(session).mea
        delivery = builders.a_lot(session, mea, label="Q-3")
        part = builders.a_part(session, mea, lot=delivery)
        roll = builders.a_material(session, "R-7")
        at, roll_id, part_id = f"/lots/{delivery.id}", roll.id, part.id
        session.commit()
    put = {"input": str(roll_id), "role": "membrane", "since": "2026-02-03"}

    wrong = client.post(f"{at}/inputs", data=put | {"since": "yesterday"})
    assert wrong.status_code == 422
    assert 'value="yesterday"' in wrong.text
    assert client.post(f"{at}/inputs", data=put).status_code == 303

    assert "membrane R-7 , type of R-7" in words(client.get(at).text)
    assert "from 2026-02-03 on" in words(client.get(f"/parts/{part_id}").text)
    assert "from 2026-02-03 on" in words(client.get(f"/parts/{part_id}/trace").text)
    assert "R-7" in client.get(f"/parts/{part_id}/containment").text
    used = words(client.get(f"/lots/{roll_id}").text)
    assert "What was made of it" in used
    hold = client.post(f"/holds/new?lot={roll_id}", data={"reason": "thin spots"})
    assert hold.status_code == 303
    assert "thin spots" in client.get(f"/parts/{part_id}").text
    assert "on hold" in words(client.get(at).text)
