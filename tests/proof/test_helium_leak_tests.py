"""Leak tests with a helium leak detector: read against a calibrated leak, judged by both laws."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.limits.arithmetic.leak_figures import mbar_l_s, mol_s
from service.physics.arithmetic.tightness import Detection, TracerReadings, tracer_leak
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.verdicts import Verdict
from service.platform.database import reading
from service.platform.errors import Question, Refused
from service.proof.changes.stack_tests import record_leak_test
from service.proof.queries.build_verdicts import verdict_lines, verdicts_of_head
from service.proof.queries.stack_tests import made_in_record
from service.records.changes.deviations import Stands
from service.records.queries.records import record_head
from service.store.tables import Instrument
from tests import builders
from tests.proof.stack_testing import FIGURES, LEAK, ClosedStack, a_closed_stack
from tests.proof.test_part_leak_tests import OWN, Store, a_store
from tests.proof.test_stack_tests import made

Calling = Callable[..., Any]
VACUUM = {
    "set_up": "3",
    "method": "helium mass spectrometer",
    "gas": "helium",
    "barometer": "101.3 kPa",
    "zero": "absolute",
    "start_pressure": "0.01 kPa",
    "start_temperature": "20 °C",
    "helium_mode": "vacuum, helium all around",
    "helium_path": "coolant to outside",
    "helium_reading": "0.0102 mbar·L/s",
    "helium_background_before": "0.0002",
    "helium_background_after": "0.0002",
    "helium_calibrated": "0.01",
    "helium_calibrated_before": "0.0102",
    "helium_calibrated_after": "0.0102",
}
"""0.01 mbar·L/s of helium: by the laws of flow 0.0137 or 0.0019 of nitrogen at 50 kPa gauge."""


def a_detector(session: Session) -> int:
    kind = builders.InstrumentKind.HELIUM_DETECTOR
    detector: Instrument = builders.a_torque_instrument(session, kind=kind, unit="mbar·L/s")
    detector.range_least = detector.range_most = None
    detector.resolution = 1e-5
    session.flush()
    return detector.id


def with_helium(stack: ClosedStack, meter: int = 0, **more: Any) -> Any:
    """One helium test of the coolant circuit in vacuum; gives the newest test."""
    facts = {name: more.pop(name) for name in ("stands", "outside_because") if name in more}
    stack.bench.do(
        record_leak_test,
        typed=VACUUM | more,
        instrument_id=stack.tools.gauge,
        thermometer_id=stack.tools.thermometer,
        meter_id=meter or stack.lab.rows(a_detector),
        **facts,
    )
    return made(stack)[-1]


def test_the_reading_is_set_against_the_calibrated_leak_with_its_error() -> None:
    """By hand: (5.2 − 0.3) / ((1.4 + 1.2) / 2 − 0.3) × 2 / 0.5, in the unit of the certificate.

    Background ± 0.1 / √3, response ± 0.1 / 1.0 / √3 each evenly, certificate ± 5 %.
    """
    leak = tracer_leak(
        TracerReadings(5.2, (0.2, 0.4), (1.4, 1.2), 2.0, u_calibrated=0.05, share=0.5)
    )

    assert leak.rate.value == pytest.approx(4.9 / 1.0 * 2.0 / 0.5)
    shares = (0.1 / 3**0.5 / 4.9, 0.4 / 2 / 1.0 / 3**0.5, 0.05)
    assert leak.rate.u / leak.rate.value == pytest.approx(sum(s * s for s in shares) ** 0.5)
    assert leak.detection is Detection.SEEN
    with pytest.raises(OutOfRange, match="more than the background"):
        TracerReadings(5.2, (0.2, 0.4), (1.4, 0.4), 2.0)


@pytest.mark.both_engines
def test_helium_all_around_passes_by_both_laws_and_is_told_in_every_unit(engine: Engine) -> None:
    stack = a_closed_stack(engine)

    test = with_helium(stack)

    assert test.verdict is Verdict.PASS
    (path,) = test.result.paths
    assert path.rate.in_mbar_l_s.value == pytest.approx(0.01)
    assert path.rate.u_mol_s == pytest.approx(mol_s(0.01) * 0.1 / 3**0.5, rel=0.01)
    first = test.lines[0]
    assert first.what == "helium found"
    assert first.aside == (
        "0.552 ± 0.064\u2009mL/min at 0 °C, 101.325 kPa;"
        " 0.276 ± 0.032\u2009mL/min for each of 2 cells"
    )
    assert test.what == "set-up 3, coolant, helium by vacuum, helium all around"
    assert [tool.kind for tool in test.tools][-1] == "helium leak detector"


@pytest.mark.parametrize(
    ("reading_", "verdict"),
    [("0.1002", Verdict.UNDECIDED), ("0.5002", Verdict.FAIL), ("0.0502", Verdict.UNDECIDED)],
)
def test_it_fails_only_where_the_law_that_gives_least_is_above_the_limit(
    engine: Engine, reading_: str, verdict: Verdict
) -> None:
    """The limit is 0.05 of nitrogen; 0.1 of helium may be 0.137 or 0.019 of it."""
    assert with_helium(a_closed_stack(engine), helium_reading=reading_).verdict is verdict


def test_without_the_test_pressures_of_a_design_helium_decides_nothing(engine: Engine) -> None:
    """0.008 of helium is below 0.05 of nitrogen only if it is known at which pressure."""
    stack = a_closed_stack(engine, figures=replace(FIGURES, leak=replace(LEAK, circuits=())))
    detector = stack.lab.rows(a_detector)

    tight, leaks, rig = (
        with_helium(stack, detector, **more)
        for more in (
            {"helium_reading": "0.0082"},
            {"helium_reading": "5"},
            {"set_up": "1", "helium_path": "", "helium_reading": "0.0012"},
        )
    )

    assert {test.verdict for test in (tight, leaks, rig)} == {Verdict.UNDECIDED}
    (remark,) = tight.result.remarks
    assert remark.startswith("No test pressure of coolant is in force: without it helium cannot")
    assert "test pressure of anode, cathode, coolant is" in rig.result.remarks[0]


def test_a_spray_gun_and_a_sniffer_show_places_and_pass_nothing(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    detector = stack.lab.rows(a_detector)

    sprayed = with_helium(stack, detector, helium_mode="vacuum, helium sprayed")
    sniffed = with_helium(
        stack, detector, helium_mode="sniffer", zero="gauge", start_pressure="50 kPa"
    )
    fails = with_helium(stack, detector, helium_mode="vacuum, helium sprayed", helium_reading="1")

    assert (sprayed.verdict, sniffed.verdict) == (Verdict.UNDECIDED, Verdict.UNDECIDED)
    assert "does not sum up" in sprayed.result.remarks[0]
    assert fails.verdict is Verdict.FAIL


def test_a_response_that_drifted_passes_nothing(engine: Engine) -> None:
    test = with_helium(a_closed_stack(engine), helium_calibrated_after="0.0132")

    assert test.verdict is Verdict.UNDECIDED
    assert "read 26 % otherwise after the test than before" in test.result.remarks[0]


def test_a_helium_test_leaves_the_other_paths_of_its_set_up_alone(engine: Engine) -> None:
    """The pressure decay before it passed three paths; one fails by helium, two stand."""
    stack = a_closed_stack(engine)
    stack.leak(3)

    with_helium(stack, helium_reading="1.0")

    with reading(engine) as session:
        closed = verdicts_of_head(session, record_head(session, stack.bench.number))
        assert closed is not None
        now = {line.what: line.now for line in verdict_lines(closed)}
    assert now["leak coolant to outside"] is Verdict.FAIL
    assert now["leak between anode and coolant"] is Verdict.PASS
    stack.leak(3)
    with reading(engine) as session:
        closed = verdicts_of_head(session, record_head(session, stack.bench.number))
        assert closed is not None
        now = {line.what: line.now for line in verdict_lines(closed)}
    assert now["leak coolant to outside"] is Verdict.PASS, "a later test takes its place"


def test_what_cannot_be_is_refused_by_its_field(engine: Engine) -> None:
    stack = a_closed_stack(engine)
    detector = stack.lab.rows(a_detector)

    for typed, field in (
        ({"helium_calibrated_after": "0.0001"}, "helium_calibrated_after"),
        ({"helium_path": "anode to outside"}, "helium_path"),
        ({"helium_path": ""}, "helium_path"),
        ({"helium_reading": ""}, "helium_reading"),
        ({"helium_mode": ""}, "helium_mode"),
        ({"helium_percent": "0"}, "helium_percent"),
        ({"gas": "nitrogen"}, "gas"),
        ({"arrived_anode": "1"}, "arrived_anode"),
        ({"zero": "gauge"}, "zero"),
    ):
        with pytest.raises(Refused) as refused:
            with_helium(stack, detector, **typed)
        assert refused.value.field == field, typed
    with pytest.raises(Refused) as refused:
        with_helium(stack, stack.tools.meter)
    assert (refused.value.field, "flow meter" in refused.value.reason) == ("meter_id", True)


def test_evacuating_a_gas_circuit_beyond_what_the_membrane_bears_is_asked_about(
    engine: Engine,
) -> None:
    bears = replace(FIGURES, leak=replace(LEAK, most_across_kpa=55.0))
    stack = a_closed_stack(engine, figures=bears)
    anode = {"set_up": "4", "helium_path": "anode to outside"}

    with pytest.raises(Question, match="across the membrane; it bears at most 55 kPa"):
        with_helium(stack, **anode)
    test = with_helium(stack, **anode, stands=Stands.STANDS, outside_because="both evacuated")
    assert test.verdict is Verdict.PASS


def test_helium_finds_the_leak_of_a_pair_by_its_own_limit(engine: Engine) -> None:
    """Its own limit holds for helium as it was looked for: nothing is converted."""
    store: Store = a_store(engine)
    detector = store.lab.rows(a_detector)
    store.tools.meter = detector
    read = VACUUM | OWN | {"arrived_coolant": ""}

    tight = store.test(store.anode, store.cathode, typed=read | {"limit": "0.02"})
    leaks = store.test(store.anode, store.cathode, typed=read | {"limit": "0.004"})

    assert store.made(tight).verdict is Verdict.PASS
    assert store.made(leaks).verdict is Verdict.FAIL
    rate = store.made(tight).result.lost
    assert mbar_l_s(rate.rate_mol_s) == pytest.approx(0.01)


def test_a_limit_of_its_own_is_not_converted_beside_the_limits_of_a_design(engine: Engine) -> None:
    store: Store = a_store(engine)
    store.tools.meter = store.lab.rows(a_detector)
    read = VACUUM | OWN | {"arrived_coolant": ""}

    tight, leaks = (
        store.made(
            store.test(
                store.anode,
                store.cathode,
                typed=read | {"limit": limit},
                design_id=store.design_id,
            )
        )
        for limit in ("0.012", "0.004")
    )

    assert (tight.verdict, leaks.verdict) == (Verdict.PASS, Verdict.FAIL)


def test_machines_send_a_helium_test(calling: Calling, engine: Engine) -> None:
    stack = a_closed_stack(engine)
    detector = stack.lab.rows(a_detector)
    with Session(engine) as session:
        mark = {
            tool_id: session.get_one(Instrument, tool_id).label
            for tool_id in (stack.tools.gauge, stack.tools.thermometer, detector)
        }

    answer = calling("builder").post(
        f"/api/v1/records/{stack.bench.number}/leak-tests",
        json={
            "typed": VACUUM,
            "instrument": mark[stack.tools.gauge],
            "thermometer": mark[stack.tools.thermometer],
            "meter": mark[detector],
            "done_at": stack.lab.now.isoformat(),
        },
    )

    assert answer.status_code == 201, answer.text
    with reading(engine) as session:
        (test,) = made_in_record(session, stack.bench.number)
    assert test.verdict is Verdict.PASS
