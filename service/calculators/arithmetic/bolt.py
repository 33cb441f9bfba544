"""The calculator of what a rod bears.

Sources: as in rod_stress.
"""

from service.calculators.arithmetic import desk, friction
from service.physics.arithmetic import clamping
from service.physics.arithmetic.rod_stress import RodStress, greatest_tightening, rod_stress
from service.physics.arithmetic.threads import breaking_torque, strength
from service.platform.arithmetic import fields
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.verdicts import Verdict

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
        scatter = clamping.preload(friction.torque_value(answers, first.value), law)
        if 0 < 2 * scatter.relative < 1:
            least = units.figure(first.value / (1 - 2 * scatter.relative), "torque_in")
            results.append(
                desk.Result(
                    "torque_for_least",
                    "Torque for at least that preload",
                    least,
                    "at the least preload of the scatter given",
                )
            )
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
    off = friction.driver_deviation(answers, greatest_tightening(law, of, bears, share).torque_nm)
    greatest = greatest_tightening(law, of, bears, share, off)
    results = [
        desk.Result("preload", "Preload", units.figure(preload, "force_in")),
        desk.Result(
            "axial_stress", "Stress in the thread, pull", units.figure(stress.axial_pa, "stress_in")
        ),
        desk.Result(
            "stress_while_turning",
            "Stress while the nut turns, pull and twist",
            units.figure(stress.while_turning_pa, "stress_in"),
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
            "share_of_yield",
            "Share of the yield strength while the nut turns",
            desk.percent_of(stress.share_of_yield),
        ),
        desk.Result(
            "greatest_torque",
            f"Greatest torque at {100 * share:g}\u2009% of the yield strength",
            units.figure(greatest.torque_nm, "torque_in"),
            "at the greatest preload of the scatter given, pull and twist together",
        ),
        desk.Result(
            "greatest_preload",
            "Mean preload at that torque",
            units.figure(greatest.preload_n, "force_in"),
        ),
    ]
    breaks = breaking_torque(bears.name, of)
    if breaks:
        figure = units.figure(breaks, "torque_in")
        note = "never a target (ISO 3506-1)"
        results.append(desk.Result("breaking_torque", "Least breaking torque", figure, note))
    by_factor = isinstance(law, clamping.NutFactor)
    return desk.Outcome(
        tuple(results),
        "ISO 898-1:2013, ISO 3506-1 (strength); VDI 2230 part 1:2015 (pull and twist)",
        (
            *friction.how_it_bears(stress),
            *([TWIST_BY_FACTOR] if by_factor else []),
            *friction.how_uncertain(answers),
        ),
        cautions=("clamp",),
        formula=clamping.FORMULA,
        verdict=stress.verdict,
        verdict_why=_why(stress),
    )


def _why(stress: RodStress) -> str:
    match stress.verdict:
        case Verdict.PASS:
            return "Within the scatter given the rod keeps below its proof load and yield strength."
        case Verdict.FAIL:
            return "The rod does not bear this preload: lower it, or take a stronger rod."
        case _:
            return "The scatter reaches beyond what the rod bears: lower the preload."


TWIST_BY_FACTOR = (
    "By the nut factor half of the torque is taken to twist the rod (common practice, no source):"
    " friction in the thread and under the nut says it better."
)


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
