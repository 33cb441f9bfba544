"""What a page says of a leak test before and after it, tried by simulated tests."""

import numpy as np
import pytest

from service.physics.arithmetic.gases import (
    GAS_CONSTANT,
    HELIUM,
    HYDROGEN,
    NITROGEN,
    Across,
    Gas,
    as_hydrogen,
    molecular_factor,
    viscous_factor,
)
from service.physics.arithmetic.tightness import GasReading, Instruments, judge, pressure_decay
from service.platform.arithmetic.verdicts import Verdict
from service.proof.arithmetic.hold_time import chance_of_pass, time_under_pressure
from tests.claims.claims import Rate, rate

WARM_K, START_PA, VOLUME_M3 = 295.15, 151_325.0, 0.85e-3
LIMIT = 1e-3 / (GAS_CONSTANT * WARM_K)
"""0.01 mbar·L/s as mol/s"""


def verdicts(
    leak: float, duration_s: float, instruments: Instruments, *, n: int, seed: int
) -> list[Verdict]:
    """Test a circuit that leaks so many mol/s ``n`` times: readings and volume scatter."""
    dice = np.random.default_rng(seed)
    drawn = dice.normal(size=(n, 5))
    found = []
    for p1, t1, p2, t2, v in drawn:
        volume = VOLUME_M3 * (1 + instruments.u_volume * v)
        end_pa = START_PA - leak * duration_s * GAS_CONSTANT * WARM_K / volume
        start, end = (
            GasReading(pa + instruments.u_pressure_pa * p, WARM_K + instruments.u_temperature_k * t)
            for pa, p, t in ((START_PA, p1, t1), (end_pa, p2, t2))
        )
        test = pressure_decay(start, end, duration_s, VOLUME_M3, instruments)
        found.append(judge(test, LIMIT))
    return found


def passing(found: list[Verdict]) -> Rate:
    """Count the tests that pass."""
    return rate(verdict is Verdict.PASS for verdict in found)


@pytest.mark.parametrize("share", [0.25, 0.5, 0.8])
@pytest.mark.parametrize("u_volume", [0.0, 0.01, 0.02])
def test_the_hold_time_told_lets_a_leak_below_the_limit_pass(share: float, u_volume: float) -> None:
    """Promised: 95 of 100 pass, and a leak at the limit passes 5 of 100."""
    instruments = Instruments(11.5, 0.058, u_volume)
    start = GasReading(START_PA, WARM_K)
    hold_s = time_under_pressure(start, VOLUME_M3, LIMIT, instruments, share).duration_s

    below = passing(verdicts(share * LIMIT, hold_s, instruments, n=1500, seed=13))
    at_limit = passing(verdicts(LIMIT, hold_s, instruments, n=1500, seed=14))

    assert below.at_least(0.95), str(below)
    assert below.at_most(0.97), f"needlessly long: {below}"
    assert at_limit.at_most(0.05), str(at_limit)


@pytest.mark.parametrize("minutes", [1.5, 2.4, 3.0, 4.2])
def test_the_chance_of_passing_a_time_chosen(minutes: float) -> None:
    """Promised: the chance printed; found within 4 of 100 of it."""
    instruments = Instruments(11.5, 0.058, 0.02)
    start = GasReading(START_PA, WARM_K)

    chance = chance_of_pass(start, VOLUME_M3, LIMIT, instruments, 60 * minutes)
    found = passing(verdicts(0.5 * LIMIT, 60 * minutes, instruments, n=1500, seed=15))

    assert found.found == pytest.approx(chance, abs=0.04), f"{chance:.3f} promised, {found}"


@pytest.mark.parametrize("test_gas", [NITROGEN, HELIUM])
def test_no_mix_of_paths_passes_more_hydrogen_than_at_most(test_gas: Gas) -> None:
    """1 to 400 paths of any share of both laws stay between the bounds."""
    dice = np.random.default_rng(16)
    test, use = Across(151_325.0, 101_325.0, 295.15), Across(161_325.0, 101_325.0, 338.15)
    factors = np.array(
        [law(test_gas, test, HYDROGEN, use) for law in (viscous_factor, molecular_factor)]
    )

    def total(paths: int) -> float:
        rates = dice.dirichlet(np.full(paths, 0.3)) * 1e-8
        shares = dice.dirichlet((0.5, 0.5), paths)
        return float(rates @ (shares @ factors))

    hydrogen = as_hydrogen(1e-8, test_gas, test, use, 3e-3)
    found = [total(int(paths)) for paths in dice.integers(1, 400, 500)]

    assert hydrogen.least_mol_s * (1 - 1e-9) <= min(found)
    assert max(found) <= hydrogen.most_mol_s * (1 + 1e-9)
