"""The calculator of what a rod bears.

Sources: as in rod_stress.
"""

from service.calculators.arithmetic.friction import (
    DRIVER,
    FRICTION,
    SOURCE,
    STRENGTH,
    THREAD,
    driver_deviation,
    how_uncertain,
    law_of,
    thread_of,
    torque_value,
)
from service.calculators.arithmetic.outcomes import (
    Answers,
    Calculator,
    Outcome,
    Result,
    Units,
    number_of,
    parts_table,
    percent_of,
)
from service.physics.arithmetic.clamping import (
    FORMULA,
    Law,
    ThreadFriction,
    nut_factor_of,
    preloads,
    torque_for,
)
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.threads import Strength, Thread, breaking_torque, strength
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.fields import Section, Show, choice, percent, quantity, whole
from service.platform.arithmetic.units import Measure

# The calculator of preload and torque.
#
# Sources: as in clamping.


FROM_TORQUE, FROM_PRELOAD = "preload from torque", "torque from preload"


TORQUE_IN = Show("torque_in", "Torque in", Measure.TORQUE, "N·m")


FORCE_IN = Show("force_in", "Force in", Measure.FORCE, "N")


STRESS_IN = Show("stress_in", "Stress in", Measure.PRESSURE, "MPa")


TORQUE_FIELD = quantity(
    "torque",
    "Torque on the nut",
    Measure.TORQUE,
    "N·m",
    only_for="from a torque",
    required=False,
    example="8.5",
)


PRELOAD_FIELD = quantity(
    "preload",
    "Preload of one rod",
    Measure.FORCE,
    "kN",
    only_for="from a preload",
    required=False,
)


def _torque(answers: Answers, units: Units) -> Outcome:
    of = thread_of(answers)
    law = law_of(answers, of)
    count = int(answers.number_or("rods", 1))
    if answers.text("wanted") == FROM_TORQUE:
        reading = torque_value(answers, answers.si("torque"))
        preload_state = preloads([reading] * count, law)
        results = [
            Result("preload", "Preload of one rod", units.figure(preload_state.rods[0], "force_in"))
        ]
        if count > 1:
            sum_ = units.figure(preload_state.total, "force_in")
            results.append(Result("sum", f"Sum of {count} rods", sum_))
        first = preload_state.rods[0]
    else:
        preload = answers.si("preload")
        off = driver_deviation(answers, torque_for(preload, law).value)
        first = torque_for(preload, law, off)
        results = [Result("torque", "Torque on the nut", units.figure(first, "torque_in"))]
    if isinstance(law, ThreadFriction):
        factor = number_of(nut_factor_of(law))
        results.append(Result("nut_factor", "Nut factor that belongs to this friction", factor))
    shown = "force_in" if answers.text("wanted") == FROM_TORQUE else "torque_in"
    return Outcome(
        tuple(results),
        SOURCE,
        how_uncertain(answers),
        parts_table(
            first,
            "What makes it uncertain",
            lambda part: units.figure(part, shown),
        ),
        ("clamp",),
        FORMULA,
    )


TORQUE = Calculator(
    "torque",
    "Torque and preload",
    "Which preload a torque gives, which torque a preload needs, and how far either may be off.",
    (
        Section(
            "What is wanted",
            (
                choice("wanted", "Wanted", (FROM_TORQUE, FROM_PRELOAD)),
                TORQUE_FIELD,
                PRELOAD_FIELD,
                THREAD,
                whole("rods", "Rods tightened alike", required=False, example="8"),
            ),
        ),
        FRICTION,
        DRIVER,
    ),
    _torque,
    (FORCE_IN, TORQUE_IN),
)


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
