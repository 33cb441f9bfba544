"""The calculator of what a rod bears.

Sources: as in rod_stress.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.friction import (
    DRIVER,
    FRICTION,
    STRENGTH,
    THREAD,
    how_uncertain,
    law_of,
    thread_of,
    torque_value,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Result, Units, percent_of
from service.calculators.arithmetic.torque import (
    FORCE_IN,
    PRELOAD_FIELD,
    STRESS_IN,
    TORQUE_FIELD,
    TORQUE_IN,
)
from service.physics.arithmetic.clamping import FORMULA, Law, ThreadFriction, preloads, torque_for
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.threads import Strength, Thread, breaking_torque, strength
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.fields import Section, choice, percent

BY_TORQUE, BY_PRELOAD = "a torque", "a preload"


def _greatest(law: Law, of: Strength, size: Thread, share: float) -> tuple[float, float]:
    """Greatest preload in N and torque in N·m at this share of what the rod may bear."""
    if isinstance(law, ThreadFriction):
        greatest = greatest_tightening(law, of, share)
        return greatest.preload_n, greatest.torque_nm
    load = share * of.proof_stress_pa * size.stress_area_m2
    return load, torque_for(load, law).value


def _bolt(answers: Answers, units: Units) -> Outcome:
    of = thread_of(answers)
    bears = strength(answers.text("strength_class"), of)
    law = law_of(answers, of)
    if answers.text("from") == BY_TORQUE:
        reading = torque_value(answers, answers.si("torque"))
        preload = preloads([reading], law).rods[0]
    else:
        preload = Estimate(answers.si("preload"))
    stress = rod_stress(preload, of, bears, law)
    share = answers.share_or("utilisation", 0.9)
    most_preload, most_torque = _greatest(law, bears, of, share)
    by_yield = isinstance(law, ThreadFriction)
    limit = "yield strength, pull and twist together" if by_yield else "proof load, pull alone"
    results = [
        Result("preload", "Preload", units.figure(preload, "force_in")),
        Result(
            "axial_stress", "Stress in the thread, pull", units.figure(stress.axial_pa, "stress_in")
        ),
        Result(
            "proof_load",
            "Proof load",
            units.figure(stress.proof_load_n, "force_in"),
            stress.proof_by,
        ),
        Result("share_of_proof", "Share of the proof load", percent_of(stress.share_of_proof)),
        Result(
            "greatest_torque",
            f"Greatest torque at {100 * share:g}\u2009% of the {limit}",
            units.figure(most_torque, "torque_in"),
        ),
        Result(
            "greatest_preload", "Preload at that torque", units.figure(most_preload, "force_in")
        ),
    ]
    if stress.while_turning_pa:
        both = units.figure(stress.while_turning_pa, "stress_in")
        results.insert(2, Result("stress_while_turning", "Stress while the nut turns", both))
    breaks = breaking_torque(bears.name, of)
    if breaks:
        figure = units.figure(breaks, "torque_in")
        note = "never a target (ISO 3506-1)"
        results.append(Result("breaking_torque", "Least breaking torque", figure, note))
    return Outcome(
        tuple(results),
        "ISO 898-1:2013, ISO 3506-1 (strength); VDI 2230 part 1:2015 (pull and twist)",
        (*_bolt_sentences(stress.share_of_proof, by_yield), *how_uncertain(answers)),
        cautions=("clamp",),
        formula=FORMULA,
    )


def _bolt_sentences(share: Estimate, by_yield: bool) -> tuple[str, ...]:
    sentences = []
    if share.value > 1:
        sentences.append("The preload is more than the proof load: the rod would stay longer.")
    elif share.value + share.expanded > 1:
        sentences.append("Within its uncertainty the preload may be more than the proof load.")
    if not by_yield:
        sentences.append(
            "By the nut factor the twist is not known: choose friction in the thread and under"
            " the nut for the stress while the nut turns."
        )
    return tuple(sentences)


BOLT = Calculator(
    "bolt-stress",
    "Stress of a rod",
    "What a rod bears against its proof load, and how far it may be tightened.",
    (
        Section(
            "Rod",
            (
                THREAD,
                STRENGTH,
                choice("from", "Preload comes from", (BY_TORQUE, BY_PRELOAD)),
                TORQUE_FIELD,
                PRELOAD_FIELD,
                percent(
                    "utilisation",
                    "Share of the strength to be used at most",
                    most=100.0,
                    least=1.0,
                    example="90",
                    help="Left empty: 90 %.",
                ),
            ),
        ),
        FRICTION,
        DRIVER,
    ),
    _bolt,
    (FORCE_IN, TORQUE_IN, STRESS_IN),
    more_example={
        "law": "friction in the thread and under the nut",
        "thread_friction": "0.12",
        "bearing_friction": "0.12",
    },
)
