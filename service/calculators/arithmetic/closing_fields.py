"""What is asked to close a stack at the desk: cells, plates, rods, springs, the wish.

Common practice, no source.
"""

from typing import Any

from service.calculators.arithmetic import desk, friction
from service.physics.arithmetic.clamped_parts import Assembly
from service.physics.arithmetic.disc_springs import RECOMMENDED_TRAVEL, SpringColumn
from service.physics.arithmetic.springs import ClosedState
from service.platform.arithmetic import fields
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import Measure

FROM_TORQUE, FROM_PRESSURE = "what a torque gives", "the torque for a GDL pressure"
CLOSING_PORES, POWER, POINTS = "ever stiffer as pores close", "power law", "points"


def length(name: str, label: str, example: str = "", **more: Any) -> fields.Field:
    """Describe a length in mm."""
    return fields.quantity(name, label, Measure.LENGTH, "mm", example=example, **more)


def not_below_zero(name: str, label: str, example: str = "", **more: Any) -> fields.Field:
    """Return a length in mm that may be nothing, or left out."""
    return length(name, label, example, **{"least": 0.0, "required": False, **more})


def expansion(name: str, label: str, example: str) -> fields.Field:
    """Describe how a part grows when it is warmed; may be left out."""
    return fields.quantity(
        name,
        label,
        Measure.EXPANSION,
        "µm/(m·K)",
        example=example,
        required=False,
        least=-20.0,
        most=500.0,
    )


WISH = fields.Section(
    "What is wanted",
    (
        fields.choice("wanted", "Wanted", (FROM_TORQUE, FROM_PRESSURE)),
        fields.quantity(
            "torque",
            "Torque on each nut",
            Measure.TORQUE,
            "N·m",
            only_for="from a torque",
            required=False,
            example="5.5",
        ),
        fields.quantity(
            "wanted_pressure",
            "Wanted mean GDL pressure",
            Measure.PRESSURE,
            "MPa",
            only_for="for a GDL pressure",
            required=False,
        ),
        fields.quantity(
            "warmer",
            "Warmer by, when running",
            Measure.TEMPERATURE_CHANGE,
            "K",
            required=False,
            least=-150.0,
            most=150.0,
            example="45",
        ),
        not_below_zero(
            "height_lost",
            "Height lost by relaxation",
            "0.05",
            help="Creep of gaskets and GDL, embedding; the force follows.",
        ),
        fields.whole(
            "cells_added",
            "Cells added on the same rods",
            required=False,
            least=-500,
            most=500,
            example="4",
            help="Negative where cells are taken out.",
        ),
        not_below_zero("least_protrusion", "Thread that must stand out of the nut", "3"),
    ),
)
CELL = fields.Section(
    "One cell",
    (
        fields.whole("cells", "Cells", example="20", most=500),
        fields.quantity("area", "Active area", Measure.AREA, "cm²", example="200"),
        length("mea", "Free thickness of the MEA with its GDL", "0.45", most=5.0),
        fields.deviation(
            "mea_off",
            "Thickness of the MEA known to ±",
            Measure.LENGTH,
            "µm",
            example="8",
            most=1e3,
        ),
        not_below_zero(
            "recess", "Recess of the active area", help="Both plates together.", most=5.0
        ),
        fields.choice("gdl_form", "GDL: stress against strain", (CLOSING_PORES, POWER, POINTS)),
        fields.quantity(
            "gdl_modulus",
            "Modulus of the GDL",
            Measure.PRESSURE,
            "MPa",
            only_for="unless by points",
            required=False,
            example="3",
        ),
        fields.percent(
            "gdl_limit",
            "Strain at which its pores are closed",
            least=1.0,
            most=100.0,
            example="55",
            help="For the curve that gets ever stiffer.",
            only_for="as pores close",
        ),
        fields.number(
            "gdl_exponent",
            "Exponent of the power law",
            least=1.0,
            most=10.0,
            required=False,
            only_for="power law",
        ),
        fields.lines(
            "gdl_points",
            "Points of the GDL",
            measure=Measure.PRESSURE,
            unit="MPa",
            only_for="by points",
            required=False,
            help="Strain in % and stress, one pair a line.",
        ),
        fields.percent("gdl_percent", "Curve of the GDL known to ±", example="15"),
        fields.percent(
            "gdl_set", "Strain that stays when it is let go", help="Share of the greatest."
        ),
    ),
)


# What the desk says of a closed stack: as it stands, warm, relaxed, with more cells.
#
# Sources: as in springs and clamp_changes.


def closed_results(
    assembly: Assembly, closed: ClosedState, units: desk.Units
) -> tuple[desk.Result, ...]:
    """Return the closed state, line by line."""
    count, stress = assembly.rods.count, closed.rod_stress
    turn = desk.number_of(closed.nut_turn_deg / 360, "turns")
    results = [
        desk.Result(
            "force", f"Force of all {count} rods", units.figure(closed.force_n, "force_in")
        ),
        desk.Result("rod_force", "Force of one rod", units.figure(closed.rod_force_n, "force_in")),
        desk.Result(
            "share_of_proof",
            "Share of the proof load",
            desk.percent_of(stress.share_of_proof),
            stress.proof_by,
        ),
        desk.Result(
            "closed_height",
            "Closed height",
            units.figure(closed.closed_height_m, "length_in"),
            "over all rigid layers",
        ),
        desk.Result(
            "nut_travel",
            "Travel of the nut from finger-tight",
            units.figure(closed.nut_travel_m, "length_in"),
            turn.text,
        ),
        desk.Result("stretch", "Stretch of a rod", units.figure(closed.rod_stretch_m, "length_in")),
    ]
    if closed.gdl_pressure_pa:
        figure = units.figure(closed.gdl_pressure_pa, "pressure_in")
        results.insert(0, desk.Result("gdl_pressure", "GDL pressure, mean of the cells", figure))
    if closed.line_load_n_m:
        figure = units.figure(closed.line_load_n_m, "line_load_in")
        results.insert(1, desk.Result("line_load", "Line load of the gaskets", figure))
    cell = closed.cells[0]
    results += [
        desk.Result("strain", "Strain of the MEA", desk.percent_of(cell.gdl_strain)),
        desk.Result("squeeze", "Squeeze of the gasket", desk.percent_of(cell.gasket_squeeze)),
        desk.Result(
            "share_gdl", "Share of the force through the GDL", desk.percent_of(cell.share_gdl)
        ),
    ]
    if closed.protrusion_m:
        figure = units.figure(closed.protrusion_m, "length_in")
        results.append(desk.Result("protrusion", "Thread that stands out of the nut", figure))
    springs = assembly.rods.springs
    if isinstance(springs, SpringColumn):
        share = springs.share_of_travel(closed.rod_force_n.value)
        results.append(
            desk.Result("spring_share", "Disc springs pressed to flat", desk.percent_of(share))
        )
    return tuple(results)


def closed_sentences(
    answers: desk.Answers, assembly: Assembly, closed: ClosedState
) -> tuple[str, ...]:
    """Return what is to be looked at in the closed state."""
    sentences = []
    if any(cell.on_stop for cell in closed.cells):
        sentences.append(
            "The cells stand on their hard stop: more torque raises neither the GDL pressure nor"
            " the line load."
        )
    sentences += friction.how_it_bears(closed.rod_stress)
    springs = assembly.rods.springs
    if isinstance(springs, SpringColumn):
        share = springs.share_of_travel(closed.rod_force_n.value)
        if share > RECOMMENDED_TRAVEL:
            sentences.append(
                f"The disc springs are pressed to {100 * share:.0f}\u2009% of flat; up to"
                " 75\u2009% they last (DIN EN 16984)."
            )
    if closed.protrusion_m is not None:
        sentences += thread_left(answers, closed.protrusion_m, "")
    return tuple(sentences)


def thread_left(answers: desk.Answers, protrusion: Estimate, when: str) -> list[str]:
    """Return a sentence where too little thread stands out of the nut; none where it does."""
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


# What is asked of the gasket of a cell to close a stack at the desk.
#
# Common practice, no source.


CORD = "round rubber cord"
GASKET = fields.Section(
    "Gasket of one cell",
    (
        length("gasket_height", "Free height", "1.2", most=20.0),
        fields.deviation(
            "gasket_off", "Free height known to ±", Measure.LENGTH, "µm", example="25"
        ),
        not_below_zero(
            "groove", "Depth of its grooves", "0.65", help="Both plates together.", most=20.0
        ),
        fields.quantity("gasket_length", "Length of its line", Measure.LENGTH, "m", example="0.7"),
        fields.choice("gasket_form", "Line load against squeeze", (CORD, POINTS)),
        length(
            "cord", "Diameter of the cord", "1.2", only_for="round cord", required=False, most=20.0
        ),
        fields.quantity(
            "rubber_modulus",
            "Modulus of the rubber",
            Measure.PRESSURE,
            "MPa",
            only_for="round cord",
            required=False,
            example="4",
        ),
        fields.lines(
            "gasket_points",
            "Points of the gasket",
            measure=Measure.LINE_LOAD,
            unit="N/mm",
            only_for="by points",
            required=False,
            help="Squeeze in % and line load, one pair a line.",
        ),
        fields.percent("gasket_percent", "Curve of the gasket known to ±", example="20"),
        fields.percent(
            "gasket_set", "Squeeze that stays when it is let go", help="Share of the greatest."
        ),
        not_below_zero(
            "stop", "Hard-stop gap", "0.2", help="Where plate meets plate or frame. Left empty: 0."
        ),
        not_below_zero(
            "coolant_groove",
            "Depth of a coolant gasket's grooves",
            "0.9",
            help="The same gasket in each of the N + 1 coolant layers; left empty: no such layers.",
        ),
    ),
)
