"""Two makers can give one serial under one drawing: the part's maker tells them apart."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.layers import put_on
from service.platform.arithmetic.vocabulary import End
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.stacks.queries.layer_maps import layer_map
from service.store.changes.holds import Subject, place_hold
from service.store.changes.parts import PartEntry, add_part, change_part
from service.store.queries.names import part_by_text
from service.store.queries.part_lists import PartFilter, part_facts, parts
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Lab, a_lab
from tests.bench.test_bench_pages import rows
from tests.bench.test_stack_in import TWO_CELLS, TakenOver, lab

__all__ = ["lab"]


def of_maker(at: Lab, maker: str, kind: str = "collector_channelled", **more: Any) -> int:
    type_id = at.rows(lambda s: getattr(builders.the_part_types(s), kind).id)
    part_id: int = at.do(
        add_part, part_type_id=type_id, entry=PartEntry("4711", maker=maker, **more)
    )
    return part_id


@pytest.mark.both_engines
def test_case_20_two_makers_give_one_serial(engine: Engine) -> None:
    at = a_lab(engine)

    first, second = of_maker(at, "Ostrand Films"), of_maker(at, "Belmar")

    with reading(engine) as session:
        assert part_facts(session, first).label == "4711 (Ostrand Films)"
        assert part_facts(session, second).label == "4711 (Belmar)"
        with pytest.raises(Refused, match="drawing number or maker"):
            part_by_text(session, "4711")
        assert part_by_text(session, "4711", maker="belmar") == second
    with Session(engine) as session:
        session.get_one(Part, first).maker_key = "belmar"
        with pytest.raises(IntegrityError):
            session.commit()


def test_case_20_a_maker_left_out_is_that_of_the_lot(engine: Engine) -> None:
    """Said again without one as well, as its field promises."""
    at = a_lab(engine)
    part_id = of_maker(at, "Belmar")
    lot_id = at.rows(
        lambda s: builders.a_lot(s, builders.the_part_types(s).collector_channelled).id
    )

    at.do(change_part, part_id, entry=PartEntry("4711", lot_id=lot_id), reason="box found")

    assert at.get(Part, part_id).maker == "Fellside Seals (invented)"
    assert at.get(Part, part_id).maker_key == "fellside seals (invented)"


@pytest.mark.parametrize(
    ("maker", "why"),
    [("ostrand  films", "already"), ("", "of a known maker")],
)
def test_case_20_the_same_part_is_not_added_twice(engine: Engine, maker: str, why: str) -> None:
    at = a_lab(engine)
    of_maker(at, "Ostrand Films")

    with pytest.raises(Refused, match=why):
        of_maker(at, maker)


def test_case_20_a_part_of_unknown_maker_may_be_any(engine: Engine) -> None:
    at = a_lab(engine)
    of_maker(at, "")

    with pytest.raises(Refused, match="maker is not known"):
        of_maker(at, "Belmar")


def test_case_20_a_part_is_of_the_supplier_of_its_lot(engine: Engine) -> None:
    at = a_lab(engine)

    def a_lot(session: Session) -> int:
        plate = builders.the_part_types(session).collector_channelled
        lot = builders.a_lot(session, plate, label="B-1")
        lot.supplier = "Belmar"
        return lot.id

    part_id = of_maker(at, "", lot_id=at.rows(a_lot))

    assert at.get(Part, part_id).maker == "Belmar"


@pytest.mark.both_engines
def test_case_20_scanned_at_the_bench_it_is_asked_which(engine: Engine) -> None:
    at = a_lab(engine)
    bench = at.begin()
    bench.open()
    bench.lift(count=2)
    first, second = (
        at.rows(
            lambda s, maker=maker: (
                builders.a_part(
                    s, builders.the_part_types(s).collector_channelled, serial="4711", maker=maker
                ).id
            )
        )
        for maker in ("Ostrand Films", "Belmar")
    )

    with pytest.raises(Question) as asked:
        bench.do(put_on, end=End.FREE, scanned="4711")

    assert set(asked.value.answers) == {str(first), str(second)}
    assert "of Belmar" in asked.value.answers[str(second)]
    bench.do(put_on, end=End.FREE, part_id=second)


def test_case_20_in_the_list_of_a_stack_the_maker_chooses(lab: TakenOver) -> None:
    def make(session: Session) -> None:
        mea = builders.the_part_types(session).mea
        lot = builders.a_lot(session, mea, label="LM-1")
        for maker in ("Ostrand Films", "Belmar"):
            builders.a_part(session, mea, serial="M-1", maker=maker, lot=lot)

    with Session(lab.engine) as session:
        make(session)
        session.commit()
    told = {wrong.line: wrong.said for wrong in lab.look(make_missing=True).wrong}
    assert "Its maker, of: Ostrand Films; Belmar." in told[7]

    head, *lines = TWO_CELLS.splitlines()
    listed = "\n".join(
        [f"{head};maker", *(f"{line};{'Belmar' if ';M-1;' in line else ''}" for line in lines)]
    )
    record = lab.write(lab.look(listed, make_missing=True))

    assert record
    with reading(lab.engine) as session:
        labels = {layer.label for layer in layer_map(session, 1).layers}
    assert "M-1 (Belmar)" in labels


def test_case_20_pages_say_the_maker(app: Any, signed_in_client: Callable[..., Any]) -> None:
    def make(session: Session) -> int:
        mea = builders.the_part_types(session).mea
        builders.a_part(session, mea, serial="4711", maker="Belmar")
        return mea.id

    type_id = rows(app, make)
    client = signed_in_client("builder")
    given = {"part_type": type_id, "serial": "4711", "hours_before": "0", "whereabouts": "in store"}
    refused = client.post("/parts/new", data=given)
    assert refused.status_code == 422
    assert "it may be the same" in refused.text

    added = client.post("/parts/new", data={**given, "maker": "Ostrand Films"})

    assert "4711 (Ostrand Films)" in client.get(added.headers["location"]).text
    assert "4711 (Belmar)" in client.get("/parts").text


def test_a_part_without_a_lot_is_not_held_by_the_lot_of_another(engine: Engine) -> None:
    at = a_lab(engine)

    def make(session: Session) -> int:
        mea = builders.the_part_types(session).mea
        held = builders.a_lot(session, mea, label="M-HELD")
        builders.a_part(session, mea, serial="N-HELD", lot=held)
        builders.a_part(session, mea, serial="N-FREE")
        return held.id

    at.do(place_hold, Subject(lot_id=at.rows(make)), reason="pinholes")

    with reading(engine) as session:
        listed = parts(session, PartFilter(begins_with="N-")).rows
    assert [(part.serial, part.held_by_lot) for part in listed] == [
        ("N-FREE", False),
        ("N-HELD", True),
    ]
