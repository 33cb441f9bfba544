"""Disc springs against the tables of DIN EN 16983 (formerly DIN 2093) and its coefficients."""

import pytest

from service.physics.arithmetic.disc_springs import DiscSpring, SpringColumn
from tests.published.cases import Case, cases

CASES = cases("disc_springs")


def disc(case: Case) -> DiscSpring:
    return DiscSpring(*(case[name] / 1e3 for name in ("De", "Di", "t", "h0")))


@pytest.mark.parametrize("name", ["DS-01", "DS-02", "DS-03", "DS-07", "DS-08", "DS-09"])
def test_load_and_stress_at_three_quarters(name: str) -> None:
    case = CASES[name]
    spring, travel = disc(case), case["s"] / 1e3

    case.check("F_075h0", spring.load(travel))
    if "sigma_OM_075h0" in case.expected:
        case.check("sigma_OM_075h0", spring.stress_om(travel) / 1e6)
        case.check("sigma_II_075h0", spring.stress_ii(travel) / 1e6)


def test_coefficients_for_twice_the_diameter() -> None:
    case, spring = CASES["DS-12"], DiscSpring(0.02, 0.01, 0.001, 0.0005)

    assert spring.ratio == case["delta"]
    case.check("K1", spring.k1)
    case.check("K2", spring.k2)
    case.check("K3", spring.k3)


def test_parallel_and_series() -> None:
    case = CASES["DS-13"]
    column = SpringColumn(disc(case), parallel=case["n"], series=case["i"])
    travel = case["i"] * case["s"] / 1e3

    case.check("F1", column.disc.load(case["s"] / 1e3))
    case.check("F", column.load(travel))
    case.check("s_total", column.travel(column.load(travel)) * 1e3)
    case.check("L0", column.free_height_m * 1e3)


def test_where_one_edition_prints_another_load() -> None:
    """The 1992 edition prints 673 N; the formula, and later editions, give 2 % less."""
    spring = DiscSpring(0.0125, 0.0062, 0.0007, 0.0003)

    CASES["DS-15"].check("F_formula", spring.load(0.75 * 0.0003))
