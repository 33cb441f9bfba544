"""The calculator of insulation: the limit for a working voltage, and a reading judged by it.

Source: as in insulation.
"""

from service.calculators.arithmetic import desk
from service.limits.arithmetic import insulation
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.verdicts import Verdict

# What is asked of insulation at the desk.
#
# Common practice, no source.


OWN = "a limit of one's own"
LIMITS = {
    limit.standard: limit
    for limit in (insulation.DC_LIMIT, insulation.WITH_AC_LIMIT, insulation.DRY_RODS_LIMIT)
}


YES, NO, NOT_SAID = "yes", "no", "not said"


SECTIONS = (
    fields.Section(
        "Limit",
        (
            fields.choice("rule", "Limit by", (*LIMITS, OWN)),
            fields.number(
                "ohm_per_volt",
                "Resistance for each volt",
                "Ω/V",
                only_for="own limit",
                required=False,
            ),
            fields.quantity(
                "least",
                "Never less than",
                Measure.RESISTANCE,
                "kΩ",
                only_for="own limit",
                required=False,
            ),
            fields.words(
                "standard",
                "Standard or rule it comes from",
                only_for="own limit",
                required=False,
                help="These three where the limit is one's own.",
            ),
            fields.whole(
                "cells",
                "Cells",
                required=False,
                example="20",
                help="Or the working voltage itself, beneath.",
            ),
            fields.quantity(
                "cell_voltage",
                "Greatest voltage of a cell",
                Measure.VOLTAGE,
                "V",
                required=False,
                help="Left empty: 1.23 V, the reversible voltage at 25 °C.",
            ),
            fields.quantity("voltage", "Working voltage", Measure.VOLTAGE, "V", required=False),
        ),
    ),
    fields.Section(
        "Reading",
        (
            fields.choice("between", "Measured", tuple(insulation.Between)),
            fields.choice("condition", "Coolant circuit", tuple(insulation.Condition)),
            fields.quantity(
                "resistance",
                "Resistance",
                Measure.RESISTANCE,
                "MΩ",
                least=0.0,
                required=False,
                example="2.4",
                help="Left empty: the limit alone is worked out.",
            ),
            fields.choice("over_range", "The tester shows only that it is more", (NO, YES)),
            fields.quantity(
                "test_voltage",
                "Voltage of the tester",
                Measure.VOLTAGE,
                "V",
                only_for="with a resistance",
                required=False,
                example="100",
            ),
            fields.percent("tester_percent", "Tester's accuracy ±", example="5"),
            fields.choice("bonded", "All cells bonded together", (NOT_SAID, YES, NO), example=YES),
            fields.choice(
                "hydrogen_there", "Hydrogen in the stack", (NOT_SAID, NO, YES), example=NO
            ),
        ),
    ),
)


def _limit(answers: desk.Answers) -> insulation.InsulationLimit:
    limit = LIMITS.get(answers.text("rule"))
    if limit:
        return limit
    answers.need("standard")
    per_volt = answers.number_or("ohm_per_volt")
    least = answers.si_or("least")
    if not per_volt and not least:
        answers.need("ohm_per_volt")
    return insulation.InsulationLimit(per_volt, least, answers.text("standard"))


def _voltage(answers: desk.Answers) -> float:
    if answers.has("voltage"):
        return answers.si("voltage")
    answers.need("cells")
    each = answers.si_or("cell_voltage", insulation.GREATEST_CELL_VOLTAGE)
    return insulation.working_voltage(answers.count("cells"), each)


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    volt, limit = _voltage(answers), _limit(answers)
    least = limit.ohm(volt)
    results = [
        desk.Result("voltage", "Working voltage", units.figure(volt, "voltage_in")),
        desk.Result(
            "limit", "Least resistance", units.figure(least, "resistance_in"), limit.standard
        ),
    ]
    verdict, why = None, ""
    if answers.has("resistance"):
        judged = _judged(answers, limit, volt)
        verdict, why = judged.verdict, _why(judged)
        share = judged.reading.u_resistance
        measured = Estimate(judged.reading.resistance_ohm, share * judged.reading.resistance_ohm)
        figure = units.figure(measured, "resistance_in")
        results.append(desk.Result("resistance", "Resistance read", figure))
        if measured.value:
            current = units.figure(judged.current_a, "current_in")
            results.append(desk.Result("current", "Current at the working voltage", current))
    remarks = (
        (
            "Bond all cells together first: the tester's voltage must never stand across a cell. No"
            " hydrogen in the stack."
        ),
        "Wanted are four readings: tie rods to plates and plates to ground, dry and with coolant.",
    )
    return desk.Outcome(
        tuple(results),
        limit.standard,
        remarks,
        cautions=("electrical", "hydrogen"),
        formula=insulation.FORMULA,
        verdict=verdict,
        verdict_why=why,
    )


def _judged(
    answers: desk.Answers, limit: insulation.InsulationLimit, volt: float
) -> insulation.InsulationResult:
    answers.need("test_voltage")
    unsaid = [name for name in ("bonded", "hydrogen_there") if answers.text(name) == NOT_SAID]
    if unsaid:
        raise desk.NotRead(
            *(desk.Refusal(name, "", "Say yes or no.", is_missing=True) for name in unsaid)
        )
    with placed(
        resistance_ohm="resistance",
        test_voltage_v="test_voltage",
        working_voltage_v="voltage" if answers.has("voltage") else "cells",
        u_resistance="tester_percent",
        cells_bonded="bonded",
        hydrogen_present="hydrogen_there",
    ):
        reading = insulation.InsulationReading(
            insulation.Between(answers.text("between")),
            insulation.Condition(answers.text("condition")),
            answers.si("resistance"),
            answers.si("test_voltage"),
            standard_uncertainty(answers.share_or("tester_percent")),
            answers.text("over_range") == YES,
        )
        return insulation.judge_insulation(
            reading,
            limit,
            volt,
            cells_bonded=answers.text("bonded") == YES,
            hydrogen_present=answers.text("hydrogen_there") == YES,
        )


def _why(judged: insulation.InsulationResult) -> str:
    if judged.verdict is Verdict.PASS:
        return "With its uncertainty (95 %) the resistance reaches the limit."
    if judged.verdict is Verdict.FAIL:
        return "With its uncertainty (95 %) the resistance is less than the limit."
    if judged.reading.over_range:
        return "The tester's range ends below the limit: use a greater range."
    return "The uncertainty covers the limit: use a better tester, or find what conducts."


INSULATION = desk.Calculator(
    "insulation",
    "Insulation",
    "The least resistance for a working voltage, and a reading judged by it.",
    SECTIONS,
    _work,
    (
        fields.Show("resistance_in", "Resistance in", Measure.RESISTANCE, "kΩ"),
        fields.Show("voltage_in", "Voltage in", Measure.VOLTAGE, "V"),
        fields.Show("current_in", "Current in", Measure.CURRENT, "µA"),
    ),
)
