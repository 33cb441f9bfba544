"""The guided bench through its forms: what comes next, refusals, nuts, checks of the closing."""

import html
import re
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability
from service.records.tables import Step, StepKind
from service.stacks.tables import Layer, Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Hold, Part
from tests import builders
from tests.bench.test_bench_pages import HTMX, AtTheBench, an_instrument, rows
from tests.closing.closings import put_limits_in_force

GAUGE = InstrumentKind.HEIGHT_GAUGE
DRIVER = InstrumentKind.TORQUE_DRIVER


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


def plain(text: str) -> str:
    """A page without its marks."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", text)))


def the_layers(bench: AtTheBench) -> list[Any]:
    """Part, serial, lot and facing of each layer of the first build, the free end first."""
    with Session(bench.app.state.engine) as session:
        return list(
            session.execute(
                select(Layer.part_id, Part.serial, Part.lot_id, Layer.facing)
                .join(Part, Part.id == Layer.part_id)
                .order_by(Layer.position.desc())
            ).all()
        )


def lifted_down_to_a_gasket(bench: AtTheBench) -> tuple[Any, Any]:
    """Insulator, collector and coolant gasket off; the gasket and what lay on it."""
    layers = the_layers(bench)
    at = next(n for n, layer in enumerate(layers) if layer.serial is None)
    bench.enter("lift-several", part_id=layers[at].part_id, condition="none seen")
    return layers[at], layers[at - 1]


def test_the_page_says_what_comes_next_in_words_and_picture(at_bench: AtTheBench) -> None:
    """And offers the lots that fit, not the layers to be renewed."""
    lifted_down_to_a_gasket(at_bench)

    page = at_bench.page(at="putting-on")

    assert "coolant gasket, in the groove of the half plate's back" in at_bench.next(
        at="putting-on"
    )
    assert "The outermost layers at the free end and what comes next: coolant gasket" in page
    assert "or one item of a lot that fits, the oldest first" in page
    assert "To be renewed: 1 lifted part" in plain(page)
    assert page.count('name="lot_id" value="') == 1


def test_a_wrong_part_is_refused_and_can_be_put_on_with_a_reason(at_bench: AtTheBench) -> None:
    """The way round it is there, and asks why; the record tells it."""
    _gasket, collector = lifted_down_to_a_gasket(at_bench)

    answer = at_bench.post("put-on", scanned=collector.serial, headers=HTMX)

    assert answer.status_code == 422
    assert "<html" not in answer.text
    said = plain(answer.text)
    assert f"{collector.serial} is a current collector. Expected: a coolant gasket" in said
    assert "Lay it aside and take what is expected." in said
    assert 'id="departure"' in answer.text
    at_bench.enter("put-on", scanned=collector.serial, departs_because="a dry fit")
    with Session(at_bench.app.state.engine) as session:
        last = select(Step.note).where(
            Step.kind == StepKind.PUT_ON, Step.record_id == at_bench.number
        )
        note = session.scalars(last).one()
    assert note.endswith("Put on all the same, because a dry fit")
    record = at_bench.client.get(f"/records/{at_bench.number}").text
    assert "because a dry fit" in record


def test_a_lot_pressed_after_a_refused_scan_is_taken(at_bench: AtTheBench) -> None:
    """The refused code still stands in the field; what is pressed counts."""
    gasket, collector = lifted_down_to_a_gasket(at_bench)

    at_bench.enter("put-on", scanned=collector.serial, lot_id=gasket.lot_id)

    assert "current collector" in at_bench.next(at="putting-on")


def test_complete_is_said_and_nothing_more_is_taken(at_bench: AtTheBench) -> None:
    """A pile as designed ends where the pattern ends."""
    at_bench.lift()
    first = the_layers(at_bench)[0]
    at_bench.enter("put-on", part_id=first.part_id)

    page = plain(at_bench.page(at="putting-on"))
    assert at_bench.next(at="putting-on").startswith(
        "All layers are on. Fit plates, rods and nuts."
    )
    assert "Stack complete (Tarn" in page
    assert at_bench.post("put-on", part_id=first.part_id).status_code == 422


def test_a_layer_in_the_drawing_leads_to_lifting_off_down_to_it(at_bench: AtTheBench) -> None:
    """Pressed, it is said how many layers that is."""
    fourth = the_layers(at_bench)[3]
    page = html.unescape(at_bench.page(at="lifting"))
    way = f"/records/{at_bench.number}/bench?at=lifting-several&end=free+end&part={fourth.part_id}"

    assert way in page
    asked = {"at": "lifting-several", "end": "free end", "part": str(fourth.part_id)}
    assert at_bench.next(**asked).startswith("Lift off 4 layers at the free end, down to and with")


def test_a_deeper_layer_scanned_offers_the_way_down_to_it(at_bench: AtTheBench) -> None:
    """It is refused as not outermost, with the way on."""
    layers = the_layers(at_bench)

    answer = at_bench.post(
        "lift", part_id=layers[0].part_id, scanned=layers[1].serial, condition="none seen"
    )

    assert answer.status_code == 422
    assert f"{layers[1].serial} lies 2 layers in: lift off down to it" in plain(answer.text)


def test_what_is_open_is_counted_on_every_page_from_the_first_minute(
    app: Any, signed_in_client: Callable[..., Any]
) -> None:
    """Parts held deep in the pile count before anything is opened; a scan's answer counts after."""

    def make(session: Session) -> None:
        design = builders.a_design(session, pattern=builders.the_pattern(session))
        builders.a_stack(session, cells=2, serial="TARN-001", design=design, meter_hours=100.0)
        half_plate = session.scalars(select(Part).where(Part.serial.startswith("H-"))).first()
        assert half_plate
        by = builders.a_person(session, "quality")
        session.add(
            Hold(
                part_id=half_plate.id,
                reason="dropped",
                placed_by_id=by.id,
                placed_at=builders.START,
            )
        )
        half_plate.usability = Usability.ON_HOLD

    rows(app, make)
    client = signed_in_client("builder", name="Mara Ilves")
    begun = {"stack": "TARN-001", "kind": "rebuild", "reason": "cell 2", "worked": client.person_id}
    answer = client.post("/records/new", data={**begun, "performed_from": "2026-03-01T08:00"})
    bench = AtTheBench(app, client, int(answer.headers["location"].split("/")[2]))
    counted = "Open before hand-in: <b>4</b>"

    assert all(counted in bench.page(at=place) for place in ("make-safe", "torque", "closing"))
    assert bench.page(at="handing-in").count('class="act">✕') == 4
    bench.open()
    lifted = bench.post("lift", part_id=bench.outermost(), condition="none seen", headers=HTMX).text
    later = f"/records/{bench.number}/open"
    assert f'hx-get="{later}" hx-trigger="load"' in lifted
    assert "Open before hand-in: <b>" in client.get(later, headers=HTMX).text
    assert client.get(later).headers["location"].endswith("?at=handing-in")


def torque(bench: AtTheBench, **typed: Any) -> None:
    """Read the nut the page asks for."""
    entered = f"{3 * min(3, typed['pass_number'])}.0"
    given = {"stage": "closing", "kind": "set", "entered": entered, **typed}
    bench.enter("torque", **given)


def test_a_nut_outside_the_tolerance_is_asked_for_again_or_why(
    app: Any, at_bench: AtTheBench
) -> None:
    """Nothing is kept before it is answered; with a reason the work goes on, and settling comes."""
    driver = an_instrument(app, "TD-9", DRIVER, "N·m")
    assert "nut 1: tighten to 3.00" in at_bench.next(at="torque", stage="closing")
    for number in (1, 2):
        for rod in (1, 2, 3, 4):
            torque(at_bench, rod_number=rod, pass_number=number, instrument_id=driver)
    at_three = {"pass_number": 3, "instrument_id": driver}
    given = {"stage": "closing", "kind": "set", "rod_number": 1, "entered": "11.0", **at_three}

    asked = at_bench.post("torque", **given)

    assert asked.status_code == 422
    said = plain(asked.text)
    assert "11 N·m in pass 3: its target is 9 N·m, its band 8.55 to 9.45 N·m" in said
    assert "Was the stack unloaded first?" in said
    assert "Not entered" not in said
    assert 'name="outside_because"' in asked.text
    assert '<input type="hidden" name="entered" value="11.0">' in asked.text
    assert "nut 1" in at_bench.next(at="torque", stage="closing")
    answer = {"stands": "stands", "unloaded_first": "no"}
    silent = at_bench.post("torque", **given, **answer)
    assert silent.status_code == 422
    assert "it stands without a reason" in plain(silent.text).lower()
    assert 'name="unloaded_first" value="no" checked' in silent.text
    at_bench.enter("torque", **given, **answer, outside_because="at its stop")
    assert "nut 2" in at_bench.next(at="torque", stage="closing")
    for rod in (2, 3, 4):
        torque(at_bench, rod_number=rod, **at_three)
    assert "the re-torque pass is due from" in plain(at_bench.page(at="torque", stage="closing"))
    record = plain(at_bench.client.get(f"/records/{at_bench.number}").text)
    assert "Not unloaded first. Kept: at its stop" in record


def test_the_pass_after_settling_can_be_begun(app: Any, at_bench: AtTheBench) -> None:
    """It is a pass more than the design's."""
    driver = an_instrument(app, "TD-9", DRIVER, "N·m")
    assert 'id="settling"' not in at_bench.page(at="torque", stage="closing")
    for number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            torque(at_bench, rod_number=rod, pass_number=number, instrument_id=driver)

    assert "Begin it now" in at_bench.page(at="torque", stage="closing")
    again = at_bench.next(at="torque", stage="closing", **{"pass": "4"})
    assert again.startswith("Pass 4 of 4, nut 1")
    for rod in (1, 2, 3, 4):
        torque(at_bench, rod_number=rod, pass_number=4, instrument_id=driver)
    assert 'id="settling"' not in at_bench.page(at="torque", stage="closing")


def test_nothing_settles_while_a_nut_of_the_last_pass_is_not_read(
    app: Any, at_bench: AtTheBench
) -> None:
    """Whoever reads another pass first finds the page as it was."""
    driver = an_instrument(app, "TD-9", DRIVER, "N·m")
    for rod in (1, 2, 3, 4):
        torque(at_bench, rod_number=rod, pass_number=4, instrument_id=driver)

    page = at_bench.page(at="torque", stage="closing")

    assert 'id="settling"' not in page
    assert at_bench.next(at="torque", stage="closing").startswith("Pass 1 of 4, nut 1")


def test_nothing_settles_where_the_design_sets_no_time(app: Any, at_bench: AtTheBench) -> None:
    """The checks come at once, on the page of the nuts and on the next act."""
    driver = an_instrument(app, "TD-9", DRIVER, "N·m")
    rows(
        app,
        lambda s: put_limits_in_force(
            s, s.scalars(select(Stack.design_id)).one(), settling_minutes=0.0
        ),
    )
    for number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            torque(at_bench, rod_number=rod, pass_number=number, instrument_id=driver)

    assert 'id="settling"' not in at_bench.page(at="torque", stage="closing")
    assert at_bench.next(at="torque").startswith("Check the closed stack")


def test_the_closing_is_checked_one_thing_at_a_time(app: Any, at_bench: AtTheBench) -> None:
    """Height, each rod's thread, sleeves, shorts; a height that is off asks for a note."""
    gauge = an_instrument(app, "HG-1", GAUGE, "mm")
    assert at_bench.next(at="closing-checks").startswith(
        "Measure the closed height over both compression plates."
    )

    height = {"check": "closed height", "instrument_id": gauge}
    off = at_bench.post("closing-check", reading_mm="12", **height)

    assert off.status_code == 422
    assert "say in the note why it stays so" in plain(off.text)
    first = at_bench.enter("closing-check", reading_mm="12", note="without plates", **height)
    for rod in (1, 2, 3, 4):
        assert f"at rod {rod}" in at_bench.next(at="closing-checks")
        at_bench.enter(
            "closing-check", check="thread protrusion", rod_number=rod, reading_mm="12,5"
        )
    at_bench.enter("closing-check", check="sleeves")
    at_bench.enter("closing-check", check="shorts")
    assert "Every check of the closing is recorded" in at_bench.next(at="closing-checks")
    assert "at=closing-checks" in first.headers["location"]
    record = plain(at_bench.client.get(f"/records/{at_bench.number}").text)
    assert "Checks of the closing as recorded" in record


def test_a_scan_takes_as_many_statements_however_much_was_moved(
    at_bench: AtTheBench, statements: Callable[[], AbstractContextManager[list[str]]]
) -> None:
    """A part of the page comes back, in a constant number of statements."""
    counted = []
    for layer in the_layers(at_bench)[:2]:
        given = {"part_id": layer.part_id, "condition": "none seen", "headers": HTMX}
        with statements() as seen:
            answer = at_bench.post("lift", **given)
        assert answer.status_code == 200
        assert "<html" not in answer.text
        counted.append(len(seen))

    assert counted[0] == counted[1]


@pytest.mark.parametrize(
    ("severity", "word", "why"),
    [
        ("1", "", ""),
        ("2", "not inspected", "It is to be looked at since"),
        ("3", "on hold: Must not be used again", "is on hold since"),
    ],
)
def test_what_must_not_be_used_again_is_not_among_what_goes_back_on(
    at_bench: AtTheBench, severity: str, word: str, why: str
) -> None:
    lifted = the_layers(at_bench)[0]
    at_bench.lift(condition="cracked", severity=severity)

    page = at_bench.page(at="putting-on")
    answer = at_bench.post("put-on", part_id=lifted.part_id, headers=HTMX)

    is_offered = not why
    assert (f'name="part_id" value="{lifted.part_id}"' in page) is is_offered
    assert ("Not to be put on: 1 lifted part" in plain(page)) is not is_offered
    assert word in plain(page)
    assert why in plain(answer.text)
