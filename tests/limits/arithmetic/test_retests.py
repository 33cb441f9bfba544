"""Which verdicts an act makes outdated: all, unless its design has a rule for it."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.limits.arithmetic.figures_form import from_form, to_form
from service.limits.arithmetic.retests import (
    ALL,
    RULED,
    USUAL,
    Retest,
    RetestRule,
    Spares,
    outdated_after,
    outdated_since,
    spared,
)
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.typed_fields import FieldRefused
from service.platform.arithmetic.verdicts import Undoing

BEGUN = datetime(2026, 3, 7, 8, 0, tzinfo=UTC)
RULES = st.dictionaries(st.sampled_from(RULED), st.sets(st.sampled_from(Retest)))
ACTS = st.lists(st.tuples(st.sampled_from(Undoing), st.integers(0, 20)), max_size=8)


@dataclass(frozen=True)
class Acted:
    kind: Undoing
    at: datetime
    outdates: frozenset[Retest]


@given(RULES, ACTS, st.integers(0, 20))
def test_no_act_without_a_rule_ever_leaves_a_verdict_standing(
    rules: dict[Undoing, set[Retest]], acts: list[tuple[Undoing, int]], tested: int
) -> None:
    kept = [RetestRule(act, tuple(repeat), "note 5") for act, repeat in rules.items()]
    done = [
        Acted(kind, BEGUN + timedelta(hours=hour), outdated_after(kept, kind))
        for kind, hour in sorted(acts, key=lambda act: act[1])
    ]

    outdated = outdated_since(BEGUN + timedelta(hours=tested), done)

    since = [kind for kind, hour in acts if hour > tested]
    if any(kind not in rules for kind in since):
        assert set(outdated) == ALL
    else:
        assert set(outdated) == set().union(*(rules[kind] for kind in since))
    for retest, act in outdated.items():
        earlier = [one for one in done if BEGUN + timedelta(hours=tested) < one.at < act.at]
        assert all(retest not in one.outdates for one in earlier)


@given(RULES, st.booleans())
def test_a_release_is_spared_only_by_an_act_that_outdates_nothing(
    rules: dict[Undoing, set[Retest]], limits_clamp: bool
) -> None:
    kept = [RetestRule(act, tuple(repeat), "note 5") for act, repeat in rules.items()]

    left = {act for act, what in spared(kept, limits_clamp=limits_clamp) if what is Spares.RELEASE}

    nothing = {act for act, repeat in rules.items() if not repeat}
    assert left == (set() if limits_clamp else nothing)


def test_rules_are_typed_as_they_are_shown() -> None:
    form = to_form(from_form({}))
    form |= {
        "retests_re_torque": "insulation,leak to outside",
        "retests_part_changed": "none",
        "retests_source": "note 5",
    }

    figures = from_form(form)

    assert figures.retests == (
        RetestRule(Undoing.RE_TORQUE, (Retest.LEAK_OUTSIDE, Retest.INSULATION), "note 5"),
        RetestRule(Undoing.PART_CHANGED, (), "note 5"),
    )
    assert from_form(to_form(figures)) == figures


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"retests_re_torque": "leaks", "retests_source": "note 5"}, "retests_re_torque"),
        ({"retests_re_torque": "none, shorts", "retests_source": "note 5"}, "retests_re_torque"),
        ({"retests_re_torque": "shorts"}, "retests_source"),
    ],
)
def test_a_rule_of_other_words_or_without_a_source_is_refused(
    typed: dict[str, str], field: str
) -> None:
    with pytest.raises(FieldRefused) as refused:
        from_form(typed)

    assert refused.value.field == field


def test_an_opening_takes_no_rule() -> None:
    with pytest.raises(Inconsistent, match="takes no rule"):
        RetestRule(Undoing.LOAD_CYCLE, (), "note 5")
    assert outdated_after(USUAL, Undoing.LOAD_CYCLE) == ALL
