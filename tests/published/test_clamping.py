"""Torque, preload, stress, scatter and the clamp on warming, against printed values."""

import pytest

from service.closing.arithmetic.clamp_changes import warmed
from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, Rods
from service.physics.arithmetic.clamping import (
    NutFactor,
    ThreadFriction,
    TorqueValue,
    nut_factor_of,
    permissible_deviation,
    preload,
    preloads,
    torque_for,
)
from service.physics.arithmetic.disc_springs import PlainSpring
from service.physics.arithmetic.gap_balance import BedOf, Gap
from service.physics.arithmetic.pressure_map import ActiveArea, RodLoad, pressure_map
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.springs import close_stack
from service.physics.arithmetic.threads import (
    BearingFace,
    breaking_torque,
    hexagon_bearing,
    strength,
    strength_classes,
    thread,
)
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.material_curves import Power, Soft
from tests.published.cases import cases

CASES = cases("clamping")


@pytest.mark.parametrize(
    ("case", "size", "grade"),
    [
        ("BT-01", "M8x1", "8.8"),
        ("BT-02", "M8x1", "10.9"),
        ("BT-05", "M8", "8.8"),
        ("BT-06", "M5", "8.8"),
        ("BT-09", "M8", "10.9"),
        ("BT-10", "M12", "8.8"),
    ],
)
def test_vdi_2230_preload_and_torque(case: str, size: str, grade: str) -> None:
    printed, bolt = CASES[case], thread(size)
    bearing = BearingFace(printed["d_w"] / 1e3, printed["d_h"] / 1e3)

    assert strength(grade, bolt).yield_strength_pa == printed["Rp02"] * 1e6
    assert bearing == hexagon_bearing(bolt)
    for friction in printed["mu_G=mu_K"]:
        law = ThreadFriction(bolt, bearing, friction, friction)
        found = greatest_tightening(law, bolt, strength(grade, bolt))
        printed.check(f"F_M_mu{friction:.2f}", found.preload_n / 1e3)
        printed.check(f"M_A_mu{friction:.2f}", found.torque_nm)


def test_simple_torque_relation() -> None:
    case = CASES["BT-11"]
    law = NutFactor(case["K"], case["d"] / 1e3)

    case.check("T", torque_for(case["F"] * 1e3, law).value)
    case.check("F_at_12Nm", preload(TorqueValue(12.0), law).value / 1e3)


def test_nut_factor_of_a_friction_coefficient() -> None:
    case = CASES["BT-12"]

    for at, friction in enumerate(case["mu"]):
        law = ThreadFriction(
            thread("M8"), BearingFace(case["d_w"] / 1e3, case["d_h"] / 1e3), friction, friction
        )
        case.check("K", nut_factor_of(law), at)


@pytest.mark.parametrize("size", ["M5", "M8", "M12"])
def test_stress_area_and_proof_load(size: str) -> None:
    case, bolt = CASES["BT-14"], thread(size)

    case.check(f"As_{size}", bolt.stress_area_m2 * 1e6)
    for grade in ("8.8", "10.9"):
        found = rod_stress(
            1000.0, bolt, strength(grade, bolt), NutFactor(0.2, bolt.nominal_diameter_m)
        )
        case.check(f"Fp_{grade}_{size}", found.proof_load_n)
        assert found.share_of_proof.value == pytest.approx(1000.0 / found.proof_load_n)


def test_minimum_tensile_load() -> None:
    case = CASES["BT-16"]

    for name, size, grade in (
        ("Fm_8.8_M8", "M8", "8.8"),
        ("Fm_10.9_M8", "M8", "10.9"),
        ("Fm_8.8_M6", "M6", "8.8"),
    ):
        bolt = thread(size)
        case.check(name, strength(grade, bolt).tensile_strength_pa * bolt.stress_area_m2)


def test_stainless_rods() -> None:
    case = CASES["BT-17"]

    for name, area, share in (
        ("F_yield_M6", case["As_M6"], 1.0),
        ("F_yield_M8", case["As_M8"], 1.0),
        ("F_70pct_M8", case["As_M8"], case["nu"]),
    ):
        stress = strength("A2-70", thread("M8")).yield_strength_pa
        case.check(name, share * stress * area * 1e-6 / 1e3)
    for size in ("M5", "M6", "M8", "M10", "M12"):  # from memory
        torque = breaking_torque("A2-70", thread(size))
        assert torque is not None
        CASES["BT-18"].check(size, torque)
    assert breaking_torque("8.8", thread("M8")) is None
    assert "A4-80" in strength_classes()


def test_permissible_deviation_of_torque_drivers() -> None:
    case = CASES["BT-25"]  # from memory

    case.check("up_to_10Nm", 100 * permissible_deviation(10.0))
    case.check("above_10Nm", 100 * permissible_deviation(10.1))


def test_rigid_plate_under_unequal_rods() -> None:
    case = CASES["CP-01"]
    rods = [
        RodLoad(at, x / 1e3, y / 1e3, force)
        for at, (x, y, force) in enumerate(case["rods_x_y_F"], 1)
    ]

    found = pressure_map(rods, ActiveArea(case["a"] / 1e3, case["b"] / 1e3))

    case.check("F", found.force_n)
    case.check("p_mean", found.mean_pa / 1e6)
    for at, corner in enumerate(found.corners_pa):
        case.check("p_corners", corner / 1e6, at)


def test_middle_third_rule() -> None:
    """The joint begins to open where the force acts a sixth of the length off the middle."""
    case = CASES["CP-03"]
    length, width = case["L"] / 1e3, case["A"] / case["L"] / 1e3
    share = case["e"] / case["L"]  # of the length, between rods at both ends
    force, apart = case["F"] * 1e3, length
    rods = [
        RodLoad(1, apart / 2, width / 2, force * (0.5 + share) / 2),
        RodLoad(2, apart / 2, -width / 2, force * (0.5 + share) / 2),
        RodLoad(3, -apart / 2, width / 2, force * (0.5 - share) / 2),
        RodLoad(4, -apart / 2, -width / 2, force * (0.5 - share) / 2),
    ]

    found = pressure_map(rods, ActiveArea(length, width))

    case.check("p_max", found.greatest_pa / 1e6)
    assert found.least_pa / 1e6 == pytest.approx(case.value("p_min"), abs=1e-6)
    assert found.lost_share == pytest.approx(0.0, abs=1e-6)


def test_mean_pressure_from_torque() -> None:
    case = CASES["CP-04"]
    law = NutFactor(case["K"], case["d"] / 1e3)

    found = preloads([TorqueValue(float(case["T"]))] * case["n"], law)

    case.check("F_rod", found.rods[0].value / 1e3)
    case.check("F_total", found.total.value / 1e3)
    case.check("p", found.total.value / (case["A"] * 1e-4) / 1e6)


@pytest.mark.parametrize(("name", "springs"), [("dF_no_spring", False), ("dF_with_spring", True)])
def test_clamping_force_on_warming(name: str, springs: bool) -> None:
    """Bolt and sleeve with the source's stiffnesses: everything linear, the grip 180 mm."""
    case = CASES["CP-09"]
    force, stiffness = 10e3, case["k_stack"] * 1e3
    bed = BedOf(Soft(Power(stiffness * 2e-3 / 0.01)), 2e-3, 0.01, 2e-3 - force / stiffness)
    column = PlainSpring(case["k_spring_total"] * 1e3 / case["n"]) if springs else None
    rods = Rods(
        case["n"],
        thread("M6"),
        strength("A2-70", thread("M6")),
        case["E"] * 1e6,
        case["As"] * 1e-6,
        case["a_rod"],
        springs=column,
    )
    rigid = (
        RigidLayer("graphite", 0.120, expansion_1_k=5e-6),
        RigidLayer("steel plates", 0.040, expansion_1_k=11.7e-6),
        RigidLayer("washers and sleeves", 0.020, expansion_1_k=17.2e-6),
    )
    if springs:
        taken = force / (case["k_spring_total"] * 1e3)  # keeps the grip at 180 mm
        rigid = (*rigid, RigidLayer("spacer", taken))
    assembly = Assembly((Gap(None, bed, -0.01),), rods, ends=rigid)
    closed = close_stack(assembly, Estimate(force))
    assert closed.grip_m * 1e3 == pytest.approx(case["L_rod"], abs=1e-9)

    found = warmed(assembly, closed, case["dT"])

    # the unstretched rod grows, in the source the stretched one: 0.06 % at this force
    case.check(name, found.force_change_n)
