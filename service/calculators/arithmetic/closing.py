"""The calculator that closes a stack: what a torque gives, or the torque for a GDL pressure.

Sources: as in springs, clamp_changes and clamping.
"""

import re
from dataclasses import replace

from service.calculators.arithmetic import desk, friction
from service.calculators.arithmetic.closing_fields import (
    CELL,
    CLOSING_PORES,
    CORD,
    FROM_TORQUE,
    GASKET,
    POWER,
    WISH,
    closed_results,
    closed_sentences,
    expansion,
    length,
    not_below_zero,
    thread_left,
)
from service.calculators.arithmetic.disc_springs import DISC_FIELDS, column_of
from service.closing.arithmetic import clamp_changes
from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, Rods
from service.physics.arithmetic.clamping import Law, preloads
from service.physics.arithmetic.disc_springs import PlainSpring, SpringColumn
from service.physics.arithmetic.gap_balance import BedOf, Gap, GasketOf
from service.physics.arithmetic.springs import FORMULA, ClosedState, close_stack
from service.physics.arithmetic.threads import strength
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import NoSolution, TradeError, placed
from service.platform.arithmetic.estimates import Estimate, standard_uncertainty
from service.platform.arithmetic.material_curves import Curve, Densifying, Points, RubberCord, Soft
from service.platform.arithmetic.material_curves import Power as PowerLaw
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.units import Measure, read_quantity

# Curves of soft materials as they are typed at the desk: a standard form, or points.
#
# Sources: as in material_curves.


GDL_UNLOADING, GASKET_UNLOADING = 2.0, 1.5
"""Exponents of the way back where something stays; common practice, no source."""


def gdl_of(answers: desk.Answers) -> Soft:
    """Return the GDL: stress in Pa against strain."""
    form = answers.text("gdl_form")
    curve: Curve
    if form == CLOSING_PORES:
        answers.need("gdl_modulus", "gdl_limit")
        with placed("gdl_modulus", "gdl_limit"):
            curve = Densifying(answers.si("gdl_modulus"), answers.share_or("gdl_limit"))
    elif form == POWER:
        answers.need("gdl_modulus")
        with placed("gdl_modulus", "gdl_exponent"):
            curve = PowerLaw(answers.si("gdl_modulus"), answers.number_or("gdl_exponent", 1.0))
    else:
        curve = _points(answers, "gdl_points", Measure.PRESSURE, "MPa")
    return _soft(answers, "gdl", curve, GDL_UNLOADING)


def gasket_of(answers: desk.Answers) -> Soft:
    """Return the gasket: line load in N/m against squeeze."""
    curve: Curve
    if answers.text("gasket_form") == CORD:
        answers.need("cord", "rubber_modulus")
        with placed("cord", "rubber_modulus"):
            curve = RubberCord(answers.si("cord"), answers.si("rubber_modulus"))
    else:
        curve = _points(answers, "gasket_points", Measure.LINE_LOAD, "N/mm")
    return _soft(answers, "gasket", curve, GASKET_UNLOADING)


def _soft(answers: desk.Answers, part: str, curve: Curve, unloading: float) -> Soft:
    u = standard_uncertainty(answers.share_or(f"{part}_percent"))
    stays = answers.share_or(f"{part}_set")
    with placed(set_share=f"{part}_set", u_relative=f"{part}_percent"):
        return Soft(curve, stays, unloading if stays else None, u)


def _points(answers: desk.Answers, name: str, measure: Measure, unit: str) -> Points:
    """Pairs of a share in percent and a load, one a line."""
    answers.need(name)
    unit = answers.typed.get(f"{name}_unit", "").strip() or unit
    points = []
    for row in filter(str.strip, re.split(r"[\n;]", answers.text(name))):
        share, _, load = row.strip().partition(" ")
        try:
            x = read_number(share.removesuffix("%")) / 100
            points.append((x, read_quantity(load.strip(" %"), measure, unit).si))
        except TradeError as trouble:
            right = f"Right would be a share in % and a load in {unit}, such as “20 0.9”."
            raise answers.refuse(name, f"“{row.strip()}”: {trouble}", right) from trouble
    try:
        return Points(tuple(points))
    except TradeError as trouble:
        raise answers.refuse(name, str(trouble)) from trouble


# What is asked of plates, rods and springs to close a stack at the desk.
#
# Common practice, no source.


NO_SPRINGS, DISCS, ONE_RATE = "none", "disc springs", "springs of one rate"


PLATES = fields.Section(
    "Plates",
    (
        length("half_plate", "Thickness of a half plate", "2", help="Two a cell.", most=100.0),
        fields.deviation(
            "half_plate_off", "Half plates known to ±", Measure.LENGTH, "µm", example="8"
        ),
        length("ends", "All that is rigid at the ends", "60", most=2e3, help="Compression plates,"
                " collectors, insulators, washers together."),
        fields.deviation("ends_off", "Ends known to ±", Measure.LENGTH, "µm", example="40"),
        expansion("plate_expansion", "Expansion of the half plates", "5"),
        expansion("ends_expansion", "Expansion of the ends", "23"),
    ),
)  # fmt: skip


RODS = fields.Section(
    "Rods",
    (
        fields.whole("rods", "Rods", example="8", most=60),
        friction.THREAD,
        friction.STRENGTH,
        fields.quantity(
            "rod_modulus",
            "Modulus of the rods",
            Measure.PRESSURE,
            "GPa",
            least=1.0,
            most=1e3,
            example="206",
        ),
        expansion("rod_expansion", "Expansion of the rods", "11.7"),
        length("rod_length", "Length of a rod", "230", required=False, most=5e3),
        not_below_zero(
            "before", "Of it before the fixed end", "15", help="Head, or nut and thread."
        ),
        not_below_zero("nut_height", "Height of the nut", "6.5"),
        fields.choice("springs", "Springs on each rod", (NO_SPRINGS, DISCS, ONE_RATE)),
        fields.quantity(
            "spring_rate",
            "Rate of the springs",
            Measure.STIFFNESS,
            "N/mm",
            only_for="of one rate",
            required=False,
        ),
        *(replace(field, required=False, only_for="disc springs") for field in DISC_FIELDS),
    ),
)


# What happens to a closed stack: warm, relaxed, with more cells on the same rods.
#
# Sources: as in clamp_changes.


NOTHING = "none"


def changes_of(
    answers: desk.Answers, assembly: Assembly, closed: ClosedState, units: desk.Units
) -> tuple[tuple[str, ...], tuple[desk.Table, ...]]:
    """Return sentences and tables of what was asked beyond the closed state."""
    sentences: list[str] = []
    tables: list[desk.Table] = []
    happened: list[tuple[str, clamp_changes.ClampChange]] = []
    if answers.has("warmer"):
        warmer = answers.entry("warmer")
        with placed(warmer_k="warmer"):
            change = clamp_changes.warmed(assembly, closed, warmer.si)
        happened.append((f"{warmer.value:g}\u2009{warmer.unit} warmer", change))
    if answers.has("height_lost"):
        lost = answers.entry("height_lost")
        with placed(height_lost_m="height_lost"):
            change = clamp_changes.relaxed(assembly, closed, lost.si)
        happened.append((f"{lost.value:g}\u2009{lost.unit} of height lost", change))
    if happened:
        tables.append(_happened_table(happened, units))
        sentences += [_force_sentence(when, change) for when, change in happened]
    if answers.has("cells_added") and answers.count("cells_added"):
        by = answers.count("cells_added")
        with placed(by="cells_added", cells="cells"):
            cells = clamp_changes.change_of_cells(assembly, closed.force_n, by, assembly.cells[-1])
        tables.append(_cells_table(answers, assembly, cells, units))
        if cells.after.protrusion_m is not None:
            count = len(cells.assembly_after.cells)
            sentences += thread_left(answers, cells.after.protrusion_m, f" with {count} cells")
    return tuple(sentences), tuple(tables)


def _force_sentence(when: str, change: clamp_changes.ClampChange) -> str:
    gained = -100 * change.share_lost
    word = "gains" if gained >= 0 else "loses"
    return f"{when}: the clamp {word} {abs(gained):.1f}\u2009% of its force."


def _happened_table(
    happened: list[tuple[str, clamp_changes.ClampChange]], units: desk.Units
) -> desk.Table:
    def shown(value: float | None, show: str) -> desk.Cell:
        return NOTHING if value is None else units.figure(value, show)

    first = happened[0][1]
    rows: tuple[tuple[desk.Cell, ...], ...] = (
        (
            "force of all rods",
            units.figure(first.force_before_n, "force_in"),
            *(units.figure(change.force_after_n, "force_in") for _when, change in happened),
        ),
        (
            "GDL pressure",
            shown(first.gdl_pressure_before_pa, "pressure_in"),
            *(shown(change.gdl_pressure_after_pa, "pressure_in") for _w, change in happened),
        ),
        (
            "line load",
            shown(first.line_load_before_n_m, "line_load_in"),
            *(shown(change.line_load_after_n_m, "line_load_in") for _w, change in happened),
        ),
        (
            "change of the closed height",
            units.figure(0.0, "length_in"),
            *(units.figure(change.height_change_m, "length_in") for _w, change in happened),
        ),
    )
    headings = ("", "as closed", *(when for when, _change in happened))
    return desk.Table("changes", "What happens to the closed clamp", headings, rows)


def _cells_table(
    answers: desk.Answers, assembly: Assembly, change: clamp_changes.CellsChange, units: desk.Units
) -> desk.Table:
    both = (change.before, change.after)

    def row(
        name: str, show: str, values: tuple[Estimate | float | None, ...]
    ) -> tuple[desk.Cell, ...]:
        cells = (NOTHING if v is None else units.figure(v, show) for v in values)
        return (name, *cells)

    rows = [
        row("GDL pressure", "pressure_in", tuple(state.gdl_pressure_pa for state in both)),
        row("line load", "line_load_in", tuple(state.line_load_n_m for state in both)),
        row("closed height", "length_in", tuple(state.closed_height_m for state in both)),
        row("thread out of the nut", "length_in", tuple(state.protrusion_m for state in both)),
        row("nut travel", "length_in", tuple(state.nut_travel_m for state in both)),
    ]
    if answers.has("warmer"):
        by = answers.si("warmer")
        pair = zip((assembly, change.assembly_after), both, strict=True)
        forces = tuple(_warm_force(stack, state, by) for stack, state in pair)
        rows.append(row("force of all rods, warm", "force_in", forces))
    counts = (len(assembly.cells), len(change.assembly_after.cells))
    headings = ("", *(f"{count} cells" for count in counts))
    return desk.Table("cells", "On the same rods with the same torque", headings, tuple(rows))


def _warm_force(assembly: Assembly, closed: ClosedState, by: float) -> float | None:
    try:
        return clamp_changes.warmed(assembly, closed, by).force_after_n
    except NoSolution:
        return None


SOURCE = "springs in series with the materials' curves; VDI 2230 (rods); DIN EN 16984 (discs); GUM"


def _cell(answers: desk.Answers) -> Gap:
    with placed(height_m="gasket_height", groove_depth_m="groove", length_m="gasket_length"):
        gasket = GasketOf(
            gasket_of(answers),
            answers.si("gasket_height"),
            answers.si_or("groove"),
            answers.si("gasket_length"),
            u_height_m=standard_uncertainty(answers.si_or("gasket_off")),
        )
    with placed(thickness_m="mea", area_m2="area", recess_m="recess"):
        bed = BedOf(
            gdl_of(answers),
            answers.si("mea"),
            answers.si("area"),
            answers.si_or("recess"),
            u_thickness_m=standard_uncertainty(answers.si_or("mea_off")),
        )
    with placed("stop", "gasket_height", "groove", "mea", "recess"):
        return Gap(gasket, bed, answers.si_or("stop"))


def _coolant(answers: desk.Answers, cell: Gap) -> Gap | None:
    if not answers.has("coolant_groove") or cell.gasket is None:
        return None
    with placed("coolant_groove", "gasket_height"):
        return Gap(replace(cell.gasket, groove_depth_m=answers.si("coolant_groove")))


def _springs(answers: desk.Answers) -> SpringColumn | PlainSpring | None:
    kind = answers.text("springs")
    if kind == NO_SPRINGS:
        return None
    if kind == DISCS:
        return column_of(answers)
    with placed("spring_rate"):
        return PlainSpring(answers.si("spring_rate"))


def assembly_of(answers: desk.Answers) -> Assembly:
    """Return the stack that was typed."""
    of, count, cell = friction.thread_of(answers), answers.count("cells"), _cell(answers)
    coolant = _coolant(answers, cell)
    with placed(count="rods", modulus_pa="rod_modulus", length_m="rod_length"):
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


def _torque(answers: desk.Answers, assembly: Assembly, law: Law) -> Estimate:
    """The torque on each nut in N·m: as typed, or the one that gives the wanted pressure."""
    if answers.text("wanted") == FROM_TORQUE:
        return Estimate(answers.si("torque"))
    wanted_pressure = answers.si("wanted_pressure")
    with placed(pressure_pa="wanted_pressure"):
        near = clamp_changes.torque_for_pressure(assembly, wanted_pressure, law).torque_nm.value
    return clamp_changes.torque_for_pressure(
        assembly, wanted_pressure, law, friction.driver_deviation(answers, near)
    ).torque_nm


def close(answers: desk.Answers) -> tuple[Estimate, Assembly, ClosedState]:
    """Return torque in N·m, the stack, and how it stands with that torque on every nut."""
    assembly = assembly_of(answers)
    law = friction.law_of(answers, assembly.rods.thread)
    torque = _torque(answers, assembly, law)
    reading = friction.torque_value(answers, torque.value)
    force = preloads([reading] * assembly.rods.count, law).total
    return torque, assembly, close_stack(assembly, force, law)


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    torque, assembly, closed = close(answers)
    torque_result = desk.Result("torque", "Torque on each nut", units.figure(torque, "torque_in"))
    pressure = closed.gdl_pressure_pa or Estimate(0.0)
    change_sentences, tables = changes_of(answers, assembly, closed, units)
    return desk.Outcome(
        (torque_result, *closed_results(assembly, closed, units)),
        SOURCE,
        (
            *closed_sentences(answers, assembly, closed),
            *change_sentences,
            *friction.how_uncertain(answers),
        ),
        (
            *tables,
            *desk.parts_table(
                pressure,
                "What makes the GDL pressure uncertain",
                lambda part: units.figure(part, "pressure_in"),
            ),
        ),
        ("clamp",),
        FORMULA,
    )


CLOSING = desk.Calculator(
    "closing",
    "Closing a stack",
    "N cells between rods: GDL pressure, line load, height, nut travel, torque; warm, and with more"
    " cells.",
    (WISH, CELL, GASKET, PLATES, RODS, friction.FRICTION, friction.DRIVER),
    _work,
    (
        fields.Show("pressure_in", "GDL pressure in", Measure.PRESSURE, "MPa"),
        fields.Show("line_load_in", "Line load in", Measure.LINE_LOAD, "N/mm"),
        fields.Show("force_in", "Force in", Measure.FORCE, "kN"),
        fields.Show("length_in", "Lengths in", Measure.LENGTH, "mm"),
        fields.Show("torque_in", "Torque in", Measure.TORQUE, "N·m"),
    ),
    note="All cells are taken alike; plates are stiff and all nuts read the same torque.",
    more_example={"springs": DISCS},
)
