"""How long a set-up must be held so that it can decide, by the figures of a design.

Source: as in hold_time.
"""

from service.limits.arithmetic.clamp_figures import celsius
from service.limits.arithmetic.leak_figures import LeakFigures, mol_s
from service.limits.arithmetic.leak_paths import SET_UPS, Circuit
from service.physics.arithmetic.tightness import Reading
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.preconditions import ZERO_CELSIUS_K, barometer
from service.platform.arithmetic.pressures import from_gauge
from service.proof.arithmetic.hold_time import Hold, hold_time
from service.proof.arithmetic.leak_tests import instruments, volume_of


def hold_needed(
    figures: LeakFigures,
    set_up: int,
    cells: int,
    *,
    barometer_kpa: float = 101.325,
    temperature_c: float = 20.0,
    volume_l: float | None = None,
    gauge_percent: float | None = None,
    gauge_step_kpa: float = 0.0,
    thermometer_k: float | None = None,
    volume_percent: float = 3.0,
) -> Hold:
    """How long must this set-up be held so that it can decide? Told before the test.

    For the least limit of the paths it finds, at the lowest test pressure of its circuits.
    Raises Inconsistent where figures are missing, NoSolution where no time is long enough.
    """
    connected = SET_UPS[set_up - 1]
    limits = [it.most_mbar_l_s for it in figures.limits if it.path in connected.finds]
    whole = figures.limit_of_set_up(set_up)
    if whole is not None:
        limits = [whole]
    under_test = connected.pressurised or tuple(Circuit)
    pressures = [it.test_pressure_kpa for it in figures.circuits if it.circuit in under_test]
    if not limits or not pressures:
        raise Inconsistent(
            f"The figures name no limit or no test pressure for set-up {set_up}, {connected.name}."
        )
    kelvin = celsius("the gas temperature", temperature_c) + ZERO_CELSIUS_K
    pressure = from_gauge(min(pressures) * 1e3, barometer(barometer_kpa * 1e3))
    volume = volume_of(figures, connected, cells) if volume_l is None else volume_l
    read_with = instruments(
        pressure,
        gauge_percent=gauge_percent,
        gauge_step_kpa=gauge_step_kpa,
        thermometer_k=thermometer_k,
        volume_percent=volume_percent,
    )
    return hold_time(Reading(pressure, kelvin), volume / 1e3, mol_s(min(limits)), read_with)
