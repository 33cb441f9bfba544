"""What the desk says of a closed stack: as it stands, warm, relaxed, with more cells.

Sources: as in springs and clamp_changes.
"""

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.outcomes import Result, Units, number_of, percent_of
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.disc_springs import RECOMMENDED_TRAVEL, SpringColumn
from service.physics.arithmetic.springs import ClosedState
from service.platform.arithmetic.estimates import Estimate


def closed_results(assembly: Assembly, closed: ClosedState, units: Units) -> tuple[Result, ...]:
    """The closed state, line by line."""
    count, stress = assembly.rods.count, closed.rod_stress
    turn = number_of(closed.nut_turn_deg / 360, "turns")
    results = [
        Result("force", f"Force of all {count} rods", units.figure(closed.force_n, "force_in")),
        Result("rod_force", "Force of one rod", units.figure(closed.rod_force_n, "force_in")),
        Result(
            "share_of_proof",
            "Share of the proof load",
            percent_of(stress.share_of_proof),
            stress.proof_by,
        ),
        Result(
            "closed_height",
            "Closed height",
            units.figure(closed.closed_height_m, "length_in"),
            "over all rigid layers",
        ),
        Result(
            "nut_travel",
            "Travel of the nut from finger-tight",
            units.figure(closed.nut_travel_m, "length_in"),
            turn.text,
        ),
        Result("stretch", "Stretch of a rod", units.figure(closed.rod_stretch_m, "length_in")),
    ]
    if closed.gdl_pressure_pa:
        figure = units.figure(closed.gdl_pressure_pa, "pressure_in")
        results.insert(0, Result("gdl_pressure", "GDL pressure, mean of the cells", figure))
    if closed.line_load_n_m:
        figure = units.figure(closed.line_load_n_m, "line_load_in")
        results.insert(1, Result("line_load", "Line load of the gaskets", figure))
    cell = closed.cells[0]
    results += [
        Result("strain", "Strain of the MEA", percent_of(cell.gdl_strain)),
        Result("squeeze", "Squeeze of the gasket", percent_of(cell.gasket_squeeze)),
        Result("share_gdl", "Share of the force through the GDL", percent_of(cell.share_gdl)),
    ]
    if closed.protrusion_m:
        figure = units.figure(closed.protrusion_m, "length_in")
        results.append(Result("protrusion", "Thread that stands out of the nut", figure))
    springs = assembly.rods.springs
    if isinstance(springs, SpringColumn):
        share = springs.share_of_travel(closed.rod_force_n.value)
        results.append(Result("spring_share", "Disc springs pressed to flat", percent_of(share)))
    return tuple(results)


def closed_sentences(answers: Answers, assembly: Assembly, closed: ClosedState) -> tuple[str, ...]:
    """What is to be looked at in the closed state."""
    said = []
    if any(cell.on_stop for cell in closed.cells):
        said.append(
            "The cells stand on their hard stop: more torque raises neither the GDL pressure nor"
            " the line load."
        )
    if closed.rod_stress.share_of_proof.value > 1:
        said.append("The rods bear more than their proof load: they would stay longer.")
    springs = assembly.rods.springs
    if isinstance(springs, SpringColumn):
        share = springs.share_of_travel(closed.rod_force_n.value)
        if share > RECOMMENDED_TRAVEL:
            said.append(
                f"The disc springs are pressed to {100 * share:.0f}\u2009% of flat; up to"
                " 75\u2009% they last (DIN EN 16984)."
            )
    if closed.protrusion_m is not None:
        said += thread_left(answers, closed.protrusion_m, "")
    return tuple(said)


def thread_left(answers: Answers, protrusion: Estimate, when: str) -> list[str]:
    """A sentence where too little thread stands out of the nut; none where it does."""
    least, stands = answers.si_or("least_protrusion"), protrusion.value
    if stands >= least:
        return []
    if stands < 0:
        return [f"The rods are {-1e3 * stands:.1f}\u2009mm too short for the nut{when}."]
    return [
        (
            f"The thread does not suffice{when}: {1e3 * stands:.1f}\u2009mm stand out of the nut,"
            f" {1e3 * least:g}\u2009mm must."
        )
    ]
