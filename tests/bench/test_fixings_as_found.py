"""Rods, nuts and plates of a stack taken over: asked for, and entered as found in one go."""

from typing import Any

import pytest
from sqlalchemy import Engine, delete
from sqlalchemy.orm import Session

from service.operation.migrating import triggers
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Kind, Usability, Whereabouts
from service.platform.errors import NotAllowed, Refused
from service.records.changes.bench_fixings import FoundState, fit_as_found, remove_fixings
from service.stacks.tables import Fixing
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known, what_is_missing
from tests.bench.test_entries_api import Calling


def taken_over(engine: Engine) -> Bench:
    """An open record of a stack whose fixings nobody knows."""
    lab = a_lab(engine)
    with engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(delete(Fixing))
        triggers().lay(connection)
    record = lab.begin()
    record.open()
    return record


@pytest.fixture
def bench(engine: Engine) -> Bench:
    return taken_over(engine)


def type_of(lab: Lab, name: str) -> int:
    number: int = lab.rows(lambda s: getattr(builders.the_part_types(s), name).id)
    return number


def fixings(bench: Bench, kind: Kind) -> list[Any]:
    return [fixing for fixing in bench.pile.fixings if fixing.kind is kind]


@pytest.mark.both_engines
def test_what_sat_at_every_rod_is_entered_in_one_go(bench: Bench) -> None:
    rods = 4

    bench.do(fit_as_found, part_type_id=type_of(bench.lab, "tie_rod"), length_mm=160.0)
    bench.do(fit_as_found, part_type_id=type_of(bench.lab, "nut"), each=2)
    bench.do(fit_as_found, part_type_id=type_of(bench.lab, "compression_plate"))

    assert [rod.rod_number for rod in fixings(bench, Kind.TIE_ROD)] == list(range(1, rods + 1))
    assert len(fixings(bench, Kind.NUT)) == 2 * rods
    assert [plate.end for plate in fixings(bench, Kind.COMPRESSION_PLATE)] == list(End)
    rod = bench.lab.get(Part, fixings(bench, Kind.TIE_ROD)[0].part)
    assert (rod.serial, rod.notes) == (
        "TARN-001, rod 1",
        "As found in TARN-001, 160 mm long.",
    )
    assert rod.usability is Usability.NOT_INSPECTED
    assert rod.whereabouts is Whereabouts.FITTED
    with Session(bench.lab.engine) as session:
        missing = " ".join(str(each) for each in what_is_missing(session, bench.number))
    assert "No tie rod" not in missing
    assert "No nut" not in missing
    assert "No compression plate" not in missing
    assert "2 × compression plate: not inspected" in missing


def test_who_judges_parts_says_that_they_may_be_used_again(bench: Bench) -> None:
    judge = bench.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY, Role.BUILDER)))
    nuts = type_of(bench.lab, "nut")
    good = FoundState.GOOD

    with pytest.raises(NotAllowed):
        bench.do(fit_as_found, part_type_id=nuts, state=good)
    bench.do(fit_as_found, part_type_id=nuts, state=good, by=judge)

    part = bench.lab.get(Part, fixings(bench, Kind.NUT)[0].part)
    assert part.usability is Usability.ACCEPTED_USED


def test_only_where_none_is_entered(bench: Bench) -> None:
    part_type_id = type_of(bench.lab, "tie_rod")
    bench.do(fit_as_found, part_type_id=part_type_id)
    first = fixings(bench, Kind.TIE_ROD)[0]

    with pytest.raises(Refused, match="no tie rod is missing"):
        bench.do(fit_as_found, part_type_id=part_type_id)
    bench.do(remove_fixings, part_ids=[first.part])
    with pytest.raises(Refused, match="no tie rod is missing"):
        bench.do(fit_as_found, part_type_id=part_type_id)


@pytest.mark.parametrize(
    ("name", "given", "said"),
    [
        ("mea", {}, "no type of a fixing"),
        ("tie_rod", {"each": 2}, "no number of tie rods"),
        ("nut", {"length_mm": 160.0}, "the length is of a tie rod"),
    ],
)
def test_what_cannot_be_is_refused(
    bench: Bench, name: str, given: dict[str, Any], said: str
) -> None:
    with pytest.raises(Refused, match=said):
        bench.do(fit_as_found, part_type_id=type_of(bench.lab, name), **given)


def test_the_bench_asks_for_it_and_a_machine_enters_it(
    app: Any, calling: Calling, signed_in_client: Any
) -> None:
    record = taken_over(app.state.engine)
    at = f"/records/{record.number}"
    client = signed_in_client("builder")

    asks = client.get(f"{at}/bench?at=fixings")
    form = client.get(f"{at}/bench?at=fixings-as-found")
    made = calling("builder").post(
        f"/api/v1{at}/entries/fit-as-found",
        json={
            "part_type_id": type_of(record.lab, "tie_rod"),
            "length_mm": 160,
            "done_at": record.lab.now.isoformat(),
        },
    )

    assert "not all entered yet: tie rod, sleeve, nut, compression plate" in asks.text
    assert "fixings-as-found" in asks.text
    assert 'name="part_type_id"' in form.text
    assert made.status_code == 201, made.text
    left = client.get(f"{at}/bench?at=fixings").text
    assert "not all entered yet: sleeve, nut, compression plate" in left


def test_it_is_entered_by_the_form(app: Any, signed_in_client: Any) -> None:
    record = taken_over(app.state.engine)
    at = f"/records/{record.number}"
    client = signed_in_client("builder")
    sent = {"part_type_id": str(type_of(record.lab, "nut")), "each": "2", "state": "not inspected"}

    empty = client.post(f"{at}/fit-as-found", data={"version": str(record.record.version)})
    answer = client.post(f"{at}/fit-as-found", data=sent | {"version": str(record.record.version)})

    assert empty.status_code == 422
    assert answer.status_code in {200, 303}
    with Session(app.state.engine) as session:
        assert session.get(Part, fixings(record, Kind.NUT)[0].part) is not None
