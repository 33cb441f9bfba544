"""Invented figures of a design, as typed and as computed with."""

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.figures_form import from_form

TYPED = {
    "clamp_thread": "M8",
    "clamp_strength_class": "8.8",
    "clamp_nut_factor": "0.18",
    "clamp_u_common_percent": "8",
    "clamp_springs_parallel": "3",
    "clamp_springs_series": "8",
    "clamp_area_width_mm": "80",
    "clamp_area_depth_mm": "125",
    "leak_gas": "nitrogen",
    **{
        f"leak_{circuit}_{name}": value
        for circuit in ("anode", "cathode", "coolant")
        for name, value in (
            ("volume_l", "0.05"),
            ("volume_per_cell_l", "0.01"),
            ("test_pressure_kpa", "30"),
            ("running_pressure_kpa", "50"),
        )
    },
    **{
        f"leak_limit_{path}": "0.02"
        for path in (
            "anode_outside",
            "cathode_outside",
            "coolant_outside",
            "anode_cathode",
            "anode_coolant",
            "cathode_coolant",
        )
    },
    "leak_limit_source": "leak note 4",
    "insulation_rods_plates_dry_least_mohm": "1",
    "insulation_plates_ground_with_coolant_ohm_per_volt": "100",
    "insulation_standard": "UN R100 5.1.3",
    "shorts_least_ohm_cm2": "1000",
    "operation_current_a": "100",
    "operation_hydrogen_stoichiometry": "1.5",
    "operation_oxidant_stoichiometry": "2",
    "operation_oxidant_humidity_percent": "60",
    "operation_least_cell_v": "0.5",
    "operation_rated_cell_v": "0.65",
    "operation_greatest_cell_v": "1",
    "operation_coolant_temperature_c": "65",
    "operation_coolant_rise_k": "5",
    "limit_gdl_pressure_least": "0.8",
    "limit_gdl_pressure_most": "1.4",
    "limit_gdl_pressure_source": "design note 3",
}


def some_figures() -> DesignFigures:
    """Figures with every section."""
    return from_form(TYPED)
