"""What is asked for the figures and limits of a design: one flat list of fields, by section.

Common practice, no source.
"""

from dataclasses import replace

from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_paths import Circuit, Path
from service.limits.arithmetic.limits import Quantity
from service.limits.arithmetic.set_points import Oxidant
from service.physics.arithmetic.gas_flows import REFERENCES
from service.physics.arithmetic.gases import TEST_GASES
from service.physics.arithmetic.threads import strength_classes
from service.physics.arithmetic.water import COOLANTS
from service.platform.arithmetic.typed_fields import Field

CLAMP, LEAK, INSULATION, SHORTS, OPERATION, LIMITS = (
    "Clamp",
    "Tightness",
    "Insulation",
    "Shorts",
    "Operation",
    "Limits of the closed clamp",
)
SECTIONS = (CLAMP, LEAK, INSULATION, SHORTS, OPERATION, LIMITS)


def _field(section: str, name: str, label: str, unit: str = "", help: str = "") -> Field:  # noqa: A002
    return Field(f"{section}_{name}", label, unit, True, help)


def _maybe(section: str, name: str, label: str, unit: str = "", help: str = "") -> Field:  # noqa: A002
    return Field(f"{section}_{name}", label, unit, False, help)


def _words(name: str, label: str, choices: tuple[str, ...] = (), *, required: bool = True) -> Field:
    return Field(name, label, required=required, choices=choices, is_number=False)


CLAMP_FIELDS = (
    _words("clamp_thread", "Thread of the rods"),
    _words("clamp_strength_class", "Strength class of the rods", strength_classes()),
    _maybe("clamp", "nut_factor", "Nut factor", help="Or both frictions."),
    _maybe("clamp", "thread_friction", "Friction in the thread"),
    _maybe("clamp", "bearing_friction", "Friction under the nut"),
    _maybe("clamp", "u_common_percent", "Standard uncertainty common to all nuts", "%"),
    _maybe("clamp", "u_each_percent", "Scatter from nut to nut, standard uncertainty", "%"),
    _maybe("clamp", "rod_modulus_gpa", "Modulus of the rods", "GPa", "Empty: 206 GPa, steel."),
    _maybe("clamp", "rod_expansion_1_k", "Expansion of the rods", "1/K", "Empty: 11.7e-6, steel."),
    _maybe("clamp", "rod_before_mm", "Rod before the pile's fixed end", "mm"),
    _maybe("clamp", "nut_height_mm", "Height of the nut", "mm"),
    _maybe("clamp", "springs_parallel", "Disc springs laid into each other"),
    _maybe("clamp", "springs_series", "Sets of disc springs turned against each other"),
    _maybe("clamp", "spring_rate_n_mm", "Rate of other springs on a rod", "N/mm"),
    _maybe("clamp", "area_width_mm", "Width of the active area, along x", "mm"),
    _maybe("clamp", "area_depth_mm", "Height of the active area, along y", "mm"),
    _maybe("clamp", "gasket_outside_mm", "Gasket outside the active area", "mm"),
    _maybe("clamp", "stop_gap_mm", "Gap at the hard stop of a cell", "mm"),
    _maybe("clamp", "coolant_stop_gap_mm", "Gap at the hard stop of a coolant layer", "mm"),
    _maybe("clamp", "assembly_temperature_c", "Temperature when closed", "°C", "Empty: 20 °C."),
    _maybe("clamp", "running_temperature_c", "Temperature when running", "°C"),
    _maybe("clamp", "settling_minutes", "Settling time before the nuts are read again", "min"),
)
CIRCUITS = tuple(Circuit)


def circuit_fields(circuit: Circuit) -> tuple[Field, ...]:
    """What is asked of one circuit; needed once one of them is filled in."""
    name = f"leak_{circuit}"
    return (
        _maybe(name, "volume_l", f"Volume of the {circuit} circuit without cells", "L"),
        _maybe(name, "volume_per_cell_l", f"Volume of the {circuit} circuit a cell", "L"),
        _maybe(name, "test_pressure_kpa", f"Test pressure of the {circuit} circuit, gauge", "kPa"),
        _maybe(name, "running_pressure_kpa", f"Running pressure of the {circuit}, gauge", "kPa"),
    )


def path_field(path: Path) -> Field:
    """The limit of one path."""
    return _maybe("leak_limit", path.name.lower(), f"Most leak {path}", "mbar·L/s")


LEAK_FIELDS = (
    _words("leak_gas", "Test gas", tuple(gas.name for gas in TEST_GASES)),
    _maybe("leak", "path_length_mm", "Length of a leak's path", "mm", "A gasket's width, say."),
    *(field for circuit in CIRCUITS for field in circuit_fields(circuit)),
    *(path_field(path) for path in Path),
    _words("leak_limit_source", "Source of the limits of tightness"),
)
RULES = tuple((between, condition) for condition in Condition for between in Between)


def rule_name(between: Between, condition: Condition) -> str:
    """How the fields of one insulation rule begin."""
    return f"insulation_{between.name}_{condition.name}".lower()


def _rule_fields(between: Between, condition: Condition) -> tuple[Field, ...]:
    name, what = rule_name(between, condition), f"{between}, {condition}"
    return (
        _maybe(name, "ohm_per_volt", f"Least resistance a volt, {what}", "Ω/V"),
        _maybe(name, "least_mohm", f"Least resistance, {what}", "MΩ"),
    )


INSULATION_FIELDS = (
    *(field for rule in RULES for field in _rule_fields(*rule)),
    _words("insulation_standard", "Standard or rule of the insulation limits"),
)
SHORTS_FIELDS = (
    _field("shorts", "least_ohm_cm2", "Least resistance of a cell times area", "Ω·cm²"),
    _maybe("shorts", "much_less_percent", "Suspect below this share of the median", "%"),
    _maybe("shorts", "least_v", "Suspect below this open-circuit voltage", "V"),
    _maybe("shorts", "shorted_below_v", "Shorted below this open-circuit voltage", "V"),
)
FEEDS = ("hydrogen", "oxidant")


def feed_fields(gas: str) -> tuple[Field, ...]:
    """What is asked of one feed."""
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
        tuple(it.name for it in REFERENCES),
        required=False,
    ),
)


def limit_fields(quantity: Quantity) -> tuple[Field, ...]:
    """What is asked of one limit; its source is needed once a figure is given."""
    name = f"limit_{quantity.name}".lower()
    return (
        _maybe(name, "least", f"Least {quantity}", quantity.unit, quantity.meaning),
        _maybe(name, "most", f"Most {quantity}", quantity.unit),
        _words(f"{name}_source", f"Source of the limit of the {quantity}", required=False),
    )


LIMIT_FIELDS = tuple(field for quantity in Quantity for field in limit_fields(quantity))
BY_SECTION: dict[str, tuple[Field, ...]] = {
    CLAMP: CLAMP_FIELDS,
    LEAK: LEAK_FIELDS,
    INSULATION: INSULATION_FIELDS,
    SHORTS: SHORTS_FIELDS,
    OPERATION: OPERATION_FIELDS,
    LIMITS: LIMIT_FIELDS,
}
FIELDS: tuple[Field, ...] = tuple(
    replace(field, section=section) for section, fields in BY_SECTION.items() for field in fields
)
"""Every field, with its section."""
