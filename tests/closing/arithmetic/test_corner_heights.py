"""Spread and tilt of an end plate, from heights measured at its corners."""

from math import sqrt

import pytest

from service.closing.arithmetic.corner_heights import (
    CornerHeight,
    CornersMeasured,
    CornersOutcome,
    corners_outcome,
)
from service.limits.arithmetic.closing_modes import corners_of, plate_corners
from service.platform.arithmetic.errors import Inconsistent, OutOfRange

RODS = ((1, -60.0, 45.0), (2, 60.0, 45.0), (3, 60.0, -45.0), (4, -60.0, -45.0))


def measured(*heights: float, deviation: float = 0.03) -> CornersOutcome:
    """A plate of 100 mm × 80 mm; heights clockwise from the upper left; thread M8."""
    corners = plate_corners(100.0, 80.0)
    at = tuple(
        CornerHeight(corner.name, corner.x_mm, corner.y_mm, height)
        for corner, height in zip(corners, heights, strict=True)
    )
    return corners_outcome(CornersMeasured(3, at, deviation, (100.0, 80.0)), RODS, 1.25)


def test_a_plane_gives_back_its_own_tilt() -> None:
    """0.2 mm over 100 mm along x, 0.1 mm over 80 mm along y."""
    found = measured(137.95, 138.15, 138.05, 137.85)

    assert found.tilt_mm.value == pytest.approx(0.3)
    assert found.tilt_deg == pytest.approx(0.1351, abs=1e-4)
    assert found.spread_mm.value == pytest.approx(0.3)
    assert found.mean_mm == pytest.approx(138.0)
    assert found.off_plane_mm == pytest.approx(0.0, abs=1e-9)
    assert (found.highest, found.lowest) == ("B", "D")


def test_the_highest_nut_is_tightened_first_by_the_pitch() -> None:
    found = measured(137.9, 138.1, 138.1, 137.9)

    first, last = found.nuts[0], found.nuts[-1]
    assert {found.nuts[0].rod, found.nuts[1].rod} == {2, 3}
    assert first.above_mm == pytest.approx(0.12)
    assert first.turn_deg == pytest.approx(360 * 0.12 / 1.25)
    assert last.above_mm == pytest.approx(-0.12)


def test_a_bowed_plate_is_not_tilted() -> None:
    """Opposite corners up: a spread, no tilt, and what the plane leaves is told."""
    found = measured(138.1, 137.9, 138.1, 137.9)

    assert found.spread_mm.value == pytest.approx(0.2)
    assert found.tilt_mm.value == pytest.approx(0.0, abs=1e-9)
    assert found.off_plane_mm == pytest.approx(0.1)


@pytest.mark.parametrize(("off", "is_level"), [(0.01, True), (0.2, False)])
def test_what_the_gauge_cannot_tell_is_level(off: float, *, is_level: bool) -> None:
    found = measured(138.0, 138.0 + off, 138.0 + off, 138.0)

    assert found.spread_mm.u == pytest.approx(0.03 / sqrt(3) * sqrt(2))
    assert found.is_level is is_level


def test_corners_in_one_line_say_nothing_of_a_tilt() -> None:
    line = tuple(CornerHeight(str(x), x, 0.0, 138.0) for x in (0.0, 10.0, 20.0, 30.0))
    with pytest.raises(Inconsistent):
        corners_outcome(CornersMeasured(1, line, 0.03, (100.0, 80.0)))


@pytest.mark.parametrize(
    "text",
    [
        "A -60 45; B 60 45; C 60 -45",
        "A -60 45; A 60 45; C 60 -45; D -60 -45",
        "A 0 0; B 1 0; C 2 0; D 3 0",
        "A x 45; B 60 45; C 60 -45; D -60 -45",
    ],
)
def test_corners_are_four_with_names_and_places_of_their_own(text: str) -> None:
    with pytest.raises(OutOfRange) as wrong:
        corners_of(text)

    assert "4 corners or more" in wrong.value.allowed


def test_corners_are_read_with_comma_and_minus_sign() -> None:
    five = corners_of("A −60,5 45; B 60 45; C 60 -45; D -60 -45; E 0 45")

    assert [corner.name for corner in five] == list("ABCDE")
    assert five[0].x_mm == -60.5
