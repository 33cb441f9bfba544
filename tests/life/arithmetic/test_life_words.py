"""What a comparison of lives says: association, how sure, what to be careful with."""

from service.life.arithmetic.life_by_group import (
    LifeByGroup,
    comparison_in_words,
    group_in_words,
    life_by_group,
)
from service.life.arithmetic.lifetimes import End, Life, lives_of


def failing(*hours: float, entry: float = 0.0) -> list[Life]:
    return [Life(entry, hour, End.FAILED) for hour in hours]


def compared(groups: dict[str, list[Life]]) -> LifeByGroup:
    return life_by_group({name: lives_of(lives) for name, lives in groups.items()})


SHORT = failing(*range(100, 340, 20))
LONGER = failing(*range(300, 900, 50))


def test_a_clear_difference_is_an_association() -> None:
    said = comparison_in_words(compared({"a": SHORT, "b": LONGER}))

    assert said[0].startswith("Log-rank test of 2 groups, 24 lives and 24 failures: χ² = ")
    assert "go together with length of life" in said[1]
    assert not any("cause" in sentence for sentence in said)


def test_no_difference_is_no_proof_of_likeness() -> None:
    said = comparison_in_words(compared({"a": SHORT, "b": SHORT}))

    assert "p = 1.00" in said[0]
    assert "a real one may still not be seen" in said[1]


def test_few_failures_are_said_before_anything_is_claimed() -> None:
    said = comparison_in_words(compared({"a": failing(10, 20), "b": failing(500, 600)}))

    assert "Too few failures for a firm answer" in said[1]
    assert not any("rare" in sentence for sentence in said)


def test_small_groups_do_not_make_the_others_unsure() -> None:
    said = comparison_in_words(
        compared({"a": SHORT, "b": LONGER, "tiny": failing(150), "one": failing(420)})
    )

    assert said[0].startswith("Log-rank test of 2 groups, 24 lives")
    assert "go together with length of life" in said[1]
    assert said[2].endswith("seen and expected: tiny, one.")


def test_several_groups_are_one_question() -> None:
    said = comparison_in_words(compared({"a": SHORT, "b": LONGER, "c": SHORT}))

    assert said[-1].startswith("3 groups are compared in one test")


def test_groups_say_what_to_be_careful_with() -> None:
    groups = compared(
        {
            "none": [Life(0, 900, End.RUNNING)],
            "late": [Life(400, 900, End.RUNNING), *failing(500, entry=400)],
            "emptied": [*failing(50), *[Life(100, 900, End.RUNNING)] * 7],
            "many": LONGER,
        }
    ).groups

    said = {group.name: group_in_words(group) for group in groups}

    assert said["none"] == ("no failure yet",)
    assert "watched from 400\u2009h on" in said["late"][1]
    assert "all at risk at 50\u2009h failed" in said["emptied"][1]
    assert said["many"] == ("fewer than 5 at risk from the failure at 700\u2009h on",)
