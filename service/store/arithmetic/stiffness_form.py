"""What is typed for a part type's stiffness: fields by kind, and the stiffness they make.

Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import replace

from service.physics.arithmetic.part_stiffness import OF_KIND, Bed, Disc, PartStiffness, Seal, Stiff
from service.platform.arithmetic.curve_text import CurveOf, read_curve, write_curve
from service.platform.arithmetic.errors import OutOfRange, TradeError, placed
from service.platform.arithmetic.fields import Asks, Field, figure
from service.platform.arithmetic.material_curves import Soft
from service.platform.arithmetic.typed_fields import as_typed, refused, typed_value
from service.platform.arithmetic.vocabulary import Kind

_SOFT = (
    figure("set_percent", "Set that stays after pressing", "%", required=False,
          help="Share of the greatest strain that does not come back."),
    figure("unloading_exponent", "Exponent of the way back", required=False,
          help="1 to 10; empty: straight back to the set."),
    figure("u_curve_percent", "Standard uncertainty of the curve", "%", required=False),
)  # fmt: skip
_EXPANSION = figure("expansion_1_k", "Thermal expansion", "1/K", required=False)
_BED = (
    Field("curve", "Stress against strain", Asks.WORDS, unit="MPa",
          help="points: 0 0; 0.1 0.4; … or densifying: modulus 3; limit 0.55"),
    *_SOFT,
    figure("free_thickness_mm", "Free thickness over the active area", "mm"),
    figure("recess_mm", "Recess of the active area, both plates", "mm", required=False),
    figure("frame_mm", "Frame between the gas gaskets", "mm", required=False),
    _EXPANSION,
    figure("u_thickness_mm", "Standard uncertainty of the thickness", "mm", required=False),
)  # fmt: skip
_SEAL = (
    Field("curve", "Line load against squeeze", Asks.WORDS, unit="N/mm",
          help="points: 0 0; 0.1 0.6; … or rubber cord: diameter 1.2; modulus 4"),
    *_SOFT,
    figure("height_mm", "Free height of one gasket", "mm"),
    figure("groove_depth_mm", "Depth of its groove", "mm", required=False),
    figure("length_mm", "Length of its line", "mm"),
    _EXPANSION,
    figure("u_height_mm", "Standard uncertainty of the height", "mm", required=False),
)  # fmt: skip
_STIFF = (
    figure("modulus_gpa", "Modulus", "GPa", required=False, help="Empty: taken as rigid."),
    figure("bearing_cm2", "Area that bears", "cm²", required=False),
    _EXPANSION,
    figure("u_thickness_mm", "Standard uncertainty of the thickness", "mm", required=False),
)
_DISC = (
    figure("outer_mm", "Outer diameter", "mm"),
    figure("inner_mm", "Inner diameter", "mm"),
    figure("thickness_mm", "Thickness of one disc", "mm"),
    figure("cone_mm", "Cone height of one disc", "mm"),
)
_BLANK = (*(replace(field, required=False) for field in _BED), *_STIFF[:2])
FIELDS: dict[Kind, tuple[Field, ...]] = {
    kind: _BLANK
    if len(words) > 1
    else {"bed": _BED, "seal": _SEAL, "stiff": _STIFF, "disc": _DISC}[words[0]]
    for kind, words in OF_KIND.items()
}
"""What is asked of a part type of each kind. A blank cell without a curve is stiff."""


def stiffness_from_form(kind: Kind, texts: Mapping[str, str]) -> PartStiffness | None:
    """Return the stiffness that was typed; None where nothing was.

    Raises FieldRefused (with the field's name) or Inconsistent.
    """
    fields_of_kind = FIELDS.get(kind, ())
    if not any(texts.get(field.name, "").strip() for field in fields_of_kind):
        return None
    values = {field.name: typed_value(texts, field) for field in fields_of_kind}
    numbers = {name: value for name, value in values.items() if isinstance(value, float)}
    if OF_KIND[kind] == ("disc",):
        return Disc(**numbers)
    curve = values.get("curve")
    if not isinstance(curve, str):
        return Stiff(**{f.name: numbers[f.name] for f in _STIFF if f.name in numbers})
    is_seal = OF_KIND[kind] == ("seal",)
    soft = _soft(texts, numbers, CurveOf.LINE_LOAD if is_seal else CurveOf.STRESS)
    form_fields = _SEAL if is_seal else _BED
    rest = {f.name: numbers[f.name] for f in form_fields[4:] if f.name in numbers}
    if is_seal:
        return Seal(soft, **{"groove_depth_mm": 0.0, **rest})
    if "free_thickness_mm" not in rest:
        typed_value(texts, next(f for f in _BED if f.name == "free_thickness_mm"))
    return Bed(soft, **rest)


def _soft(texts: Mapping[str, str], numbers: Mapping[str, float], of: CurveOf) -> Soft:
    field = _BED[0] if of is CurveOf.STRESS else _SEAL[0]
    text = texts[field.name].strip()
    try:
        curve = read_curve(text, of)
    except OutOfRange as trouble:
        raise refused(field, str(trouble.value), trouble) from trouble
    except TradeError as trouble:
        raise refused(field, text, trouble) from trouble
    with placed(
        set_share="set_percent",
        unloading_exponent="unloading_exponent",
        u_relative="u_curve_percent",
    ):
        return Soft(
            curve,
            numbers.get("set_percent", 0.0) / 100,
            numbers.get("unloading_exponent"),
            numbers.get("u_curve_percent", 0.0) / 100,
        )


def stiffness_to_form(stiffness: PartStiffness | None) -> dict[str, str]:
    """Return the fields as they would be typed; empty where nothing is known."""
    if stiffness is None:
        return {}
    texts: dict[str, str] = {}
    if isinstance(stiffness, Bed | Seal):
        soft = stiffness.soft
        of = CurveOf.STRESS if isinstance(stiffness, Bed) else CurveOf.LINE_LOAD
        texts["curve"] = write_curve(soft.loading, of)
        texts["set_percent"] = as_typed(100 * soft.set_share)
        texts["unloading_exponent"] = as_typed(soft.unloading_exponent)
        texts["u_curve_percent"] = as_typed(100 * soft.u_relative)
    plain_fields = {Bed: _BED[4:], Seal: _SEAL[4:], Stiff: _STIFF, Disc: _DISC}[type(stiffness)]
    return texts | {field.name: as_typed(getattr(stiffness, field.name)) for field in plain_fields}
