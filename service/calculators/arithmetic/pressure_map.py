"""The calculator of the pressure map: one reading a nut, and which nut to turn to level it.

Sources: as in pressure_map and levelling.
"""

import re
from collections.abc import Mapping, Sequence
from math import hypot

from service.calculators.arithmetic import desk, friction
from service.closing.arithmetic.levelling import Levelling, level
from service.physics.arithmetic import pressure_map
from service.physics.arithmetic.clamping import preloads
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds
from service.platform.arithmetic import fields
from service.platform.arithmetic.errors import OutOfRange, TradeError, placed
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.units import Measure, read_quantity, to_si

# What the desk says of a pressure map, what its drawing needs, and the turns that level it.
#
# Sources: as in pressure_map and levelling.


_FOR_TURNS = ("gdl_tangent", "mea", "grip", "rod_modulus")


_BEYOND_RODS_MM = 20.0


def map_results(
    pressures: pressure_map.PressureMap, loads: Mapping[int, Estimate], units: desk.Units
) -> tuple[desk.Result, ...]:
    """Return the map in numbers; corners with what the rods' own uncertainty makes of them."""
    corners = dict(zip(pressures.corners_pa, pressures.u_corners_pa, strict=True))
    least = Estimate(pressures.least_pa, corners.get(pressures.least_pa, 0.0))
    most = Estimate(pressures.greatest_pa, corners.get(pressures.greatest_pa, 0.0))
    x, y = pressures.resultant_m
    return (
        desk.Result("force", "Force of all rods", units.figure(pressures.force_n, "force_in")),
        desk.Result(
            "on_active_area",
            "Of it on the active area",
            units.figure(pressures.on_active_area_n, "force_in"),
        ),
        desk.Result("mean", "Mean pressure", units.figure(pressures.mean_pa, "pressure_in")),
        desk.Result("least", "Least pressure", units.figure(least, "pressure_in"), "at a corner"),
        desk.Result(
            "greatest", "Greatest pressure", units.figure(most, "pressure_in"), "at a corner"
        ),
        desk.Result("ratio", "Least by greatest", desk.percent_of(pressures.ratio)),
        desk.Result(
            "deviation",
            "Standard deviation over the area",
            units.figure(pressures.deviation_pa, "pressure_in"),
        ),
        desk.Result("lost", "Area without contact", desk.percent_of(pressures.lost_share)),
        desk.Result("resultant_x", "Resultant, to the right", units.figure(x, "length_in")),
        desk.Result("resultant_y", "Resultant, upward", units.figure(y, "length_in")),
        *(
            desk.Result(f"rod_{number}", f"Load of rod {number}", units.figure(load, "force_in"))
            for number, load in loads.items()
        ),
    )


def map_sentences(pressures: pressure_map.PressureMap) -> tuple[str, ...]:
    """Return what the map says in words."""
    x, y = (1e3 * place for place in pressures.resultant_m)
    off = hypot(x, y)
    if off < 0.05:
        middle = "The load centre is in the middle."
    else:
        sides = f"{'right' if x > 0 else 'left'} and {'above' if y > 0 else 'below'}"
        middle = f"The load centre is {off:.1f}\u2009mm off the middle, {sides}."
    lost = (
        f"{100 * pressures.lost_share:.0f}\u2009% of the active area has no contact: the plate"
        " lifts there."
        if pressures.lost_share > 0
        else "The whole active area bears."
    )
    return (middle, lost)


def map_figures(
    answers: desk.Answers,
    pressures: pressure_map.PressureMap,
    area: ActiveArea,
    places: Mapping[int, tuple[float, float]],
    loads: Mapping[int, Estimate],
) -> desk.MapFigures:
    """Return what the drawing needs, in mm and MPa."""
    reach = [max(2e3 * abs(place[axis]) for place in places.values()) for axis in (0, 1)]
    inner = (1e3 * area.width_m, 1e3 * area.depth_m)
    plate = [max(reach[axis], inner[axis]) + 2 * _BEYOND_RODS_MM for axis in (0, 1)]
    for axis, name in enumerate(("plate_width", "plate_height")):
        plate[axis] = 1e3 * answers.si(name) if answers.has(name) else plate[axis]
    return desk.MapFigures(
        (plate[0], plate[1]),
        inner,
        tuple(
            desk.MapRod(number, 1e3 * x, 1e3 * y, loads[number].value, loads[number].u)
            for number, (x, y) in places.items()
        ),
        tuple(1e3 * x for x in pressures.xs_m),
        tuple(1e3 * y for y in pressures.ys_m),
        tuple(tuple(p / 1e6 for p in row) for row in pressures.pressures),
        (1e3 * pressures.resultant_m[0], 1e3 * pressures.resultant_m[1]),
        pressures.lost_share,
    )


def levelling_of(
    answers: desk.Answers,
    rods: Sequence[pressure_map.RodLoad],
    on: tuple[ActiveArea, Beds],
    torques_nm: Mapping[int, float],
    units: desk.Units,
) -> tuple[tuple[str, ...], tuple[desk.Table, ...]]:
    """Say which nut to turn by how much; or what is missing to say so."""
    missing = [name for name in _FOR_TURNS if not answers.has(name)]
    if missing:
        return ("Which nut to turn is told where “To level the plate” is filled in.",), ()
    of = friction.thread_of(answers)
    give = answers.si("grip") / (answers.si("rod_modulus") * of.stress_area_m2)
    if answers.has("spring_rate"):
        give += 1 / answers.si("spring_rate")
    levelling = level(rods, *on, rod_give_m_n=give, pitch_m=of.pitch_m, torques_nm=torques_nm)
    return (_first(levelling),), (_turns(levelling, units),)


def _first(levelling: Levelling) -> str:
    nut = levelling.first
    if abs(nut.turn_deg) < 1:
        return "No nut by itself would bring the resultant nearer to the middle."
    way = "tighten" if nut.turn_deg > 0 else "loosen"
    return (
        f"Begin with nut {nut.number}: {way} it by {abs(nut.turn_deg):.0f}°. The resultant then"
        f" lies {1e3 * nut.off_after_m:.1f}\u2009mm off the middle instead of"
        f" {1e3 * nut.off_before_m:.1f}\u2009mm."
    )


def _turns(levelling: Levelling, units: desk.Units) -> desk.Table:
    rows = tuple(
        (
            f"nut {turn.number}",
            f"{'tighten' if turn.turn_deg > 0 else 'loosen'} {abs(turn.turn_deg):.0f}°",
            units.figure(turn.load_n, "force_in"),
            units.figure(turn.wanted_n, "force_in"),
            "–" if turn.torque_nm is None else units.figure(turn.torque_nm, "torque_in"),
        )
        for turn in sorted(levelling.turns, key=lambda turn: turn.number)
    )
    headings = ("nut", "turn", "load now", "load when level", "torque afterwards")
    return desk.Table(
        "turns",
        "Turns that level the plate at the same total force",
        headings,
        rows,
        "In passes, crosswise; read every nut again after each.",
    )


# What is asked for a pressure map at the desk.
#
# Common practice, no source.


EXAMPLE = """1 -110 85 5.8
2 0 85 5.5
3 110 85 5.6
4 110 0 5.2
5 110 -85 4.6
6 0 -85 5.3
7 -110 -85 5.5
8 -110 0 5.6"""


SECTIONS = (
    fields.Section(
        "Rods",
        (
            fields.lines(
                "rods",
                "Rods",
                measure=Measure.TORQUE,
                unit="N·m",
                example=EXAMPLE,
                help="One a line: number, x and y in mm from the middle of the active area"
                " (seen from outside the fixed end, y upward), torque.",
            ),
            friction.THREAD,
        ),
    ),
    fields.Section(
        "Area and plate",
        (
            fields.quantity(
                "width", "Width of the active area", Measure.LENGTH, "mm", example="170"
            ),
            fields.quantity(
                "depth", "Height of the active area", Measure.LENGTH, "mm", example="118"
            ),
            fields.quantity(
                "plate_width",
                "Width of the compression plate",
                Measure.LENGTH,
                "mm",
                required=False,
                example="270",
                help="For the drawing; left empty: as far as the rods stand.",
            ),
            fields.quantity(
                "plate_height",
                "Height of the compression plate",
                Measure.LENGTH,
                "mm",
                required=False,
                example="220",
            ),
        ),
    ),
    fields.Section(
        "To level the plate",
        (
            fields.whole("cells", "Cells", required=False, example="20"),
            fields.quantity(
                "gdl_tangent",
                "Tangent modulus of the GDL at its pressure",
                Measure.PRESSURE,
                "MPa",
                required=False,
                example="9",
            ),
            fields.quantity(
                "mea",
                "Thickness of the MEA with its GDL",
                Measure.LENGTH,
                "mm",
                required=False,
                example="0.45",
            ),
            fields.quantity(
                "grip",
                "Length of a rod between the nuts",
                Measure.LENGTH,
                "mm",
                required=False,
                example="220",
            ),
            fields.quantity(
                "rod_modulus",
                "Modulus of the rods",
                Measure.PRESSURE,
                "GPa",
                required=False,
                example="206",
            ),
            fields.quantity(
                "spring_rate",
                "Rate of the springs on one rod",
                Measure.STIFFNESS,
                "N/mm",
                required=False,
                example="2600",
            ),
            fields.deviation(
                "outside",
                "Gasket line outside the active area by",
                Measure.LENGTH,
                "mm",
                example="8",
            ),
            fields.deviation(
                "line_load", "Line load of the gasket", Measure.LINE_LOAD, "N/mm", example="3"
            ),
            fields.deviation(
                "line_stiffness",
                "Growth of that line load by squeeze",
                Measure.PRESSURE,
                "MPa",
                example="10",
                help="N/mm more for each mm: the same figure as MPa.",
            ),
        ),
        "May be left out: then the map stands on the active area alone, and no turn is told.",
    ),
)


SOURCE = "axial load and bending, no tension; elastic interaction of bolts on an elastic bed"
MOST_RODS = 60
_BED = ("gdl_tangent", "mea")


def _rods(answers: desk.Answers) -> dict[int, tuple[tuple[float, float], float]]:
    """Place in m and torque in N·m of each rod, from one line each: number, x, y, torque."""
    unit = answers.typed.get("rods_unit", "").strip() or "N·m"
    rods_read: dict[int, tuple[tuple[float, float], float]] = {}
    for row in filter(str.strip, answers.text("rods").splitlines()):
        cells = re.split(r"[;\t ]+", row.strip(), maxsplit=3)
        try:
            number, x, y = (read_number(text) for text in cells[:3])
            torque = read_quantity(cells[3], Measure.TORQUE, unit).si
            place = (to_si(x, "mm", Measure.LENGTH), to_si(y, "mm", Measure.LENGTH))
        except (TradeError, ValueError, IndexError) as trouble:
            right = f"Right would be number, x and y in mm, torque in {unit}: “1 -80 60 8.5”."
            raise answers.refuse("rods", f"“{row.strip()}” cannot be read.", right) from trouble
        if number != int(number) or number < 1:
            raise answers.refuse("rods", f"“{row.strip()}”: a rod has a whole number from 1 on.")
        if int(number) in rods_read:
            raise answers.refuse("rods", f"Rod {number:g} is given twice.", "One line a nut.")
        if torque <= 0:
            problem = f"“{row.strip()}”: the torque must be more than zero."
            raise answers.refuse("rods", problem)
        rods_read[int(number)] = (place, torque)
    if len(rods_read) > MOST_RODS:
        raise answers.refuse("rods", f"These are {len(rods_read)} rods.", f"{MOST_RODS} at most.")
    return rods_read


def _loads(
    answers: desk.Answers, rods: dict[int, tuple[tuple[float, float], float]], *, shared: bool
) -> dict[int, Estimate]:
    law = friction.law_of(answers, friction.thread_of(answers), shared=shared)
    readings = [
        friction.torque_value(answers, torque, shared=shared) for _place, torque in rods.values()
    ]
    return dict(zip(rods, preloads(readings, law).rods, strict=True))


def _beds(answers: desk.Answers, area: ActiveArea, loads: tuple[pressure_map.RodLoad, ...]) -> Beds:
    """The bed: of one GDL over the area, with a gasket line about it where it was typed."""
    if not any(answers.has(name) for name in (*_BED, "line_load", "line_stiffness")):
        return pressure_map.ONE_BED
    answers.need(*_BED)
    stiffness = answers.si("gdl_tangent") / answers.si("mea")
    line, outside = answers.si_or("line_load"), answers.si_or("outside")
    around = 2 * (area.width_m + area.depth_m + 4 * outside)
    borne = sum(rod.load_n for rod in loads) - line * around
    if borne <= 0:
        most = f"{sum(rod.load_n for rod in loads) / around / 1e3:.3g}"
        with placed("line_load", "outside", "width", "depth", "rods", "thread", "nut_factor"):
            raise OutOfRange(
                "The line load of the gasket", f"{line / 1e3:.3g}", "N/mm", f"less than {most} N/mm"
            )
    with placed(*_BED, "line_load", "line_stiffness", "outside", cells="cells"):
        return Beds(
            stiffness,
            borne / area.area_m2,
            answers.si_or("line_stiffness"),
            line,
            outside,
            int(answers.number_or("cells", 1)),
        )


def _work(answers: desk.Answers, units: desk.Units) -> desk.Outcome:
    rods = _rods(answers)
    places = {number: place for number, (place, _torque) in rods.items()}
    whole_u = _loads(answers, rods, shared=True)
    loads = pressure_map.rod_loads(places, _loads(answers, rods, shared=False))
    with placed(width_m="width", depth_m="depth"):
        area = ActiveArea(answers.si("width"), answers.si("depth"))
    beds = _beds(answers, area, loads)
    with placed(rods="rods"):
        pressures = pressure_map.pressure_map(loads, area, beds)
    torques = {number: torque for number, (_place, torque) in rods.items()}
    levelling, tables = levelling_of(answers, loads, (area, beds), torques, units)
    return desk.Outcome(
        map_results(pressures, whole_u, units),
        SOURCE,
        (*map_sentences(pressures), *levelling, *friction.how_uncertain(answers)),
        tables,
        ("clamp",),
        pressure_map.FORMULA,
        map=map_figures(answers, pressures, area, places, whole_u),
    )


PRESSURE_MAP = desk.Calculator(
    "pressure-map",
    "Pressure map",
    "From one reading a nut: pressure over the active area, what is lost, which nut to turn.",
    (*SECTIONS, friction.FRICTION, friction.DRIVER),
    _work,
    (
        fields.Show("pressure_in", "Pressure in", Measure.PRESSURE, "MPa"),
        fields.Show("force_in", "Force in", Measure.FORCE, "kN"),
        fields.Show("length_in", "Lengths in", Measure.LENGTH, "mm"),
        fields.Show("torque_in", "Torque in", Measure.TORQUE, "N·m"),
    ),
)
