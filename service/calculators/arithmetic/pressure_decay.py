"""The calculator of a pressure decay: leak rate, verdict against a limit.

Source: as in tightness.
"""

from dataclasses import replace

from service.calculators.arithmetic import desk, gas
from service.physics.arithmetic.gases import GAS_CONSTANT
from service.physics.arithmetic.tightness import FORMULA, pressure_decay
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import Inconsistent, placed
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.pressures import Zero
from service.platform.arithmetic.units import Measure
from service.proof.arithmetic.hold_time import chance_of_pass, time_under_pressure

SOURCE = "n = V/R (p₁/T₁ − p₂/T₂) / t, ideal gas (form of 40 CFR 1065.644); GUM; ISO 11929-1"


BAROMETER_OFF = fields.deviation(
    "barometer_off",
    "One reading of the barometer ±",
    Measure.PRESSURE,
    "hPa",
    example="0.1",
    help="Counts where the gauge counts from the air outside.",
)


def _work_decay(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    del units
    outside = gas.outside_of(answers)
    read_again = answers.has("end_barometer")
    at_end = gas.outside_of(answers, "end_barometer") if read_again else outside
    start = gas.reading_of(answers, "start", "start_temperature")
    end = gas.reading_of(answers, "end", "end_temperature", at_end)
    from_air = Zero.GAUGE in {
        answers.counts_from(when, gas.zero_of(answers)) for when in ("start", "end")
    }
    u_barometer = standard_uncertainty(answers.si_or("barometer_off")) if from_air else 0.0
    instruments = gas.instruments_of(answers, u_barometer_pa=u_barometer)
    with placed(duration_s="duration", volume_m3="volume"):
        leak = pressure_decay(
            start,
            end,
            answers.si("duration"),
            answers.si("volume"),
            instruments,
            barometer_pa=min(outside, at_end),
        )
    warm = start.temperature_k
    verdict, why = gas.judged(answers, leak, warm)
    sentences = [gas.seen_in_words(leak, warm)]
    if from_air and not read_again:
        mol_s = answers.si("volume") * 100 / (GAS_CONSTANT * warm * answers.si("duration"))
        per_hpa = gas.leak_figure(Estimate(mol_s), "mbar·L/s", warm).text
        sentences.append(
            "The barometer was not read at the end and is taken to be the same: each hPa it rose or"
            f" fell makes {per_hpa}."
        )
    return desk.Outcome(
        gas.leak_results("rate", "Leak rate", leak.rate, warm),
        SOURCE,
        tuple(sentences),
        desk.parts_table(
            leak.rate,
            "What makes it uncertain",
            lambda part: gas.leak_figure(Estimate(part), "mbar·L/s", warm),
        ),
        ("pressure", "hydrogen"),
        FORMULA,
        verdict,
        why,
    )


PRESSURE_DECAY = desk.Calculator(
    "pressure-decay",
    "Leak rate by pressure decay",
    "Temperature corrected, with its uncertainty, in mbar·L/s, sccm and Pa·m³/s, and a verdict.",
    (
        fields.Section(
            "Test",
            (
                gas.ZERO,
                fields.pressure("start", "Pressure at the start", example="50.00"),
                fields.pressure("end", "Pressure at the end", example="49.42"),
                gas.BAROMETER,
                fields.quantity(
                    "end_barometer",
                    "Barometer at the end",
                    Measure.PRESSURE,
                    "hPa",
                    required=False,
                    example="1013",
                    help="A gauge counts from the air outside: its change looks like a leak.",
                ),
                fields.temperature(
                    "start_temperature", "Gas temperature at the start", example="22.4"
                ),
                fields.temperature("end_temperature", "Gas temperature at the end", example="22.2"),
                fields.quantity("duration", "Duration", Measure.DURATION, "min", example="10"),
                gas.VOLUME,
                gas.LIMIT,
            ),
        ),
        replace(gas.INSTRUMENTS, fields=(*gas.INSTRUMENTS.fields, BAROMETER_OFF)),
    ),
    _work_decay,
)


# The calculator of the hold time a pressure decay needs before it can decide.
#
# Source: as in time_under_pressure.


def _work_hold_time(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    answers.need("limit")
    start = gas.reading_of(answers, "start", "temperature")
    instruments = gas.instruments_of(answers, clock=False)
    limit = answers.entry("limit")
    if not instruments.u_pressure_pa and not instruments.u_temperature_k:
        exact = "A gauge and a thermometer without any uncertainty decide at once"
        with placed("pressure_off", "temperature_off"):
            raise Inconsistent(f"{exact}: give one reading ±.")
    share = answers.share_or("share", 0.5)
    limit_rate = gas.mol_per_second(limit, start.temperature_k)
    with placed("volume_percent", "limit", "share", volume_m3="volume", duration_s="chosen"):
        test = (start, answers.si("volume"), limit_rate, instruments)
        hold = time_under_pressure(*test, share)
        chosen_s = answers.si_or("chosen")
        chance = chance_of_pass(*test, chosen_s, share=share) if chosen_s else None
    sees = Estimate(hold.detection_limit_mol_s)
    at_share = f"A leak of {100 * share:g}\u2009% of the limit"
    results = (
        desk.Result("hold", "Hold at least", units.figure(hold.duration_s, "time_in")),
        *(
            ()
            if chance is None
            else (
                desk.Result(
                    "chance", f"{at_share} passes the time chosen", desk.percent_of(chance)
                ),
            )
        ),
        desk.Result(
            "drop",
            "Drop of pressure by a leak at the limit",
            units.figure(hold.pressure_drop_pa, "drop_in"),
            "at constant temperature",
        ),
        desk.Result(
            "feigned_by",
            "Change of temperature that feigns or hides as much",
            units.figure(hold.kelvin_that_look_like_it, "warmth_in"),
        ),
        *gas.leak_results(
            "sees", "Leak that is then seen 95 times of 100", sees, start.temperature_k
        ),
    )
    remarks = (
        f"{at_share} passes 95 of 100 tests held so long. A leak at the limit passes 5 of 100.",
        "Let pressure and temperature settle first; the hold begins after that.",
    )
    return desk.Outcome(
        results,
        "the uncertainty of the pressure decay (GUM), solved for the duration",
        remarks,
        cautions=("pressure",),
        formula=FORMULA,
    )


HOLD_TIME = desk.Calculator(
    "hold-time",
    "Hold time needed",
    "How long a pressure must be held before the test can decide, told before it begins.",
    (
        fields.Section(
            "Test",
            (
                gas.ZERO,
                fields.pressure("start", "Pressure at the start", example="50"),
                gas.BAROMETER,
                fields.temperature("temperature", "Gas temperature", example="22"),
                gas.VOLUME,
                gas.LIMIT,
                fields.percent(
                    "share",
                    "A leak of this share of the limit shall pass",
                    most=95.0,
                    example="50",
                    help="Left empty: 50 %.",
                ),
                fields.quantity(
                    "chosen",
                    "Time chosen",
                    Measure.DURATION,
                    "min",
                    required=False,
                    help="For the chance that such a leak passes it.",
                ),
            ),
        ),
        gas.INSTRUMENTS,
    ),
    _work_hold_time,
    (
        fields.Show("time_in", "Time in", Measure.DURATION, "min"),
        fields.Show("drop_in", "Drop of pressure in", Measure.PRESSURE, "Pa"),
        fields.Show("warmth_in", "Change of temperature in", Measure.TEMPERATURE_CHANGE, "K"),
    ),
)
