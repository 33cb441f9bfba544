"""What is asked for the figures and limits of a design: one flat list of fields, by section.

Common practice, no source.
"""

from dataclasses import replace

from service.limits.arithmetic.closing_modes import EXAMPLE, ClosingMode, CornersAsked
from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_figures import HOLD_MINUTES, TEST_BAND_PERCENT
from service.limits.arithmetic.leak_objects import PATHS, LeakObject
from service.limits.arithmetic.leak_paths import SET_UPS, Circuit, Path
from service.limits.arithmetic.leak_recipes import Wetness
from service.limits.arithmetic.limits import Quantity
from service.limits.arithmetic.permeation import Permeating
from service.limits.arithmetic.retests import EVERY, NONE, Retest
from service.limits.arithmetic.set_points import Oxidant
from service.physics.arithmetic.gases import CROSSOVER_GASES, REFERENCES, TEST_GASES
from service.physics.arithmetic.threads import strength_classes
from service.physics.arithmetic.tightening import PASS_BAND_PERCENT, SETTLING_MINUTES
from service.physics.arithmetic.water import COOLANTS
from service.platform.arithmetic.fields import Asks, Field, figure
from service.platform.arithmetic.verdicts import Undoing

CLAMP, LEAK, INSULATION, SHORTS, OPERATION, LIMITS, RETESTS = (
    "Clamp",
    "Tightness",
    "Insulation",
    "Shorts",
    "Operation",
    "Limits of the closed clamp",
    "Tests to repeat",
)
SECTIONS = (CLAMP, LEAK, INSULATION, SHORTS, OPERATION, LIMITS, RETESTS)


def _field(section: str, name: str, label: str, unit: str = "", help: str = "") -> Field:  # noqa: A002
    return figure(f"{section}_{name}", label, unit, help=help)


def _maybe(section: str, name: str, label: str, unit: str = "", help: str = "") -> Field:  # noqa: A002
    return figure(f"{section}_{name}", label, unit, help=help, required=False)


def _words(name: str, label: str, choices: tuple[str, ...] = (), *, required: bool = True) -> Field:
    return Field(name, label, Asks.WORDS, required=required, choices=choices)


CLAMP_FIELDS = (
    _words("clamp_thread", "Thread of the rods"),
    _words("clamp_strength_class", "Strength class of the rods", strength_classes()),
    _maybe("clamp", "nut_factor", "Nut factor", help="Or both frictions."),
    _maybe("clamp", "thread_friction", "Friction in the thread"),
    _maybe("clamp", "bearing_friction", "Friction under the nut"),
    _maybe("clamp", "u_common_percent", "Standard uncertainty, same for all nuts", "%"),
    _maybe("clamp", "u_each_percent", "Scatter from nut to nut, standard uncertainty", "%"),
    _maybe("clamp", "rod_modulus_gpa", "Modulus of the rods", "GPa", "Empty: 206 GPa, steel."),
    _maybe("clamp", "rod_expansion_1_k", "Expansion of the rods", "1/K", "Empty: 11.7e-6, steel."),
    _maybe("clamp", "rod_before_mm", "Rod length outside the pile, fixed end", "mm"),
    _maybe("clamp", "nut_height_mm", "Height of the nut", "mm"),
    _maybe("clamp", "springs_parallel", "Disc springs laid into each other"),
    _maybe("clamp", "springs_series", "Sets of disc springs turned against each other"),
    _maybe("clamp", "spring_rate_n_mm", "Rate of other springs on a rod", "N/mm"),
    _maybe("clamp", "area_width_mm", "Width of the active area, along x", "mm"),
    _maybe("clamp", "area_depth_mm", "Height of the active area, along y", "mm"),
    _maybe("clamp", "gasket_outside_mm", "Gasket outside the active area", "mm"),
    _maybe("clamp", "stop_gap_mm", "Hard-stop gap, cell", "mm"),
    _maybe("clamp", "coolant_stop_gap_mm", "Hard-stop gap, coolant layer", "mm"),
    _maybe("clamp", "assembly_temperature_c", "Temperature when closed", "°C", "Empty: 20 °C."),
    _maybe("clamp", "running_temperature_c", "Temperature when running", "°C"),
    _maybe("clamp", "settling_minutes", "Settling time before the nuts are read again", "min"),
    _maybe("clamp", "pass_band_percent", "Pass band, ± of the target of a pass", "%"),
    _words("clamp_mode", "Closed", tuple(ClosingMode), required=False),
    _maybe("clamp", "target_height_mm", "Closed height aimed at", "mm"),
    _maybe("clamp", "height_tolerance_mm", "Closed height, tolerance ±", "mm"),
    _maybe("clamp", "press_force_kn", "Press force aimed at", "kN"),
    _maybe("clamp", "press_tolerance_percent", "Press force, tolerance ±", "%"),
    _words("clamp_corners", "Corners the closed height is measured at", required=False),
    _words("clamp_corners_asked", "Heights at the corners", tuple(CornersAsked), required=False),
)
CIRCUITS = tuple(Circuit)


def circuit_fields(circuit: Circuit) -> tuple[Field, ...]:
    """Return what is asked of one circuit; needed once one of them is filled in."""
    name = f"leak_{circuit}"
    return (
        _maybe(name, "volume_l", f"{str(circuit).capitalize()} circuit volume without cells", "L"),
        _maybe(
            name, "volume_per_cell_l", f"{str(circuit).capitalize()} circuit volume per cell", "L"
        ),
        _maybe(name, "test_pressure_kpa", f"Test pressure of the {circuit} circuit, gauge", "kPa"),
        _maybe(name, "running_pressure_kpa", f"Running pressure of the {circuit}, gauge", "kPa"),
        _maybe(name, "test_band_percent", f"Band of the {circuit} test pressure, ±", "%"),
    )


def path_field(path: Path) -> Field:
    """Return the limit of one path."""
    return _maybe("leak_limit", path.name.lower(), f"Maximum leak, {path}", "mbar·L/s")


RECIPE_GASES = tuple(gas.name for gas in CROSSOVER_GASES)


def recipe_fields(order: int) -> tuple[Field, ...]:
    """Return what the recipe of a set-up says; all but guard, relief and gas once it is given."""
    name = f"leak_recipe_{order}"
    return (
        _words(
            f"{name}_state", f"State of the stack, set-up {order}", tuple(Wetness), required=False
        ),
        _maybe(name, "ramp_kpa_min", f"Maximum ramp, set-up {order}", "kPa/min"),
        _maybe(name, "stabilise_min", f"Stabilising time, set-up {order}", "min"),
        _maybe(name, "measure_min", f"Measuring time, set-up {order}", "min"),
        _maybe(name, "guard_kpa", f"Guard across the membrane, set-up {order}", "kPa"),
        _maybe(name, "relief_kpa", f"Maximum relief setting, set-up {order}", "kPa"),
        _words(f"{name}_gas", f"Test gas of its own, set-up {order}", RECIPE_GASES, required=False),
    )


def permeation_fields(gas: Permeating, state: Wetness) -> tuple[Field, Field]:
    """Return what is asked of the permeation of a gas; both are needed once either is given."""
    name, words = f"leak_permeation_{gas}_{state}", f"permeation of {gas} in a cell, {state}"
    return (
        _maybe(name, "least_ml_min", f"Minimum {words}", "mL/min"),
        _maybe(name, "most_ml_min", f"Maximum {words}", "mL/min"),
    )


def object_field(leak_object: LeakObject, path: Path) -> Field:
    """Return the limit of one path of a plate, or of each cell of a part of the pile."""
    each = " for each cell" if leak_object is LeakObject.PART_OF_PILE else ""
    name = f"{leak_object.name}_{path.name}".lower()
    return _maybe("leak_alone", name, f"Maximum leak, {path}, {leak_object}{each}", "mbar·L/s")


OBJECT_PATHS = tuple((leak_object, path) for leak_object in PATHS for path in PATHS[leak_object])
OBJECT_SOURCE = _words(
    "leak_alone_source", "Source of the limits of plates and parts of the pile", required=False
)
PERMEATIONS = tuple((gas, state) for gas in Permeating for state in Wetness)
PERMEATION_SOURCE = _words("leak_permeation_source", "Source of the permeation", required=False)
LEAK_BEGINS = (
    _words("leak_gas", "Test gas", tuple(gas.name for gas in TEST_GASES)),
    _maybe("leak", "path_length_mm", "Leak path length", "mm", "A gasket's width, say."),
    _maybe("leak", "hold_minutes", "Least hold of a leak test", "min"),
    _maybe("leak", "most_across_kpa", "Most pressure difference across the membrane", "kPa"),
)
LEAK_SOURCE = _words("leak_limit_source", "Source of leak limits")
LEAK_FIELDS = (
    *LEAK_BEGINS,
    *(field for circuit in CIRCUITS for field in circuit_fields(circuit)),
    *(field for set_up in SET_UPS for field in recipe_fields(set_up.order)),
    *(field for of in PERMEATIONS for field in permeation_fields(*of)),
    PERMEATION_SOURCE,
    *(path_field(path) for path in Path),
    *(object_field(*of) for of in OBJECT_PATHS),
    OBJECT_SOURCE,
    LEAK_SOURCE,
)
RULES = tuple((between, condition) for condition in Condition for between in Between)


def rule_name(between: Between, condition: Condition) -> str:
    """Say how the fields of one insulation rule begin."""
    return f"insulation_{between.name}_{condition.name}".lower()


def _rule_fields(between: Between, condition: Condition) -> tuple[Field, ...]:
    name, words = rule_name(between, condition), f"{between}, {condition}"
    return (
        _maybe(name, "ohm_per_volt", f"Minimum resistance per volt, {words}", "Ω/V"),
        _maybe(name, "least_mohm", f"Minimum resistance, {words}", "MΩ"),
    )


INSULATION_FIELDS = (
    *(field for rule in RULES for field in _rule_fields(*rule)),
    _words("insulation_standard", "Standard or rule of the insulation limits"),
)
SHORTS_FIELDS = (
    _field("shorts", "least_ohm_cm2", "Minimum resistance of a cell times area", "Ω·cm²"),
    _maybe("shorts", "much_less_percent", "Suspect below this share of the median", "%"),
    _maybe("shorts", "least_v", "Suspect below this open-circuit voltage", "V"),
    _maybe("shorts", "shorted_below_v", "Shorted below this open-circuit voltage", "V"),
)
FEEDS = ("hydrogen", "oxidant")


def feed_fields(gas: str) -> tuple[Field, ...]:
    """Return what is asked of one feed."""
    name = f"operation_{gas}"
    return (
        _field(name, "stoichiometry", f"Stoichiometry of the {gas}"),
        _maybe(name, "humidity_percent", f"Humidity of the {gas}", "%", "Empty: dry."),
        _maybe(name, "inlet_temperature_c", f"Inlet temperature of the {gas}", "°C"),
        _maybe(name, "inlet_pressure_kpa", f"Inlet pressure of the {gas}, absolute", "kPa"),
    )


OPERATION_FIELDS = (
    _field("operation", "current_a", "Current", "A"),
    *(field for gas in FEEDS for field in feed_fields(gas)),
    _words("operation_oxidant_gas", "Oxidant", tuple(Oxidant), required=False),
    _maybe("operation", "oxygen_percent", "Oxygen in the air", "%", "Empty: 20.95 %."),
    _field("operation", "least_cell_v", "Least voltage of a cell", "V"),
    _field("operation", "rated_cell_v", "Rated voltage of a cell", "V"),
    _field("operation", "greatest_cell_v", "Greatest voltage of a cell", "V"),
    _words("operation_coolant", "Coolant", COOLANTS, required=False),
    _field("operation", "coolant_temperature_c", "Temperature of the coolant", "°C"),
    _field("operation", "coolant_rise_k", "Rise of the coolant's temperature", "K"),
    _words(
        "operation_reference",
        "Reference condition of gas flows",
        tuple(reference.name for reference in REFERENCES),
        required=False,
    ),
)


def limit_fields(quantity: Quantity) -> tuple[Field, ...]:
    """Return what is asked of one limit; its source is needed once a figure is given."""
    name = f"limit_{quantity.name}".lower()
    return (
        _maybe(name, "least", f"Least {quantity}", quantity.unit, quantity.meaning),
        _maybe(name, "most", f"Most {quantity}", quantity.unit),
        _words(f"{name}_source", f"Source of the limit of the {quantity}", required=False),
    )


LIMIT_FIELDS = tuple(field for quantity in Quantity for field in limit_fields(quantity))
RETEST_FIELDS = {
    Undoing.RE_TORQUE: _words(
        "retests_re_torque",
        "After a re-torque of the cold stack, clamp not released",
        required=False,
    ),
    Undoing.UNLOADED: _words(
        "retests_unloaded", "After the clamp was released and closed again", required=False
    ),
    Undoing.PART_CHANGED: _words(
        "retests_part_changed", "After an exchange of a part of the closed stack", required=False
    ),
}
RETEST_SOURCE = _words("retests_source", "Source of the rules for repeating tests", required=False)
BY_SECTION: dict[str, tuple[Field, ...]] = {
    CLAMP: CLAMP_FIELDS,
    LEAK: LEAK_FIELDS,
    INSULATION: INSULATION_FIELDS,
    SHORTS: SHORTS_FIELDS,
    OPERATION: OPERATION_FIELDS,
    LIMITS: LIMIT_FIELDS,
    RETESTS: (*RETEST_FIELDS.values(), RETEST_SOURCE),
}
FIELDS: tuple[Field, ...] = tuple(
    replace(field, section=section) for section, fields in BY_SECTION.items() for field in fields
)
"""Every field, with its section."""


# A line of help for each figure of a design or part type, beside its field.
#
# Common practice, no source.


_OF: dict[str, str] = {
    "clamp_thread": "Such as M8 or M8x1.",
    "clamp_strength_class": "As marked on the rod or its certificate.",
    "clamp_nut_factor": "Torque by preload and nominal diameter: about 0.2 dry, 0.15 oiled.",
    "clamp_thread_friction": "About 0.10 to 0.16 oiled; give both frictions or the nut factor.",
    "clamp_bearing_friction": "About 0.10 to 0.16 oiled; give both frictions or the nut factor.",
    "clamp_u_common_percent": "Of the factor or the mean friction: what all nuts share.",
    "clamp_u_each_percent": "Of the factor or the mean friction: from one nut to the next.",
    "clamp_rod_before_mm": "What of a rod lies outside, before the fixed compression plate.",
    "clamp_nut_height_mm": "Taken off the thread that stands out.",
    "clamp_springs_parallel": "In one set, all the same way round; the disc is the part type's.",
    "clamp_springs_series": "Sets stacked on one rod, each turned against the next.",
    "clamp_spring_rate_n_mm": "Instead of disc springs; of all springs on one rod together.",
    "clamp_area_width_mm": "With its height: needed for the pressure map.",
    "clamp_area_depth_mm": "With its width: needed for the pressure map.",
    "clamp_gasket_outside_mm": "From the edge of the active area to the middle of the line.",
    "clamp_stop_gap_mm": "Distance of the plates when they touch. Empty: 0 mm.",
    "clamp_coolant_stop_gap_mm": "Distance of the backs when they touch. Empty: 0 mm.",
    "clamp_running_temperature_c": "Empty: the change on warming is not computed.",
    "clamp_settling_minutes": f"Empty: {SETTLING_MINUTES:g} min.",
    "clamp_pass_band_percent": "A nut outside it before the last pass is asked about."
    f" Empty: {PASS_BAND_PERCENT:g} %.",
    "clamp_mode": "To height and by press force the nuts are run down to hold, and the closing's"
    " arithmetic checks instead of ruling. Empty: to torque.",
    "clamp_target_height_mm": "Over both compression plates, once the press is let off; needed to"
    " close to height.",
    "clamp_height_tolerance_mm": "A height further off is asked about.",
    "clamp_press_tolerance_percent": "A force further off is asked about.",
    "clamp_press_force_kn": "By the load cell of the press; needed to close by press force.",
    "clamp_corners": "Name, x and y in mm from the middle of the plate, seen from outside the fixed"
    f" end: {EXAMPLE}. Empty: A, B, C and D at the plate's corners, clockwise from the upper left.",
    "clamp_corners_asked": "Asked in each pass, or recorded where somebody measures them."
    " Empty: optional.",
    **{
        f"leak_recipe_{set_up.order}_gas": "The limits of the set-up hold for it; hydrogen only"
        " with the anode alone under pressure. Empty: the test gas above."
        for set_up in SET_UPS
    },
    "leak_gas": "The limits hold for this gas; hydrogen is converted from it.",
    "leak_hold_minutes": f"A shorter hold is asked about. Empty: {HOLD_MINUTES:g} min.",
    "leak_most_across_kpa": "Between anode and cathode. Empty: the bench says that none is kept.",
    "leak_limit_source": "Such as a design note or a test report; needed with the limits.",
    "insulation_standard": "Such as the standard and its table; needed with the limits.",
    "shorts_least_ohm_cm2": "A cell below it counts as shorted.",
    "shorts_much_less_percent": "Empty: 20 %.",
    "shorts_least_v": "Empty: 0.9 V.",
    "shorts_shorted_below_v": "Empty: 0.3 V.",
    "operation_current_a": "Of the stack, at the point that set points are wanted for.",
    "operation_oxidant_gas": "Empty: air.",
    "operation_least_cell_v": "Below it the load has to be taken back.",
    "operation_rated_cell_v": "At this current, as it is expected.",
    "operation_greatest_cell_v": "The window's upper end, without load.",
    "operation_coolant": "Empty: water.",
    "operation_coolant_temperature_c": "Where its properties are taken.",
    "operation_coolant_rise_k": "From inlet to outlet.",
    "operation_reference": "Empty: 0 °C and 101.325 kPa.",
    "set_percent": "Empty: it comes back whole.",
    "u_curve_percent": "Of the load at a given strain. Empty: 0 %.",
    "expansion_1_k": "Along the axis, such as 5e-6. Empty: none.",
    "free_thickness_mm": "MEA with its GDL, not pressed.",
    "recess_mm": "Room beyond the gap between the sealing faces. Empty: 0 mm.",
    "frame_mm": "Of the MEA's edge, where the gaskets press on it. Empty: 0 mm.",
    "u_thickness_mm": "From part to part, where none was measured. Empty: 0 mm.",
    "u_height_mm": "From part to part. Empty: 0 mm.",
    "height_mm": "Not pressed; two gas gaskets of a cell add up.",
    "groove_depth_mm": "In one plate. Empty: it lies on a plane.",
    "length_mm": "Once round, and round the ports, along its middle.",
    "bearing_cm2": "That carries the clamp's force; needed with the modulus.",
    "outer_mm": "As in the maker's table.",
    "inner_mm": "As in the maker's table.",
    "thickness_mm": "As in the maker's table.",
    "cone_mm": "Free height of one disc less its thickness.",
}


_REPEAT = f"No rule: empty. {EVERY.capitalize()}, {NONE}, or with commas: {', '.join(Retest)}."
_OF["retests_source"] = "Needed with the rules."
_OF |= {field.name: _REPEAT for field in RETEST_FIELDS.values()}


_ENDING: tuple[tuple[str, str], ...] = (
    ("_permeation_source", "Such as crossover measured on cells; needed with the figures."),
    ("_least_ml_min", "At 0 °C and 101.325 kPa, with 101.325 kPa of the gas on one side."),
    ("_most_ml_min", "2 mA/cm² of hydrogen on 50 cm² is 0.70 mL/min."),
    ("_state", "Membranes and circuits: leaks and permeation differ."),
    ("_ramp_kpa_min", "A steeper rise is asked about."),
    ("_stabilise_min", "From the end of the ramp to the first reading."),
    ("_measure_min", "From the first reading to the last."),
    ("_guard_kpa", "Above it the test is stopped. Empty: what the membrane bears."),
    ("_relief_kpa", "Gauge; above the test pressure."),
    ("_volume_l", "Manifolds, ports and hoses of the rig that are closed in with it."),
    ("_volume_per_cell_l", "So that a stack of any number of cells is known."),
    ("_test_pressure_kpa", "Above the air outside, not absolute."),
    ("_running_pressure_kpa", "Above the air outside; for what would leak of hydrogen."),
    (
        "_test_band_percent",
        f"A test that begins outside it is asked about. Empty: {TEST_BAND_PERCENT:g} %.",
    ),
    ("_ohm_per_volt", "Of the voltage the stack runs at."),
    ("_least_mohm", "Whatever the voltage is."),
    ("_stoichiometry", "Given by needed; more than 1."),
    ("_inlet_temperature_c", "Empty: 65 °C."),
    ("_inlet_pressure_kpa", "Empty: 101.325 kPa."),
    ("_humidity_percent", "Relative, at the inlet."),
    ("_most", "No more than this may be reached."),
    ("_source", "Needed once a figure is given."),
)


def help_of(field: Field) -> str:
    """Return what helps somebody to fill a field in.

    >>> help_of(figure("leak_anode_volume_per_cell_l", "Volume", "L"))
    'So that a stack of any number of cells is known.'
    """
    if field.name.startswith("leak_alone_") and field is not OBJECT_SOURCE:
        return "At 20 °C; tested alone, outside a closed stack."
    if field.name.startswith("leak_limit_") and field.name not in _OF:
        return "At 20 °C, of the whole stack."
    help_text = _OF.get(field.name) or next(
        (words for ending, words in _ENDING if field.name.endswith(ending)), ""
    )
    line = " ".join(words for words in (help_text, field.help) if words)
    return line if field.name == "curve" else line[:1].upper() + line[1:]
