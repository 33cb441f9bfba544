"""What may be meant where a serial is not known: in the arithmetic and in the database."""

from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store.arithmetic.near_serials import LONGEST, looks_alike, one_slip_away
from service.store.queries.scans import near, resolve
from tests import builders


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("HM-O134", "hm-0134"),
        ("HM-OI34", "hm-0134"),
        ("hml-0l34", "hmi-0134"),
        ("HM0134", "hm-0134"),
        ("HM 0134", "hm-0134"),
        ("HM_0134", "hm-0134"),
        ("HM-0134", "hm0134"),
        ("HMO134", "hm-0134"),
    ],
)
def test_worn_marks_and_other_hyphens_look_alike(typed: str, meant: str) -> None:
    """0 and O, 1, l and I, hyphens, case."""
    assert meant in looks_alike(typed)


@pytest.mark.parametrize("typed", ["HM-134", "HM-00134", "HM-0135", "HM-0143", "MH-0134"])
def test_one_slip_of_the_hand_is_near(typed: str) -> None:
    """One sign too few, too many, another, or two turned round."""
    assert "hm-0134" in one_slip_away(typed)


def test_nothing_is_near_to_itself_to_a_code_or_to_one_sign() -> None:
    """Too short says nothing, too long is no serial."""
    for text in ("HM-0134", "A", "", "9" * (LONGEST + 1)):
        assert text.casefold() not in looks_alike(text) | one_slip_away(text)
    assert not one_slip_away("A") | looks_alike("9" * (LONGEST + 1))
    assert len(looks_alike("0" * LONGEST)) <= 4000


@pytest.mark.both_engines
def test_what_looks_the_same_comes_before_a_slip(engine: Engine, statements: Any) -> None:
    """Parts and lots, in a constant number of statements."""
    with Session(engine) as session:
        types = builders.the_part_types(session)
        for serial in ("HM-0135", "HM-0I34", "HM-0134", "XX-0134"):
            builders.a_part(session, types.mea, serial=serial)
        builders.a_lot(session, types.gas_gasket, label="HM-01347")
        session.commit()

        resolved = resolve(session, "hmO134")
        with statements() as seen:
            found = near(session, resolved)

    assert {hit.label for hit in found[:2]} == {"HM-0134", "HM-0I34"}
    assert len(seen) == 2
    with Session(engine) as session:
        slips = near(session, resolve(session, "HM-0137"))
    assert {hit.label for hit in slips} == {"HM-0135", "HM-0134", "HM-01347"}


def test_the_scan_page_offers_what_may_be_meant(signed_in_client: Any) -> None:
    """Before it offers to add anything."""
    client = signed_in_client("builder")
    with Session(client.app.state.engine) as session:
        types = builders.the_part_types(session)
        part = builders.a_part(session, types.mea, serial="HM-0134").id
        session.commit()

    page = client.get("/scan?text=HMO134")

    assert page.status_code == 404
    assert page.text.index(f'href="/parts/{part}"') < page.text.index('href="/parts/new?serial=')
