"""A code nothing goes by, at the bench: what is near first, then the way to add it there."""

import html
import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.tables import AuditEntry
from service.records.tables import Step, StepKind
from service.store.tables import Lot, Part
from tests import builders
from tests.bench.test_bench_pages import HTMX, AtTheBench, rows


@pytest.fixture
def at_bench(app: Any, signed_in_client: Callable[..., Any]) -> Callable[..., AtTheBench]:
    """The first record of a stack nobody has built, with a pattern or without."""

    def begin(*, guided: bool = True, role: str = "builder") -> AtTheBench:
        def make(session: Session) -> None:
            builders.the_part_types(session)
            pattern = builders.the_pattern(session) if guided else None
            design = builders.a_design(session, pattern=pattern)
            builders.a_stack(session, serial="TARN-001", design=design)

        rows(app, make)
        client = signed_in_client(role)
        about = {"stack": "TARN-001", "kind": "first build", "reason": "the first"}
        begun = {**about, "performed_from": "2026-03-01T08:00", "worked": client.person_id}
        answer = client.post("/records/new", data=begun)
        assert answer.status_code == 303, answer.text
        return AtTheBench(app, client, int(answer.headers["location"].split("/")[2]))

    return begin


def types(app: Any) -> builders.PartTypes:
    """The part types of the lab."""
    return rows(app, builders.the_part_types)


def offered(page: str) -> dict[str, str]:
    """The fields of the form that adds what was scanned, as the page begins them."""
    form = re.search(r'<form[^>]*id="new-part".*?</form>', page, re.DOTALL)
    assert form is not None
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form[0]))
    chosen = re.search(r'<option value="(\d*)" selected', form[0])
    return {k: html.unescape(v) for k, v in hidden.items()} | {
        "part_type": chosen[1] if chosen else ""
    }


def test_what_comes_next_is_added_by_one_press_and_put_on_by_another(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """The pattern says what it is; the code stays in the field."""
    bench = at_bench(role="quality")
    refused = bench.post("put-on", scanned="IP-77")
    begun = offered(refused.text)
    assert begun["part_type"] == str(types(app).insulator_plate.id)

    added = bench.client.post(f"/records/{bench.number}/new-part", data=begun | {"accepted": "yes"})
    page = bench.client.get(added.headers["location"]).text
    assert "IP-77</span> is known now" in page
    assert 'value="IP-77"' in page
    bench.enter("put-on", scanned="IP-77")

    with Session(app.state.engine) as session:
        part = session.scalars(select(Part).where(Part.serial == "IP-77")).one()
        step = session.scalars(select(Step).where(Step.kind == StepKind.PUT_ON)).one()
        acts = session.scalars(select(AuditEntry.act).where(AuditEntry.subject_id == part.id)).all()
    assert step.part_id == part.id
    assert (part.usability, part.part_type_id) == ("accepted", int(begun["part_type"]))
    assert "part:added" in acts


def test_a_builder_is_told_who_can_accept_what_they_added(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """They may add it and not judge it, by no road."""
    rows(app, lambda s: builders.a_person(s, "quality", name="Qi Quality"))
    bench = at_bench()

    refused = bench.post("put-on", scanned="IP-77").text
    by_force = offered(refused) | {"accepted": "yes"}

    assert "To accept it for use, ask Qi Quality." in refused
    assert 'name="accepted"' not in refused
    assert bench.client.post(f"/records/{bench.number}/new-part", data=by_force).status_code == 403
    added = bench.client.post(f"/records/{bench.number}/new-part", data=offered(refused))
    assert added.status_code == 303
    assert "It has not been inspected" in bench.post("put-on", scanned="IP-77").text


def test_what_is_near_is_offered_before_anything_is_added(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """A worn O instead of a 0; one press puts the part on that is known."""
    bench = at_bench()
    known = rows(app, lambda s: builders.a_part(s, types(app).insulator_plate, serial="IP-0107"))

    page = bench.post("put-on", scanned="ipO1O7").text

    button = f'name="part_id" value="{known.id}"'
    assert button in page
    assert page.index(button) < page.index('id="new-part"')
    bench.enter("put-on", scanned="ipO1O7", part_id=known.id)
    with Session(app.state.engine) as session:
        step = session.scalars(select(Step).where(Step.kind == StepKind.PUT_ON)).one()
    assert (step.part_id, step.scanned) == (known.id, "ipO1O7")


def test_the_lot_in_the_code_says_type_and_lot(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """Whatever comes next; the part is of that lot afterwards."""
    bench = at_bench()
    mea = types(app).mea
    lot = rows(app, lambda s: builders.a_lot(s, mea, label="M-4"))

    begun = offered(bench.post("put-on", scanned="(21)HM-9(10)M-4").text)
    assert (begun["serial"], begun["lot"], begun["part_type"]) == ("HM-9", "M-4", str(mea.id))
    bench.client.post(f"/records/{bench.number}/new-part", data=begun)

    with Session(app.state.engine) as session:
        part = session.scalars(select(Part).where(Part.serial == "HM-9")).one()
    assert part.lot_id == lot.id


def test_a_lot_in_the_code_that_is_not_known_stands_in_the_notes(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """The page said it; adding the part does not lose it."""
    bench = at_bench()

    begun = offered(bench.post("put-on", scanned="(21)IP-9(10)W-6").text)
    assert begun["lot"] == "W-6"
    bench.client.post(f"/records/{bench.number}/new-part", data=begun)

    with Session(app.state.engine) as session:
        part = session.scalars(select(Part).where(Part.serial == "IP-9")).one()
    assert (part.lot_id, part.notes) == (None, "Its code names lot W-6, which is not known here.")


def test_counted_items_are_added_as_a_lot(app: Any, at_bench: Callable[..., AtTheBench]) -> None:
    """With how many came; one with a serial has no quantity."""
    bench = at_bench()
    nut = types(app).nut
    begun = offered(bench.post("fit-fixing", scanned="N-12", place="1").text)

    wrong = bench.client.post(
        f"/records/{bench.number}/new-part",
        data=begun | {"part_type": types(app).tie_rod.id, "quantity": "8"},
    )
    right = bench.client.post(
        f"/records/{bench.number}/new-part", data=begun | {"part_type": nut.id, "quantity": "40"}
    )

    assert wrong.status_code == 422
    assert "is one part with a serial number" in wrong.text
    assert right.status_code == 303
    assert "at=fixings" in right.headers["location"]
    with Session(app.state.engine) as session:
        lot = session.scalars(select(Lot).where(Lot.label == "N-12")).one()
    assert (lot.part_type_id, lot.quantity) == (nut.id, 40)


def test_no_type_chosen_is_answered_and_nothing_typed_is_lost(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    """Without a pattern nobody can guess, so one has to be chosen; for htmx the bench alone."""
    bench = at_bench(guided=False)
    begun = offered(bench.post("put-on", scanned="X-1").text)
    assert begun["part_type"] == ""

    for headers in ({}, HTMX):
        answer = bench.client.post(f"/records/{bench.number}/new-part", data=begun, headers=headers)
        assert answer.status_code == 422
        assert offered(answer.text) == begun


def test_a_design_without_pattern_says_that_nothing_forgotten_is_found(
    at_bench: Callable[..., AtTheBench],
) -> None:
    """And who can keep one."""
    bench = at_bench(guided=False)

    page = bench.page(at="putting-on")

    assert "nothing that is forgotten or turned will be found here" in page
    assert "it needs the role quality or supervisor" in page


def test_with_a_pattern_nothing_of_that_is_said(at_bench: Callable[..., AtTheBench]) -> None:
    """It is checked."""
    assert "will be found here" not in at_bench().page(at="putting-on")


def test_a_code_misread_at_lift_off_says_what_is_near_and_one_press_confirms_it(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    """What lies further in is near too, and is shown to lie there."""
    rows(app, lambda s: builders.a_stack(s, cells=1, serial="TARN-002", meter_hours=100.0))
    client = signed_in_client("builder")
    about = {"stack": "TARN-002", "kind": "rebuild", "reason": "a look"}
    begun = {**about, "performed_from": "2026-03-01T08:00", "worked": client.person_id}
    answer = client.post("/records/new", data=begun)
    bench = AtTheBench(app, client, int(answer.headers["location"].split("/")[2]))
    bench.open()
    part_id = bench.outermost()
    serial = rows(app, lambda s: s.get_one(Part, part_id).serial)
    misread = serial.replace("0", "O").replace("-", "").lower()

    refused = bench.post("lift", part_id=part_id, scanned=misread)

    assert refused.status_code == 422
    offered_ = re.findall(r'<button type="submit" name="scanned" value="([^"]+)"', refused.text)
    assert offered_[0] == serial
    assert "Press one only if its mark is what lies here" in refused.text
    taken = bench.post("lift", part_id=part_id, scanned=(serial, misread), headers=HTMX)
    assert f"{serial}</span>. What is seen?" in taken.text
    strange = bench.post("lift", part_id=part_id, scanned="QQ-QQQ-7").text
    assert "Misread?" not in strange
