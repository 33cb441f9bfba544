"""What is entered at the bench, and what is refused with which words."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.layers import lift_off, lift_off_down_to, note_finding, put_on
from service.closing.changes.torque import read_torque
from service.people.tables import Role
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import (
    End,
    Facing,
    Kind,
    ReadingKind,
    Stage,
    Usability,
    Whereabouts,
)
from service.platform.errors import Refused, RefusedTogether
from service.platform.tables import Base
from service.records.changes.bench_fixings import fit_fixing, fit_from_lot, remove_fixing
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.make_safe import record_exception, record_make_safe
from service.records.tables import (
    Finding,
    MakeSafeLine,
    RecordKind,
    RecordPerson,
    Step,
    TorqueReading,
)
from service.stacks.tables import HourReading, Moment
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.arithmetic.instruments import InstrumentKind
from service.store.tables import Concession, Hold, Instrument, Lot, Part
from tests import builders
from tests.bench.at_the_bench import NOW, SEEN_NOTHING, WORK_BEGAN, Bench, Lab, a_lab, where

OPENED = WORK_BEGAN + timedelta(minutes=30)


def a_concession(lab: Lab, **subject: int) -> int:
    """Leave to use something once, given by quality."""

    def make(session: Session) -> Concession:
        quality = builders.a_person(session, Role.QUALITY)
        concession = Concession(
            reason="looked at twice", given_by_id=quality.id, given_at=WORK_BEGAN, **subject
        )
        session.add(concession)
        session.flush()
        return concession

    return lab.rows(make).id


def a_part(lab: Lab, type_name: str, **given: Any) -> Part:
    """A part of one of the laboratory's types."""
    return lab.rows(
        lambda s: builders.a_part(s, getattr(builders.the_part_types(s), type_name), **given)
    )


def a_lot(lab: Lab, type_name: str, **given: Any) -> Lot:
    """A lot of one of the laboratory's types."""
    return lab.rows(
        lambda s: builders.a_lot(s, getattr(builders.the_part_types(s), type_name), **given)
    )


def set_on(lab: Lab, table: type[Base], row_id: int, **values: object) -> None:
    """Set columns of a row, as another part of the laboratory's work would."""

    def change(session: Session) -> None:
        row = session.get_one(table, row_id)
        for name, value in values.items():
            setattr(row, name, value)

    lab.rows(change)


def opened(engine: Engine, cells: int = 2) -> Bench:
    """A record whose stack has been opened."""
    bench_ = a_lab(engine, cells).begin()
    bench_.open()
    return bench_


# Make-safe


@pytest.mark.both_engines
def test_each_line_keeps_reading_instrument_person_witness_and_time(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()

    step_id = bench_.do(
        record_make_safe,
        line_number=3,
        reading=-0.2,
        instrument_id=lab.multimeter_id,
        witness_id=lab.witness.id,
        done_at=WORK_BEGAN + timedelta(minutes=5),
    )

    with Session(engine) as session:
        line = session.scalars(select(MakeSafeLine)).one()
        named = session.scalars(
            select(RecordPerson.person_id).where(RecordPerson.record_id == bench_.number)
        ).all()
    assert (line.step_id, line.reading, line.unit) == (step_id, -0.2, "V")
    assert line.calibration_id is not None
    assert (line.person_id, line.witness_id) == (lab.builder.id, lab.witness.id)
    assert line.wording.startswith("Each cell discharged")
    assert set(named) == {lab.builder.id, lab.witness.id}


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"line_number": 9}, "line_number", "has no such line"),
        ({"line_number": 1, "reading": 1.0}, "reading", "asks for no reading"),
        ({"line_number": 3}, "reading", "asks for a reading in V"),
        ({"line_number": 3, "reading": 0.6}, "reading", "at most 0.5 V.*record an exception"),
        ({"line_number": 3, "reading": 0.1}, "instrument_id", "asks for the instrument"),
        ({"line_number": 3, "reading": 0.1, "tool": True}, "witness_id", "asks for a witness"),
        (
            {"line_number": 3, "reading": 0.1, "tool": True, "own_witness": True},
            "witness_id",
            "nobody witnesses their own check",
        ),
        (
            {"line_number": 2, "reading": 0.1, "tool": True},
            "instrument_id",
            "it is a multimeter. A gas detector or oxygen monitor would be right",
        ),
        ({"line_number": 1, "done_at": NOW + timedelta(hours=1)}, "done_at", "still to come"),
        (
            {"line_number": 1, "done_at": WORK_BEGAN - timedelta(hours=1)},
            "done_at",
            "the work began later",
        ),
    ],
)
def test_a_make_safe_line_is_refused(
    engine: Engine, given: dict[str, Any], field: str, words: str
) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()
    if given.pop("tool", False):
        given["instrument_id"] = lab.multimeter_id
    if given.pop("own_witness", False):
        given["witness_id"] = lab.builder.id

    with pytest.raises(Refused, match=words) as refused:
        bench_.do(record_make_safe, **given)
    assert refused.value.field == field


def test_a_check_is_read_within_the_instruments_range(engine: Engine) -> None:
    """Its size counts, in the instrument's unit; a range of another measure says nothing."""
    lab = a_lab(engine)
    bench_ = lab.begin()
    line = {"line_number": 3, "witness_id": lab.witness.id, "instrument_id": lab.multimeter_id}
    set_on(lab, Instrument, lab.multimeter_id, range_least=0.0, range_most=200.0, unit="mV")

    with pytest.raises(Refused, match="reads up to 200 mV") as refused:
        bench_.do(record_make_safe, reading=-0.3, **line)
    assert (refused.value.field, refused.value.value) == ("reading", "-0.3 V")
    bench_.do(record_make_safe, reading=-0.2, **line)


def test_an_instrument_of_a_check_is_in_calibration_and_not_on_hold(engine: Engine) -> None:
    lab = a_lab(engine)
    bench_ = lab.begin()
    line = {"line_number": 2, "reading": 0.1}
    old = lab.rows(
        lambda s: builders.a_torque_instrument(
            s,
            label="GD-OLD",
            kind=InstrumentKind.GAS_DETECTOR,
            due_at=builders.START + timedelta(days=1),
        )
    ).id
    with pytest.raises(Refused, match="The calibration of GD-OLD was due on 2026-01-06"):
        bench_.do(record_make_safe, instrument_id=old, **line)

    def hold(session: Session) -> None:
        session.add(
            Hold(
                instrument_id=lab.detector_id,
                reason="dropped",
                placed_by_id=lab.builder.id,
                placed_at=WORK_BEGAN,
            )
        )

    lab.rows(hold)
    with pytest.raises(Refused, match=r"on hold.*dropped"):
        bench_.do(record_make_safe, instrument_id=lab.detector_id, **line)

    a_concession(lab, instrument_id=lab.detector_id)
    bench_.do(record_make_safe, instrument_id=lab.detector_id, **line)


def test_an_opening_is_refused_and_told_which_checks_are_missing(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    bench_.do(record_make_safe, line_number=1)

    with pytest.raises(Refused) as refused:
        bench_.do(open_stack, hours=120.0)

    assert "not recorded complete" in refused.value.reason
    assert "2 Anode side purged" in refused.value.reason
    assert "3 Each cell discharged" in refused.value.reason
    assert "1 Load taken off" not in refused.value.reason
    assert "safe" not in refused.value.reason.replace("make-safe", "")


def test_an_exception_by_name_and_reason_lets_an_opening_be_recorded(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    with pytest.raises(Refused, match="reason"):
        bench_.do(record_exception, reason=" ")

    step_id = bench_.do(record_exception, reason="coolant ran out: opened at once")
    bench_.do(open_stack, hours=120.0)

    step = bench_.lab.get(Step, step_id)
    assert (step.note, step.by_id) == ("coolant ran out: opened at once", bench_.lab.builder.id)
    assert bench_.record.opened_at is not None


# Opening and closing


def test_an_opening_comes_after_its_checks_and_after_the_present_build(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    bench_.make_safe()

    with pytest.raises(Refused, match="line 1 of make-safe was recorded as done later"):
        bench_.do(open_stack, opened_at=WORK_BEGAN + timedelta(minutes=1), hours=120.0)
    with pytest.raises(Refused, match="still to come"):
        bench_.do(open_stack, opened_at=NOW + timedelta(hours=1), hours=120.0)


def test_hours_at_opening_are_read_at_that_moment_or_said_to_be_unknown(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    bench_.make_safe()
    with pytest.raises(Refused, match="why it is not known"):
        bench_.do(open_stack)
    with pytest.raises(Refused, match="already showed 100 h"):
        bench_.do(open_stack, hours=99.0)
    with pytest.raises(Refused, match="the hours are given as well"):
        bench_.do(open_stack, hours=120.0, hours_unknown_because="no display")

    step_id = bench_.do(open_stack, opened_at=OPENED, hours=120.5)

    with Session(engine) as session:
        reading = session.scalars(
            select(HourReading).where(HourReading.record_id == bench_.number)
        ).one()
    assert (reading.hours, reading.moment, reading.taken_at, reading.step_id) == (
        120.5,
        Moment.OPENING,
        OPENED,
        step_id,
    )
    bench_.do(undo_last)
    unknown = bench_.do(open_stack, hours_unknown_because="the display is dark")
    assert bench_.lab.get(Step, unknown).note == "the display is dark"


def test_nothing_is_lifted_or_put_on_before_opening_or_after_closing(engine: Engine) -> None:
    bench_ = a_lab(engine).begin()
    part = a_part(bench_.lab, "mea")
    with pytest.raises(Refused, match="not opened yet"):
        bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)
    with pytest.raises(Refused, match="not opened yet"):
        bench_.do(put_on, end=End.FREE, scanned=part.serial)
    with pytest.raises(Refused, match="was not opened"):
        bench_.do(close_stack)

    bench_.open()
    bench_.do(close_stack)

    with pytest.raises(Refused, match="Undo the closing first"):
        bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING)
    with pytest.raises(Refused, match="it is closed since"):
        bench_.do(close_stack)


def test_a_closing_comes_after_what_was_done_to_the_open_stack(engine: Engine) -> None:
    bench_ = opened(engine)
    late = OPENED + timedelta(minutes=40)
    bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, done_at=late)

    with pytest.raises(Refused, match=r"entry 5 \(lifted off\) was done later"):
        bench_.do(close_stack, closed_at=late - timedelta(minutes=1))

    bench_.do(close_stack, closed_at=late, hours=120.0)
    assert bench_.record.closed_at == late


def test_an_empty_pile_cannot_be_closed(engine: Engine) -> None:
    bench_ = opened(engine, cells=1)
    bench_.lift(count=len(bench_.pile.layers))

    with pytest.raises(Refused, match="the pile is empty"):
        bench_.do(close_stack)
    with pytest.raises(Refused, match="nothing left to lift off"):
        bench_.do(lift_off, end=End.FIXED, findings=SEEN_NOTHING)


# Lifting off


@pytest.mark.both_engines
def test_layers_are_lifted_off_both_ends_in_their_order_with_what_was_seen(engine: Engine) -> None:
    bench_ = opened(engine)
    base = bench_.pile.base

    first = bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, note="stuck a little")
    second = bench_.do(
        lift_off,
        end=End.FIXED,
        findings=[FindingEntry("cracked", 2, "port fuel in", "hair fine"), FindingEntry("wet")],
    )

    lab = bench_.lab
    free, fixed = lab.get(Step, first), lab.get(Step, second)
    assert (free.part_id, free.exposed_part_id) == (base[-1].part, base[-2].part)
    assert (fixed.part_id, fixed.exposed_part_id) == (base[0].part, base[1].part)
    assert free.note == "stuck a little"
    assert where(lab, base[0].part) == ("lifted off", None)
    assert [layer.part for layer in bench_.pile.layers] == [x.part for x in base[1:-1]]
    with Session(engine) as session:
        seen = session.execute(
            select(Finding.condition, Finding.severity, Finding.where, Finding.note)
            .where(Finding.part_id == base[0].part)
            .order_by(Finding.id)
        ).all()
    assert seen == [("cracked", 2, "port fuel in", "hair fine"), ("wet", None, "", "")]


@pytest.mark.parametrize(
    ("findings", "words"),
    [
        ((), "Say what was seen"),
        ((FindingEntry("none seen"), FindingEntry("wet")), "cannot stand beside"),
        ((FindingEntry("not inspected", 1),), "has no severity"),
        ((FindingEntry("pinhole"),), "pinhole.*one of: bowed"),
        ((FindingEntry("wet", 4),), "0 to 3"),
        ((FindingEntry("wet"), FindingEntry("wet")), "named twice"),
    ],
)
def test_findings_make_one_answer(
    engine: Engine, findings: tuple[FindingEntry, ...], words: str
) -> None:
    bench_ = opened(engine)

    with pytest.raises(Refused, match=words) as refused:
        bench_.do(lift_off, end=End.FREE, findings=findings)
    assert refused.value.field == "findings"


def test_only_the_outermost_layer_is_lifted_and_a_wrong_scan_is_refused(engine: Engine) -> None:
    bench_ = opened(engine)
    base = bench_.pile.base

    with pytest.raises(Refused, match="is outermost at the free end"):
        bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, part_id=base[-2].part)
    with pytest.raises(Refused, match="needs a correction"):
        bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, scanned=base[0].label)
    bench_.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, scanned=base[-1].label.lower())
    assert len(bench_.pile.layers) == len(base) - 1


def test_several_layers_are_lifted_down_to_one_each_an_entry(engine: Engine) -> None:
    bench_ = opened(engine)
    base, version = bench_.pile.base, bench_.record.version

    bench_.do(lift_off_down_to, end=End.FREE, part_id=base[-5].part, condition="none seen")

    assert [x.part for x in bench_.pile.layers] == [x.part for x in base[:-5]]
    assert [x.layer.part for x in bench_.pile.lifted] == [x.part for x in base[:-6:-1]]
    assert bench_.record.version == version + 1
    with Session(engine) as session:
        found = session.scalars(select(Finding.condition)).all()
    assert found == ["none seen"] * 5
    with pytest.raises(Refused, match="several layers at once"):
        bench_.do(lift_off_down_to, end=End.FREE, part_id=base[0].part, condition="wet")
    with pytest.raises(Refused, match="not in the pile"):
        bench_.do(lift_off_down_to, end=End.FREE, part_id=base[-1].part)


def test_more_can_be_noted_of_a_lifted_part_and_of_a_part_within(engine: Engine) -> None:
    bench_ = opened(engine)
    within = next(layer for layer in bench_.pile.base if layer.kind is Kind.MEA)
    stranger = a_part(bench_.lab, "mea")

    bench_.do(note_finding, part_id=within.part, findings=[FindingEntry("frame lifted", 1)])

    with pytest.raises(Refused, match="neither in this stack"):
        bench_.do(note_finding, part_id=stranger.id, findings=SEEN_NOTHING)


# Putting on


def test_a_scanned_part_is_put_on_and_is_then_fitted(engine: Engine) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, "mea", serial="TEL-M-0012")

    step_id = bench_.do(put_on, end=End.FREE, scanned="  tel-m-0012 ")

    step = bench_.lab.get(Step, step_id)
    assert (step.scanned, step.standing, step.facing) == ("tel-m-0012", True, Facing.EITHER)
    assert where(bench_.lab, part.id) == ("fitted", bench_.lab.stack_id)
    assert bench_.pile.layers[-1].label == "TEL-M-0012"


def test_a_gs1_code_is_understood_and_its_lot_compared(engine: Engine) -> None:
    bench_ = opened(engine)
    lot = a_lot(bench_.lab, "mea", label="M-4")
    a_part(bench_.lab, "mea", serial="TELM0012", lot=lot)

    with pytest.raises(Refused, match=r"the code says lot M-5.*of lot M-4"):
        bench_.do(put_on, end=End.FREE, scanned="(01)09506000134352(21)TELM0012(10)M-5")
    with pytest.raises(Refused) as refused:
        bench_.do(put_on, end=End.FREE, scanned="(01)09506000134353(21)TELM0012")
    assert refused.value.field == "scanned"
    bench_.do(put_on, end=End.FREE, scanned="(01)09506000134352(21)TELM0012(10)M-4")

    assert bench_.pile.layers[-1].label == "TELM0012"


@pytest.mark.parametrize("serial", ["(21)N-7", "(10)L-5", "(99999)x", "L-9 item 1"])
def test_a_serial_that_looks_like_something_else_is_still_a_serial(
    engine: Engine, serial: str
) -> None:
    bench_ = opened(engine)
    a_part(bench_.lab, "mea", serial=serial)

    bench_.do(put_on, end=End.FREE, scanned=serial.upper())

    assert bench_.pile.layers[-1].label == serial


def test_a_code_that_is_a_serial_and_holds_another_asks_which(engine: Engine) -> None:
    bench_ = opened(engine)
    a_part(bench_.lab, "mea", serial="N-7")
    plain = a_part(bench_.lab, "mea", serial="(21)N-7")

    with pytest.raises(Refused, match="several parts bear it") as refused:
        bench_.do(put_on, end=End.FREE, scanned="(21)N-7")
    assert "MEA N-7" in refused.value.right_would_be
    bench_.do(put_on, end=End.FREE, part_id=plain.id)

    assert bench_.pile.layers[-1].part == plain.id


def test_the_label_of_a_counted_item_means_that_item(engine: Engine) -> None:
    bench_ = opened(engine)
    lot = a_lot(bench_.lab, "gas_gasket", label="L-0001")
    a_part(bench_.lab, "gas_gasket", lot=lot)
    second = a_part(bench_.lab, "gas_gasket", lot=lot)

    bench_.do(put_on, end=End.FREE, scanned="l-0001 item 2")

    assert bench_.pile.layers[-1].part == second.id


def test_a_malformed_code_is_refused_with_what_is_wrong_in_it(engine: Engine) -> None:
    bench_ = opened(engine)

    with pytest.raises(Refused, match="application identifier") as refused:
        bench_.do(put_on, end=End.FREE, scanned="(99999)x")

    assert (refused.value.field, refused.value.value) == ("scanned", "(99999)x")


def test_a_serial_of_several_types_is_decided_by_type_or_choice(engine: Engine) -> None:
    bench_ = opened(engine)
    mea = a_part(bench_.lab, "mea", serial="0012")
    other = a_part(bench_.lab, "mea_directional", serial="0012")
    a_part(bench_.lab, "tie_rod", serial="0012")  # is no layer, so it is no choice

    with pytest.raises(Refused, match="several parts bear it") as refused:
        bench_.do(put_on, end=End.FREE, scanned="0012")
    assert "TEL-001" in refused.value.right_would_be
    assert "TEL-002" in refused.value.right_would_be
    assert "tie rod" not in refused.value.right_would_be

    bench_.do(put_on, end=End.FREE, scanned="0012", part_type_id=mea.part_type_id)
    with pytest.raises(Refused, match="which end its anode looks at"):
        bench_.do(put_on, end=End.FREE, part_id=other.id)
    with pytest.raises(Refused, match="which end its anode looks at"):
        bench_.do(put_on, end=End.FREE, part_id=other.id, facing=Facing.EITHER)
    bench_.do(put_on, end=End.FREE, part_id=other.id, facing=Facing.FREE_END)
    assert bench_.pile.layers[-1].facing is Facing.FREE_END


@pytest.mark.parametrize(
    ("type_name", "given", "words"),
    [
        ("tie_rod", {}, "is a tie rod, which is no layer of a pile"),
        ("mea", {"whereabouts": Whereabouts.SCRAPPED}, "it is scrapped"),
        ("mea", {"whereabouts": Whereabouts.MISSING}, "cannot be found"),
        ("mea", {"whereabouts": Whereabouts.AWAY}, "it is away"),
        ("mea", {"whereabouts": Whereabouts.EXPECTED}, "has not been received"),
        ("mea", {"usability": Usability.NOT_INSPECTED}, "has not been inspected"),
        ("mea", {"usability": Usability.REJECTED}, "rejected.*or a concession"),
    ],
)
def test_a_part_that_cannot_be_used_is_refused(
    engine: Engine, type_name: str, given: dict[str, Any], words: str
) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, type_name, **given)

    with pytest.raises(Refused, match=words):
        bench_.do(put_on, end=End.FREE, scanned=part.serial)


@pytest.mark.both_engines
def test_a_part_fitted_elsewhere_is_refused_and_told_where(engine: Engine) -> None:
    bench_ = opened(engine)
    lab = bench_.lab
    own = next(layer for layer in bench_.pile.base if layer.kind is Kind.MEA)

    def another(session: Session) -> str:
        stack = builders.a_stack(session, cells=1, serial="TARN-007")
        return session.scalars(
            select(Part.serial).where(Part.stack_id == stack.id, Part.serial.like("M-%"))
        ).one()

    with pytest.raises(Refused, match=r"fitted in TARN-007, layer 6"):
        bench_.do(put_on, end=End.FREE, scanned=lab.rows(another))
    with pytest.raises(Refused, match="in this stack already"):
        bench_.do(put_on, end=End.FREE, scanned=own.label)


def test_an_unknown_serial_and_no_serial_at_all_are_refused(engine: Engine) -> None:
    bench_ = opened(engine)

    with pytest.raises(Refused, match=r"TEL-X-1.*or add the part first"):
        bench_.do(put_on, end=End.FREE, scanned="TEL-X-1")
    with pytest.raises(Refused, match="nothing is scanned"):
        bench_.do(put_on, end=End.FREE)


def test_a_part_reserved_for_another_stack_is_refused(engine: Engine) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, "mea")
    other = bench_.lab.rows(lambda s: builders.a_stack(s, serial="TARN-009")).id
    set_on(bench_.lab, Part, part.id, reserved_for_stack_id=other)

    with pytest.raises(Refused, match="reserved for TARN-009"):
        bench_.do(put_on, end=End.FREE, scanned=part.serial)

    set_on(bench_.lab, Part, part.id, reserved_for_stack_id=bench_.lab.stack_id)
    bench_.do(put_on, end=End.FREE, scanned=part.serial)


def test_a_concession_allows_one_use_of_a_held_part_and_is_used_up(engine: Engine) -> None:
    bench_ = opened(engine)
    lab = bench_.lab
    part = a_part(lab, "mea", usability=Usability.REJECTED)
    concession = a_concession(lab, part_id=part.id)

    bench_.do(put_on, end=End.FREE, scanned=part.serial)
    assert lab.get(Concession, concession).used_in_record_id == bench_.number

    bench_.do(undo_last)
    assert lab.get(Concession, concession).used_in_record_id is None


def test_counted_items_are_taken_from_a_lot_until_it_is_empty(engine: Engine) -> None:
    bench_ = opened(engine)
    lot = a_lot(bench_.lab, "gas_gasket", label="G-31", quantity=2)

    bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    bench_.do(put_on, end=End.FREE, scanned="g-31")

    assert [layer.label for layer in bench_.pile.layers[-2:]] == ["G-31 item 1", "G-31 item 2"]
    with pytest.raises(Refused, match="all its 2 items were taken"):
        bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    bench_.do(undo_last)
    bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    assert bench_.pile.layers[-1].label == "G-31 item 2"


@pytest.mark.both_engines
def test_an_expired_lot_is_refused_without_a_concession(engine: Engine) -> None:
    bench_ = opened(engine)
    lot = a_lot(bench_.lab, "gas_gasket")
    set_on(bench_.lab, Lot, lot.id, expires_at=WORK_BEGAN - timedelta(days=1))

    with pytest.raises(Refused, match="expired on"):
        bench_.do(put_on, end=End.FREE, lot_id=lot.id)

    concession = a_concession(bench_.lab, lot_id=lot.id)
    bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    bench_.do(put_on, end=End.FREE, lot_id=lot.id)
    bench_.do(undo_last)
    used = bench_.lab.get(Concession, concession).used_in_record_id
    assert used == bench_.number  # the first item still stands on it


def test_a_lifted_layer_can_be_put_back_even_a_counted_one(engine: Engine) -> None:
    bench_ = opened(engine)
    base = bench_.pile.base
    lifted = bench_.lift(count=4)
    gasket = next(x for x in bench_.pile.lifted if x.layer.kind is Kind.GASKET).layer

    bench_.do(put_on, end=End.FIXED, part_id=gasket.part)

    assert bench_.pile.layers[0].part == gasket.part
    assert {x.layer.part for x in bench_.pile.lifted} == set(lifted) - {gasket.part}
    assert len(base) == len(bench_.pile.layers) + len(bench_.pile.lifted)


def test_a_first_build_is_stacked_without_opening_anything(engine: Engine) -> None:
    lab = a_lab(engine, cells=0)
    bench_ = lab.begin(RecordKind.FIRST_BUILD)
    part = a_part(lab, "fuel_plate")

    with pytest.raises(Refused, match="opens nothing"):
        bench_.do(record_make_safe, line_number=1)
    with pytest.raises(Refused, match="opens nothing"):
        bench_.do(open_stack, hours=1.0)
    bench_.do(put_on, end=End.FREE, scanned=part.serial, facing=Facing.FREE_END)
    bench_.do(close_stack)

    assert bench_.record.closed_at is not None


# Fixings


def test_fixings_are_carried_over_and_exchanged_at_their_rod(engine: Engine) -> None:
    bench_ = opened(engine)
    new = a_part(bench_.lab, "tie_rod")
    carried = bench_.pile.fixings
    old = next(f for f in carried if f.kind is Kind.TIE_ROD and f.rod_number == 2)

    with pytest.raises(Refused, match=rf"tie rod {old.label} is fitted there.*Take it off first"):
        bench_.do(fit_fixing, rod_number=2, scanned=new.serial)
    bench_.do(remove_fixing, part_id=old.part)
    bench_.do(fit_fixing, rod_number=2, scanned=new.serial)

    assert where(bench_.lab, old.part) == ("lifted off", None)
    assert {(f.part, f.rod_number) for f in bench_.pile.fixings} == {
        (f.part, f.rod_number) for f in carried if f is not old
    } | {(new.id, 2)}


@pytest.mark.parametrize(
    ("type_name", "place", "words"),
    [
        ("tie_rod", {"rod_number": 99}, "no such rod.*Rods 1 to 4"),
        ("tie_rod", {"end": End.FREE}, "it goes to a rod"),
        ("compression_plate", {"rod_number": 1}, "it goes to an end"),
        ("mea", {"rod_number": 1}, "which is no fixing"),
        ("tie_rod", {}, "at which rod"),
    ],
)
def test_a_fixing_goes_where_it_belongs(
    engine: Engine, type_name: str, place: dict[str, Any], words: str
) -> None:
    bench_ = opened(engine)
    part = a_part(bench_.lab, type_name)

    with pytest.raises(Refused, match=words):
        bench_.do(fit_fixing, scanned=part.serial, **place)


def test_nuts_of_one_lot_are_fitted_to_several_rods_at_once(engine: Engine) -> None:
    bench_ = opened(engine)
    lot = a_lot(bench_.lab, "nut", label="N-1", quantity=8)
    before = len(bench_.pile.fixings)

    bench_.do(fit_from_lot, lot_id=lot.id, rod_numbers=[1, 2, 3], each=2)

    assert len(bench_.pile.fixings) == before + 6
    with pytest.raises(Refused, match="all its 8 items were taken"):
        bench_.do(fit_from_lot, lot_id=lot.id, rod_numbers=[4], each=3)
    assert len(bench_.pile.fixings) == before + 6


# Torque


def reading(lab: Lab, **given: Any) -> dict[str, Any]:
    """One closing reading, as set."""
    return {
        "rod_number": 1,
        "pass_number": 3,
        "stage": Stage.CLOSING,
        "kind": ReadingKind.SET,
        "instrument_id": lab.driver_id,
        "entered": "9,0",
    } | given


def test_a_torque_is_kept_in_newton_metres_and_as_it_was_typed(engine: Engine) -> None:
    bench_ = opened(engine)

    bench_.do(read_torque, **reading(bench_.lab))
    bench_.do(read_torque, **reading(bench_.lab, rod_number=2, entered="79.7 in-lb"))
    bench_.do(read_torque, **reading(bench_.lab, rod_number=3, entered="", torque_nm=9.1))

    with Session(engine) as session:
        rows = session.scalars(
            select(TorqueReading)
            .where(TorqueReading.record_id == bench_.number)
            .order_by(TorqueReading.rod_number)
        ).all()
    assert [(round(r.torque_nm, 3), r.entered) for r in rows] == [
        (9.0, "9,0 N·m"),
        (9.005, "79.7 in-lb"),
        (9.1, "9.1 N·m"),
    ]
    assert all(row.calibration_id is not None and row.concession_id is None for row in rows)


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({"rod_number": 7}, "rod_number", "no such rod"),
        ({"pass_number": 0}, "pass_number", "count from 1"),
        ({"entered": "0"}, "entered", "more than zero"),
        ({"entered": "-9"}, "entered", "more than zero"),
        ({"entered": "tight"}, "entered", "a number such as 8.5"),
        ({"entered": ""}, "torque_nm", "no torque is given"),
        ({"entered": "9 bar"}, "entered", "the unit is bar"),
        ({"entered": "1.5"}, "entered", "TD-9 reads 2 to 20 N·m"),
        ({"entered": "25"}, "entered", "TD-9 reads 2 to 20 N·m"),
        ({"entered": "9", "torque_nm": 8.0}, "entered", "One of the two is wrong"),
        ({"stage": Stage.AS_FOUND}, "taken_at", "As found means before that"),
        ({"taken_at": WORK_BEGAN}, "taken_at", "A closing reading is taken after"),
    ],
)
def test_a_torque_reading_is_refused(
    engine: Engine, given: dict[str, Any], field: str, words: str
) -> None:
    bench_ = opened(engine)

    with pytest.raises(Refused, match=words) as refused:
        bench_.do(read_torque, **reading(bench_.lab, **given))
    assert refused.value.field == field


def test_a_torque_far_above_the_target_is_taken_for_another_unit(engine: Engine) -> None:
    bench_ = opened(engine)
    wide = bench_.lab.rows(lambda s: builders.a_torque_instrument(s, label="TD-WIDE"))
    set_on(bench_.lab, Instrument, wide.id, range_most=200.0)

    with pytest.raises(RefusedTogether, match="80 in·lbf would be near it"):
        bench_.do(read_torque, **reading(bench_.lab, entered="80", instrument_id=wide.id))
    bench_.do(read_torque, **reading(bench_.lab, entered="80 in·lbf", instrument_id=wide.id))


def test_torque_is_read_as_found_before_opening_and_while_closing_after_it(
    engine: Engine,
) -> None:
    bench_ = a_lab(engine).begin()
    found = {"stage": Stage.AS_FOUND, "kind": ReadingKind.RESIDUAL}

    bench_.do(read_torque, **reading(bench_.lab, taken_at=WORK_BEGAN, **found))
    with pytest.raises(Refused, match="nothing is set before loosening"):
        bench_.do(read_torque, **reading(bench_.lab, stage=Stage.AS_FOUND))
    with pytest.raises(Refused, match="not opened yet"):
        bench_.do(read_torque, **reading(bench_.lab))

    bench_.open()
    bench_.do(read_torque, **reading(bench_.lab))
    # written down after the opening, taken before it
    bench_.do(read_torque, **reading(bench_.lab, rod_number=2, taken_at=WORK_BEGAN, **found))


def test_a_re_torque_needs_no_opening(engine: Engine) -> None:
    bench_ = a_lab(engine).begin(RecordKind.RE_TORQUE)

    bench_.do(read_torque, **reading(bench_.lab, kind=ReadingKind.RESIDUAL, pass_number=1))
    bench_.do(read_torque, **reading(bench_.lab, pass_number=2))


def test_a_nut_read_again_in_a_pass_keeps_both_readings(engine: Engine) -> None:
    bench_ = opened(engine)

    bench_.do(read_torque, **reading(bench_.lab, entered="8.7"))
    bench_.do(read_torque, **reading(bench_.lab, entered="9"))

    with Session(engine) as session:
        rows = session.scalars(
            select(TorqueReading.torque_nm)
            .where(TorqueReading.record_id == bench_.number, TorqueReading.known_until.is_(None))
            .order_by(TorqueReading.id)
        ).all()
    assert rows == [8.7, 9.0]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"due_at": builders.START + timedelta(days=1)}, "was due on 2026-01-06"),
        ({"result": CalibrationResult.OUT_OF_TOLERANCE}, "found out of tolerance"),
        ({"done_at": NOW - timedelta(minutes=5)}, "had no calibration on"),
        ({"kind": InstrumentKind.MULTIMETER}, "it is a multimeter"),
    ],
)
def test_a_driver_that_may_not_be_used_is_refused(
    engine: Engine, given: dict[str, Any], words: str
) -> None:
    bench_ = opened(engine)
    driver = bench_.lab.rows(lambda s: builders.a_torque_instrument(s, **given))
    taken_at = NOW - timedelta(minutes=10)

    with pytest.raises(Refused, match=words) as refused:
        bench_.do(
            read_torque,
            **reading(bench_.lab, instrument_id=driver.id, taken_at=taken_at),
        )
    assert refused.value.field == "instrument_id"


@pytest.mark.both_engines
def test_a_concession_says_why_a_driver_out_of_calibration_was_used(engine: Engine) -> None:
    bench_ = opened(engine)
    lab = bench_.lab
    driver = lab.rows(
        lambda s: builders.a_torque_instrument(s, due_at=builders.START + timedelta(days=1))
    )
    concession = a_concession(lab, instrument_id=driver.id)

    bench_.do(read_torque, **reading(lab, instrument_id=driver.id))
    bench_.do(read_torque, **reading(lab, instrument_id=driver.id, rod_number=2))

    with Session(engine) as session:
        rows = session.scalars(
            select(TorqueReading).where(TorqueReading.record_id == bench_.number)
        ).all()
    assert {(r.calibration_id, r.concession_id) for r in rows} == {(None, concession)}
    bench_.do(undo_last)
    assert lab.get(Concession, concession).used_in_record_id == bench_.number
    bench_.do(undo_last)
    assert lab.get(Concession, concession).used_in_record_id is None


def test_a_driver_withdrawn_from_use_is_refused_even_with_a_concession(engine: Engine) -> None:
    bench_ = opened(engine)
    set_on(bench_.lab, Instrument, bench_.lab.driver_id, in_use=False)
    a_concession(bench_.lab, instrument_id=bench_.lab.driver_id)

    with pytest.raises(Refused, match="withdrawn from use"):
        bench_.do(read_torque, **reading(bench_.lab))
