"""What the desk says of a pressure map, what its drawing needs, and the turns that level it.

Sources: as in pressure_map and levelling.
"""

from collections.abc import Mapping, Sequence
from math import hypot

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.friction import thread_of
from service.calculators.arithmetic.map_figures import MapFigures, MapRod
from service.calculators.arithmetic.outcomes import Result, Table, Units, percent_of
from service.closing.arithmetic.levelling import Levelling, level
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds
from service.physics.arithmetic.pressure_map import PressureMap, RodLoad
from service.platform.arithmetic.estimates import Estimate

_FOR_TURNS = ("gdl_tangent", "mea", "grip", "rod_modulus")
_BEYOND_RODS_MM = 20.0


def map_results(
    found: PressureMap, loads: Mapping[int, Estimate], units: Units
) -> tuple[Result, ...]:
    """The map in numbers; corners with what the rods' own uncertainty makes of them."""
    corners = dict(zip(found.corners_pa, found.u_corners_pa, strict=True))
    least = Estimate(found.least_pa, corners.get(found.least_pa, 0.0))
    most = Estimate(found.greatest_pa, corners.get(found.greatest_pa, 0.0))
    x, y = found.resultant_m
    return (
        Result("force", "Force of all rods", units.figure(found.force_n, "force_in")),
        Result(
            "on_active_area",
            "Of it on the active area",
            units.figure(found.on_active_area_n, "force_in"),
        ),
        Result("mean", "Mean pressure", units.figure(found.mean_pa, "pressure_in")),
        Result("least", "Least pressure", units.figure(least, "pressure_in"), "at a corner"),
        Result("greatest", "Greatest pressure", units.figure(most, "pressure_in"), "at a corner"),
        Result("ratio", "Least by greatest", percent_of(found.ratio)),
        Result(
            "deviation",
            "Standard deviation over the area",
            units.figure(found.deviation_pa, "pressure_in"),
        ),
        Result("lost", "Area without contact", percent_of(found.lost_share)),
        Result("resultant_x", "Resultant, to the right", units.figure(x, "length_in")),
        Result("resultant_y", "Resultant, upward", units.figure(y, "length_in")),
        *(
            Result(f"rod_{number}", f"Load of rod {number}", units.figure(load, "force_in"))
            for number, load in loads.items()
        ),
    )


def map_sentences(found: PressureMap) -> tuple[str, ...]:
    """What the map says in words."""
    x, y = (1e3 * place for place in found.resultant_m)
    off = hypot(x, y)
    if off < 0.05:
        where = "The sum of the loads acts in the middle."
    else:
        sides = f"{'right' if x > 0 else 'left'} and {'above' if y > 0 else 'below'}"
        where = f"The sum of the loads acts {off:.1f}\u2009mm off the middle, {sides}."
    lost = (
        f"{100 * found.lost_share:.0f}\u2009% of the active area has no contact: the plate lifts"
        " there."
        if found.lost_share > 0
        else "The whole active area bears."
    )
    return (where, lost)


def map_figures(
    answers: Answers,
    found: PressureMap,
    area: ActiveArea,
    places: Mapping[int, tuple[float, float]],
    loads: Mapping[int, Estimate],
) -> MapFigures:
    """What the drawing needs, in mm and MPa."""
    reach = [max(2e3 * abs(place[at]) for place in places.values()) for at in (0, 1)]
    inner = (1e3 * area.width_m, 1e3 * area.depth_m)
    plate = [max(reach[at], inner[at]) + 2 * _BEYOND_RODS_MM for at in (0, 1)]
    for at, name in enumerate(("plate_width", "plate_height")):
        plate[at] = 1e3 * answers.si(name) if answers.has(name) else plate[at]
    return MapFigures(
        (plate[0], plate[1]),
        inner,
        tuple(
            MapRod(number, 1e3 * x, 1e3 * y, loads[number].value, loads[number].u)
            for number, (x, y) in places.items()
        ),
        tuple(1e3 * x for x in found.xs_m),
        tuple(1e3 * y for y in found.ys_m),
        tuple(tuple(p / 1e6 for p in row) for row in found.pressures),
        (1e3 * found.resultant_m[0], 1e3 * found.resultant_m[1]),
        found.lost_share,
    )


def levelling_of(
    answers: Answers,
    rods: Sequence[RodLoad],
    on: tuple[ActiveArea, Beds],
    torques_nm: Mapping[int, float],
    units: Units,
) -> tuple[tuple[str, ...], tuple[Table, ...]]:
    """Which nut to turn by how much; or what is missing to say so."""
    missing = [name for name in _FOR_TURNS if not answers.has(name)]
    if missing:
        return ("Which nut to turn is told where “To level the plate” is filled in.",), ()
    of = thread_of(answers)
    give = answers.si("grip") / (answers.si("rod_modulus") * of.stress_area_m2)
    if answers.has("spring_rate"):
        give += 1 / answers.si("spring_rate")
    found = level(rods, *on, rod_give_m_n=give, pitch_m=of.pitch_m, torques_nm=torques_nm)
    return (_first(found),), (_turns(found, units),)


def _first(found: Levelling) -> str:
    one = found.first
    if abs(one.turn_deg) < 1:
        return "No nut by itself would bring the resultant nearer to the middle."
    way = "tighten" if one.turn_deg > 0 else "loosen"
    return (
        f"Begin with nut {one.number}: {way} it by {abs(one.turn_deg):.0f}°. The resultant then"
        f" lies {1e3 * one.off_after_m:.1f}\u2009mm off the middle instead of"
        f" {1e3 * one.off_before_m:.1f}\u2009mm."
    )


def _turns(found: Levelling, units: Units) -> Table:
    rows = tuple(
        (
            f"nut {turn.number}",
            f"{'tighten' if turn.turn_deg > 0 else 'loosen'} {abs(turn.turn_deg):.0f}°",
            units.figure(turn.load_n, "force_in"),
            units.figure(turn.wanted_n, "force_in"),
            "–" if turn.torque_nm is None else units.figure(turn.torque_nm, "torque_in"),
        )
        for turn in sorted(found.turns, key=lambda turn: turn.number)
    )
    headings = ("nut", "turn", "load now", "load when level", "torque it then stands at")
    return Table(
        "turns",
        "All nuts turned so that the plate lies level at the same force",
        headings,
        rows,
        "In passes, crosswise; read every nut again after each.",
    )
