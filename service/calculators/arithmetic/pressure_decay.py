"""The calculator of a pressure decay: leak rate, verdict against a limit.

Source: as in tightness.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.gas import (
    BAROMETER,
    INSTRUMENTS,
    LIMIT,
    VOLUME,
    ZERO,
    instruments_of,
    judged,
    leak_figure,
    leak_results,
    outside_of,
    reading_of,
    seen_in_words,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Units, parts_table
from service.physics.arithmetic.tightness import FORMULA, pressure_decay
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.fields import Section, pressure, quantity, temperature
from service.platform.arithmetic.units import Measure

SOURCE = "n = V/R (p₁/T₁ − p₂/T₂) / t, ideal gas (form of 40 CFR 1065.644); GUM; ISO 11929-1"


def _work(answers: Answers, units: Units) -> Outcome:
    del units
    start = reading_of(answers, "start", "start_temperature")
    end = reading_of(answers, "end", "end_temperature")
    outside, instruments = outside_of(answers), instruments_of(answers)
    with placed(duration_s="duration", volume_m3="volume"):
        leak = pressure_decay(
            start,
            end,
            answers.si("duration"),
            answers.si("volume"),
            instruments,
            barometer_pa=outside,
        )
    warm = start.temperature_k
    verdict, why = judged(answers, leak, warm)
    return Outcome(
        leak_results("rate", "Leak rate", leak.rate, warm),
        SOURCE,
        (seen_in_words(leak, warm),),
        parts_table(
            leak.rate,
            "What makes it uncertain",
            lambda part: leak_figure(Estimate(part), "mbar·L/s", warm),
        ),
        ("pressure", "hydrogen"),
        FORMULA,
        verdict,
        why,
    )


PRESSURE_DECAY = Calculator(
    "pressure-decay",
    "Leak rate by pressure decay",
    "Temperature corrected, with its uncertainty, in mbar·L/s, sccm and Pa·m³/s, and a verdict.",
    (
        Section(
            "Test",
            (
                ZERO,
                pressure(
                    "start",
                    "Pressure at the start",
                    example="50.00",
                ),
                pressure(
                    "end",
                    "Pressure at the end",
                    example="49.42",
                ),
                BAROMETER,
                temperature(
                    "start_temperature",
                    "Gas temperature at the start",
                    example="22.4",
                ),
                temperature(
                    "end_temperature",
                    "Gas temperature at the end",
                    example="22.2",
                ),
                quantity(
                    "duration",
                    "Duration",
                    Measure.DURATION,
                    "min",
                    example="10",
                ),
                VOLUME,
                LIMIT,
            ),
        ),
        INSTRUMENTS,
    ),
    _work,
)
