"""The scanner is the hand: what a scan enters, asks and leaves alone."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Facing
from service.records.tables import Finding, Step, StepKind
from service.stacks.tables import Layer
from service.store.tables import Part
from tests import builders
from tests.bench.test_bench_pages import HTMX, AtTheBench, rows
from tests.bench.test_guided_bench_pages import plain, the_layers
from tests.form_client import FormClient


@pytest.fixture
def at_bench(app: Any, signed_in_client: Callable[..., Any]) -> AtTheBench:
    """A record of a guided stack of two cells, opened."""

    def make(session: Session) -> None:
        design = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_stack(session, cells=2, serial="TARN-001", design=design, meter_hours=100.0)

    rows(app, make)
    client = signed_in_client("builder", name="Mara Ilves")
    about = {"stack": "TARN-001", "kind": "rebuild", "reason": "cell 2 is weak"}
    begun = {**about, "performed_from": "2026-03-01T08:00", "worked": client.person_id}
    answer = client.post("/records/new", data=begun)
    bench = AtTheBench(app, client, int(answer.headers["location"].split("/")[2]))
    bench.open()
    return bench


def entries(bench: AtTheBench, kind: StepKind) -> list[Step]:
    """Standing entries of a kind."""
    with Session(bench.app.state.engine) as session:
        return list(
            session.scalars(
                select(Step).where(
                    Step.record_id == bench.number, Step.kind == kind, Step.undone_at.is_(None)
                )
            )
        )


def said(bench: AtTheBench) -> list[str]:
    """What was said of the layers lifted off, in order."""
    with Session(bench.app.state.engine) as session:
        return list(
            session.scalars(
                select(Finding.condition)
                .where(Finding.record_id == bench.number)
                .order_by(Finding.id)
            )
        )


def test_a_right_scan_at_lift_off_confirms_and_asks_what_is_seen(at_bench: AtTheBench) -> None:
    """Nothing is entered, nothing is red, and the same code again says no more."""
    first = the_layers(at_bench)[0]
    for confirmed in ("", first.serial):
        answer = at_bench.post(
            "lift", part_id=first.part_id, scanned=first.serial, confirmed=confirmed, headers=HTMX
        )
        page = plain(answer.text)
        assert f"It is {first.serial} . What is seen?" in page
        assert "Not entered" not in page
        assert re.search(r'value="none seen"[^>]*autofocus', answer.text)

    assert not entries(at_bench, StepKind.LIFTED_OFF)
    at_bench.enter("lift", part_id=first.part_id, confirmed=first.serial, condition="none seen")
    assert said(at_bench) == ["none seen"]
    assert entries(at_bench, StepKind.LIFTED_OFF)[0].scanned == first.serial


def test_a_wrong_scan_at_lift_off_is_refused(at_bench: AtTheBench) -> None:
    first, second = the_layers(at_bench)[:2]

    answer = at_bench.post("lift", part_id=first.part_id, scanned=second.serial, headers=HTMX)

    assert answer.status_code == 422
    assert "Not entered" in answer.text
    assert not entries(at_bench, StepKind.LIFTED_OFF)


def test_scanning_on_leaves_the_layer_before_not_inspected(at_bench: AtTheBench) -> None:
    """The next one is confirmed by the same scan."""
    first, second = the_layers(at_bench)[:2]

    answer = at_bench.enter(
        "lift", part_id=first.part_id, confirmed=first.serial, scanned=second.serial
    )

    assert said(at_bench) == ["not inspected"]
    page = plain(at_bench.client.get(answer.headers["location"]).text)
    assert f"It is {second.serial} . What is seen?" in page


@pytest.mark.parametrize(
    ("code", "condition"),
    [("DO:NOTHING FOUND", "none seen"), ("do:not inspected", "not inspected")],
)
def test_what_is_seen_can_be_said_by_its_own_code(
    at_bench: AtTheBench, code: str, condition: str
) -> None:
    first = the_layers(at_bench)[0]

    at_bench.enter("lift", part_id=first.part_id, confirmed=first.serial, scanned=code)

    assert said(at_bench) == [condition]


def test_undo_and_next_are_codes_in_any_field(at_bench: AtTheBench) -> None:
    """Sent from a browser without script too."""
    first = the_layers(at_bench)[0]
    at_bench.enter("lift", part_id=first.part_id, condition="none seen")

    at_bench.enter("put-on", scanned="DO:UNDO", at="putting-on")

    assert not entries(at_bench, StepKind.LIFTED_OFF)
    answer = at_bench.enter("put-on", scanned="DO:NEXT")
    assert "Lift off the" in plain(at_bench.client.get(answer.headers["location"]).text)


def lifted_to_a_half_plate(bench: AtTheBench) -> Any:
    """Lift off down to the first layer whose faces differ; that layer, with the end's gasket on."""
    with Session(bench.app.state.engine) as session:
        turned = session.execute(
            select(Layer.part_id, Part.serial, Layer.facing)
            .join(Part, Part.id == Layer.part_id)
            .where(Layer.facing != Facing.EITHER, Part.serial.is_not(None))
            .order_by(Layer.position.desc())
        ).first()
    assert turned
    bench.enter("lift-several", part_id=turned.part_id, condition="none seen")
    return turned


def test_the_side_is_said_by_a_code_or_a_label_and_never_by_the_same_code(
    at_bench: AtTheBench,
) -> None:
    """A scan of another part waits; the side code answers."""
    turned = lifted_to_a_half_plate(at_bench)
    question = at_bench.post("put-on", scanned=turned.serial, headers=HTMX)
    assert 'name="answer"' in question.text
    for answer in (turned.serial, "TEL-OTHER"):
        again = at_bench.post("put-on", scanned=turned.serial, answer=answer, headers=HTMX)
        assert again.status_code == 422
        assert "Not entered" not in again.text
        assert ("waits" in plain(again.text)) == (answer != turned.serial)

    at_bench.enter("put-on", scanned=turned.serial, answer=f"DO:{turned.facing}")

    assert [step.facing for step in entries(at_bench, StepKind.PUT_ON)] == [turned.facing]


@pytest.mark.parametrize("first", [True, False])
def test_a_label_on_the_face_is_part_and_side_in_one_scan(
    at_bench: AtTheBench, first: bool
) -> None:
    """The face that is scanned looks outward, at the free end; a label answers too."""
    turned = lifted_to_a_half_plate(at_bench)
    suffix = "FACE" if turned.facing is Facing.FREE_END else "BACK"
    code = f"{turned.serial}:{suffix}"

    typed = {"scanned": code} if first else {"scanned": turned.serial, "answer": code}
    at_bench.enter("put-on", **typed)

    step = entries(at_bench, StepKind.PUT_ON)[0]
    assert (step.facing, step.scanned) == (turned.facing, turned.serial)


def test_the_same_code_twice_within_two_seconds_is_one(at_bench: AtTheBench) -> None:
    """Also where the second has another one-time key; it is answered as the first."""
    first = the_layers(at_bench)[0]
    at_bench.lift()

    for _ in range(2):
        at_bench.enter("put-on", scanned=first.serial)

    assert len(entries(at_bench, StepKind.PUT_ON)) == 1


def test_a_right_scan_of_a_fixing_is_asked_where_it_goes(at_bench: AtTheBench) -> None:
    """Never refused; one press answers, the same scan at the same place a moment later is one."""

    def nuts(session: Session) -> str:
        nut = builders.the_part_types(session).nut
        return builders.a_lot(session, nut, label="N-9", quantity=40).label

    code = rows(at_bench.app, nuts)

    answer = at_bench.post("fit-fixing", scanned=code, headers=HTMX)

    page = plain(answer.text)
    assert "It is nut N-9. Where does it go? " in page
    assert "Not entered" not in page
    assert "plate at the free end" not in page
    assert '<button type="submit" name="place" value="2">rod 2</button>' in answer.text
    assert not entries(at_bench, StepKind.FIXING_FITTED)
    for _ in range(2):
        at_bench.enter("fit-fixing", scanned=code, place="2")
    at_bench.enter("fit-fixing", scanned=code, place="3")
    assert [step.rod_number for step in entries(at_bench, StepKind.FIXING_FITTED)] == [2, 3]


def test_an_entry_of_somebody_else_is_undone_with_a_reason(
    at_bench: AtTheBench, signed_in_client: Callable[..., FormClient]
) -> None:
    """Whose it is stands in the question."""
    at_bench.lift()
    other: Any = signed_in_client("builder", name="Anton Reis")
    bench = AtTheBench(at_bench.app, other, at_bench.number)

    answer = bench.post("undo", at="lifting", headers=HTMX)

    assert answer.status_code == 422
    assert "was made by Mara Ilves. Why is it undone?" in plain(answer.text)
    assert entries(bench, StepKind.LIFTED_OFF)
    bench.enter("undo", at="lifting", because="the wrong stack")
    assert not entries(bench, StepKind.LIFTED_OFF)
