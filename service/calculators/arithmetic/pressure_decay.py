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
    absolute,
    instruments_of,
    leak_figure,
    leak_results,
    mol_per_second,
    seen_in_words,
    verdict_in_words,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Units, parts_table
from service.physics.arithmetic.tightness import FORMULA, Reading, judge, pressure_decay
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.fields import Section, pressure, quantity, temperature
from service.platform.arithmetic.preconditions import barometer
from service.platform.arithmetic.units import Measure

SOURCE = "n = V/R (p₁/T₁ − p₂/T₂) / t, ideal gas (form of 40 CFR 1065.644); GUM; ISO 11929-1"


def _work(answers: Answers, units: Units) -> Outcome:
    del units
    start = Reading(absolute(answers, "start"), answers.si("start_temperature"))
    end = Reading(absolute(answers, "end"), answers.si("end_temperature"))
    leak = pressure_decay(
        start,
        end,
        answers.si("duration"),
        answers.si("volume"),
        instruments_of(answers),
        barometer_pa=barometer(answers.si("barometer")),
    )
    warm = start.temperature_k
    verdict, why = None, ""
    if answers.has("limit"):
        limit = answers.entry("limit")
        verdict = judge(leak, mol_per_second(limit, warm))
        why = verdict_in_words(leak, verdict, limit)
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
                    named=("the pressure at the start",),
                ),
                pressure(
                    "end",
                    "Pressure at the end",
                    example="49.42",
                    named=("the pressure at the end",),
                ),
                BAROMETER,
                temperature(
                    "start_temperature",
                    "Gas temperature at the start",
                    example="22.4",
                    named=("the gas temperature at the start",),
                ),
                temperature(
                    "end_temperature",
                    "Gas temperature at the end",
                    example="22.2",
                    named=("the gas temperature at the end",),
                ),
                quantity(
                    "duration",
                    "Duration",
                    Measure.DURATION,
                    "min",
                    example="10",
                    named=("the duration",),
                ),
                VOLUME,
                LIMIT,
            ),
        ),
        INSTRUMENTS,
    ),
    _work,
)
