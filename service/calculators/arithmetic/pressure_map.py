"""The calculator of the pressure map: one reading a nut, and which nut to turn to level it.

Sources: as in pressure_map and levelling.
"""

import re

from service.calculators.arithmetic.answers import Answers
from service.calculators.arithmetic.fields import Show
from service.calculators.arithmetic.friction import (
    DRIVER,
    FRICTION,
    how_uncertain,
    law_of,
    thread_of,
    torque_value,
)
from service.calculators.arithmetic.map_fields import SECTIONS
from service.calculators.arithmetic.map_results import (
    levelling_of,
    map_figures,
    map_results,
    map_sentences,
)
from service.calculators.arithmetic.outcomes import Calculator, Outcome, Units
from service.physics.arithmetic.clamping import preloads
from service.physics.arithmetic.elastic_bed import ActiveArea, Beds
from service.physics.arithmetic.pressure_map import (
    FORMULA,
    ONE_BED,
    RodLoad,
    pressure_map,
    rod_loads,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.units import Measure, read_quantity, to_si

SOURCE = "axial load and bending, no tension; elastic interaction of bolts on an elastic bed"
MOST_RODS = 60
_BED = ("gdl_tangent", "mea")


def _rods(answers: Answers) -> dict[int, tuple[tuple[float, float], float]]:
    """Place in m and torque in N·m of each rod, from one line each: number, x, y, torque."""
    unit = answers.typed.get("rods_unit", "").strip() or "N·m"
    found: dict[int, tuple[tuple[float, float], float]] = {}
    for row in filter(str.strip, answers.text("rods").splitlines()):
        typed = re.split(r"[;\t ]+", row.strip(), maxsplit=3)
        try:
            number, x, y = (read_number(text) for text in typed[:3])
            torque = read_quantity(typed[3], Measure.TORQUE, unit).si
            place = (to_si(x, "mm", Measure.LENGTH), to_si(y, "mm", Measure.LENGTH))
        except (TradeError, ValueError, IndexError) as trouble:
            right = f"Right would be number, x and y in mm, torque in {unit}: “1 -80 60 8.5”."
            raise answers.refuse("rods", f"“{row.strip()}” cannot be read.", right) from trouble
        if number != int(number) or number < 1:
            raise answers.refuse("rods", f"“{row.strip()}”: a rod has a whole number from 1 on.")
        if int(number) in found:
            raise answers.refuse("rods", f"Rod {number:g} is given twice.", "One line a nut.")
        if torque <= 0:
            said = f"“{row.strip()}”: the torque must be more than zero."
            raise answers.refuse("rods", said)
        found[int(number)] = (place, torque)
    if len(found) > MOST_RODS:
        raise answers.refuse("rods", f"These are {len(found)} rods.", f"{MOST_RODS} at most.")
    return found


def _loads(
    answers: Answers, rods: dict[int, tuple[tuple[float, float], float]], *, shared: bool
) -> dict[int, Estimate]:
    law = law_of(answers, thread_of(answers), shared=shared)
    readings = [torque_value(answers, torque, shared=shared) for _place, torque in rods.values()]
    return dict(zip(rods, preloads(readings, law).rods, strict=True))


def _beds(answers: Answers, area: ActiveArea, loads: tuple[RodLoad, ...]) -> Beds:
    """The bed: of one GDL over the area, with a gasket line about it where it was typed."""
    if not any(answers.has(name) for name in (*_BED, "line_load", "line_stiffness")):
        return ONE_BED
    answers.need(*_BED)
    stiffness = answers.si("gdl_tangent") / answers.si("mea")
    line, outside = answers.si_or("line_load"), answers.si_or("outside")
    around = 2 * (area.width_m + area.depth_m + 4 * outside)
    borne = sum(rod.load_n for rod in loads) - line * around
    if borne <= 0:
        raise answers.refuse(
            "line_load",
            "The gasket line would bear more than all rods give.",
            f"Right would be less than {sum(r.load_n for r in loads) / around / 1e3:.3g} N/mm.",
        )
    return Beds(
        stiffness,
        borne / area.area_m2,
        answers.si_or("line_stiffness"),
        line,
        outside,
        int(answers.number_or("cells", 1)),
    )


def _work(answers: Answers, units: Units) -> Outcome:
    rods = _rods(answers)
    places = {number: place for number, (place, _torque) in rods.items()}
    whole_u = _loads(answers, rods, shared=True)
    own = rod_loads(places, _loads(answers, rods, shared=False))
    area = ActiveArea(answers.si("width"), answers.si("depth"))
    beds = _beds(answers, area, own)
    found = pressure_map(own, area, beds)
    torques = {number: torque for number, (_place, torque) in rods.items()}
    said, tables = levelling_of(answers, own, (area, beds), torques, units)
    return Outcome(
        map_results(found, whole_u, units),
        SOURCE,
        (*map_sentences(found), *said, *how_uncertain(answers)),
        tables,
        ("clamp",),
        FORMULA,
        map=map_figures(answers, found, area, places, whole_u),
    )


PRESSURE_MAP = Calculator(
    "pressure-map",
    "Pressure map",
    "From one reading a nut: pressure over the active area, what is lost, which nut to turn.",
    (*SECTIONS, FRICTION, DRIVER),
    _work,
    (
        Show("pressure_in", "Pressure in", Measure.PRESSURE, "MPa"),
        Show("force_in", "Force in", Measure.FORCE, "kN"),
        Show("length_in", "Lengths in", Measure.LENGTH, "mm"),
        Show("torque_in", "Torque in", Measure.TORQUE, "N·m"),
    ),
)
