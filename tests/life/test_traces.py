"""The trace of a failing MEA: who, with what, between what, and where its lots are today."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.closing.queries.build_torques import build_torques
from service.life.queries.traces import trace
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import Kind, Usability, Whereabouts
from service.records.tables import Involvement, RecordPerson, TorqueReading
from service.stacks.arithmetic.running_hours import Hours
from service.stacks.tables import Build
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.tables import Calibration, Hold, Instrument, Lot, Part
from tests import builders
from tests.builders import FIRST_CLOSING, START
from tests.stacks.test_part_lives import a_finding, part_at

DAY = timedelta(days=1)
COPIED = (
    *("record_id", "step_id", "rod_number", "pass_number", "stage", "kind", "entered"),
    *("instrument_id", "taken_at", "by_id"),
)


def a_failing_mea(session: Session) -> tuple[Part, Build, Build]:
    """An MEA of lot M-4, two builds in one stack; others of the lot elsewhere."""
    types = builders.the_part_types(session)
    lot = builders.a_lot(session, types.mea, label="M-4")
    mea = builders.a_part(session, types.mea, serial="MEA-7", lot=lot)
    builders.a_part(session, types.mea, serial="MEA-8", lot=lot)
    builders.a_part(
        session, types.mea, serial="MEA-9", lot=lot, whereabouts=Whereabouts.SCRAPPED,
        usability=Usability.REJECTED,
    )  # fmt: skip
    builder = builders.a_person(session, Role.BUILDER, name="Bo Lund")
    stack = builders.a_stack(session, serial="TEL-1")
    laid = builders.a_pile(session, stack, 2, meas=[mea, builders.a_part(session, types.mea)])
    first = builders.a_build(session, stack, laid=laid, builder=builder)
    witness = builders.a_person(session, Role.BUILDER, name="Wim Oke")
    session.add(
        RecordPerson(
            record_id=first.record_id, person_id=witness.id, involvement=Involvement.WITNESSED
        )
    )
    mea.whereabouts, mea.stack_id = Whereabouts.FITTED, stack.id
    second = builders.a_build(session, stack, hours=120, approved=False)
    session.flush()
    return mea, first, second


def a_calibration(
    session: Session, done_at: datetime, result: CalibrationResult, error: float = 0.0
) -> None:
    """A later calibration of the only torque driver."""
    tool = session.scalars(select(Instrument)).one()
    session.add(
        Calibration(
            instrument_id=tool.id,
            done_at=done_at,
            due_at=done_at + 365 * DAY,
            certificate="later",
            result=result,
            error_percent=error,
            written_by_id=builders.a_person(session, Role.QUALITY).id,
            written_at=done_at,
        )
    )
    session.flush()


def test_a_trace_tells_who_built_with_what_and_who_approved(engine: Engine) -> None:
    """Each build it sat in; what was not approved has no name."""
    with Session(engine) as session:
        mea, first, second = a_failing_mea(session)
        a_finding(session, second.record_id, mea.id, "pinhole")
        a_finding(session, second.record_id, part_at(session, first, 5), "extruded")

        traced = trace(session, mea.id)

        one, two = traced.builds
        assert (one.at_work.written_by, one.at_work.worked, one.at_work.witnessed) == (
            "Bo Lund",
            ("Bo Lund",),
            ("Wim Oke (named, not confirmed)",),
        )
        assert one.approved_by == "The supervisor (the-supervisor)"
        assert two.approved_by is None
        assert [rod.torque_nm for rod in one.torques.rods] == [9.0] * 4  # type: ignore[union-attr]
        assert next((label, f.condition) for label, f in one.findings) == ("MEA-7", "pinhole")
        assert {f.condition for _label, f in one.findings} == {"pinhole", "extruded"}
        assert two.findings == ()
        assert traced.hours == Hours(120)
        assert (one.sitting.cell, two.sitting.cell) == (1, 1)


def test_a_trace_tells_where_every_other_part_of_its_lots_is(engine: Engine) -> None:
    """Its own lot first, then gasket and plate lots around it; counted and by name."""
    with Session(engine) as session:
        mea, _first, _second = a_failing_mea(session)
        session.add(
            Hold(
                lot_id=mea.lot_id,
                reason="pinholes",
                placed_by_id=builders.a_person(session, Role.QUALITY).id,
                placed_at=START,
            )
        )
        session.flush()

        lots = trace(session, mea.id).lots

        own = lots[0]
        assert (own.label, own.is_own, own.total, own.held_because) == ("M-4", True, 2, "pinholes")
        assert [(m.label, m.whereabouts, m.usability) for m in own.members] == [
            ("MEA-8", Whereabouts.IN_STORE, Usability.ACCEPTED),
            ("MEA-9", Whereabouts.SCRAPPED, Usability.REJECTED),
        ]
        gas = next(lot for lot in lots if lot.part_type == "gas gasket")
        in_lot = session.scalars(select(Part).where(Part.lot_id == gas.id)).all()
        assert gas.total == len(in_lot) == len(gas.members)
        assert gas.fitted == 4
        assert gas.stacks == ("TEL-1",)
        assert [m.cell for m in gas.members[:4]] == [1, 1, 2, 2]
        assert {m.build_number for m in gas.members[:4]} == {2}
        assert {lot.kind for lot in lots} == {Kind.MEA, Kind.GASKET}
        assert session.get_one(Lot, gas.id).label == gas.label


@pytest.mark.both_engines
def test_readings_beside_the_target_are_named_with_their_spread(engine: Engine) -> None:
    """9.0 N·m with 5 % lets 9.45 pass and 9.5 not; the last pass counts."""
    with Session(engine) as session:
        _mea, first, _second = a_failing_mea(session)
        last = session.scalars(
            select(TorqueReading)
            .where(TorqueReading.record_id == first.record_id, TorqueReading.pass_number == 3)
            .order_by(TorqueReading.rod_number)
        ).all()
        for row, torque_nm in zip(last, (9.45, 9.5, 9.0, 8.0), strict=True):
            session.execute(
                update(TorqueReading)
                .where(TorqueReading.id == row.id)
                .values(known_until=row.taken_at + DAY)
            )
            session.add(
                TorqueReading(
                    **{column: getattr(row, column) for column in COPIED},
                    torque_nm=torque_nm,
                    known_from=row.taken_at + DAY,
                    replaces_id=row.id,
                )
            )
        session.flush()

        torques = build_torques(session, [first.id])[first.id]
        before = build_torques(session, [first.id], last[-1].taken_at)[first.id]

        assert [rod.rod_number for rod in torques.out_of_tolerance] == [2, 4]
        assert torques.spread_nm == pytest.approx(1.5)
        assert torques.mean_nm == pytest.approx(8.9875)
        assert before.spread_nm == 0


def test_a_driver_found_out_of_tolerance_afterwards_is_named(engine: Engine) -> None:
    """With the last good calibration before; a good one between clears the readings before it."""
    with Session(engine) as session:
        mea, _first, _second = a_failing_mea(session)
        good_at = FIRST_CLOSING + 10 * DAY
        bad_at = FIRST_CLOSING + 90 * DAY
        a_calibration(session, good_at, CalibrationResult.IN_TOLERANCE)
        a_calibration(session, bad_at, CalibrationResult.OUT_OF_TOLERANCE, error=-7.5)

        one, two = trace(session, mea.id).builds

        assert one.torques is not None
        assert two.torques is not None
        assert one.torques.instruments[0].found_out_at is None
        in_doubt = two.torques.instruments[0]
        assert (in_doubt.found_out_at, in_doubt.last_good_at, in_doubt.error_percent) == (
            bad_at,
            good_at,
            -7.5,
        )
        assert in_doubt.was_valid


@pytest.mark.parametrize("builds", [1, 4])
def test_a_trace_takes_as_many_statements_for_one_build_as_for_four(
    engine: Engine, statements: Callable[[], Any], builds: int
) -> None:
    """However long the life and large the lots."""
    with Session(engine) as session:
        stack = builders.a_stack(session, cells=2)
        for number in range(1, builds):
            builders.a_build(session, stack, hours=100.0 * number)
        mea = part_at(session, session.scalars(select(Build)).all()[0], 6)
        with statements() as seen:
            assert len(trace(session, mea).builds) == builds

    assert len(seen) == 20
