"""The page of life by group: shares with numbers at risk, the comparison, who is left out."""

import re
from collections.abc import Callable
from html import unescape
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Whereabouts
from tests import builders
from tests.builders import FIRST_CLOSING
from tests.found_by_index import read_whole
from tests.life.living import DAY, Living, a_failing_mark, a_living_lab
from tests.platform.svg import parsed, words

Clients = Callable[..., Any]


@pytest.fixture
def lab(app: Any) -> Living:
    with Session(app.state.engine, expire_on_commit=False) as session:
        made = a_living_lab(session)
        session.commit()
        return made


def text(html: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def drawing(html: str) -> str:
    found = re.search(r"<svg[^>]*chart.*?</svg>", html, re.DOTALL)
    assert found
    return found[0]


def test_lots_stand_side_by_side_with_numbers_at_risk(
    signed_in_client: Clients, lab: Living
) -> None:
    html = signed_in_client("quality").get("/life").text

    said = text(html)
    assert (
        "8 MEAs fitted at least once, 1 failure, 1 watched from later than 0 h, 1 left out" in said
    )
    assert "1 never fitted" in said
    assert f'href="/lots/{lab.lots[0].id}"' in html
    assert "B2 : it cannot be found." in said
    shown = words(parsed(drawing(html)))
    assert {"M-A", "M-B", "no lot named", "number at risk", "own hours at load in h"} <= set(shown)
    assert shown.count("5") >= 1


def test_the_comparison_is_told_as_an_association(
    signed_in_client: Clients, app: Any, lab: Living
) -> None:
    """The lot that came late was never watched at the hours at which others failed."""
    client = signed_in_client("quality")
    assert "No two groups were watched at the same hours" in text(client.get("/life").text)
    with Session(app.state.engine) as session:
        a_failing_mark(session, session.merge(lab.meas["C1"]), FIRST_CLOSING + 60 * DAY)
        session.commit()

    said = text(client.get("/life").text)

    assert "Log-rank test of 2 groups, 6 lives and 2 failures: χ²" in said
    assert "Too few failures for a firm answer" in said
    assert "rare" not in said
    assert "cause" not in said


@pytest.mark.parametrize(
    ("asked", "seen"),
    [
        ("by=design", ["Tarn 1 A", "Tarn 2 A"]),
        ("by=supplier", ["Beckfoot Membranes (invented)", "no supplier named"]),
        ("by=part+type&level=0.99", ["mea TEL-001 A", "with 99 % intervals"]),
        ("by=lot&show=M-B", ["1 of 3 groups are drawn"]),
        ("laws=yes", ["A law is fitted from 5 failures on."]),
    ],
)
def test_other_choices_are_kept_in_the_form(
    signed_in_client: Clients, lab: Living, asked: str, seen: list[str]
) -> None:
    answer = signed_in_client("builder").get(f"/life?{asked}")

    assert answer.status_code == 200
    for one in seen:
        assert one.replace("\u2009", " ") in text(answer.text)
    name, value = asked.partition("&")[0].split("=")
    if name == "by":
        assert f'<option value="{value.replace("+", " ")}" selected>' in answer.text


@pytest.mark.parametrize(
    ("asked", "field"),
    [("by=colour", "by"), ("level=2", "level"), ("part_type=999", "part_type"),
     ("design=x", "design")],
)  # fmt: skip
def test_a_choice_that_is_none_is_refused_in_place(
    signed_in_client: Clients, lab: Living, asked: str, field: str
) -> None:
    answer = signed_in_client("builder").get(f"/life?{asked}")

    assert answer.status_code == 422
    assert f'id="wrong-{field}"' in answer.text


def test_a_failure_at_unknown_hours_is_told_plainly(
    signed_in_client: Clients, app: Any, lab: Living
) -> None:
    with Session(app.state.engine) as session:
        part = session.merge(lab.meas["B2"])
        a_failing_mark(session, part, FIRST_CLOSING + 2 * DAY)
        session.commit()

    said = text(signed_in_client("quality").get("/life").text)

    assert "1 of them failed at hours nobody knows: the shares above are rather too high" in said


def test_a_fitted_law_is_told_with_its_intervals(signed_in_client: Clients, app: Any) -> None:
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-W")
        for number in range(7):
            stack = builders.a_stack(session, serial=f"TARN-W{number}")
            mea = builders.a_part(session, types.mea, lot=lot)
            builders.a_build(session, stack, laid=builders.a_pile(session, stack, 1, meas=[mea]))
            builders.an_hour_reading(session, stack, 300.0 + 100 * number, FIRST_CLOSING + 50 * DAY)
            if number < 6:
                a_failing_mark(session, mea, FIRST_CLOSING + 50 * DAY)
        session.commit()

    html = signed_in_client("quality").get("/life?laws=yes").text

    said = text(html)
    assert "from 6 failures" in said
    assert "failures come more often with age" in said
    assert "Broken lines over them: Weibull laws" in said
    assert drawing(html).count('stroke-dasharray="4,4"') == 1


def test_without_a_life_the_page_says_how_one_begins(signed_in_client: Clients) -> None:
    assert "No MEA has been fitted yet" in text(signed_in_client("builder").get("/life").text)


def test_nobody_sees_it_unsigned(client: Any) -> None:
    assert client.get("/life").status_code == 303


def test_what_it_asks_does_not_grow_and_reads_no_growing_table_whole(
    signed_in_client: Clients, app: Any, lab: Living, statements: Callable[[], Any]
) -> None:
    client = signed_in_client("builder")
    client.get("/life")
    with statements() as few:
        client.get("/life")
    with Session(app.state.engine) as session:
        for _ in range(4):
            builders.a_build(session, builders.a_stack(session, cells=2), hours=90.0)
        part = session.merge(lab.meas["A4"])
        part.whereabouts, part.stack_id = Whereabouts.LIFTED_OFF, None
        session.commit()
    with statements() as many:
        client.get("/life")

    assert len(many) == len(few)
    assert read_whole(app.state.engine, many) == []


def test_lot_part_type_and_design_lead_to_it(signed_in_client: Clients, lab: Living) -> None:
    client, lot = signed_in_client("builder"), lab.lots[0]

    for page, leads_to in (
        (f"/lots/{lot.id}", f"/life?by=lot&part_type={lot.part_type_id}"),
        (f"/part-types/{lot.part_type_id}", f"/life?by=lot&part_type={lot.part_type_id}"),
        (f"/designs/{lab.first.design_id}", f"/life?by=lot&design={lab.first.design_id}"),
    ):
        assert f'href="{leads_to}"' in unescape(client.get(page).text)
        assert client.get(leads_to).status_code == 200
