"""The whole comparison: units, hours, factors, and what is never told."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.life.arithmetic.factors import (
    Factor,
    FactorKind,
    Unit,
    distinct,
    opening_codes,
    outside,
    position_codes,
    thirds,
)
from service.life.arithmetic.risk_sets import MOST_STRATA, exposure, level_counts
from service.life.arithmetic.suspects import FactorFound, Population, suspects
from service.platform.arithmetic.errors import Inconsistent

CELLS = 8


def once(fails: np.ndarray, hours: np.ndarray, build: np.ndarray) -> Population:
    """Every MEA in one build only, from its first hour on."""
    ran = np.zeros(int(build.max(initial=-1)) + 1)
    np.maximum.at(ran, build, hours)
    every = np.ones(fails.size, dtype=bool)
    return Population(build, np.zeros(hours.size), hours, fails, every, ran)


def invented(seed: int = 3, builds: int = 60, bad_lot: int = 2) -> tuple[Population, np.ndarray]:
    """Stacks of eight cells with six lots mixed in each; one lot fails more often."""
    rng = np.random.default_rng(seed)
    build = np.repeat(np.arange(builds), CELLS)
    lot = rng.integers(0, 6, build.size)
    fails = rng.random(build.size) < np.where(lot == bad_lot, 0.35, 0.05)
    hours = np.repeat(rng.uniform(500, 2500, builds), CELLS) * np.where(fails, 0.7, 1.0)
    return once(fails, hours, build), lot


def test_the_lot_that_fails_more_often_comes_first() -> None:
    population, lot = invented()
    rng = np.random.default_rng(5)
    others = [
        Factor(FactorKind.PLATE_LOT, distinct(rng.integers(0, 5, (lot.size, 2)))),
        Factor(FactorKind.INSTRUMENT, rng.integers(0, 3, 60)),
    ]

    found = suspects(population, [*others, Factor(FactorKind.MEA_LOT, lot)])

    first = found.factors[0]
    assert first.kind is FactorKind.MEA_LOT
    assert first.levels[0].level == 2
    assert first.q is not None
    assert first.q < 0.01
    odds = first.levels[0].odds
    assert odds
    assert odds.low > 1
    assert found.looked_at == 3
    assert all(one.q is not None and one.q > 0.05 for one in found.factors[1:])


def test_drivers_and_torque_are_counted_by_builds() -> None:
    population, _ = invented()

    found = suspects(population, [Factor(FactorKind.TORQUE, np.arange(60) % 2)])

    assert found.factors[0].unit is Unit.BUILD
    assert found.factors[0].n == 60
    assert found.factors[0].levels[0].all == 30


def test_a_lot_that_fills_whole_stacks_is_counted_by_builds() -> None:
    """Eight cells of one lot in one stack are not eight repetitions."""
    population, _ = invented()
    whole = np.repeat(np.arange(60) % 3, CELLS)

    found = suspects(population, [Factor(FactorKind.MEA_LOT, whole)]).factors[0]

    assert found.by_build_for_alikeness
    assert found.unit is Unit.BUILD
    assert found.n == 60


def test_people_are_never_told_one_by_one() -> None:
    population, _ = invented()
    people = distinct(np.stack([np.arange(60) % 4, np.arange(60) % 3], axis=1))

    found = suspects(population, [Factor(FactorKind.BUILDER, people)]).factors[0]

    assert found.levels == ()
    assert found.p is not None
    assert found.levels_seen == 4


def test_young_parts_do_not_make_an_older_lot_look_bad() -> None:
    """Lot 0 has run long and some failed late; lot 1 has hardly run: nothing can be said."""
    hours = np.array([900.0] * 20 + [950.0] * 5 + [50.0] * 100)
    fails = np.array([False] * 20 + [True] * 5 + [False] * 100)
    lot = np.array([0] * 25 + [1] * 100)
    build = np.arange(125)

    found = suspects(once(fails, hours, build), [Factor(FactorKind.MEA_LOT, lot)]).factors[0]

    assert found.p is None
    level = found.levels[0]
    assert level.test is None
    assert level.plain is not None
    assert level.plain.two_sided < 0.01


def test_all_failing_at_the_first_hour_is_fishers_own_table() -> None:
    fails = np.array([1] * 3 + [0] * 3 + [1] + [0] * 17, dtype=bool)
    lot = np.array([0] * 6 + [1] * 18)
    hours = np.where(fails, 10.0, 20.0)

    found = suspects(once(fails, hours, np.arange(24)), [Factor(FactorKind.MEA_LOT, lot)]).factors[
        0
    ]

    assert found.levels[0].test == found.levels[0].plain
    assert found.p == pytest.approx(0.0353, abs=5e-5)
    assert (found.levels[0].failing, found.levels[0].all) == (3, 6)


def test_levels_of_one_kind_in_a_unit_count_once() -> None:
    units = exposure([1.0, 2.0], [True, False])

    counts = level_counts(distinct(np.array([[0, 0], [0, 1]])), units)

    assert counts.all.tolist() == [2, 1]
    assert counts.failing.tolist() == [1, 0]


def test_each_is_compared_with_what_was_around_it_at_those_hours() -> None:
    """One MEA fails at 150 h; another was in lot 0 until 100 h and in lot 1 from then on."""
    units = exposure(
        left_h=[150.0, 100.0, 400.0],
        failing=[True, False, False],
        entered_h=[0.0, 0.0, 100.0],
        stands=[True, False, True],
    )

    counts = level_counts(np.array([0, 0, 1]), units)

    assert counts.at_risk.tolist() == [[1, 1]]
    assert counts.all.tolist() == [1, 1]
    assert units.units == 2


def at_risk(row: tuple[int, int, int, bool, bool], hour: float) -> bool:
    """Was this stretch (begun, left, lot, fails, is the last) running at an hour?"""
    begun, left, _, fails, last = row
    if begun == left and not last:
        return False
    return ((begun < hour or begun == hour == 0) and hour <= left) or (fails and left == hour)


@given(
    st.lists(
        st.tuples(
            st.lists(st.tuples(st.integers(0, 50), st.integers(-1, 3)), min_size=1, max_size=4),
            st.booleans(),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_tables_are_those_counted_one_by_one(
    lives: list[tuple[list[tuple[int, int]], bool]],
) -> None:
    """At every failing hour: which MEAs were running, with which lot around them then."""
    rows = []
    for stays, fails in lives:
        at = 0
        for place, (ran, lot) in enumerate(stays):
            last = place == len(stays) - 1
            rows.append((at, at + ran, lot, fails and last, last))
            at += ran
    begun, left, lots, down, last = (np.array(column) for column in zip(*rows, strict=True))
    units = exposure(left, down, begun, last)

    counts = level_counts(lots, units)

    if units.from_h.size == np.unique(left[down]).size:
        for stratum, hour in enumerate(units.from_h):
            for lot in range(counts.all.size):
                running = [row for row in rows if row[2] == lot and at_risk(row, float(hour))]
                assert counts.at_risk[stratum, lot] == len(running)


def test_two_levels_that_are_each_others_rest_make_one_comparison() -> None:
    """Also where a third one is around every MEA: of that nothing can be compared."""
    population, lot = invented()
    pair = np.stack([lot % 2, np.full(lot.size, 2)], axis=1)

    plain = suspects(population, [Factor(FactorKind.GASKET_LOT, lot % 2)]).factors[0]
    beside = suspects(population, [Factor(FactorKind.GASKET_LOT, pair)]).factors[0]

    assert (plain.levels_seen, plain.comparisons) == (2, 1)
    assert (beside.levels_seen, beside.comparisons) == (2, 1)
    assert beside.p == plain.p
    assert [level.level for level in beside.levels] == [level.level for level in plain.levels]


def test_what_is_not_known_is_left_out_and_counted() -> None:
    population, lot = invented()

    found = suspects(
        population, [Factor(FactorKind.MEA_LOT, np.where(np.arange(lot.size) < 100, -1, lot))]
    ).factors[0]

    assert found.unknown == 100
    assert found.n == lot.size - 100


def test_unknown_hours_leave_the_plain_comparison() -> None:
    population, lot = invented()
    nothing = np.full(lot.size, np.nan)

    found = suspects(
        replace(population, left_h=nothing, ran_h=np.full(60, np.nan)),
        [Factor(FactorKind.MEA_LOT, lot)],
    )

    first: FactorFound = found.factors[0]
    assert found.hours_unknown == lot.size
    assert found.comparable == 0
    assert first.p is None
    assert first.levels[0].plain is not None
    assert first.failing == population.failing.sum()


def test_many_failing_hours_are_gathered() -> None:
    hours = np.arange(1, 401, dtype=float)

    found = exposure(hours, hours % 2 == 0)

    assert found.from_h.size == MOST_STRATA
    assert (found.stratum < MOST_STRATA).all()


def test_nothing_failing_is_no_error() -> None:
    population, lot = invented()

    found = suspects(
        replace(population, failing=np.zeros(lot.size, dtype=bool)),
        [Factor(FactorKind.MEA_LOT, lot)],
    )

    assert found.failing == 0
    assert found.factors[0].p is None
    assert found.factors[0].q is None


def test_nobody_at_all_is_no_error() -> None:
    empty = once(np.zeros(0, bool), np.zeros(0), np.zeros(0, np.int64))

    found = suspects(empty, [Factor(FactorKind.MEA_LOT, np.zeros(0, np.int64))])

    assert found.meas == 0
    assert found.looked_at == 0


def test_rows_must_fit() -> None:
    population, _ = invented()

    with pytest.raises(Inconsistent, match="rows for 60"):
        suspects(population, [Factor(FactorKind.TORQUE, np.zeros(5, np.int64))])


def test_under_nothing_small_p_are_rare() -> None:
    """Two hundred labs without any culprit: p ≤ 0.05 in no more than 5 of 100, give or take."""
    small = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        population, lot = invented(seed, builds=12, bad_lot=-5)
        found = suspects(population, [Factor(FactorKind.MEA_LOT, rng.permutation(lot))])
        small += (found.factors[0].p or 1.0) <= 0.05

    assert small <= 18  # binomial, 99.5 % point of 200 × 0.05


def test_levels_of_numbers() -> None:
    assert position_codes([0, 1, 3, 9]).tolist() == [0, 1, 2, 3]
    assert opening_codes([0, 2, 3, 12]).tolist() == [0, 2, 3, 3]
    assert thirds(np.arange(9.0)).codes.tolist() == [0, 0, 0, 1, 1, 1, 2, 2, 2]
    assert thirds([1.0, 1.0, 2.0]).edges is None
    assert not outside(8.4, 8.0, 5.0)
    assert outside(8.41, 8.0, 5.0)
