"""Disc springs: monotony, rate and load, columns, what is refused."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.physics.arithmetic.disc_springs import DiscSpring, PlainSpring, SpringColumn
from service.platform.arithmetic.errors import Inconsistent, OutOfRange


@st.composite
def discs(draw: st.DrawFn) -> DiscSpring:
    outer = draw(st.floats(0.008, 0.2))
    thickness = outer * draw(st.floats(0.02, 0.06))
    return DiscSpring(
        outer,
        outer / draw(st.floats(1.5, 3.0)),
        thickness,
        thickness * draw(st.floats(0.2, 1.39)),
    )


@given(discs(), st.floats(0.0, 0.98))
def test_load_grows_with_travel_and_the_rate_is_its_slope(disc: DiscSpring, share: float) -> None:
    travel, step = share * disc.cone_height_m, 1e-4 * disc.cone_height_m

    slope = (disc.load(travel + step) - disc.load(travel)) / step

    assert slope > 0
    assert slope == pytest.approx(disc.rate(travel + step / 2), rel=1e-3)


@given(discs(), st.integers(1, 5), st.integers(1, 20), st.floats(0.001, 0.999))
def test_travel_of_a_load_gives_the_load(
    disc: DiscSpring, parallel: int, series: int, share: float
) -> None:
    column = SpringColumn(disc, parallel, series)
    load = share * column.flat_load_n

    assert column.load(column.travel(load)) == pytest.approx(load, rel=1e-6)
    assert column.share_of_travel(load) <= 1
    assert column.free_height_m > column.greatest_travel_m


@given(discs(), st.integers(1, 10), st.floats(0.01, 0.99))
def test_springs_in_series_give_more_in_parallel_less(
    disc: DiscSpring, count: int, share: float
) -> None:
    load = share * disc.load(disc.cone_height_m)
    one = SpringColumn(disc)

    assert SpringColumn(disc, series=count).travel(load) == pytest.approx(count * one.travel(load))
    assert SpringColumn(disc, parallel=count).travel(count * load) == pytest.approx(
        one.travel(load), rel=1e-6
    )
    assert SpringColumn(disc, series=count).compliance(load) == pytest.approx(
        count * one.compliance(load)
    )


def test_a_flat_column_gives_no_more() -> None:
    column = SpringColumn(DiscSpring(0.02, 0.0102, 0.0011, 0.00045), series=4)

    assert column.travel(2 * column.flat_load_n) == column.greatest_travel_m
    assert column.compliance(2 * column.flat_load_n) == 0
    with pytest.raises(OutOfRange, match="where they lie flat"):
        column.check(1.01 * column.flat_load_n)


@pytest.mark.parametrize(
    ("numbers", "error", "words"),
    [
        ((0.01, 0.02, 0.001, 0.0005), Inconsistent, "no larger than its inner"),
        ((0.02, 0.0, 0.001, 0.0005), OutOfRange, "inner diameter is 0 m"),
        ((0.02, 0.01, 0.001, 0.0), OutOfRange, "cone height is 0 m"),
        ((0.02, 0.01, 0.001, 0.0015), OutOfRange, "one load has two heights"),
    ],
)
def test_what_is_no_disc_is_refused(
    numbers: tuple[float, ...], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        DiscSpring(*numbers)


def test_travel_beyond_flat_and_springs_that_pull_are_refused() -> None:
    disc = DiscSpring(0.02, 0.0102, 0.0011, 0.00045)
    with pytest.raises(OutOfRange, match="the disc's travel"):
        disc.load(0.0005)
    with pytest.raises(OutOfRange, match="the spring's rate"):
        PlainSpring(0.0)
    with pytest.raises(OutOfRange, match="the load on the springs is -1"):
        SpringColumn(disc).travel(-1.0)
