"""What a comparison says in words."""

from dataclasses import replace

import numpy as np

from service.life.arithmetic import suspect_words as words
from service.life.arithmetic.confounding import Overlap
from service.life.arithmetic.factors import Factor, FactorKind
from service.life.arithmetic.position_test import position_test
from service.life.arithmetic.suspects import Suspects, suspects
from tests.life.arithmetic.test_suspects import once


def few() -> Suspects:
    """3 of 6 of lot 0 and 1 of 18 others fail, at the first hours; who built them is one of two."""
    fails = np.array([1] * 3 + [0] * 3 + [1] + [0] * 17, dtype=bool)
    hours = np.where(fails, 10.0, 20.0)
    return suspects(
        once(fails, hours, np.arange(24)),
        [
            Factor(FactorKind.MEA_LOT, np.array([0] * 6 + [1] * 18)),
            Factor(FactorKind.BUILDER, np.arange(24) % 2),
            Factor(FactorKind.SUPPLIER, np.zeros(24, np.int64)),
        ],
    )


def test_a_level_is_told_with_counts_interval_and_p() -> None:
    factor = few().factors[0]

    told = words.level_sentence(factor, factor.levels[0], "lot A")

    assert told == (
        "MEA lot, lot A: 3 of 6 MEAs fail, of the others 1 of 18; odds ratio 14 (95 % interval"
        " 0.85 to 942), exact two-sided p 0.035 with hours considered."
    )


def test_a_factor_is_told_with_the_number_looked_at() -> None:
    found = few()

    told = words.factor_sentence(found.factors[0], found.looked_at)

    assert told.endswith("(p 0.035; q 0.071 over 2 factors looked at).")
    assert "caus" not in told


def test_of_people_only_the_distribution_is_told() -> None:
    found = few()
    people = next(one for one in found.factors if one.kind is FactorKind.BUILDER)

    assert "distributed as chance would have it" in words.factor_sentence(people, found.looked_at)
    differing = words.factor_sentence(replace(people, q=0.01), found.looked_at)
    assert "distributed differently in failing builds" in differing


def test_what_cannot_be_compared_says_why() -> None:
    alike = few().factors[-1]

    assert words.factor_sentence(alike, 2) == (
        "MEA supplier: nothing can be compared, all known are alike."
    )


def test_few_data_are_said_plainly() -> None:
    assert words.few_data(few())[0] == (
        "Few data: 4 failing MEAs. Whatever stands out here may be chance."
    )
    assert "46 %" in words.by_chance_sentence(replace(few(), looked_at=12, by_chance=0.4596))


def test_an_empty_corner_says_about_and_upward() -> None:
    fails = np.array([1, 1, 0, 0, 0, 0, 0, 0], dtype=bool)
    hours = np.where(fails, 1.0, 2.0)
    lot = np.array([0, 0, 1, 1, 1, 1, 1, 1])
    factor = suspects(once(fails, hours, np.arange(8)), [Factor(FactorKind.MEA_LOT, lot)]).factors[
        0
    ]
    told = words.level_sentence(factor, factor.levels[0], "lot A")

    assert "odds ratio about" in told
    assert "upward" in told


def test_too_few_for_any_small_p_is_said() -> None:
    fails = np.array([1, 0, 0, 0], dtype=bool)
    hours = np.where(fails, 1.0, 2.0)
    found = suspects(
        once(fails, hours, np.arange(4)),
        [Factor(FactorKind.MEA_LOT, np.array([0, 1, 1, 1]))],
    )

    assert words.too_few_sentence(found) == (
        "Few data: with so few failing and comparable, no outcome could have given a p up to 0.05"
        " for MEA lot."
    )
    assert words.too_few_sentence(few()) is None


def test_lots_that_are_around_every_mea_are_alike() -> None:
    """Two lots of half plates, one on either side of each."""
    fails = np.array([1, 0, 0, 0], dtype=bool)
    hours = np.where(fails, 1.0, 2.0)
    both = np.array([[0, 1]] * 4)
    found = suspects(once(fails, hours, np.arange(4)), [Factor(FactorKind.PLATE_LOT, both)])

    assert not found.factors[0].varies
    assert words.factor_sentence(found.factors[0], 0).endswith("all known are alike.")


def test_what_can_be_told_apart_is_passed_over() -> None:
    assert words.apart_sentence("MEA lot A", "torque driver", Overlap(0.9, None, 9), None) is None
    close = words.apart_sentence("MEA lot A", "torque driver", Overlap(0.1, None, 9), None)
    assert close is not None
    assert "can hardly be told apart" in close


def test_place_is_told_with_what_was_expected() -> None:
    far = [0, 1, 2, 3, 3, 2, 1, 0]
    found = position_test([1] * 8 + [2] * 8, far * 2, [d == 0 for d in far * 2])

    told = words.position_sentence(found)

    assert "lie nearer the ends" in told
    assert "1.5 expected" in told
    assert "all ways counted" in told


def test_units_are_explained() -> None:
    people = next(one for one in few().factors if one.kind is FactorKind.BUILDER)

    assert "one of it at a closing" in words.unit_sentence(people)
    assert words.unit_sentence(few().factors[0]) == "Counted by MEAs."
