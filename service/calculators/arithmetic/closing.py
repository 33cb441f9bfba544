"""The calculator that closes a stack: what a torque gives, or the torque for a GDL pressure.

Sources: as in springs, clamp_changes and clamping.
"""

from dataclasses import replace

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.closing_changes import changes_of
from service.calculators.arithmetic.closing_fields import CELL, FROM_TORQUE, WISH
from service.calculators.arithmetic.closing_gasket import GASKET
from service.calculators.arithmetic.closing_results import closed_results, closed_sentences
from service.calculators.arithmetic.closing_rods import DISCS, NO_SPRINGS, PLATES, RODS
from service.calculators.arithmetic.curves import gasket_of, gdl_of
from service.calculators.arithmetic.discs import column_of
from service.calculators.arithmetic.fields import Show
from service.calculators.arithmetic.friction import (
    DRIVER,
    FRICTION,
    driver_deviation,
    how_uncertain,
    law_of,
    thread_of,
    torque_value,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Result, Units, parts_table
from service.closing.arithmetic.clamp_changes import torque_for_pressure
from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, Rods
from service.physics.arithmetic.clamping import Law, preloads
from service.physics.arithmetic.disc_springs import PlainSpring, SpringColumn
from service.physics.arithmetic.gaps import BedOf, Gap, GasketOf
from service.physics.arithmetic.springs import FORMULA, ClosedState, close_stack
from service.physics.arithmetic.threads import strength
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.units import Measure

SOURCE = "springs in series with the materials' curves; VDI 2230 (rods); DIN EN 16984 (discs); GUM"


def _cell(answers: Answers) -> Gap:
    gasket = GasketOf(
        gasket_of(answers),
        answers.si("gasket_height"),
        answers.si_or("groove"),
        answers.si("gasket_length"),
        u_height_m=standard_uncertainty(answers.si_or("gasket_off")),
    )
    bed = BedOf(
        gdl_of(answers),
        answers.si("mea"),
        answers.si("area"),
        answers.si_or("recess"),
        u_thickness_m=standard_uncertainty(answers.si_or("mea_off")),
    )
    return Gap(gasket, bed, answers.si_or("stop"))


def _coolant(answers: Answers, cell: Gap) -> Gap | None:
    if not answers.has("coolant_groove") or cell.gasket is None:
        return None
    return Gap(replace(cell.gasket, groove_depth_m=answers.si("coolant_groove")))


def _springs(answers: Answers) -> SpringColumn | PlainSpring | None:
    kind = answers.text("springs")
    if kind == NO_SPRINGS:
        return None
    return column_of(answers) if kind == DISCS else PlainSpring(answers.si("spring_rate"))


def assembly_of(answers: Answers) -> Assembly:
    """The stack that was typed."""
    of, count, cell = thread_of(answers), answers.count("cells"), _cell(answers)
    coolant = _coolant(answers, cell)
    rods = Rods(
        answers.count("rods"),
        of,
        strength(answers.text("strength_class"), of),
        answers.si("rod_modulus"),
        expansion_1_k=answers.si_or("rod_expansion"),
        length_m=answers.si("rod_length") if answers.has("rod_length") else None,
        before_m=answers.si_or("before"),
        nut_height_m=answers.si_or("nut_height"),
        springs=_springs(answers),
    )

    def layer(name: str, field: str, expansion: str, number: int) -> RigidLayer:
        u = standard_uncertainty(answers.si_or(f"{field}_off"))
        grows = answers.si_or(expansion)
        return RigidLayer(name, answers.si(field), number, expansion_1_k=grows, u_thickness_m=u)

    return Assembly(
        (cell,) * count,
        rods,
        (layer("half plates", "half_plate", "plate_expansion", 2 * count),),
        (coolant,) * (count + 1) if coolant else (),
        (layer("the ends", "ends", "ends_expansion", 1),),
    )


def _torque(answers: Answers, assembly: Assembly, law: Law) -> Estimate:
    """The torque on each nut in N·m: as typed, or the one that gives the wanted pressure."""
    if answers.text("wanted") == FROM_TORQUE:
        return Estimate(answers.si("torque"))
    wanted = answers.si("wanted_pressure")
    near = torque_for_pressure(assembly, wanted, law).torque_nm.value
    return torque_for_pressure(assembly, wanted, law, driver_deviation(answers, near)).torque_nm


def close(answers: Answers) -> tuple[Estimate, Assembly, ClosedState]:
    """Torque in N·m, the stack, and how it stands closed with that torque on every nut."""
    assembly = assembly_of(answers)
    law = law_of(answers, assembly.rods.thread)
    torque = _torque(answers, assembly, law)
    reading = torque_value(answers, torque.value)
    force = preloads([reading] * assembly.rods.count, law).total
    return torque, assembly, close_stack(assembly, force, law)


def _work(answers: Answers, units: Units) -> Outcome:
    torque, assembly, closed = close(answers)
    wanted = Result("torque", "Torque on each nut", units.figure(torque, "torque_in"))
    pressure = closed.gdl_pressure_pa or Estimate(0.0)
    said, tables = changes_of(answers, assembly, closed, units)
    return Outcome(
        (wanted, *closed_results(assembly, closed, units)),
        SOURCE,
        (*closed_sentences(answers, assembly, closed), *said, *how_uncertain(answers)),
        (
            *tables,
            *parts_table(
                pressure,
                "What makes the GDL pressure uncertain",
                lambda part: units.figure(part, "pressure_in"),
            ),
        ),
        ("clamp",),
        FORMULA,
    )


CLOSING = Calculator(
    "closing",
    "Closing a stack",
    "N cells between rods: GDL pressure, line load, height, nut travel, torque; warm, and with more"
    " cells.",
    (WISH, CELL, GASKET, PLATES, RODS, FRICTION, DRIVER),
    _work,
    (
        Show("pressure_in", "GDL pressure in", Measure.PRESSURE, "MPa"),
        Show("line_load_in", "Line load in", Measure.LINE_LOAD, "N/mm"),
        Show("force_in", "Force in", Measure.FORCE, "kN"),
        Show("length_in", "Lengths in", Measure.LENGTH, "mm"),
        Show("torque_in", "Torque in", Measure.TORQUE, "N·m"),
    ),
    note="All cells are taken alike; plates are stiff and all nuts read the same torque.",
    more_example={"springs": DISCS},
)
