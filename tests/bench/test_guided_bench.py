"""The guide at the bench, as the records keep it: what comes next, departures, closing checks."""

from datetime import timedelta

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.bench.queries.choices import lots_that_fit, what_comes
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.changes.checks import record_closing_check
from service.closing.changes.torque import read_torque
from service.closing.queries.build_torques import checks_asked
from service.closing.queries.closed_heights import computed_height
from service.designs.arithmetic.grammar_next import WhatNext
from service.designs.arithmetic.pile import Layer
from service.designs.queries import pattern_of_stack
from service.platform.arithmetic.vocabulary import End, Facing, Kind, ReadingKind, Stage
from service.platform.errors import Refused
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import record_content, verify
from service.records.queries.entries import entries_of
from service.records.tables import Step, StepKind
from service.store.tables import Lot, Part, PartType
from tests import builders
from tests.bench.at_the_bench import NOW, Bench, Lab, a_lab, what_is_missing

FREE, FIXED = End.FREE, End.FIXED


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine, cells=2, has_pattern=True)


def opened(lab: Lab, count: int, end: End = FREE) -> tuple[Bench, list[Layer]]:
    """A record in which so many layers were lifted off an end; they, the first to go back first."""
    record = lab.begin()
    record.open()
    layers = list(record.pile.layers)
    record.lift(end=end, count=count)
    return record, layers[-count:] if end is FREE else layers[count - 1 :: -1]


def coming(record: Bench, end: End = FREE) -> WhatNext:
    with Session(record.lab.engine) as session:
        kept = pattern_of_stack(session, record.lab.stack_id)
        what = what_comes(kept, record.pile, end)
    assert what is not None
    return what


def put(record: Bench, layer: Layer, end: End = FREE, **more: object) -> int:
    """Put a layer back as the bench page does; a gasket is taken anew from its lot."""
    with Session(record.lab.engine) as session:
        lot_id = session.get_one(Part, layer.part).lot_id
    which = {"lot_id": lot_id} if layer.kind is Kind.GASKET else {"part_id": layer.part}
    facing = None if layer.facing is Facing.EITHER else layer.facing
    given = {"facing": facing, **which, **more}
    return int(record.do(put_on, end=end, by_pattern=True, **given))


def a_height_gauge(lab: Lab) -> int:
    kinds = builders.InstrumentKind
    return lab.rows(  # type: ignore[no-any-return]
        lambda s: builders.a_torque_instrument(s, kind=kinds.HEIGHT_GAUGE, unit="mm").id
    )


@pytest.mark.parametrize("end", [FREE, FIXED])
def test_every_layer_is_expected_in_its_turn_at_either_end(lab: Lab, end: End) -> None:
    """From a kept remainder the pattern asks for just what was lifted off, in order."""
    record, layers = opened(lab, 8, end)

    for layer in layers:
        what = coming(record, end)
        assert layer.kind in {one.item.kind for one in what.layers}, what
        put(record, layer, end)

    assert coming(record, end).layers == ()
    assert coming(record, end).complete


def test_with_both_ends_open_each_end_has_its_own_next(lab: Lab) -> None:
    """Where a coolant gasket is outermost the pile may end with its collector or go on."""
    record, at_free = opened(lab, 2)
    layers = record.pile.layers
    record.lift(end=FIXED, count=2)

    assert {one.item.kind for one in coming(record, FREE).layers} >= {at_free[0].kind}
    assert {one.item.kind for one in coming(record, FIXED).layers} == {
        layers[1].kind,
        Kind.HALF_PLATE,
    }


def test_a_part_that_does_not_come_next_is_refused_with_what_does(lab: Lab) -> None:
    """A forgotten gasket is found when the next part is scanned; nothing is written."""
    record, layers = opened(lab, 7)
    at = next(n for n, layer in enumerate(layers) if layer.kind is Kind.GASKET)
    for layer in layers[:at]:
        put(record, layer)
    after = layers[at + 1]

    with pytest.raises(Refused) as refused:
        put(record, after)

    assert refused.value.field == "departs_because"
    assert after.label in refused.value.reason
    assert "Expected: a" in refused.value.reason
    assert "Lay it aside" in refused.value.right_would_be
    assert len(record.pile.layers) == 17 - 7 + at


def test_a_plate_laid_the_wrong_way_is_refused(lab: Lab) -> None:
    """It may lie there, only turned round."""
    record, layers = opened(lab, 8)
    at = next(n for n, layer in enumerate(layers) if layer.facing is not Facing.EITHER)
    for layer in layers[:at]:
        put(record, layer)
    turned = Facing.FREE_END if layers[at].facing is Facing.FIXED_END else Facing.FIXED_END

    with pytest.raises(Refused) as refused:
        put(record, layers[at], facing=turned)

    assert "Turn it round" in refused.value.reason
    assert "Lay it aside" not in refused.value.right_would_be


def test_put_on_all_the_same_the_entry_says_why(lab: Lab) -> None:
    """What spoke against it and the reason stand in the note; the check still finds it."""
    record, layers = opened(lab, 7)
    at = next(n for n, layer in enumerate(layers) if layer.kind is Kind.GASKET)
    for layer in layers[:at]:
        put(record, layer)

    step_id = put(record, layers[at + 1], departs_because="a dry fit", note="without grease")

    note = lab.get(Step, step_id).note
    assert note.startswith("Not as designed: ")
    assert "because a dry fit\nwithout grease" in note
    record.do(undo_last)
    fitting = put(record, layers[at], departs_because="nothing departs", note="dry")
    assert lab.get(Step, fitting).note == "dry"


def test_lots_that_fit_come_oldest_first_and_others_not_at_all(lab: Lab) -> None:
    """A gas gasket is not offered where a coolant gasket comes next."""
    record, layers = opened(lab, 3)
    assert layers[0].kind is Kind.GASKET
    with Session(lab.engine) as session:
        old = session.get_one(Lot, session.get_one(Part, layers[0].part).lot_id)
        of_type = session.get_one(PartType, old.part_type_id)
        newer = builders.a_lot(session, of_type, label="GC-NEW")
        newer.received_at = builders.START + timedelta(days=30)
        session.commit()
        kept = pattern_of_stack(session, lab.stack_id)
        mark = old.label
        lots = lots_that_fit(session, kept, coming(record), NOW)

    assert [lot.label for lot in lots] == [mark, "GC-NEW"]


def test_what_is_renewed_at_every_opening_is_laid_apart(lab: Lab) -> None:
    """The place says it; undo takes it back."""
    record, layers = opened(lab, 3)
    gasket = layers[0]

    assert lab.get(Part, gasket.part).place == "to be renewed"
    assert {one.layer.part for one in record.pile.lifted if one.to_be_renewed} == {gasket.part}
    record.do(undo_last)
    assert lab.get(Part, gasket.part).place == ""


def test_a_stack_whose_design_keeps_no_pattern_is_not_guided(engine: Engine) -> None:
    """Any part goes on, as before."""
    record, layers = opened(a_lab(engine), 3)

    put(record, layers[2])

    assert len(record.pile.layers) == 15


def test_closing_checks_are_kept_hashed_and_undone(lab: Lab) -> None:
    """They stand in the content under a name of their own, and only where there are any."""
    record, layers = opened(lab, 1)
    gauge = a_height_gauge(lab)
    put(record, layers[0])
    check = record_closing_check
    height = {"check": ClosingCheck.HEIGHT, "reading_mm": 33.0, "instrument_id": gauge}
    record.do(check, **height, note="by hand")
    for rod in (1, 2, 3, 4):
        record.do(check, check=ClosingCheck.PROTRUSION, rod_number=rod, reading_mm=12.5)
    record.do(check, check=ClosingCheck.SLEEVES)
    record.do(check, check=ClosingCheck.SHORTS)
    record.do(undo_last)
    for rod in (1, 2, 3, 4):
        record.do(
            read_torque,
            rod_number=rod,
            pass_number=3,
            stage=Stage.CLOSING,
            kind=ReadingKind.SET,
            torque_nm=9.0,
            instrument_id=lab.driver_id,
        )
    record.do(close_stack, closed_at=NOW, hours=120.0)
    with Session(lab.engine) as session:
        left = [one.sentence for one in what_is_missing(session, record.number)]
        asked = checks_asked(entries_of(session, record.number), (1, 2, 3, 4))
    assert "Closing check not recorded: shorts." in left
    assert [one.words for one in asked if one.entry is None] == ["shorts"]

    record.do(hand_in)

    with Session(lab.engine) as session:
        content = record_content(session, [record.number, 1])
        assert all(one.holds for one in verify(session, [record.number, 1]).values())
    assert '"closing_checks"' in str(content[record.number])
    assert '"closing_checks"' not in str(content[1])


def test_a_closed_height_off_what_the_parts_add_up_to_asks_why(lab: Lab) -> None:
    """Within the tolerance it is taken; without both plates nothing is computed."""
    record, layers = opened(lab, 1)
    gauge = a_height_gauge(lab)
    put(record, layers[0])
    with Session(lab.engine) as session:
        expected = computed_height(session, record.number, record.pile).expected
    assert expected is not None
    check = {"check": ClosingCheck.HEIGHT, "instrument_id": gauge}

    with pytest.raises(Refused, match="sum of the thicknesses as fitted"):
        record.do(
            record_closing_check,
            **check,
            reading_mm=expected.height_mm + expected.tolerance_mm + 0.1,
        )
    record.do(record_closing_check, **check, reading_mm=expected.height_mm)
    record.do(record_closing_check, **check, reading_mm=1.0, note="the gauge was upside down")

    with Session(lab.engine) as session:
        kinds = session.scalars(select(Step.kind).where(Step.record_id == record.number)).all()
    assert kinds.count(StepKind.CLOSING_CHECK) == 2


def test_a_closed_height_beyond_the_range_of_its_gauge_is_refused(lab: Lab) -> None:
    """No note makes a gauge for 0 to 300 mm read more."""
    record, layers = opened(lab, 1)
    put(record, layers[0])

    with pytest.raises(Refused, match="reads 0 to 300 mm"):
        record.do(
            record_closing_check,
            check=ClosingCheck.HEIGHT,
            reading_mm=331.0,
            instrument_id=a_height_gauge(lab),
            note="read twice",
        )


@pytest.mark.parametrize(
    ("field", "given"),
    [
        ("reading_mm", {"check": ClosingCheck.PROTRUSION, "rod_number": 1}),
        ("reading_mm", {"check": ClosingCheck.PROTRUSION, "rod_number": 1, "reading_mm": 2000.0}),
        ("reading_mm", {"check": ClosingCheck.SLEEVES, "reading_mm": 1.0}),
        ("rod_number", {"check": ClosingCheck.PROTRUSION, "rod_number": 9, "reading_mm": 1.0}),
        ("rod_number", {"check": ClosingCheck.SHORTS, "rod_number": 1}),
        ("instrument_id", {"check": ClosingCheck.HEIGHT, "reading_mm": 50.0, "note": "x"}),
    ],
)
def test_a_closing_check_that_cannot_be_is_refused(
    lab: Lab, field: str, given: dict[str, object]
) -> None:
    """The field is named."""
    record, _layers = opened(lab, 1)

    with pytest.raises(Refused) as refused:
        record.do(record_closing_check, **given)

    assert refused.value.field == field


def test_a_closing_is_not_checked_before_the_opening(lab: Lab) -> None:
    """There is nothing closed by this record yet."""
    record = lab.begin()

    with pytest.raises(Refused, match="not opened yet"):
        record.do(record_closing_check, check=ClosingCheck.SLEEVES)
