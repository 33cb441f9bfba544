"""A line of help for each figure of a design or part type, beside its field.

Common practice, no source.
"""

from service.platform.arithmetic.typed_fields import Field

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
    "clamp_settling_minutes": "Empty: 30 min.",
    "leak_gas": "The limits hold for this gas; hydrogen is converted from it.",
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
_ENDING: tuple[tuple[str, str], ...] = (
    ("_volume_l", "Manifolds, ports and hoses of the rig that are closed in with it."),
    ("_volume_per_cell_l", "So that a stack of any number of cells is known."),
    ("_test_pressure_kpa", "Above the air outside, not absolute."),
    ("_running_pressure_kpa", "Above the air outside; for what would leak of hydrogen."),
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
    """What helps somebody to fill a field in?

    >>> help_of(Field("leak_anode_volume_per_cell_l", "Volume", "L"))
    'So that a stack of any number of cells is known.'
    """
    if field.name.startswith("leak_limit_") and field.name not in _OF:
        return "At 20 °C, of the whole stack."
    said = _OF.get(field.name) or next(
        (words for ending, words in _ENDING if field.name.endswith(ending)), ""
    )
    line = " ".join(words for words in (said, field.help) if words)
    return line if field.name == "curve" else line[:1].upper() + line[1:]
