"""The calculator of a leak that is read from a flow meter.

Source: as in tightness.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.fields import (
    Section,
    choice,
    deviation,
    percent,
    quantity,
    temperature,
)
from service.calculators.arithmetic.gas import (
    LIMIT,
    leak_results,
    mol_per_second,
    seen_in_words,
    verdict_in_words,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Units
from service.physics.arithmetic.gas_flows import REFERENCES, reference
from service.physics.arithmetic.tightness import FORMULA, FlowMeter, flow_meter, judge
from service.platform.arithmetic.estimates import standard_uncertainty
from service.platform.arithmetic.units import Measure

SOURCE = "flow meter with its zero taken away; GUM; ISO 11929-1 (decision threshold)"


def _work(answers: Answers, units: Units) -> Outcome:
    del units
    meter = FlowMeter(
        answers.si("full_scale"),
        reference(answers.text("reference")),
        standard_uncertainty(answers.share_or("reading_percent")),
        standard_uncertainty(answers.share_or("scale_percent")),
        answers.si_or("step"),
    )
    leak = flow_meter(answers.si("flow"), meter, answers.si_or("shut_off"))
    warm = answers.si("temperature")
    verdict, why = None, ""
    if answers.has("limit"):
        limit = answers.entry("limit")
        verdict = judge(leak, mol_per_second(limit, warm))
        why = verdict_in_words(leak, verdict, limit)
    said = [seen_in_words(leak, warm)]
    if not answers.has("shut_off"):
        said.append("The meter's zero was not given: read it with the circuit shut off.")
    return Outcome(
        leak_results("rate", "Leak rate", leak.rate, warm),
        SOURCE,
        tuple(said),
        (),
        ("pressure", "hydrogen"),
        FORMULA,
        verdict,
        why,
    )


FLOW_METER = Calculator(
    "flow-meter",
    "Leak rate by flow meter",
    "What a meter reads that keeps the circuit under pressure, or catches what comes out.",
    (
        Section(
            "Test",
            (
                quantity(
                    "flow",
                    "Flow that is read",
                    Measure.FLOW,
                    "mL/min",
                    least=0.0,
                    example="1.8",
                    named=("the flow",),
                ),
                quantity(
                    "shut_off",
                    "Flow with the circuit shut off",
                    Measure.FLOW,
                    "mL/min",
                    required=False,
                    least=-1e6,
                    example="0.1",
                    help="The meter's zero; it is taken away.",
                ),
                temperature("temperature", "Temperature of the gas", example="22"),
                LIMIT,
            ),
        ),
        Section(
            "Flow meter",
            (
                quantity(
                    "full_scale",
                    "Full scale",
                    Measure.FLOW,
                    "mL/min",
                    example="10",
                    named=("the meter's full scale",),
                ),
                choice(
                    "reference",
                    "Its millilitres are at",
                    tuple(known.name for known in REFERENCES),
                    named=("the reference condition",),
                    help="As its data sheet says: it decides by up to 9 %.",
                ),
                percent("reading_percent", "Accuracy ±, of the reading", example="1"),
                percent("scale_percent", "Accuracy ±, of full scale", example="0.5"),
                deviation(
                    "step", "Smallest step of its reading", Measure.FLOW, "mL/min", example="0.01"
                ),
            ),
        ),
    ),
    _work,
)
