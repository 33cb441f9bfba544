"""Tightness of a circuit: leak rate from pressure decay or a flow meter, and what the method sees.

A rate is an amount of gas in mol/s (positive: out of the circuit), with its standard uncertainty.
SI units, absolute pressures. Sources: ideal gas (the form of 40 CFR 1065.644); GUM; ISO 11929-1
(decision threshold and detection limit).
"""

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

from service.physics.arithmetic.gases import GAS_CONSTANT, NORMAL, Reference, amount_flow
from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.estimates import Estimate, Uncertain, estimate, tagged
from service.platform.arithmetic.preconditions import (
    absolute_pressure,
    barometer,
    kelvin,
    more_than_zero,
    not_below_zero,
    within,
)
from service.platform.arithmetic.verdicts import GUARD, Verdict, at_most

FORMULA = "tightness 1"
VOLUME, GAUGE, GAUGE_OFFSET, THERMOMETER, CLOCK = (
    "volume",
    "gauge",
    "gauge calibration",
    "thermometer",
    "clock",
)
FLOW_METER, FLOW_ZERO = "flow meter", "flow meter's zero"
CALIBRATED, DRIFT, BACKGROUND = "calibrated leak", "drift of the detector", "background"


@dataclass(frozen=True, slots=True)
class Instruments:
    """Standard uncertainties of what a pressure decay is read with.

    ``u_pressure_pa`` and ``u_temperature_k`` are those of one reading, by themselves (resolution,
    noise, gas that is not where the thermometer is). ``u_gauge_pa`` is the gauge's calibration:
    the same at the start and at the end, it nearly cancels. ``u_volume`` is a share.
    """

    u_pressure_pa: float
    u_temperature_k: float
    u_volume: float = 0.0
    u_gauge_pa: float = 0.0
    u_duration_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no instrument has."""
        not_below_zero(
            "the uncertainty of a pressure reading", self.u_pressure_pa, "Pa", "u_pressure_pa"
        )
        not_below_zero(
            "the uncertainty of a temperature reading", self.u_temperature_k, "K", "u_temperature_k"
        )
        within("the uncertainty of the volume", self.u_volume, "", 0.0, 1.0, "u_volume")
        not_below_zero(
            "the uncertainty of the gauge's calibration", self.u_gauge_pa, "Pa", "u_gauge_pa"
        )
        not_below_zero("the uncertainty of the duration", self.u_duration_s, "s", "u_duration_s")


@dataclass(frozen=True, slots=True)
class GasReading:
    """Absolute pressure in Pa and gas temperature in K at one moment."""

    pressure_pa: float
    temperature_k: float


class Detection(StrEnum):
    """What a method could see of the rate it gave. Below detection is an answer, and never 0."""

    SEEN = "seen"
    BELOW_DETECTION = "below detection"
    INWARD = "gas came in"


@dataclass(frozen=True, slots=True)
class LeakRate:
    """A leak rate in mol/s, and what the method can tell from none.

    A rate above ``decision_threshold_mol_s`` is one; a leak of ``detection_limit_mol_s`` is seen 95
    times of 100. ``rate`` keeps the measured value, also where it is below.
    """

    rate: Estimate
    decision_threshold_mol_s: float
    detection_limit_mol_s: float
    detection: Detection

    @property
    def most_mol_s(self) -> float:
        """What the leak is at most, with 95 of 100."""
        return max(self.rate.value, 0.0) + GUARD * self.rate.u


def pressure_decay(
    start: GasReading,
    end: GasReading,
    duration_s: float,
    volume_m3: float,
    instruments: Instruments,
    *,
    barometer_pa: float | None = None,
) -> LeakRate:
    """Compute the gas that left a closed circuit from pressure and temperature, start and end.

    With ``barometer_pa`` pressures below the air outside are refused as gauge pressures; without
    it the circuit may stand under vacuum, where gas coming in makes the rate negative.
    Raises OutOfRange for a volume, duration, pressure or temperature that cannot be.

    >>> start, end = GasReading(201_320.0, 295.55), GasReading(200_580.0, 295.05)
    >>> instruments = Instruments(10.0, 0.05, 0.020 / 0.85, u_duration_s=0.5)
    >>> found = pressure_decay(start, end, 600.0, 0.85e-3, instruments)
    >>> throughput = found.rate.scaled(GAS_CONSTANT * 295.55 * 10)  # in mbar·L/s
    >>> round(throughput.value, 6), round(throughput.u, 5)
    (0.005668, 0.00072)

    Source: n = V/R (p1/T1 − p2/T2) / t; uncertainty by GUM 5.1.
    """
    more_than_zero("the duration", duration_s, "s", "duration_s")
    more_than_zero("the volume of the circuit", volume_m3, "m³", "volume_m3")
    outside = None if barometer_pa is None else barometer(barometer_pa)
    for name, reading in (("start", start), ("end", end)):
        absolute_pressure(
            f"the pressure at the {name}", reading.pressure_pa, outside, field="pressure_pa"
        )
        kelvin(f"the gas temperature at the {name}", reading.temperature_k, "temperature_k")
    offset = tagged(GAUGE_OFFSET, 0.0, instruments.u_gauge_pa)
    volume = tagged(VOLUME, volume_m3, instruments.u_volume * volume_m3)
    time = tagged(CLOCK, duration_s, instruments.u_duration_s)
    lost = _density(start, instruments, offset) - _density(end, instruments, offset)
    rate = estimate(volume / GAS_CONSTANT * lost / time)
    return _judged(rate, u_of_none_mol_s(start, duration_s, volume_m3, instruments))


def _density(reading: GasReading, instruments: Instruments, offset: Uncertain) -> Uncertain:
    pressure = tagged(GAUGE, reading.pressure_pa, instruments.u_pressure_pa) + offset
    return pressure / tagged(THERMOMETER, reading.temperature_k, instruments.u_temperature_k)


def u_of_none_mol_s(
    start: GasReading, duration_s: float, volume_m3: float, instruments: Instruments
) -> float:
    """Return the standard uncertainty of a rate of zero, mol/s: that of the readings alone."""
    by_pressure = instruments.u_pressure_pa / start.temperature_k
    by_warmth = start.pressure_pa / start.temperature_k**2 * instruments.u_temperature_k
    return volume_m3 / GAS_CONSTANT / duration_s * sqrt(2 * (by_pressure**2 + by_warmth**2))


def _judged(rate: Estimate, u_of_none: float) -> LeakRate:
    threshold = GUARD * u_of_none
    detection = Detection.SEEN if rate.value > threshold else Detection.BELOW_DETECTION
    if rate.value < -threshold:
        detection = Detection.INWARD
    return LeakRate(rate, threshold, 2 * threshold, detection)


@dataclass(frozen=True, slots=True)
class FlowMeter:
    """A flow meter: full scale in m³/s at its own reference condition, accuracy as standard
    uncertainties (share of the reading, share of full scale), least flow it shows.
    """

    full_scale_m3_s: float
    reference: Reference = NORMAL
    u_of_reading: float = 0.0
    u_of_full_scale: float = 0.0
    resolution_m3_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no meter."""
        more_than_zero("the meter's full scale", self.full_scale_m3_s, "m³/s", "full_scale_m3_s")
        within(
            "the meter's uncertainty of the reading",
            self.u_of_reading,
            "",
            0.0,
            1.0,
            "u_of_reading",
        )
        within(
            "the meter's uncertainty of full scale",
            self.u_of_full_scale,
            "",
            0.0,
            1.0,
            "u_of_full_scale",
        )
        not_below_zero("the meter's resolution", self.resolution_m3_s, "m³/s", "resolution_m3_s")


def flow_meter(reading_m3_s: float, meter: FlowMeter, zero_m3_s: float = 0.0) -> LeakRate:
    """Compute the leak from a flow meter that keeps the circuit under pressure (or catches it).

    ``zero_m3_s`` is what the meter shows with the circuit shut off; it is taken away.
    Raises OutOfRange above the meter's full scale.
    """
    if reading_m3_s > meter.full_scale_m3_s:
        raise OutOfRange(
            "the flow",
            f"{reading_m3_s * 6e7:.4g}",
            "mL/min",
            f"up to the meter's full scale, {meter.full_scale_m3_s * 6e7:.4g} mL/min",
            "flow_ml_min",
        )
    # A last digit spreads evenly over its width: w / √12. Reading and zero have one each: √2.
    step = meter.resolution_m3_s / sqrt(12)
    base = sqrt((meter.u_of_full_scale * meter.full_scale_m3_s) ** 2 + step**2)
    net = reading_m3_s * tagged(FLOW_METER, 1.0, meter.u_of_reading) - zero_m3_s
    net = net + tagged(FLOW_ZERO, 0.0, base * sqrt(2))
    per_volume = amount_flow(1.0, meter.reference)
    return _judged(estimate(net * per_volume), base * sqrt(2) * per_volume)


@dataclass(frozen=True, slots=True)
class TracerReadings:
    """What a leak detector showed, in its own unit, of a leak and of a calibrated leak.

    Background and calibrated leak are read before and after. ``share`` is that of the tracer in
    the test gas; ``u_calibrated`` the standard uncertainty of the certificate, as a share.
    """

    reading: float
    background: tuple[float, float]
    calibrated: tuple[float, float]
    calibrated_mol_s: float
    u_calibrated: float = 0.0
    share: float = 1.0
    resolution: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be read, and a calibrated leak that does not show."""
        not_below_zero("the reading of the detector", self.reading, "", "reading")
        more_than_zero("the calibrated leak", self.calibrated_mol_s, "mol/s", "calibrated")
        within("the share of helium in the test gas", 100 * self.share, "%", 0.1, 100.0, "percent")
        for when, background, calibrated in zip(
            ("before", "after"), self.background, self.calibrated, strict=True
        ):
            name = f"the background {when}"
            not_below_zero(name, background, "", f"background_{when}")
            if calibrated <= background:
                raise OutOfRange(
                    f"the reading of the calibrated leak {when}",
                    f"{calibrated:.4g}",
                    "",
                    f"more than the background, {background:.4g}",
                    f"calibrated_{when}",
                )

    @property
    def shown(self) -> tuple[float, float]:
        """What the calibrated leak added to the background, before and after."""
        before, after = (c - b for c, b in zip(self.calibrated, self.background, strict=True))
        return before, after

    @property
    def drift(self) -> float:
        """How far the response went away between the two readings, as a share of their mean."""
        before, after = self.shown
        return abs(after - before) / ((before + after) / 2)


def tracer_leak(readings: TracerReadings) -> LeakRate:
    """Compute the leak of tracer gas from a detector set against a calibrated leak.

    The response is the calibrated leak by what it added to the background. Between the readings
    before and after, background and response lie anywhere: ± half the difference, evenly.

    >>> read = TracerReadings(5.2e-6, (2e-7, 2e-7), (1.2e-6, 1.2e-6), 4e-11, share=0.5)
    >>> round(tracer_leak(read).rate.value * 1e10, 9)
    4.0

    Source: comparison with a calibrated leak, common practice; uncertainty by GUM 4.3.7 and 5.1.
    """
    before, after = readings.background
    step = readings.resolution / sqrt(12)
    u_background = sqrt((abs(after - before) / 2) ** 2 / 3 + step**2)
    response = readings.calibrated_mol_s / (sum(readings.shown) / 2) / readings.share
    net = tagged(
        BACKGROUND, readings.reading - (before + after) / 2, sqrt(u_background**2 + step**2)
    )
    known = tagged(CALIBRATED, 1.0, readings.u_calibrated)
    known = known * tagged(DRIFT, 1.0, readings.drift / 2 / sqrt(3))
    return _judged(estimate(net * known * response), sqrt(u_background**2 + step**2) * response)


def judge(leak: LeakRate, limit_mol_s: float) -> Verdict:
    """Judge whether the leak keeps to the limit (mol/s).

    Below detection passes only where what the method can see lies below the limit; gas that came
    in decides nothing. An inward rate points to warming gas or a leak from another circuit.
    """
    more_than_zero("the limit of the leak rate", limit_mol_s, "mol/s", "limit_mol_s")
    if leak.detection is Detection.INWARD:
        return Verdict.UNDECIDED
    at_zero_or_more = Estimate(max(leak.rate.value, 0.0), leak.rate.u)
    verdict = at_most(at_zero_or_more, limit_mol_s)
    if leak.detection is Detection.BELOW_DETECTION and leak.detection_limit_mol_s > limit_mol_s:
        return Verdict.UNDECIDED
    return verdict
