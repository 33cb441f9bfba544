"""One test of tightness as it was set up and read: JSON form “leak test 1”.

Pressures in kPa, gauge or absolute as is said; temperatures in °C; flows in mL/min at the meter's
reference condition. Deviations are permissible ones (±), as on data sheets.
Sources: as in tightness and leak_paths.
"""

from dataclasses import dataclass
from enum import StrEnum
from math import hypot

from service.limits.arithmetic.clamp_figures import celsius
from service.limits.arithmetic.leak_figures import LeakFigures, mol_s
from service.limits.arithmetic.leak_objects import LeakObject, set_up_of
from service.limits.arithmetic.leak_paths import SET_UPS, Circuit, Path, SetUp
from service.limits.arithmetic.leak_recipes import Wetness
from service.physics.arithmetic.gases import (
    CROSSOVER_GASES,
    HELIUM,
    NORMAL,
    TEST_GASES,
    Across,
    Gas,
    gas_named,
    reference,
)
from service.physics.arithmetic.tightness import (
    FlowMeter,
    GasReading,
    Instruments,
    TracerReadings,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import standard_uncertainty
from service.platform.arithmetic.preconditions import (
    ZERO_CELSIUS_K,
    absolute_pressure,
    barometer,
    finite,
    more_than_zero,
    not_below_zero,
    within,
)
from service.platform.arithmetic.pressures import Zero, from_gauge
from service.store.arithmetic.instruments import instrument_accuracy

FORM = "leak test 1"
ML_MIN = 1e-6 / 60
"""m³/s in one mL/min."""


class Method(StrEnum):
    """How a leak is measured."""

    PRESSURE_DECAY = "pressure decay"
    FLOW_METER = "flow meter"
    HELIUM = "helium mass spectrometer"


class HeliumMode(StrEnum):
    """How helium is brought to a leak and looked for."""

    ALL_AROUND = "vacuum, helium all around"
    SPRAYED = "vacuum, helium sprayed"
    SNIFFER = "sniffer"


@dataclass(frozen=True, slots=True)
class HeliumReading:
    """What a helium leak detector showed of a path, mbar·L/s; background and calibrated leak twice.

    ``path`` None: of all that the set-up finds. ``calibrated_mbar_l_s`` is the rate of the
    calibrated leak by its certificate, ± ``calibrated_percent``.
    """

    mode: HeliumMode
    reading_mbar_l_s: float
    background_before_mbar_l_s: float
    background_after_mbar_l_s: float
    calibrated_mbar_l_s: float
    calibrated_before_mbar_l_s: float
    calibrated_after_mbar_l_s: float
    path: Path | None = None
    calibrated_percent: float = 10.0
    helium_percent: float = 100.0
    step_mbar_l_s: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no detector shows."""
        within(
            "the deviation of the calibrated leak",
            self.calibrated_percent,
            "%",
            0.0,
            50.0,
            "calibrated_percent",
        )
        _ = self.readings

    @property
    def in_vacuum(self) -> bool:
        """Say whether the detector evacuates the circuit."""
        return self.mode is not HeliumMode.SNIFFER

    @property
    def readings(self) -> TracerReadings:
        """The same for the computation."""
        return TracerReadings(
            self.reading_mbar_l_s,
            (self.background_before_mbar_l_s, self.background_after_mbar_l_s),
            (self.calibrated_before_mbar_l_s, self.calibrated_after_mbar_l_s),
            mol_s(self.calibrated_mbar_l_s),
            standard_uncertainty(self.calibrated_percent / 100),
            self.helium_percent / 100,
            self.step_mbar_l_s,
        )


@dataclass(frozen=True, slots=True)
class Meter:
    """A flow meter: full scale and step in mL/min at its reference condition, deviations in %."""

    full_scale_ml_min: float
    reference: str = NORMAL.name
    of_reading_percent: float | None = None
    of_full_scale_percent: float = 0.0
    step_ml_min: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no meter."""
        _ = self.meter

    @property
    def meter(self) -> FlowMeter:
        """The same in SI with standard uncertainties."""
        percent = self.of_reading_percent
        if percent is None:
            percent = instrument_accuracy("flow meter").percent
        return FlowMeter(
            self.full_scale_ml_min * ML_MIN,
            reference(self.reference),
            standard_uncertainty(percent / 100),
            standard_uncertainty(self.of_full_scale_percent / 100),
            self.step_ml_min * ML_MIN,
        )


@dataclass(frozen=True, slots=True)
class Arrived:
    """What the meter of a watched circuit showed, and its zero, mL/min."""

    circuit: Circuit
    flow_ml_min: float
    zero_ml_min: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what is no flow."""
        finite(
            f"the flow from the {self.circuit} circuit", self.flow_ml_min, "mL/min", "flow_ml_min"
        )
        finite(
            f"the zero of the {self.circuit} circuit's meter",
            self.zero_ml_min,
            "mL/min",
            "zero_ml_min",
        )


@dataclass(frozen=True, slots=True)
class StepsKept:
    """The steps of a recipe as they were kept; ``most_kpa`` gauge, the highest pressure seen.

    ``trace_sha256`` names the trace they were read from; empty: typed.
    """

    ramp_kpa_min: float
    ramp_min: float
    settled_min: float
    most_kpa: float
    relief_kpa: float | None = None
    trace_sha256: str = ""

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        not_below_zero("the ramp", self.ramp_kpa_min, "kPa/min", "ramp")
        not_below_zero("the time of the ramp", self.ramp_min, "min", "ramp_time")
        not_below_zero("the stabilising time", self.settled_min, "min", "settled")


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a test as it was kept: minutes before its end, and what was read."""

    name: str
    before_end_min: float
    value: str


@dataclass(frozen=True, slots=True)
class LeakTest:
    """One test in one of the five set-ups (``set_up`` is its order, from 1).

    The pressure decay needs end, duration and volume (None: by the design's figures); the flow
    meter's method its flow. ``arrived`` holds the circuits that were watched. The thermometer's
    deviation holds for each reading by itself: the gas is seldom as warm as the thermometer.
    """

    set_up: int
    method: Method
    gas: str
    cells: int
    barometer_kpa: float
    zero: Zero
    start_pressure_kpa: float
    start_temperature_c: float
    end_pressure_kpa: float | None = None
    end_temperature_c: float | None = None
    end_barometer_kpa: float | None = None
    duration_min: float | None = None
    volume_l: float | None = None
    flow_ml_min: float | None = None
    flow_zero_ml_min: float = 0.0
    meter: Meter | None = None
    arrived: tuple[Arrived, ...] = ()
    gauge_percent: float | None = None
    gauge_step_kpa: float = 0.0
    thermometer_k: float | None = None
    thermometer_step_k: float = 0.0
    volume_percent: float = 3.0
    state: Wetness | None = None
    kept: StepsKept | None = None
    invalid_because: str | None = None
    alone: LeakObject | None = None
    helium: HeliumReading | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be, naming field, value and what would be right."""
        within("the set-up", self.set_up, "", 1, len(SET_UPS), "set_up")
        _ = self.test_gas
        least = 0 if self.alone not in {None, LeakObject.PART_OF_PILE} else 1
        within("the number of cells", self.cells, "", least, 1000, "cells")
        for kpa in (self.barometer_kpa, self.end_barometer_kpa):
            if kpa is not None:
                barometer(kpa * 1e3)
        self._check_helium()
        _ = self.start
        if self.method is Method.HELIUM:
            pass
        elif self.method is Method.PRESSURE_DECAY:
            _ = self.end
            if self.duration_min is None:
                raise Inconsistent(
                    "The pressure decay needs its duration in minutes.", "duration_min"
                )
            more_than_zero("the duration", self.duration_min, "min", "duration_min")
        elif self.flow_ml_min is None or self.meter is None:
            raise Inconsistent(
                "The flow meter's method needs the meter and the flow it showed.",
                "meter",
                "flow_ml_min",
            )
        if self.volume_l is not None:
            more_than_zero("the volume under test", self.volume_l, "L", "volume_l")
        if self.arrived and self.meter is None:
            raise Inconsistent(
                "Flows of watched circuits need the meter they were read with.", "meter"
            )
        self._check_circuits()
        within(
            "the uncertainty of the volume", self.volume_percent, "%", 0.0, 50.0, "volume_percent"
        )
        not_below_zero("the gauge's step", self.gauge_step_kpa, "kPa", "gauge_step_kpa")
        not_below_zero("the thermometer's step", self.thermometer_step_k, "K", "thermometer_step_k")

    def _check_helium(self) -> None:
        if (self.helium is None) == (self.method is Method.HELIUM):
            raise Inconsistent(
                "What a leak detector showed belongs to a test with a helium mass spectrometer.",
                "method",
            )
        if self.helium is None:
            return
        if self.gas != HELIUM.name:
            raise OutOfRange("the test gas", self.gas, "", HELIUM.name, "gas")
        if self.helium.in_vacuum and self.zero is Zero.GAUGE:
            raise OutOfRange("the pressure in the vacuum", "gauge", "", Zero.ABSOLUTE, "zero")
        finds = self.connected.finds
        if self.helium.path is None and len(self.connected.pressurised) == 1 < len(finds):
            raise Inconsistent("Name the path that helium was looked for along.", "path")
        if self.helium.path not in {None, *finds}:
            allowed = ", ".join(finds) or "no path of this set-up"
            raise OutOfRange("the path", self.helium.path or "", "", allowed, "path")

    def _check_circuits(self) -> None:
        watched = [circuit.circuit for circuit in self.arrived]
        for circuit in watched:
            if watched.count(circuit) > 1:
                raise Inconsistent(f"The {circuit} circuit is watched twice.", f"arrived_{circuit}")
            if circuit not in self.connected.watched:
                allowed = ", ".join(self.connected.watched) or "none"
                raise OutOfRange(
                    f"the circuit watched in set-up {self.set_up}",
                    circuit,
                    "",
                    allowed,
                    f"arrived_{circuit}",
                )

    @property
    def connected(self) -> SetUp:
        """How the stack, or what is tested alone, is connected."""
        set_up = SET_UPS[self.set_up - 1]
        return set_up if self.alone is None else set_up_of(self.alone, set_up)

    @property
    def across(self) -> Across:
        """The pressures on both sides of a leak to the outside, where the gas comes from first."""
        pressures = self.start.pressure_pa, self.barometer_pa
        if self.helium and self.helium.in_vacuum:
            pressures = self.barometer_pa, self.start.pressure_pa
        return Across(*pressures, self.start.temperature_k)

    @property
    def test_gas(self) -> Gas:
        """The gas it was tested with."""
        of_anode = self.connected.pressurised == (Circuit.ANODE,)
        return gas_named(self.gas, CROSSOVER_GASES if of_anode else TEST_GASES)

    @property
    def barometer_pa(self) -> float:
        """The air outside at the start, Pa."""
        return self.barometer_kpa * 1e3

    @property
    def start(self) -> GasReading:
        """Absolute pressure in Pa and temperature in K at the start."""
        return self._reading(
            "start", self.start_pressure_kpa, self.start_temperature_c, self.barometer_pa
        )

    @property
    def end(self) -> GasReading:
        """Absolute pressure in Pa and temperature in K at the end."""
        if self.end_pressure_kpa is None or self.end_temperature_c is None:
            raise Inconsistent(
                "The pressure decay needs pressure and temperature at the end.",
                "end_pressure_kpa",
                "end_temperature_c",
            )
        outside = self.end_barometer_kpa
        outside_pa = self.barometer_pa if outside is None else outside * 1e3
        return self._reading("end", self.end_pressure_kpa, self.end_temperature_c, outside_pa)

    def _reading(self, when: str, kpa: float, degrees: float, outside_pa: float) -> GasReading:
        name = f"the pressure at the {when}"
        field = f"{when}_pressure_kpa"
        warm = celsius(f"the gas temperature at the {when}", degrees, f"{when}_temperature_c")
        kelvin = warm + ZERO_CELSIUS_K
        if self.zero is Zero.NOT_SAID:
            raise Inconsistent(f"Say whether {name}, {kpa:g} kPa, is gauge or absolute.", "zero")
        if self.zero is Zero.ABSOLUTE:
            at_least = None if self.helium and self.helium.in_vacuum else outside_pa
            return GasReading(absolute_pressure(name, kpa * 1e3, at_least, field=field), kelvin)
        (more_than_zero if when == "start" else not_below_zero)(
            f"{name} (gauge)", kpa, "kPa", field
        )
        return GasReading(from_gauge(kpa * 1e3, outside_pa), kelvin)

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps of the recipe that were kept, in their order; none where none were."""
        kept = self.kept
        if kept is None:
            return ()
        measured = self.duration_min or 0.0
        at_pressure = measured + kept.settled_min
        relief = "" if kept.relief_kpa is None else f", relief set to {kept.relief_kpa:g} kPa"
        state = self.state or "state not given"
        ended = "" if self.end_pressure_kpa is None else f"{self.end_pressure_kpa:.5g} kPa"
        warm = "" if self.end_temperature_c is None else f", {self.end_temperature_c:.4g} °C"
        return (
            Step("ramp begins", at_pressure + kept.ramp_min, f"{self.gas}, {state}{relief}"),
            Step(
                "at pressure",
                at_pressure,
                f"{kept.most_kpa:.4g} kPa gauge, ramp at most {kept.ramp_kpa_min:.3g} kPa/min",
            ),
            Step(
                "measuring begins",
                measured,
                f"{self.start_pressure_kpa:.5g} kPa, {self.start_temperature_c:.4g} °C",
            ),
            Step("measuring ends", 0.0, f"{ended}{warm}" or "flow read"),
        )

    @property
    def gauge_pressure_kpa(self) -> float:
        """Pressure at the start above the air outside, kPa."""
        return (self.start.pressure_pa - self.barometer_pa) / 1e3

    @property
    def instruments(self) -> Instruments:
        """Standard uncertainties of what it was read with."""
        return instruments(
            self.start.pressure_pa,
            gauge_percent=self.gauge_percent,
            gauge_step_kpa=self.gauge_step_kpa,
            thermometer_k=self.thermometer_k,
            thermometer_step_k=self.thermometer_step_k,
            volume_percent=self.volume_percent,
        )

    def volume(self, figures: LeakFigures | None) -> float:
        """Return the volume under test in L.

        As given, or by the design's figures for so many cells.
        """
        if self.volume_l is not None:
            return self.volume_l
        if self.alone is not None:
            figures = None
        return volume_of(figures, self.connected, self.cells)


def volume_of(figures: LeakFigures | None, set_up: SetUp, cells: int) -> float:
    """Return the volume in L of what stands under pressure.

    Raises Inconsistent where it is not known.
    """
    circuits = [figures.circuit(circuit) if figures else None for circuit in set_up.pressurised]
    volumes = [figure.volume(cells) for figure in circuits if figure is not None]
    if not volumes or len(volumes) < len(circuits):
        raise Inconsistent(
            f"The volume under test in L is missing: neither given, nor by the figures of the"
            f" design for set-up {set_up.order}, {set_up.name}.",
            "volume_l",
        )
    return sum(volumes)


def instruments(
    pressure_pa: float,
    *,
    gauge_percent: float | None = None,
    gauge_step_kpa: float = 0.0,
    thermometer_k: float | None = None,
    thermometer_step_k: float = 0.0,
    volume_percent: float = 3.0,
) -> Instruments:
    """Return standard uncertainties of gauge, thermometer and volume from their deviations ±.

    The gauge's deviation is its calibration's, the same at start and end; each reading by itself
    has the gauge's step, or where none is known the usual least.
    """
    gauge, thermometer = instrument_accuracy("pressure gauge"), instrument_accuracy("thermometer")
    percent = gauge.percent if gauge_percent is None else gauge_percent
    within("the gauge's deviation", percent, "%", 0.0, 50.0, "percent")
    off_k = thermometer.least if thermometer_k is None else thermometer_k
    not_below_zero("the thermometer's deviation", off_k, "K", "off_k")
    half_kpa = gauge_step_kpa / 2 if gauge_step_kpa else gauge.least
    return Instruments(
        standard_uncertainty(half_kpa * 1e3),
        hypot(standard_uncertainty(off_k), standard_uncertainty(thermometer_step_k / 2)),
        standard_uncertainty(volume_percent / 100),
        standard_uncertainty(percent / 100 * pressure_pa),
    )
