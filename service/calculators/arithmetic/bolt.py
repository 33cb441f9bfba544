"""The calculator of what a rod bears.

Sources: as in rod_stress.
"""

from service.calculators.arithmetic import desk, friction
from service.physics.arithmetic import clamping
from service.physics.arithmetic.rod_stress import greatest_tightening, rod_stress
from service.physics.arithmetic.threads import Strength, Thread, breaking_torque, strength
from service.platform.arithmetic import fields
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import Measure

# The calculator of preload and torque.
#
# Sources: as in clamping.


FROM_TORQUE, FROM_PRELOAD = "preload from torque", "torque from preload"


TORQUE_IN = fields.Show("torque_in", "Torque in", Measure.TORQUE, "N·m")


FORCE_IN = fields.Show("force_in", "Force in", Measure.FORCE, "N")


STRESS_IN = fields.Show("stress_in", "Stress in", Measure.PRESSURE, "MPa")


TORQUE_FIELD = fields.quantity(
    "torque",
    "Torque on the nut",
    Measure.TORQUE,
    "N·m",
    only_for="from a torque",
    required=False,
    example="8.5",
)


PRELOAD_FIELD = fields.quantity(
    "preload", "Preload of one rod", Measure.FORCE, "kN", only_for="from a preload", required=False
)


def _torque(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    of = friction.thread_of(answers)
    law = friction.law_of(answers, of)
    count = int(answers.number_or("rods", 1))
    if answers.text("wanted") == FROM_TORQUE:
        reading = friction.torque_value(answers, answers.si("torque"))
        preload_state = clamping.preloads([reading] * count, law)
        results = [
            desk.Result(
                "preload", "Preload of one rod", units.figure(preload_state.rods[0], "force_in")
            )
        ]
        if count > 1:
            sum_ = units.figure(preload_state.total, "force_in")
            results.append(desk.Result("sum", f"Sum of {count} rods", sum_))
        first = preload_state.rods[0]
    else:
        preload = answers.si("preload")
        off = friction.driver_deviation(answers, clamping.torque_for(preload, law).value)
        first = clamping.torque_for(preload, law, off)
        results = [desk.Result("torque", "Torque on the nut", units.figure(first, "torque_in"))]
    if isinstance(law, clamping.ThreadFriction):
        factor = desk.number_of(clamping.nut_factor_of(law))
        results.append(
            desk.Result("nut_factor", "Nut factor that belongs to this friction", factor)
        )
    key = "force_in" if answers.text("wanted") == FROM_TORQUE else "torque_in"
    return desk.Outcome(
        tuple(results),
        friction.SOURCE,
        friction.how_uncertain(answers),
        desk.parts_table(first, "What makes it uncertain", lambda part: units.figure(part, key)),
        ("clamp",),
        clamping.FORMULA,
    )


TORQUE = desk.Calculator(
    "torque",
    "Torque and preload",
    "Which preload a torque gives, which torque a preload needs, and how far either may be off.",
    (
        fields.Section(
            "What is wanted",
            (
                fields.choice("wanted", "Wanted", (FROM_TORQUE, FROM_PRELOAD)),
                TORQUE_FIELD,
                PRELOAD_FIELD,
                friction.THREAD,
                fields.whole("rods", "Rods tightened alike", required=False, example="8"),
            ),
        ),
        friction.FRICTION,
        friction.DRIVER,
    ),
    _torque,
    (FORCE_IN, TORQUE_IN),
)


BY_TORQUE, BY_PRELOAD = "a torque", "a preload"


def _greatest(law: clamping.Law, of: Strength, size: Thread, share: float) -> tuple[float, float]:
    """Greatest preload in N and torque in N·m at this share of what the rod may bear."""
    if isinstance(law, clamping.ThreadFriction):
        greatest = greatest_tightening(law, of, share)
        return greatest.preload_n, greatest.torque_nm
    load = share * of.proof_stress_pa * size.stress_area_m2
    return load, clamping.torque_for(load, law).value


def _bolt(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    of = friction.thread_of(answers)
    bears = strength(answers.text("strength_class"), of)
    law = friction.law_of(answers, of)
    if answers.text("from") == BY_TORQUE:
        reading = friction.torque_value(answers, answers.si("torque"))
        preload = clamping.preloads([reading], law).rods[0]
    else:
        preload = Estimate(answers.si("preload"))
    stress = rod_stress(preload, of, bears, law)
    share = answers.share_or("utilisation", 0.9)
    most_preload, most_torque = _greatest(law, bears, of, share)
    by_yield = isinstance(law, clamping.ThreadFriction)
    limit = "yield strength, pull and twist together" if by_yield else "proof load, pull alone"
    results = [
        desk.Result("preload", "Preload", units.figure(preload, "force_in")),
        desk.Result(
            "axial_stress", "Stress in the thread, pull", units.figure(stress.axial_pa, "stress_in")
        ),
        desk.Result(
            "proof_load",
            "Proof load",
            units.figure(stress.proof_load_n, "force_in"),
            stress.proof_by,
        ),
        desk.Result(
            "share_of_proof", "Share of the proof load", desk.percent_of(stress.share_of_proof)
        ),
        desk.Result(
            "greatest_torque",
            f"Greatest torque at {100 * share:g}\u2009% of the {limit}",
            units.figure(most_torque, "torque_in"),
        ),
        desk.Result(
            "greatest_preload", "Preload at that torque", units.figure(most_preload, "force_in")
        ),
    ]
    if stress.while_turning_pa:
        both = units.figure(stress.while_turning_pa, "stress_in")
        results.insert(2, desk.Result("stress_while_turning", "Stress while the nut turns", both))
    breaks = breaking_torque(bears.name, of)
    if breaks:
        figure = units.figure(breaks, "torque_in")
        note = "never a target (ISO 3506-1)"
        results.append(desk.Result("breaking_torque", "Least breaking torque", figure, note))
    return desk.Outcome(
        tuple(results),
        "ISO 898-1:2013, ISO 3506-1 (strength); VDI 2230 part 1:2015 (pull and twist)",
        (*_bolt_sentences(stress.share_of_proof, by_yield), *friction.how_uncertain(answers)),
        cautions=("clamp",),
        formula=clamping.FORMULA,
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


BOLT = desk.Calculator(
    "bolt-stress",
    "Stress of a rod",
    "What a rod bears against its proof load, and how far it may be tightened.",
    (
        fields.Section(
            "Rod",
            (
                friction.THREAD,
                friction.STRENGTH,
                fields.choice("from", "Preload comes from", (BY_TORQUE, BY_PRELOAD)),
                TORQUE_FIELD,
                PRELOAD_FIELD,
                fields.percent(
                    "utilisation",
                    "Share of the strength to be used at most",
                    most=100.0,
                    least=1.0,
                    example="90",
                    help="Left empty: 90 %.",
                ),
            ),
        ),
        friction.FRICTION,
        friction.DRIVER,
    ),
    _bolt,
    (FORCE_IN, TORQUE_IN, STRESS_IN),
    more_example={
        "law": "friction in the thread and under the nut",
        "thread_friction": "0.12",
        "bearing_friction": "0.12",
    },
)
