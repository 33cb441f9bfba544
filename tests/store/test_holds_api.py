"""Holds and concessions by machine: the same rules as on the pages."""

from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.store.tables import Part
from tests import builders

pytestmark = pytest.mark.both_engines


def rows(app: Any, make: Any) -> Any:
    with Session(app.state.engine) as session:
        made = make(session)
        session.commit()
        return made


def test_a_part_type_is_held_listed_and_lifted(app: Any, calling: Any) -> None:
    def make(session: Session) -> tuple[int, int]:
        mea = builders.the_part_types(session).mea
        return mea.id, builders.a_part(session, mea, serial="M-1").id

    type_id, part_id = rows(app, make)
    asked = {"on": "part type", "id": type_id, "reason": "ink too thin"}

    placed = calling("builder").post("/api/v1/holds", json=asked)

    assert placed.status_code == 201, placed.text
    listed = calling("builder").get("/api/v1/holds").json()["rows"]
    assert [(row["subject"]["kind"], row["reason"]) for row in listed] == [
        ("part type", "ink too thin")
    ]
    number = placed.json()["id"]
    why = {"reason": "the balance was wrong"}
    refused = calling("builder").post(f"/api/v1/holds/{number}/lifting", json=why)
    assert refused.status_code == 403
    lifted = calling("quality").post(f"/api/v1/holds/{number}/lifting", json=why)
    assert lifted.status_code == 201
    assert calling("quality").get("/api/v1/holds").json()["rows"] == []
    told = calling("quality").get(f"/api/v1/holds/{number}").json()
    assert told["lift_reason"] == "the balance was wrong"
    assert rows(app, lambda s: s.get_one(Part, part_id).usability) == "accepted"


def test_a_concession_needs_somebody_who_may_give_it(app: Any, calling: Any) -> None:
    design_id = rows(app, lambda s: builders.a_design(s).id)
    asked = {"on": "design", "id": design_id, "reason": "for one build"}

    assert calling("builder").post("/api/v1/concessions", json=asked).status_code == 403
    assert calling("supervisor").post("/api/v1/concessions", json=asked).status_code == 201


def test_what_is_not_there_cannot_be_held(calling: Any) -> None:
    asked = {"on": "lot", "id": 999, "reason": "wet"}

    assert calling("builder").post("/api/v1/holds", json=asked).status_code == 404


def test_a_hold_is_lifted_to_accepted_used_with_basis_and_limit(app: Any, calling: Any) -> None:
    part_id = rows(app, lambda s: builders.a_part(s, builders.the_part_types(s).mea).id)
    asked = {"on": "part", "id": part_id, "reason": "thin?"}
    number = calling("quality").post("/api/v1/holds", json=asked).json()["id"]
    lifting = {"reason": "measured", "judged": "accepted used"}
    address = f"/api/v1/holds/{number}/lifting"

    bare = calling("quality").post(address, json=lifting)
    boundless = calling("quality").post(address, json=lifting | {"basis": "papers"})
    whole = {"basis": "measurement", "thickness_mm": 0.41, "until_hours_h": 900}
    lifted = calling("quality").post(address, json=lifting | whole)

    assert (bare.status_code, boundless.status_code) == (422, 422)
    assert "no limit is said" in boundless.text
    assert lifted.status_code == 201, lifted.text


def test_lots_are_made_of_lots_by_machine(app: Any, calling: Any) -> None:
    def make(session: Session) -> tuple[int, int]:
        mea = builders.the_part_types(session).mea
        return builders.a_lot(session, mea, label="Q-3").id, builders.a_material(session, "R-7").id

    delivery, roll = rows(app, make)
    asked = {"lot": roll, "role": "membrane", "since": "2026-02-03T12:00:00Z"}

    added = calling("builder").post(f"/api/v1/lots/{delivery}/inputs", json=asked)
    circle = calling("builder").post(f"/api/v1/lots/{roll}/inputs", json=asked | {"lot": delivery})

    assert added.status_code == 201, added.text
    assert circle.status_code == 422
    tree = calling("builder").get(f"/api/v1/lots/{delivery}/genealogy").json()
    assert [(of["label"], of["role"], of["made_of"]) for of in tree["made_of"]] == [
        ("R-7", "membrane", [])
    ]
    made = calling("builder").get(f"/api/v1/lots/{roll}/genealogy").json()["made"]
    assert [(of["label"], of["level"]) for of in made] == [("Q-3", 1)]
    address = f"/api/v1/lots/{delivery}/inputs/{added.json()['id']}/take-back"
    gone = calling("builder").post(address, json={"reason": "another roll"})
    assert gone.status_code == 201, gone.text
    assert calling("builder").get(f"/api/v1/lots/{delivery}/genealogy").json()["made_of"] == []
