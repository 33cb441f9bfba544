"""What the calculators of leaks ask and answer alike: pressures, temperatures, instruments, rates.

A leak rate in sccm is one of gas at 0 °C; in the other units it goes with the gas at its own
temperature. Source: as in gases and tightness.
"""

from math import hypot

from service.calculators.arithmetic import desk
from service.physics.arithmetic import tightness
from service.physics.arithmetic.gases import GAS_CONSTANT, REFERENCES, reference, throughput
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.preconditions import ZERO_CELSIUS_K, barometer
from service.platform.arithmetic.pressures import Zero
from service.platform.arithmetic.units import Measure, UnitEntry
from service.platform.arithmetic.verdicts import Verdict

AT_ZERO = "sccm"
GAUGE_ZERO, ABSOLUTE_ZERO = "the air outside (gauge)", "vacuum (absolute)"
ZERO = fields.choice(
    "zero",
    "Pressures count from",
    (GAUGE_ZERO, ABSOLUTE_ZERO),
    help="A pressure that says so itself, such as “0.2 bar g” or “121 kPa abs”, is read so.",
)
BAROMETER = fields.quantity(
    "barometer",
    "Barometer",
    Measure.PRESSURE,
    "hPa",
    example="1013",
    help="Pressure of the air outside on that day, as it is where the stack stands, not reduced"
    " to sea level.",
)
VOLUME = fields.quantity(
    "volume",
    "Volume of the circuit",
    Measure.VOLUME,
    "L",
    example="0.85",
    help="With hoses up to the shut valve.",
)
INSTRUMENTS = fields.Section(
    "Instruments",
    (
        fields.deviation(
            "pressure_off",
            "One reading of the gauge ±",
            Measure.PRESSURE,
            "Pa",
            required=True,
            example="20",
            help="Resolution and noise, half width.",
        ),
        fields.deviation(
            "temperature_off",
            "One reading of the thermometer ±",
            Measure.TEMPERATURE_CHANGE,
            "K",
            required=True,
            example="0.1",
            help="With gas that is not as warm as the thermometer.",
        ),
        fields.percent("volume_percent", "Volume known to ±", example="4", most=90.0),
        fields.deviation(
            "gauge_off",
            "Calibration of the gauge ±",
            Measure.PRESSURE,
            "Pa",
            example="200",
            help="The same at start and end: it nearly cancels.",
        ),
        fields.deviation("clock_off", "Duration known to ±", Measure.DURATION, "s", example="1"),
    ),
)
LIMIT = fields.quantity(
    "limit",
    "Limit of the leak rate",
    Measure.LEAK_RATE,
    "mbar·L/s",
    required=False,
    example="0.01",
    help="Of the test gas. In sccm it is one of gas at 0 °C.",
)


def zero_of(answers: desk.Answers) -> Zero:
    """Return what pressures count from where their text does not say."""
    return Zero.GAUGE if answers.text("zero") == GAUGE_ZERO else Zero.ABSOLUTE


def absolute(
    answers: desk.Answers, name: str, *, suction: bool = False, outside_pa: float | None = None
) -> float:
    """Return a pressure in Pa absolute; below the air outside only with ``suction``.

    ``outside_pa`` is the air outside at that time, where not as the field ``barometer``.
    """
    outside = outside_of(answers) if outside_pa is None else outside_pa
    pressure = answers.absolute(name, zero_of(answers), outside)
    if suction or pressure >= outside:
        return pressure
    text = answers.typed[name].strip()
    if answers.counts_from(name, zero_of(answers)) is Zero.GAUGE:
        raise answers.refuse(
            name,
            f"“{text}” is less than the air outside.",
            "Right would be a gauge pressure of zero or more; if it counts from vacuum, say so:"
            f" “{text} abs” or the choice above.",
        )
    absolute_kpa = (pressure + outside) / 1e3
    raise answers.refuse(
        name,
        f"“{text}” absolute is less than the air outside, {outside / 1e3:g}\u2009kPa.",
        f"Is that a gauge pressure? It would be {absolute_kpa:.5g}\u2009kPa absolute.",
    )


def outside_of(answers: desk.Answers, name: str = "barometer") -> float:
    """The pressure of the air outside in Pa."""
    with placed(name):
        return barometer(answers.si(name))


def reading_of(
    answers: desk.Answers, when: str, warm: str, outside_pa: float | None = None
) -> tightness.GasReading:
    """A pressure and the temperature of the gas at one time."""
    with placed(pressure_pa=when, temperature_k=warm):
        pressure = absolute(answers, when, outside_pa=outside_pa)
        return tightness.GasReading(pressure, answers.si(warm))


def instruments_of(
    answers: desk.Answers, *, clock: bool = True, u_barometer_pa: float = 0.0
) -> tightness.Instruments:
    """Return standard uncertainties from the half widths that were typed.

    ``u_barometer_pa`` is that of the air outside at each reading of a gauge that counts from it.
    """
    off = {
        name: standard_uncertainty(answers.si_or(name))
        for name in ("pressure_off", "temperature_off", "gauge_off", "clock_off")
        if name != "clock_off" or clock
    }
    with placed(*off, "volume_percent"):
        return tightness.Instruments(
            hypot(off["pressure_off"], u_barometer_pa),
            off["temperature_off"],
            standard_uncertainty(answers.share_or("volume_percent")),
            off["gauge_off"],
            off.get("clock_off", 0.0),
        )


def mol_per_second(entry: UnitEntry, temperature_k: float) -> float:
    """Return a leak rate as typed, in mol/s: gas at 0 °C in sccm, else at this temperature."""
    gas_k = ZERO_CELSIUS_K if entry.unit == AT_ZERO else temperature_k
    return entry.si / (GAS_CONSTANT * gas_k)


def leak_figure(rate: Estimate, unit: str, temperature_k: float) -> desk.Figure:
    """Return a leak rate in mol/s, shown in this unit."""
    gas_k = ZERO_CELSIUS_K if unit == AT_ZERO else temperature_k
    return desk.Figure(rate.scaled(throughput(1.0, gas_k)), Measure.LEAK_RATE, unit)


def leak_results(
    name: str, label: str, rate: Estimate, temperature_k: float
) -> tuple[desk.Result, ...]:
    """Return the same leak rate in the units people use."""
    warm = f"gas at {temperature_k - ZERO_CELSIUS_K:.1f}\u2009°C"
    return (
        desk.Result(name, label, leak_figure(rate, "mbar·L/s", temperature_k), warm),
        desk.Result(
            f"{name}_sccm", label, leak_figure(rate, AT_ZERO, temperature_k), "gas at 0\u2009°C"
        ),
        desk.Result(f"{name}_si", label, leak_figure(rate, "Pa·m³/s", temperature_k), warm),
        desk.Result(
            f"{name}_amount", label, desk.number_of(rate.scaled(1e6), "µmol/s"), "amount of gas"
        ),
    )


def seen_in_words(leak: tightness.LeakRate, temperature_k: float) -> str:
    """Say whether the method could see the rate; below detection is an answer, and never 0."""
    limit = leak_figure(Estimate(leak.detection_limit_mol_s), "mbar·L/s", temperature_k).text
    threshold = leak_figure(Estimate(leak.decision_threshold_mol_s), "mbar·L/s", temperature_k).text
    match leak.detection:
        case tightness.Detection.SEEN:
            return f"A leak is seen: the rate lies above the decision threshold of {threshold}."
        case tightness.Detection.INWARD:
            return (
                "Gas came in: the gas grew warmer than the thermometer says, or another circuit"
                " leaks into this one. That decides nothing."
            )
        case _:
            return (
                f"Below detection: the readings do not tell this rate from none. What the method"
                f" sees 95 times of 100 is {limit} or more; the leak is not zero for that."
            )


def judged(
    answers: desk.Answers, leak: tightness.LeakRate, temperature_k: float
) -> tuple[Verdict | None, str]:
    """The verdict against the limit that was typed, and why; none where none was."""
    if not answers.has("limit"):
        return None, ""
    limit = answers.entry("limit")
    with placed(limit_mol_s="limit"):
        verdict = tightness.judge(leak, mol_per_second(limit, temperature_k))
    return verdict, verdict_in_words(leak, verdict, limit)


def verdict_in_words(leak: tightness.LeakRate, verdict: Verdict, limit: UnitEntry) -> str:
    """Say why the verdict is what it is."""
    limit_text = f"{limit.value:g}\u2009{limit.unit}"
    match verdict:
        case Verdict.PASS:
            return f"With its uncertainty (95 %) the rate keeps to {limit_text}."
        case Verdict.FAIL:
            return f"With its uncertainty (95 %) the rate is more than {limit_text}."
        case _ if leak.detection is tightness.Detection.INWARD:
            return "Gas came in: let the temperatures settle and test again."
        case _:
            return (
                f"The uncertainty covers {limit_text}, or the method cannot see so little: hold"
                " longer, or with a better gauge or thermometer."
            )


# The calculator of a leak that is read from a flow meter.
#
# Source: as in tightness.


SOURCE = "flow meter with its zero taken away; GUM; ISO 11929-1 (decision threshold)"


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    del units
    with placed("reading_percent", "scale_percent", "step", full_scale_m3_s="full_scale"):
        meter = tightness.FlowMeter(
            answers.si("full_scale"),
            reference(answers.text("reference")),
            standard_uncertainty(answers.share_or("reading_percent")),
            standard_uncertainty(answers.share_or("scale_percent")),
            answers.si_or("step"),
        )
    with placed("flow", "shut_off", "full_scale"):
        leak = tightness.flow_meter(answers.si("flow"), meter, answers.si_or("shut_off"))
    warm = answers.si("temperature")
    verdict, why = judged(answers, leak, warm)
    sentences = [seen_in_words(leak, warm)]
    if not answers.has("shut_off"):
        sentences.append("The meter's zero was not given: read it with the circuit shut off.")
    return desk.Outcome(
        leak_results("rate", "Leak rate", leak.rate, warm),
        SOURCE,
        tuple(sentences),
        (),
        ("pressure", "hydrogen"),
        tightness.FORMULA,
        verdict,
        why,
    )


FLOW_METER = desk.Calculator(
    "flow-meter",
    "Leak rate by flow meter",
    "What a meter reads that keeps the circuit under pressure, or catches what comes out.",
    (
        fields.Section(
            "Test",
            (
                fields.quantity(
                    "flow", "Flow that is read", Measure.FLOW, "mL/min", least=0.0, example="1.8"
                ),
                fields.quantity(
                    "shut_off",
                    "Flow with the circuit shut off",
                    Measure.FLOW,
                    "mL/min",
                    required=False,
                    least=-1e6,
                    example="0.1",
                    help="The meter's zero; it is taken away.",
                ),
                fields.temperature("temperature", "Temperature of the gas", example="22"),
                LIMIT,
            ),
        ),
        fields.Section(
            "Flow meter",
            (
                fields.quantity("full_scale", "Full scale", Measure.FLOW, "mL/min", example="10"),
                fields.choice(
                    "reference",
                    "Its millilitres are at",
                    tuple(reference.name for reference in REFERENCES),
                    help="As its data sheet says: it decides by up to 9 %.",
                ),
                fields.percent("reading_percent", "Accuracy ±, of the reading", example="1"),
                fields.percent("scale_percent", "Accuracy ±, of full scale", example="0.5"),
                fields.deviation(
                    "step", "Smallest step of its reading", Measure.FLOW, "mL/min", example="0.01"
                ),
            ),
        ),
    ),
    _work,
)
