"""How long a pressure must be held before the test can decide; told before it begins.

SI units, absolute pressures. Source: the uncertainty of the pressure decay, solved for the time.
"""

from dataclasses import dataclass
from math import sqrt

from scipy.special import ndtr

from service.limits.arithmetic.clamp_figures import celsius
from service.limits.arithmetic.leak_figures import LeakFigures, mol_s
from service.limits.arithmetic.leak_paths import SET_UPS, Circuit
from service.physics.arithmetic.gases import GAS_CONSTANT
from service.physics.arithmetic.tightness import GasReading, Instruments, u_of_none_mol_s
from service.platform.arithmetic.errors import Inconsistent, NoSolution
from service.platform.arithmetic.preconditions import (
    ZERO_CELSIUS_K,
    absolute_pressure,
    barometer,
    kelvin,
    more_than_zero,
    within,
)
from service.platform.arithmetic.pressures import from_gauge
from service.platform.arithmetic.verdicts import GUARD
from service.proof.arithmetic.leak_tests import instruments, volume_of
from service.store.arithmetic.instrument_errors import MayBeOff


@dataclass(frozen=True, slots=True)
class Hold:
    """How long to hold so that the test can decide, and what then can be told apart."""

    duration_s: float
    detection_limit_mol_s: float
    pressure_drop_pa: float
    """the drop of a leak at the limit, at constant temperature"""
    kelvin_that_look_like_it: float
    """warming or cooling that feigns or hides as much"""


def time_under_pressure(
    start: GasReading,
    volume_m3: float,
    limit_mol_s: float,
    instruments: Instruments,
    share: float = 0.5,
) -> Hold:
    """Compute the time under pressure after which a leak of ``share`` of the limit passes.

    Told before the test. Of 100 such tests 95 pass, and as many see a leak at the limit: the guard
    of the verdict and the scatter of the test are both kept from the limit. Raises NoSolution where
    no time is long enough because the volume is too uncertain.

    Source: the uncertainty of `pressure_decay`, solved for the duration.
    """
    absolute_pressure("the pressure at the start", start.pressure_pa, field="pressure_pa")
    kelvin("the gas temperature", start.temperature_k, "temperature_k")
    more_than_zero("the volume of the circuit", volume_m3, "m³", "volume_m3")
    more_than_zero("the limit of the leak rate", limit_mol_s, "mol/s", "limit_mol_s")
    within("the share of the limit", share, "", 0.0, 0.95, "share")
    allowed = (1 - share) * limit_mol_s / (2 * GUARD)
    room = allowed**2 - (share * limit_mol_s * instruments.u_volume) ** 2
    if room <= 0:
        raise NoSolution(
            "The hold time: the volume of the circuit is not known well enough",
            f"± {200 * instruments.u_volume:.0f} % (k = 2)",
        )
    one_second = u_of_none_mol_s(start, 1.0, volume_m3, instruments)
    if not one_second:
        raise Inconsistent("Without any uncertainty of the readings no hold time follows.")
    duration = one_second / sqrt(room)
    drop = limit_mol_s * GAS_CONSTANT * start.temperature_k * duration / volume_m3
    return Hold(
        duration,
        2 * GUARD * one_second / duration,
        drop,
        drop / start.pressure_pa * start.temperature_k,
    )


def chance_of_pass(
    start: GasReading,
    volume_m3: float,
    limit_mol_s: float,
    instruments: Instruments,
    duration_s: float,
    *,
    share: float = 0.5,
) -> float:
    """Compute how likely a leak of ``share`` of the limit passes a test held for so long, 0 to 1.

    Nothing passes while the method cannot see the limit itself.

    Source: as in `time_under_pressure`.
    """
    more_than_zero("the duration", duration_s, "s", "duration_s")
    within("the share of the limit", share, "", 0.0, 0.95, "share")
    of_readings = u_of_none_mol_s(start, duration_s, volume_m3, instruments)
    if 2 * GUARD * of_readings > limit_mol_s:
        return 0.0
    of_volume = share * limit_mol_s * instruments.u_volume
    u = sqrt(of_readings**2 + of_volume**2)
    return float(ndtr((1 - share) * limit_mol_s / u - GUARD)) if u else 1.0


# How long a set-up must be held so that it can decide, by the figures of a design.
#
# Source: as in time_under_pressure.


def time_needed(
    figures: LeakFigures,
    set_up: int,
    cells: int,
    *,
    barometer_kpa: float = 101.325,
    temperature_c: float = 20.0,
    volume_l: float | None = None,
    gauge: MayBeOff | None = None,
    gauge_step_kpa: float = 0.0,
    thermometer_k: float | None = None,
    volume_percent: float = 3.0,
) -> Hold:
    """Compute how long this set-up must stay under pressure to decide, told before the test.

    For the least limit of the paths it finds, at the lowest test pressure of its circuits;
    ``gauge`` is in kPa.
    Raises Inconsistent where figures are missing, NoSolution where no time is long enough.
    """
    connected = SET_UPS[set_up - 1]
    limits = [limit.most_mbar_l_s for limit in figures.limits if limit.path in connected.finds]
    whole = figures.limit_of_set_up(set_up)
    if whole is not None:
        limits = [whole]
    under_test = connected.pressurised or tuple(Circuit)
    pressures = [
        circuit.test_pressure_kpa for circuit in figures.circuits if circuit.circuit in under_test
    ]
    if not limits or not pressures:
        raise Inconsistent(
            f"The figures name no limit or no test pressure for set-up {set_up}, {connected.name}."
        )
    kelvin = celsius("the gas temperature", temperature_c) + ZERO_CELSIUS_K
    pressure = from_gauge(min(pressures) * 1e3, barometer(barometer_kpa * 1e3))
    volume = volume_of(figures, connected, cells) if volume_l is None else volume_l
    read_with = instruments(
        pressure,
        gauge_percent=gauge.percent_at(pressure / 1e3) if gauge else None,
        gauge_step_kpa=gauge_step_kpa,
        thermometer_k=thermometer_k,
        volume_percent=volume_percent,
    )
    return time_under_pressure(
        GasReading(pressure, kelvin), volume / 1e3, mol_s(min(limits)), read_with
    )
