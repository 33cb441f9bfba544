"""What a closing is computed from: parts, readings with their driver, what is not known."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.closing.arithmetic.closing import closing
from service.closing.arithmetic.closing_inputs import inputs_as_data, inputs_from_data
from service.closing.changes.torque import read_torque
from service.closing.queries.closing_inputs import ClosingGround, closing_ground
from service.closing.queries.closing_results import kept_result
from service.platform.arithmetic.vocabulary import Kind, ReadingKind, Stage
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.deviations import Stands
from service.records.changes.make_safe import record_exception
from service.records.queries.working_piles import working_pile
from service.records.tables import RecordKind
from service.stacks.tables import Layer, Stack
from service.store.tables import Calibration, Instrument, Part, PartType
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab
from tests.closing.closings import CLAMP, GIVES, give_stiffness, put_limits_in_force


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A stack of two cells, closed, its part types' stiffness known, limits in force."""
    lab = a_lab(engine)

    def know(session: Session) -> None:
        give_stiffness(session)
        put_limits_in_force(session, session.get_one(Stack, lab.stack_id).design_id)

    lab.rows(know)
    return lab


def ground(lab: Lab, record_id: int = 1) -> ClosingGround:
    with Session(lab.engine) as session:
        return closing_ground(session, record_id)


def a_closing(lab: Lab) -> Bench:
    """A record of that stack, opened and nothing lifted: to be closed again."""
    record = lab.begin()
    record.open()
    return record


def read(record: Bench, rod: int, torque_nm: float, number: int = 3, **more: Any) -> None:
    record.do(
        read_torque,
        rod_number=rod,
        pass_number=number,
        stage=more.pop("stage", Stage.CLOSING),
        kind=more.pop("kind", ReadingKind.SET),
        torque_nm=torque_nm,
        instrument_id=record.lab.driver_id,
        **more,
    )


def test_the_pile_lies_in_its_order_with_cells_and_plates(lab: Lab) -> None:
    inputs = ground(lab).inputs

    placed = inputs.pile.placed()

    assert [one.type.kind for one in placed][:5] == [
        Kind.INSULATOR_PLATE,
        Kind.CURRENT_COLLECTOR,
        Kind.GASKET,
        Kind.HALF_PLATE,
        Kind.GASKET,
    ]
    assert [one.cell for one in placed if one.type.kind is Kind.MEA] == [1, 2]
    assert [one.type.kind for one in inputs.pile.placed_plates()] == [Kind.COMPRESSION_PLATE] * 2
    assert {one.type.stiffness for one in placed if one.type.kind is Kind.MEA} == {GIVES["mea"]}
    assert inputs.disc is not None
    assert inputs.disc.stiffness == GIVES["disc_spring"]
    assert inputs.figures.clamp == CLAMP
    assert (inputs.active_area_cm2, inputs.rod_length_mm) == (100.0, 400.0)
    assert inputs.limits.endswith("version 1")


def test_a_part_measured_at_incoming_inspection_keeps_its_own_thickness(lab: Lab) -> None:
    """A thin MEA shows as a cell with less GDL pressure."""

    def measure(session: Session) -> None:
        thin = session.scalars(
            select(Part)
            .join(PartType, PartType.id == Part.part_type_id)
            .join(Layer, Layer.part_id == Part.id)
            .where(PartType.kind == Kind.MEA)
            .order_by(Layer.position.desc())
        ).first()
        assert thin is not None
        thin.measured_thickness_mm = 0.43

    lab.rows(measure)
    inputs = ground(lab).inputs
    closed = closing(inputs).closed

    assert [one.measured_mm for one in inputs.pile.placed() if one.type.kind is Kind.MEA] == [
        None,
        0.43,
    ]
    assert closed is not None
    assert closed.least_gdl_mpa is not None
    assert closed.least_gdl_mpa.cell == 2
    assert closed.cells.gdl_pressure_mpa[0] > closed.cells.gdl_pressure_mpa[1]


def test_readings_come_with_what_their_driver_is_known_to(lab: Lab) -> None:
    def know(session: Session) -> None:
        driver = session.get_one(Instrument, lab.driver_id)
        driver.accuracy_percent, driver.resolution, driver.unit = 3.0, 5.0, "cN·m"
        driver.range_least, driver.range_most = 200.0, 2000.0

    lab.rows(know)
    record = a_closing(lab)

    read(record, 1, 9.1)
    only = ground(lab, record.number).inputs.readings

    assert [(one.rod, one.torque_nm, one.driver) for one in only] == [(1, 9.1, "TD-9")]
    assert (only[0].deviation_percent, only[0].step_nm) == (3.0, 0.05)


def test_a_calibration_that_found_more_than_the_sheet_says_counts(lab: Lab) -> None:
    with Session(lab.engine) as session:
        session.execute(
            update(Instrument).where(Instrument.id == lab.driver_id).values(accuracy_percent=1.0)
        )
        found = session.scalars(
            select(Calibration).where(Calibration.instrument_id == lab.driver_id)
        ).one()
        again = Calibration(
            instrument_id=lab.driver_id,
            done_at=builders.START.replace(day=6),
            due_at=found.due_at,
            certificate="C-77",
            result=found.result,
            error_percent=-2.5,
            written_by_id=found.written_by_id,
            written_at=builders.START.replace(day=6),
        )
        session.add(again)
        session.commit()
    record = a_closing(lab)

    read(record, 1, 9.0)

    assert ground(lab, record.number).inputs.readings[0].deviation_percent == 2.5


def test_a_driver_of_which_nothing_is_known_is_taken_as_usual(lab: Lab) -> None:
    readings = ground(lab).inputs.readings

    assert len(readings) == 3 * 4
    assert {(one.deviation_percent, one.step_nm) for one in readings} == {(None, 0.0)}
    assert readings[0].minutes == 0
    assert readings[-1].minutes > 0


def test_a_reading_undone_or_as_found_does_not_count(lab: Lab) -> None:
    record = lab.begin()
    read(record, 1, 6.0, 1, stage=Stage.AS_FOUND, kind=ReadingKind.BREAKAWAY)
    record.open()
    read(record, 1, 9.0)
    read(record, 2, 8.7)
    record.do(undo_last)

    assert [(one.rod, one.torque_nm) for one in ground(lab, record.number).inputs.readings] == [
        (1, 9.0)
    ]


def test_a_re_torque_begins_with_the_readings_the_build_was_closed_with(lab: Lab) -> None:
    """So that what each nut lost can be told."""
    record = lab.begin(RecordKind.RE_TORQUE)
    assert not ground(lab, record.number).is_read

    read(record, 1, 8.4, 1, stands=Stands.STANDS, outside_because="as it had settled")
    found = ground(lab, record.number)
    lost = closing(found.inputs).relaxation

    assert found.is_read
    assert [one.torque_nm for one in found.inputs.readings if one.rod == 1] == [3, 6, 9, 8.4]
    assert [(one.number, one.first_nm, one.again_nm) for one in lost] == [(1, 9.0, 8.4)]
    assert lost[0].lost_percent.value == pytest.approx(100 * (1 - 8.4 / 9.0))


def test_soft_parts_pressed_before_are_named(lab: Lab) -> None:
    """Renewed gaskets are new; MEAs that went back in are not."""
    record = a_closing(lab)

    said = ground(lab, record.number).remarks

    assert len(said) == 1
    assert "2 MEAs" in said[0]
    assert ground(lab).remarks == ()


def test_what_an_earlier_closing_was_kept_to_press_counts(lab: Lab) -> None:
    """MEAs that stay in the pile come with the strain they have seen, and are not named."""
    first = a_closing(lab)
    for rod in (1, 2, 3, 4):
        read(first, rod, 9.4)
    first.do(close_stack, closed_at=lab.now)
    first.do(hand_in)
    with Session(lab.engine) as session:
        kept = kept_result(session, first.number)
    assert kept is not None
    outcome = kept.outcome
    assert outcome is not None
    assert outcome.closed is not None
    strain = outcome.closed.cells.gdl_strain_percent
    lab.now += timedelta(days=1)
    again = lab.begin(performed_from=lab.now)
    again.do(record_exception, reason="a test", done_at=lab.now)
    again.do(open_stack, opened_at=lab.now, hours=130.0)

    found = ground(lab, again.number)
    placed = found.inputs.pile.placed()

    assert [one.seen_percent for one in placed if one.type.kind is Kind.MEA] == pytest.approx(
        strain, abs=1e-5
    )
    assert all(one.seen_percent > 0 for one in placed if one.type.kind is Kind.GASKET)
    assert found.remarks == ()
    assert inputs_from_data(inputs_as_data(found.inputs)) == found.inputs


def test_a_clamp_that_was_not_released_has_seen_nothing_earlier(lab: Lab) -> None:
    found = ground(lab, lab.begin(RecordKind.RE_TORQUE).number)

    assert found.inputs.pile.seen == ()
    assert found.remarks == ()


def test_without_limits_in_force_nothing_of_the_clamp_is_computed(engine: Engine) -> None:
    lab = a_lab(engine)

    found = ground(lab)
    outcome = closing(found.inputs)

    assert found.limits is None
    assert outcome.closed is None
    assert "no figures" in outcome.not_computed[0]


def test_a_type_whose_stiffness_nobody_gave_is_named(lab: Lab) -> None:
    lab.rows(lambda session: give_stiffness(session, mea=None))

    outcome = closing(ground(lab).inputs)

    assert outcome.closed is None
    assert outcome.rods_read == 4
    assert any("MEA mea" in words for words in outcome.not_computed)


@pytest.mark.parametrize("cells", [2, 12])
def test_the_inputs_take_a_constant_number_of_statements(
    engine: Engine, statements: Callable[[], Any], cells: int
) -> None:
    lab = a_lab(engine, cells)
    lab.rows(give_stiffness)
    with Session(engine) as session:
        pile = working_pile(session, 1)
        with statements() as seen:
            closing_ground(session, 1, pile)

    assert len(seen) == 10
