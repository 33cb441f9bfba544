"""Voltages and curves as people paste them: what was written comes back, slips are named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.condition.arithmetic.measured_curves import (
    MeasuredPoint,
    curve_of_channel,
    in_order,
    points_as_text,
    points_from_text,
)
from service.condition.arithmetic.typed_voltages import (
    Across,
    read_curve_rows,
    read_voltages,
    typed_channels,
)
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.typed_fields import FieldRefused

MILLIVOLTS = st.integers(-1500, 1500)
VALUES = st.lists(st.one_of(st.none(), MILLIVOLTS), min_size=1, max_size=40).filter(
    lambda row: any(value is not None for value in row)
)


def written(value: int | None, comma: bool, in_millivolts: bool) -> str:
    if value is None:
        return "-"
    text = f"{value} mV" if in_millivolts else f"{value / 1000:.3f}"
    return text.replace(".", ",") if comma else text


@given(VALUES, st.sampled_from(["\n", ";", "\t"]), st.booleans(), st.booleans())
def test_pasted_voltages_come_back(
    row: list[int | None], separator: str, comma: bool, in_millivolts: bool
) -> None:
    text = separator.join(written(value, comma, in_millivolts) for value in row)

    found = read_voltages("voltages", text)

    assert found == tuple(None if mv is None else pytest.approx(mv / 1000) for mv in row)


def test_spaces_separate_where_nothing_else_does() -> None:
    assert read_voltages("voltages", " 0.65 648 mV - 1.001 ") == (0.65, 0.648, None, 1.001)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "one a channel"),
        ("-;-", "one a channel"),
        ("0.65;zero", "channel 2"),
        ("0.65;65", "channel 2"),
        ("0.65;1e400", "channel 2"),
        ("0.65;0.6.5", "channel 2"),
        (";".join(["0.6"] * 2001), "up to 2000"),
    ],
)
def test_slips_are_named(text: str, says: str) -> None:
    with pytest.raises(FieldRefused, match=says) as refused:
        read_voltages("voltages", text)

    assert refused.value.field == "voltages"


@given(
    st.lists(
        st.tuples(st.integers(0, 2000), st.lists(MILLIVOLTS, min_size=3, max_size=3)),
        min_size=1,
        max_size=30,
    ),
    st.booleans(),
)
def test_pasted_curves_come_back_by_rising_density(
    rows: list[tuple[int, list[int]]], as_current: bool
) -> None:
    scale = 25.0 if as_current else 1.0
    text = "\n".join(
        "\t".join([f"{density / 1000 * scale:.6f}", *(f"{mv / 1000:.3f}" for mv in values)])
        for density, values in rows
    )
    across = Across.CURRENT if as_current else Across.DENSITY

    found = read_curve_rows("rows", f"load\tU1\tU2\tU3\n\n{text}\n", across, 25.0)

    wanted = sorted(rows, key=lambda row: row[0])
    assert [it.density_a_cm2 for it in found] == pytest.approx([d / 1000 for d, _ in wanted])
    assert sorted(it.means_v for it in found) == [
        pytest.approx(row) for row in sorted(tuple(mv / 1000 for mv in v) for _, v in rows)
    ]
    assert all(it.current_a == pytest.approx(it.density_a_cm2 * 25.0) for it in found)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "a line a point"),
        ("A U1\n", "a line a point"),
        ("0.1", "a current and 1 voltages"),
        ("0.1 0.8 0.8\n0.2 0.7", "line 2"),
        ("-0.1 0.8", "line 1, first column"),
        ("11 0.8", "a number from 0 to 10 A/cm²"),
        ("0.1 0.8\nhalf 0.7", "line 2, first column"),
        ("0.1 0.8\n0.2 low", "line 2, channel 1"),
    ],
)
def test_lines_that_cannot_be_read_are_named(text: str, says: str) -> None:
    with pytest.raises(FieldRefused, match=says):
        read_curve_rows("rows", text, Across.DENSITY, 100.0)


def test_channels_without_names_are_numbered() -> None:
    assert typed_channels(3) == ("channel 1", "channel 2", "channel 3")


# As they are kept

POINTS = st.lists(
    st.builds(
        lambda density, values: MeasuredPoint(
            density / 1000,
            density / 10,
            20,
            tuple(None if mv is None else mv / 1000 for mv in values),
            tuple(None if mv is None else 0.001 for mv in values),
        ),
        st.integers(0, 10_000),
        st.lists(st.one_of(st.none(), MILLIVOLTS), min_size=2, max_size=2),
    ),
    min_size=1,
    max_size=30,
)


@given(POINTS)
def test_a_kept_curve_comes_back_point_for_point(points: list[MeasuredPoint]) -> None:
    kept = in_order(points)

    assert points_from_text(points_as_text(kept)) == kept
    for place in (0, 1):
        assert len(curve_of_channel(kept, place)) == sum(
            point.means_v[place] is not None for point in points
        )


def test_what_is_no_curve_is_refused() -> None:
    point = MeasuredPoint(0.5, 50.0, 1, (0.7,), (None,))
    with pytest.raises(Inconsistent, match="needs points"):
        in_order([])
    with pytest.raises(Inconsistent, match="same channels"):
        in_order([point, MeasuredPoint(0.6, 60.0, 1, (0.7, 0.6), (None, None))])
    with pytest.raises(Inconsistent, match="at most 500"):
        in_order([point] * 501)
    with pytest.raises(Inconsistent, match="none of both"):
        MeasuredPoint(0.5, 50.0, 1, (0.7,), ())
    with pytest.raises(OutOfRange, match="channel 1"):
        MeasuredPoint(0.5, 50.0, 1, (70.0,), (None,))
