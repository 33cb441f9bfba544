"""The curve of a soft material, with its way back."""

import pytest

from service.condition.drawings.curves import draw_curve
from service.platform.arithmetic.curve_text import CurveOf
from service.platform.arithmetic.material_curves import (
    Curve,
    Densifying,
    Points,
    Power,
    RubberCord,
    Soft,
)
from tests.platform.svg import SVG, parsed, with_class, words

FELT = Densifying(3e6, 0.55)
MEASURED = Points(((0.0, 0.0), (0.1, 4e5), (0.2, 1.1e6)))


@pytest.mark.parametrize(
    ("curve", "of", "end"),
    [
        (FELT, CurveOf.STRESS, "from 0 to 38.5 % strain, where the stress is 3.85 MPa"),
        (MEASURED, CurveOf.STRESS, "from 0 to 20 % strain, where the stress is 1.1 MPa"),
        (Power(5e6, 1.5), CurveOf.STRESS, "60 % strain, where the stress is 2.32 MPa"),
        (RubberCord(1.2e-3, 4e6), CurveOf.LINE_LOAD, "45 % squeeze, where the line load is"),
    ],
)
def test_a_curve_tells_where_it_ends(curve: Curve, of: CurveOf, end: str) -> None:
    tree = parsed(draw_curve(Soft(curve), of, title="Felt"))

    assert end in (tree.findtext(f"{SVG}desc") or "")
    assert f"{'stress' if of is CurveOf.STRESS else 'line load'} in {of.unit}" in words(tree)


def test_measured_points_are_marked_and_joined_by_straight_lines() -> None:
    tree = parsed(draw_curve(Soft(MEASURED), CurveOf.STRESS, title="Felt"))

    assert len(list(tree.iter(f"{SVG}circle"))) == 3
    (path,) = tree.iter(f"{SVG}path")
    assert path.get("d", "").count("L") == 2


def test_the_way_back_is_drawn_dashed_where_it_differs() -> None:
    there = parsed(draw_curve(Soft(FELT), CurveOf.STRESS, title="Felt"))
    back = parsed(draw_curve(Soft(FELT, 0.25, 2.0), CurveOf.STRESS, title="Felt"))

    assert len(list(there.iter(f"{SVG}path"))) == 1
    dashed = [path for path in back.iter(f"{SVG}path") if path.get("stroke-dasharray")]
    assert len(dashed) == 1
    assert "the way back, once pressed so far" in words(back)
    assert "25 %" in (back.findtext(f"{SVG}desc") or "")
    ends = [path.get("d", "").rpartition("L")[2] for path in back.iter(f"{SVG}path")]
    assert ends[0] == ends[1], "both meet where it was pressed to"
    assert with_class(back, "d-ink")
