"""A closing computed from its parts and readings, checked a second way by the bare functions."""

import json
from collections.abc import Sequence
from dataclasses import replace

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from service.closing.arithmetic.clamp_changes import warmed
from service.closing.arithmetic.closing import FORMULAS, closing
from service.closing.arithmetic.closing_inputs import (
    ClosingType,
    Placed,
    inputs_as_data,
    inputs_from_data,
    pile_of,
)
from service.closing.arithmetic.levelling import beds_of
from service.closing.arithmetic.outcome import (
    ClosingOutcome,
    judge_closing,
    judged_by,
    outcome_as_data,
    outcome_from_data,
)
from service.limits.arithmetic.limits import Limit, Quantity
from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer
from service.physics.arithmetic.clamping import TorqueValue, preload, preloads
from service.physics.arithmetic.elastic_bed import ActiveArea
from service.physics.arithmetic.gap_balance import BedOf, Gap, GasketOf
from service.physics.arithmetic.part_stiffness import Seal, Stiff
from service.physics.arithmetic.pressure_map import RodLoad, pressure_map
from service.physics.arithmetic.springs import ClosedState, close_stack
from service.platform.arithmetic.material_curves import Power, Soft
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Joint, Kind, Press, ReadingKind
from tests.closing.arithmetic.closings import (
    CLAMP,
    COLLECTOR,
    COOLANT,
    DISC,
    END,
    FIGURES,
    GASKET,
    GDL,
    INSULATOR,
    MEA,
    PLACES,
    PLATE,
    RODS,
    RUBBER,
    a_closing,
    a_pile,
    all_read,
    reading,
)


def by_hand(cells: int = 4) -> Assembly:
    """The same stack, put together by hand: the frame lessens the grooves of both gaskets."""
    cell = Gap(
        GasketOf(RUBBER, 1.4e-3, 0.9e-3, 0.5, u_height_m=16e-6, expansion_1_k=2e-4),
        BedOf(GDL, 0.45e-3, 100e-4, u_thickness_m=4e-6, expansion_1_k=2e-5),
        0.15e-3,
    )
    coolant = Gap(GasketOf(RUBBER, 0.9e-3, 0.6e-3, 0.5), None, 0.0)
    return Assembly(
        (cell,) * cells,
        CLAMP.rods(8, 150.0, DISC.stiffness),  # type: ignore[arg-type]
        (RigidLayer("half plates", 2e-3, 2 * cells, 10e9, 150e-4, 5e-6, 4e-6),),
        (coolant,) * (cells + 1),
        (
            RigidLayer("collectors", 3e-3, 2, expansion_1_k=17e-6),
            RigidLayer("insulators", 5e-3, 2, expansion_1_k=8e-5),
            RigidLayer("compression plates", 25e-3, 2, expansion_1_k=23e-6, u_thickness_m=1e-5),
        ),
    )


def state_by_hand(torque_nm: float = 2.7) -> tuple[Assembly, ClosedState]:
    assembly = by_hand()
    force = preloads([TorqueValue(torque_nm, 0.04, 0.1)] * 8, CLAMP.law).total
    return assembly, close_stack(assembly, force, CLAMP.law)


def test_a_closing_is_the_spring_network_of_its_parts() -> None:
    _assembly, wanted = state_by_hand()
    assert wanted.gdl_pressure_pa is not None
    assert wanted.line_load_n_m is not None
    assert wanted.protrusion_m is not None

    found = closing(a_closing()).closed

    assert found is not None
    assert found.gdl_pressure_mpa is not None
    assert found.line_load_n_mm is not None
    assert found.protrusion_mm is not None
    assert found.gdl_pressure_mpa.value == pytest.approx(wanted.gdl_pressure_pa.value / 1e6)
    assert found.gdl_pressure_mpa.u == pytest.approx(wanted.gdl_pressure_pa.u / 1e6, rel=1e-3)
    assert found.line_load_n_mm.value == pytest.approx(wanted.line_load_n_m.value / 1e3)
    assert found.closed_height_mm.value == pytest.approx(wanted.closed_height_m.value * 1e3)
    assert found.closed_height_mm.u == pytest.approx(wanted.closed_height_m.u * 1e3, rel=1e-3)
    assert found.protrusion_mm.value == pytest.approx(wanted.protrusion_m.value * 1e3)
    assert found.nut_travel_mm == pytest.approx(wanted.nut_travel_m * 1e3)
    assert found.cells.gap_mm[0] == pytest.approx(wanted.cells[0].gap_m * 1e3)
    assert found.stiffness_n_mm == pytest.approx(wanted.stiffness_n_m / 1e3)


def test_force_and_share_of_proof_follow_from_torque_alone() -> None:
    found = closing(a_closing())

    assert found.force_n is not None
    assert found.force_n.value == pytest.approx(8 * 2.7 / (0.18 * 0.008))
    one = preload(TorqueValue(2.7, 0.04, 0.1), CLAMP.law)
    assert found.rods[0].preload_n.value == pytest.approx(one.value)
    assert found.rods[0].preload_n.u == pytest.approx(one.u)
    assert found.proof_percent is not None
    assert found.proof_percent.value == pytest.approx(100 * one.value / 21_200, rel=2e-3)


def test_the_force_is_shared_without_rest() -> None:
    closed = closing(a_closing(a_pile(thin={2: 0.40}))).closed

    assert closed is not None
    for gdl, gasket, stops in zip(
        closed.cells.share_gdl_percent,
        closed.cells.share_gasket_percent,
        closed.cells.on_stop,
        strict=True,
    ):
        assert stops or gdl + gasket == pytest.approx(100.0)


def test_a_thin_mea_is_the_cell_with_least_pressure() -> None:
    closed = closing(a_closing(a_pile(6, thin={4: 0.41}))).closed

    assert closed is not None
    assert closed.least_gdl_mpa is not None
    assert closed.greatest_gdl_mpa is not None
    assert closed.least_gdl_mpa.cell == 4
    assert closed.least_gdl_mpa.value.value < closed.greatest_gdl_mpa.value.value
    assert closed.cells.numbers == (1, 2, 3, 4, 5, 6)


def test_the_warm_state_is_that_of_the_bare_function() -> None:
    assembly, state = state_by_hand()
    wanted = warmed(assembly, state, 50.0)

    found = closing(a_closing()).warm

    assert found is not None
    assert (found.from_c, found.to_c) == (20.0, 70.0)
    assert found.force_after_n == pytest.approx(wanted.force_after_n, rel=1e-6)
    assert found.gdl_after_mpa == pytest.approx(wanted.gdl_pressure_after_pa / 1e6)  # type: ignore[operator]
    warmer_start = closing(a_closing(temperature_c=30.0)).warm
    assert warmer_start is not None
    assert warmer_start.from_c == 30.0


def test_the_wanted_torque_gives_the_middle_of_the_limits() -> None:
    found = closing(a_closing())
    assert found.wanted is not None

    again = closing(a_closing(readings=all_read(found.wanted.torque_nm.value))).closed

    assert again is not None
    assert again.gdl_pressure_mpa is not None
    assert found.wanted.gdl_pressure_mpa == 1.5
    assert again.gdl_pressure_mpa.value == pytest.approx(1.5, rel=1e-6)


def tilted(nm_per_mm: float = 0.004) -> tuple[float, ...]:
    """More torque on the side of x above zero."""
    return tuple(2.7 + nm_per_mm * x for x, _y in PLACES)


def by_torques(torques: Sequence[float]) -> ClosingOutcome:
    return closing(a_closing(readings=[reading(at, nm) for at, nm in enumerate(torques, 1)]))


def test_the_map_is_that_of_the_bare_function() -> None:
    torques = tilted()
    assembly, state = state_by_hand()
    area = ActiveArea(0.08, 0.125)
    rods = [
        RodLoad(at, x / 1e3, y / 1e3, nm / (0.18 * 0.008))
        for at, (nm, (x, y)) in enumerate(zip(torques, PLACES, strict=True), 1)
    ]
    wanted = pressure_map(rods, area, beds_of(assembly, state, area, 8e-3))

    found = by_torques(torques).map

    assert found is not None
    assert found.ratio.value == pytest.approx(wanted.ratio, rel=1e-5)
    assert found.mean_mpa == pytest.approx(wanted.mean_pa / 1e6, rel=1e-5)
    assert found.resultant_mm == pytest.approx([1e3 * m for m in wanted.resultant_m], abs=1e-6)
    assert found.pressures_mpa[3] == pytest.approx([p / 1e6 for p in wanted.pressures[3]])


def test_torques_alone_give_a_map_and_no_advice_how_to_level() -> None:
    """The map leans as the loads do; which nut to turn takes measured heights."""
    found = by_torques(tilted())

    assert found.map is not None
    assert found.map.resultant_mm[0] > 0
    assert found.map.pressures_mpa[0][0] < found.map.pressures_mpa[0][-1]
    assert found.levelling is None
    assert found.corners == ()


def test_equal_nuts_press_evenly() -> None:
    found = closing(a_closing())
    assert found.map is not None

    assert found.map.ratio.value == pytest.approx(1.0)


def test_while_readings_come_in_the_force_of_those_read_is_shown() -> None:
    found = closing(a_closing(readings=all_read()[:5]))

    assert found.nuts_read == "5 of 8 nuts read in pass 3 of 3"
    assert not found.is_complete
    assert found.force_n is not None
    assert found.force_n.value == pytest.approx(5 * 2.7 / (0.18 * 0.008))
    assert found.closed is None
    assert "closed state: 5 of 8 nuts read in pass 3 of 3" in found.not_computed
    assert found.wanted is not None
    assert found.verdict is Verdict.UNDECIDED


def test_before_the_last_pass_is_read_nothing_is_judged_or_mapped() -> None:
    """Every nut has a reading, but not every nut in the last pass: the clamp is between passes."""
    before = [reading(rod, pass_number=2) for rod in range(1, 9)]
    found = closing(a_closing(readings=[*before, *all_read()[:3]]))

    assert found.is_complete
    assert not found.is_last_pass_read
    assert found.nuts_read == "3 of 8 nuts read in pass 3 of 3"
    assert found.closed is not None
    assert found.map is None
    assert found.judged
    assert {judged.verdict for judged in found.judged} == {Verdict.UNDECIDED}
    assert found.verdict is Verdict.UNDECIDED
    assert "verdicts: they come when every nut is read in pass 3" in found.not_computed

    whole = closing(a_closing(readings=[*before, *all_read()]))
    assert whole.nuts_read == "8 of 8 nuts read in pass 3 of 3"
    assert whole.map is not None
    assert whole.verdict is Verdict.PASS


def test_no_reading_at_all_is_no_trouble() -> None:
    found = closing(a_closing(readings=[]))

    assert (found.rods_read, found.force_n, found.closed) == (0, None, None)
    assert found.wanted is not None


def test_each_nut_counts_with_its_last_reading_of_whatever_pass() -> None:
    first = [reading(rod.number, 1.0, pass_number=1) for rod in RODS]
    mixed = closing(a_closing(readings=[*first, *all_read()[:3]]))

    assert mixed.force_n is not None
    assert mixed.force_n.value == pytest.approx((3 * 2.7 + 5 * 1.0) / (0.18 * 0.008))
    assert mixed.closed is not None
    assert [rod.pass_number for rod in mixed.rods] == [3, 3, 3, 1, 1, 1, 1, 1]


def test_a_breakaway_torque_gives_no_preload() -> None:
    odd = reading(3, 9.0, kind=ReadingKind.BREAKAWAY)

    beside = closing(a_closing(readings=[*all_read(), odd]))
    alone = closing(a_closing(readings=[odd]))

    assert beside.force_n == closing(a_closing()).force_n
    assert "preload from the breakaway torque of rod 3: it says none" in beside.not_computed
    assert alone.force_n is None


@pytest.mark.parametrize(
    ("part", "said"),
    [
        (MEA, "MEA M1: stress against strain"),
        (GASKET, "gasket G1: line load against squeeze"),
        (COOLANT, "gasket W1: line load against squeeze"),
    ],
)
def test_what_is_not_known_is_named_and_the_rest_is_computed(part: ClosingType, said: str) -> None:
    whole = a_pile()
    without = tuple(replace(it, stiffness=None) if it == part else it for it in whole.types)

    found = closing(a_closing(replace(whole, types=without)))

    assert any(said in sentence for sentence in found.not_computed)
    assert found.closed is None
    assert found.force_n is not None
    assert found.proof_percent is not None


def test_missing_disc_springs_and_compression_plates_are_named() -> None:
    no_disc = closing(a_closing(disc=None))
    no_plates = closing(a_closing(replace(a_pile(), plates=())))

    assert any("disc springs (none is named)" in said for said in no_disc.not_computed)
    assert any("compression plates" in said for said in no_plates.not_computed)


def test_plates_without_stiffness_are_rigid_but_not_warmed() -> None:
    whole = a_pile()
    without = tuple(replace(it, stiffness=None) if it == PLATE else it for it in whole.types)

    found = closing(a_closing(replace(whole, types=without)))

    assert found.closed is not None
    assert found.warm is None
    assert any("expansion is not known of half plate" in said for said in found.not_computed)


def test_no_figures_no_numbers_no_error() -> None:
    found = closing(a_closing(figures=replace(FIGURES, clamp=None, limits=())))

    assert found.not_computed == ("clamp: the design has no figures for it in force",)
    assert found.verdict is None


def test_a_torque_beyond_the_curves_is_said_not_raised() -> None:
    found = closing(a_closing(readings=all_read(60.0)))

    assert found.closed is None
    assert found.force_n is not None
    assert any(said.startswith("closed state: ") for said in found.not_computed)
    assert "A rod bears more than its proof load: it would stay longer." in found.remarks


def test_cells_on_their_hard_stop_have_no_map_and_are_named() -> None:
    high = replace(CLAMP, stop_gap_mm=0.42)

    found = closing(a_closing(figures=replace(FIGURES, clamp=high)))

    assert found.closed is not None
    assert found.map is None
    assert any("hard stop" in said for said in found.not_computed)
    assert any("Every cell stands on the hard stop" in said for said in found.remarks)


def stack_with(centre: Placed, gaskets: Sequence[ClosingType]) -> ClosingOutcome:
    """Three cells, the second of another kind."""
    layers = [Placed(INSULATOR), Placed(COLLECTOR), Placed(COOLANT)]
    for cell, middle in enumerate((Placed(MEA, 1), replace(centre, cell=2), Placed(MEA, 3)), 1):
        around = (GASKET, GASKET) if cell != 2 else gaskets
        layers += [Placed(PLATE, cell), *(Placed(it, cell) for it in around[:1]), middle]
        layers += [*(Placed(it, cell) for it in around[1:]), Placed(PLATE, cell), Placed(COOLANT)]
    layers += [Placed(COLLECTOR), Placed(INSULATOR)]
    return closing(a_closing(pile_of(layers, [Placed(END), Placed(END)])))


def test_a_stiff_blank_cell_carries_all_by_its_gaskets_or_stop() -> None:
    blank = Placed(ClosingType("B1", Kind.BLANK_CELL, 0.5, Stiff()))

    found = stack_with(blank, (GASKET, GASKET))

    assert found.closed is not None
    assert found.closed.cells.numbers == (1, 2, 3)
    assert found.closed.cells.gdl_pressure_mpa[1] == 0
    assert found.closed.cells.on_stop == (False, True, False)
    assert found.closed.least_gdl_mpa is not None
    assert found.closed.least_gdl_mpa.cell != 2


def test_a_blank_cell_nothing_is_known_of_is_named() -> None:
    found = stack_with(Placed(ClosingType("B1", Kind.BLANK_CELL, 0.5)), (GASKET, GASKET))

    assert any("blank cell B1: how it is pressed" in said for said in found.not_computed)


def test_two_unlike_gas_gaskets_are_combined_or_named() -> None:
    alike_back = Seal(Soft(Power(3000.0, 2.0), 0.1, 1.5), 0.6, 0.45, 480.0)
    other = ClosingType("G2", Kind.GASKET, 0.6, alike_back, Joint.GAS)
    unlike = replace(other, stiffness=replace(alike_back, soft=Soft(Power(3000.0))))

    combined = stack_with(Placed(MEA), (GASKET, other))
    named = stack_with(Placed(MEA), (GASKET, unlike))

    assert combined.closed is not None
    assert combined.closed.cells.line_load_n_mm[1] != combined.closed.cells.line_load_n_mm[0]
    assert named.closed is None
    assert any("cell 2: The two gas gaskets" in said for said in named.not_computed)


def test_what_a_nut_lost_is_read_from_two_readings_of_one_kind() -> None:
    again = [reading(rod, 2.43, minutes=35.0, driver="T-1") for rod in (1, 2)]

    found = closing(a_closing(readings=[*all_read(), *again]))

    assert [it.number for it in found.relaxation] == [1, 2]
    assert found.relaxation[0].lost_percent.value == pytest.approx(10.0)
    assert found.relaxation[0].minutes == 34.0
    assert found.mean_lost_percent is not None
    assert found.mean_lost_percent.value == pytest.approx(10.0)
    # one driver: its deviation cancels, the step of both readings is left
    assert found.relaxation[0].lost_percent.u < 2.0


def test_a_click_tool_says_nothing_of_what_a_nut_lost() -> None:
    """Two settings are alike whatever the nuts lost; so nothing is computed of them."""
    pressed = replace(reading(1, 2.7, minutes=35.0, driver="T-1"), press=Press.NOT_MOVED)

    found = closing(a_closing(readings=[*all_read(), pressed]))

    assert found.relaxation == ()
    assert found.rods_pressed == 1
    assert any("click tool: they count with its setting" in said for said in found.remarks)


RELAXATION_NOT_KNOWN = (
    "relaxation of rod 1: first read as set, then as residual torque, which cannot be compared"
)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"minutes": 20.0}, ""),  # before the settling time
        (
            {"minutes": 40.0, "kind": ReadingKind.RESIDUAL},
            RELAXATION_NOT_KNOWN,
        ),
    ],
)
def test_readings_that_do_not_compare_tell_no_relaxation(
    more: dict[str, object], said: str
) -> None:
    found = closing(a_closing(readings=[*all_read(), reading(1, 2.4, **more)]))

    assert found.relaxation == ()
    assert found.mean_lost_percent is None
    assert (said in found.not_computed) == bool(said)


def test_a_driver_without_its_own_figure_has_the_usual_one() -> None:
    usual = [replace(it, deviation_percent=None) for it in all_read()]

    found, known = closing(a_closing(readings=usual)), closing(a_closing())

    assert found.force_n is not None
    assert known.force_n is not None
    parts, before = dict(found.force_n.parts), dict(known.force_n.parts)
    assert parts["torque driver"] == pytest.approx(before["torque driver"] * 6 / 4)


def test_values_are_judged_with_the_source_of_each_limit() -> None:
    found = closing(a_closing())

    rows = [(it.quantity, it.of, it.verdict) for it in found.judged]
    assert rows == [
        (Quantity.GDL_PRESSURE, "mean of the cells", Verdict.PASS),
        (Quantity.GDL_PRESSURE, "least, cell 1", Verdict.PASS),
        (Quantity.GDL_PRESSURE, "greatest, cell 1", Verdict.PASS),
        (Quantity.SHARE_OF_PROOF, "the rod that bears most", Verdict.PASS),
        (Quantity.PROTRUSION, "", Verdict.PASS),
    ]
    assert {it.source for it in found.judged} == {"design note 7", "ISO 898-1, 70 %", "two threads"}
    assert found.verdict is Verdict.PASS


def test_other_limits_give_other_verdicts_of_the_same_closing() -> None:
    found = closing(a_closing())
    tighter = replace(FIGURES, limits=(Limit(Quantity.GDL_PRESSURE, 2.0, 3.0, "note 9"),))

    assert {it.verdict for it in judge_closing(found, tighter)} == {Verdict.FAIL}
    assert judged_by(found, tighter).verdict is Verdict.FAIL


def test_a_limit_without_a_value_leaves_the_closing_undecided() -> None:
    ratio = Limit(Quantity.PRESSURE_RATIO, 0.5, None, "note 2")
    flat = replace(CLAMP, area_width_mm=None, area_depth_mm=None)
    figures = replace(FIGURES, clamp=flat, limits=(*FIGURES.limits, ratio))

    found = closing(a_closing(figures=figures))

    assert found.verdict is Verdict.UNDECIDED
    assert "verdict on the pressure ratio: it has a limit, but no value" in found.not_computed
    assert any(said.startswith("pressure map: the figures name no") for said in found.not_computed)


def as_bytes(outcome: ClosingOutcome) -> bytes:
    return rfc8785.dumps(outcome_as_data(outcome))


def test_the_same_inputs_give_the_same_bytes_also_after_they_were_kept() -> None:
    inputs = a_closing(a_pile(thin={2: 0.43}), [*all_read(), reading(1, 2.5, minutes=40.0)])
    kept = json.loads(rfc8785.dumps(inputs_as_data(inputs)))

    assert as_bytes(closing(inputs_from_data(kept))) == as_bytes(closing(inputs))
    assert rfc8785.dumps(inputs_as_data(inputs_from_data(kept))) == rfc8785.dumps(kept)
    assert closing(inputs).formulas == FORMULAS


@given(st.lists(st.floats(0.5, 4.0), min_size=3, max_size=8), st.integers(1, 4))
def test_an_outcome_went_through_json_as_it_was(torques: list[float], cells: int) -> None:
    readings = [reading(at, nm) for at, nm in enumerate(torques, 1)]
    data = outcome_as_data(closing(a_closing(a_pile(cells), readings)))

    assert outcome_as_data(outcome_from_data(json.loads(json.dumps(data)))) == data


@given(st.permutations(range(8)), st.lists(st.floats(2.0, 3.0), min_size=8, max_size=8))
def test_neither_order_of_rods_nor_of_nuts_matters(order: list[int], torques: list[float]) -> None:
    straight = a_closing(readings=[reading(at, nm) for at, nm in enumerate(torques, 1)])
    mixed = replace(
        straight,
        rods=tuple(straight.rods[at] for at in order),
        readings=tuple(straight.readings[at] for at in order),
    )

    found, other = closing(straight), closing(mixed)

    assert found.closed is not None
    assert other.closed is not None
    assert found.closed.gdl_pressure_mpa is not None
    assert other.closed.gdl_pressure_mpa is not None
    assert other.closed.gdl_pressure_mpa.value == pytest.approx(found.closed.gdl_pressure_mpa.value)
    assert found.map is not None
    assert other.map is not None
    assert other.map.ratio.value == pytest.approx(found.map.ratio.value)


@given(st.floats(0.5, 4.0), st.floats(1.02, 1.5))
def test_more_torque_is_more_pressure_and_less_height(torque_nm: float, more: float) -> None:
    low = closing(a_closing(readings=all_read(torque_nm))).closed
    high = closing(a_closing(readings=all_read(torque_nm * more))).closed

    assert low is not None
    assert high is not None
    assert low.gdl_pressure_mpa is not None
    assert high.gdl_pressure_mpa is not None
    assert high.gdl_pressure_mpa.value > low.gdl_pressure_mpa.value
    assert high.closed_height_mm.value < low.closed_height_mm.value
    assert high.nut_travel_mm > low.nut_travel_mm


def test_nuts_count_as_read_where_nothing_of_the_clamp_is_known() -> None:
    """A design without figures says nothing of force, yet the nuts were read."""
    inputs = a_closing()
    known = replace(inputs, figures=replace(inputs.figures, clamp=None))

    found = closing(known)

    assert found.rods_read == len({reading.rod for reading in inputs.readings}) > 0
    assert found.force_n is None
    assert found.not_computed == ("clamp: the design has no figures for it in force",)
