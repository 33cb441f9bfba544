"""What several calculators ask alike: the thread, how torque becomes preload, the torque driver.

Sources: as in clamping.
"""

from dataclasses import replace

from service.calculators.arithmetic import desk
from service.physics.arithmetic import clamping
from service.physics.arithmetic.rod_stress import RodStress
from service.physics.arithmetic.threads import Thread, hexagon_bearing, strength_classes, thread
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import placed
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.verdicts import Verdict, at_most

BY_FACTOR, BY_FRICTION = "nut factor", "friction in the thread and under the nut"
LAWS = (BY_FACTOR, BY_FRICTION)
SOURCE = "T = K d F (Shigley); VDI 2230 part 1:2015 for thread and head friction; GUM"

THREAD = fields.words(
    "thread", "Thread", example="M8", help="Such as M8 with the coarse pitch, or M8x1 with its own."
)
STRENGTH = fields.choice("strength_class", "Strength class", strength_classes(), example="8.8")
FRICTION = fields.Section(
    "Friction",
    (
        fields.choice("law", "Torque and preload by", LAWS),
        fields.number(
            "nut_factor",
            "Nut factor",
            least=clamping.LEAST_NUT_FACTOR,
            most=clamping.MOST_NUT_FACTOR,
            only_for="by nut factor",
            required=False,
            example="0.18",
            help="About 0.20 dry, 0.15 lightly oiled, 0.11 with molybdenum paste (common"
            " practice, no source).",
        ),
        fields.number(
            "thread_friction",
            "Friction coefficient in the thread",
            least=clamping.LEAST_FRICTION,
            most=clamping.MOST_FRICTION,
            only_for="by friction",
            required=False,
            help="Such as 0.12. Where the nut factor is used it may be left out.",
        ),
        fields.number(
            "bearing_friction",
            "Friction coefficient under the nut",
            least=clamping.LEAST_FRICTION,
            most=clamping.MOST_FRICTION,
            only_for="by friction",
            required=False,
            help="The nut is taken to be a hexagon nut (ISO 4032) over a medium hole (ISO 273).",
        ),
        fields.percent(
            "common_percent",
            "Preload scatter, the same for all nuts, ±",
            example="10",
            help="As the mean of the friction is known. Of the preload, in 95 of 100 cases.",
        ),
        fields.percent(
            "each_percent",
            "Preload scatter from nut to nut ±",
            example="15",
            help="Of the preload, in 95 of 100 cases. VDI 2230 prints ± 17 to 23 % after trials on"
            " the joint, ± 23 to 28 % where friction is estimated.",
        ),
    ),
)
DRIVER = fields.Section(
    "Torque driver",
    (
        fields.percent(
            "driver_percent",
            "Permissible deviation ±",
            most=50.0,
            example="6",
            help="From its certificate; ISO 6789-1 allows a driver up to 10 N·m 6 %, others 4 %."
            " Left empty: that.",
        ),
        fields.deviation(
            "driver_step", "Smallest step of its reading", Measure.TORQUE, "N·m", example="0.1"
        ),
    ),
)


def thread_of(answers: desk.Answers) -> Thread:
    """Return the thread that was typed."""
    answers.need("thread")
    with placed("thread"):
        return thread(answers.text("thread"))


def law_of(answers: desk.Answers, of: Thread, *, shared: bool = True) -> clamping.Law:
    """Say how torque becomes preload.

    Without ``shared`` only what is uncertain nut by nut counts.
    """
    common = answers.share_or("common_percent") if shared else 0.0
    each = answers.share_or("each_percent")
    if answers.text("law") == BY_FACTOR:
        factor = answers.number("nut_factor")
        diameter = of.nominal_diameter_m
        with placed("common_percent", "each_percent", factor="nut_factor"):
            return _scattering(clamping.NutFactor(factor, diameter), common, each)
    answers.need("thread_friction", "bearing_friction")
    in_thread, under_nut = answers.number("thread_friction"), answers.number("bearing_friction")
    with placed("thread"):
        face = hexagon_bearing(of)
    with placed("thread_friction", "bearing_friction", "common_percent", "each_percent"):
        return _scattering(clamping.ThreadFriction(of, face, in_thread, under_nut), common, each)


def _scattering(certain: clamping.Law, common: float, each: float) -> clamping.Law:
    by_common, by_each = (clamping.from_scatter(certain, share) for share in (common, each))
    return replace(certain, u_common=by_common, u_each=by_each)


def driver_deviation(answers: desk.Answers, torque_nm: float) -> float:
    """Return the driver's permissible deviation as a share: as typed, else after ISO 6789-1."""
    return answers.share_or("driver_percent", clamping.permissible_deviation(torque_nm))


def torque_value(
    answers: desk.Answers, torque_nm: float, *, shared: bool = True
) -> clamping.TorqueValue:
    """Return a torque read with the driver; without ``shared`` its deviation does not count."""
    with placed("torque", deviation="driver_percent", step_nm="driver_step"):
        off = driver_deviation(answers, torque_nm) if shared else 0.0
        return clamping.TorqueValue(torque_nm, off, answers.si_or("driver_step"))


def how_it_bears(stress: RodStress) -> tuple[str, ...]:
    """Say which strength a rod goes beyond, or may; nothing where it bears the preload."""
    limits = (
        ("breaks: pull and twist are more than its tensile strength", stress.share_of_strength),
        ("yields: pull and twist are more than its yield strength", stress.share_of_yield),
        ("yields: the preload is more than its proof load", stress.share_of_proof),
    )
    for words, share in limits:
        if at_most(share, 1.0) is Verdict.FAIL:
            return (f"The rod {words}.",)
    may = [
        f"Within the scatter the rod {words}."
        for words, share in limits
        if share.value + share.expanded > 1
    ]
    return tuple(may[:1])


def how_uncertain(answers: desk.Answers) -> tuple[str, ...]:
    """Return what was left out of the uncertainty, or assumed, in sentences."""
    sentences = []
    if not answers.has("driver_percent"):
        sentences.append(
            "The driver is taken to keep ISO 6789-1 and to be no larger than the torque needs:"
            " ± 6 % up to 10 N·m, ± 4 % above."
        )
    if not answers.has("common_percent") and not answers.has("each_percent"):
        sentences.append(
            "Friction is taken as exact. It seldom is: with friction only estimated, preload"
            " scatters by ± 23 % and more (VDI 2230)."
        )
    return tuple(sentences)
