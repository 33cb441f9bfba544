"""What failing MEAs share, on the trace and on its own; what else is exposed, held at once."""

import re
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.store.tables import Hold, Lot, Part
from tests import builders
from tests.life.suspecting import FailingLab, failing_lab
from tests.stacks.test_stacks_pages import Clients, words


@pytest.fixture
def lab(app: Any) -> FailingLab:
    """Four stacks with four failing MEAs, kept by an older version: nothing is gathered yet."""
    with Session(app.state.engine, expire_on_commit=False) as session:
        made = failing_lab(session)
        session.commit()
        return made


def test_the_trace_of_a_failing_mea_compares_it(signed_in_client: Clients, lab: FailingLab) -> None:
    """Beside the history: population, few data, the grid, factors, and that none is a cause."""
    html = signed_in_client("quality").get(f"/parts/{lab.meas[0][0].id}/trace").text
    page = words(html)

    assert "1. Stack TEL-1 , build 1" in page
    compared = page.partition("What failing MEAs share")[2]
    assert "4 failing of 24 MEAs" in compared
    assert "Few data: 4 failing MEAs." in compared
    grid, _, factors = compared.partition("Factor by factor")
    assert "A-1" in grid
    assert "4 of 12" in factors
    assert "(this MEA’s)" in factors
    assert "nobody is named or ranked" in factors
    assert "what goes together with failing, not what brings it about" in factors
    assert "caused" not in compared


def test_no_name_of_a_person_stands_in_the_comparison(
    signed_in_client: Clients, lab: FailingLab
) -> None:
    """But for who confirmed it."""
    client = signed_in_client("quality")

    page = words(client.get(f"/parts/{lab.meas[0][0].id}/suspects").text)

    table = page.partition("Factor by factor")[2]
    assert "The builder" not in table
    assert not re.search(r"Person \d", table)


def test_of_an_mea_not_failing_the_comparison_is_offered(
    signed_in_client: Clients, lab: FailingLab
) -> None:
    client = signed_in_client("builder")
    at = f"/parts/{lab.meas[0][1].id}"

    shown = words(client.get(f"{at}/trace").text)
    asked = words(client.get(f"{at}/suspects?compare=yes").text)

    assert "Nobody has said that this MEA failed" in shown
    assert "What was exposed as it was" in shown
    assert "4 failing of 24 MEAs" in asked


def test_where_nothing_fails_there_is_nothing_to_compare(
    signed_in_client: Clients, app: Any
) -> None:
    with Session(app.state.engine, expire_on_commit=False) as session:
        lab = failing_lab(session, failing=())
        session.commit()

    at = f"/parts/{lab.meas[0][0].id}/suspects?compare=yes"
    page = words(signed_in_client("quality").get(at).text)

    assert "No MEA of this design failed" in page
    assert "Factor by factor" not in page


def test_parts_that_cannot_be_compared_say_why(signed_in_client: Clients, app: Any) -> None:
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        plate = builders.a_part(session, types.fuel_plate).id
        mea = builders.a_part(session, types.mea).id
        session.commit()
    client = signed_in_client("builder")

    assert "Only MEAs are compared" in client.get(f"/parts/{plate}/suspects").text
    assert "It sat in no build yet" in client.get(f"/parts/{mea}/suspects").text
    assert client.get("/parts/99999/suspects").status_code == 404
    assert client.get("/parts/99999/containment").status_code == 404


def test_as_known_then_nothing_is_compared(signed_in_client: Clients, lab: FailingLab) -> None:
    at = f"/parts/{lab.meas[0][0].id}/trace?known_at=2026-02-10+12:00"

    page = words(signed_in_client("quality").get(at).text)

    assert "Comparisons are made of what is known now." in page


def test_all_of_it_is_held_by_one_press(
    signed_in_client: Clients, app: Any, lab: FailingLab
) -> None:
    """From the trace itself; who looks next finds nothing left to hold."""
    client = signed_in_client("quality")
    at = f"/parts/{lab.meas[0][0].id}"
    trace = client.get(f"{at}/trace").text
    every = re.findall(r'name="every" value="([^"]+)"', trace)

    answer = client.post(
        f"{at}/containment", data={"reason": "pinholes", "every": every, "all": "yes"}
    )

    assert (answer.status_code, answer.headers["location"]) == (303, f"{at}/containment")
    after = words(client.get(f"{at}/containment").text)
    assert "All of it is on hold or gone." in after
    assert "on hold : pinholes" in after
    with Session(app.state.engine) as session:
        assert session.scalar(select(func.count()).select_from(Hold)) == len(every)
        held = session.scalars(select(Hold.lot_id).where(Hold.lot_id.is_not(None))).all()
        assert lab.lots[0].id in held
    trail = words(client.get("/audit-trail").text)
    assert "placed holds on what is exposed with MEA-101" in trail


def test_only_what_is_chosen_is_held(signed_in_client: Clients, app: Any, lab: FailingLab) -> None:
    client = signed_in_client("builder")
    at = f"/parts/{lab.meas[0][0].id}/containment"
    every = re.findall(r'name="every" value="([^"]+)"', client.get(at).text)
    part, lot = f"part-{lab.meas[0][1].id}", f"lot-{lab.lots[0].id}"

    answer = client.post(at, data={"reason": "pinholes", "every": every, "chosen": [part, lot]})

    assert answer.status_code == 303
    with Session(app.state.engine) as session:
        rows = session.execute(select(Hold.part_id, Hold.lot_id).order_by(Hold.id)).all()
        assert [tuple(row) for row in rows] == [
            (lab.meas[0][1].id, None), (None, lab.lots[0].id)
        ]  # fmt: skip


def test_without_reason_or_choice_nothing_is_lost(
    signed_in_client: Clients, app: Any, lab: FailingLab
) -> None:
    client = signed_in_client("quality")
    at = f"/parts/{lab.meas[0][0].id}/containment"
    part = f"part-{lab.meas[0][1].id}"

    no_reason = client.post(at, data={"reason": "", "chosen": part})
    no_choice = client.post(at, data={"reason": "pinholes"})
    nonsense = client.post(at, data={"reason": "pinholes", "chosen": "stack-1"})

    assert no_reason.status_code == 422
    assert f'value="{part}" aria-label="Choose mea MEA-102" checked' in no_reason.text
    assert no_choice.status_code == 422
    assert "Nothing is chosen" in no_choice.text
    assert ">\npinholes</textarea>" in no_choice.text
    assert nonsense.status_code == 422
    with Session(app.state.engine) as session:
        assert session.scalar(select(func.count()).select_from(Hold)) == 0


def test_who_may_not_hold_sees_no_form(signed_in_client: Clients, lab: FailingLab) -> None:
    client = signed_in_client("admin")
    at = f"/parts/{lab.meas[0][0].id}/containment"

    assert 'name="chosen"' not in client.get(at).text
    assert client.post(at, data={"reason": "x", "chosen": "part-1"}).status_code == 403


def test_a_lot_with_a_long_name_stays_text(signed_in_client: Clients, app: Any) -> None:
    """What people type is never taken for marks of the page."""
    with Session(app.state.engine, expire_on_commit=False) as session:
        lab = failing_lab(session)
        lot = session.get_one(Lot, lab.lots[0].id)
        lot.label = "<b>A</b>"
        session.get_one(Part, lab.meas[0][0].id)
        session.commit()

    page = signed_in_client("quality").get(f"/parts/{lab.meas[0][0].id}/trace").text

    assert "<b>A</b>" not in page
    assert "&lt;b&gt;A&lt;/b&gt;" in page
