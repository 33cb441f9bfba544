"""The calculator of preload and torque.

Sources: as in clamping.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.friction import (
    DRIVER,
    FRICTION,
    SOURCE,
    THREAD,
    driver_deviation,
    how_uncertain,
    law_of,
    thread_of,
    torque_value,
)
from service.calculators.arithmetic.outcomes import (
    Calculator,
    Outcome,
    Result,
    Units,
    number_of,
    parts_table,
)
from service.physics.arithmetic.clamping import (
    FORMULA,
    ThreadFriction,
    nut_factor_of,
    preloads,
    torque_for,
)
from service.platform.arithmetic.fields import Section, Show, choice, quantity, whole
from service.platform.arithmetic.units import Measure

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
