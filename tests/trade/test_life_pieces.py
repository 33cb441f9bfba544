"""A life over several builds: whole or in pieces, and what is not known of it."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from service.trade.life_pieces import (
    MISSING,
    NO_HOURS,
    NO_HOURS_AT_ENTRY,
    NO_HOURS_AT_FAILURE,
    Failure,
    Sat,
    pieces,
)
from service.trade.lifetimes import End, Life, lives_of
from service.trade.running_hours import Hours

UNREAD = Hours(0.0, at_least=True)
SAT = st.lists(
    st.builds(lambda of, hours: Sat(of, Hours(float(hours))), st.sampled_from("AB"),
              st.integers(0, 900)),
    min_size=1, max_size=6,
)  # fmt: skip


@given(SAT, st.integers(0, 500), st.booleans())
def test_pieces_together_are_watched_as_long_as_the_whole(
    sat: list[Sat], before: int, fitted: bool
) -> None:
    whole = pieces(float(before), [Sat(None, one.hours) for one in sat], fitted=fitted)
    cut = pieces(float(before), sat, fitted=fitted)

    assert len(whole) == 1
    assert lives_of([one.life for one in cut]).watched_h == lives_of([whole[0].life]).watched_h
    assert cut[-1].life.end is whole[0].life.end is (End.RUNNING if fitted else End.REMOVED)
    assert cut[0].life.entry_h == before
    for one, after in pairwise(cut):
        assert one.group != after.group
        assert one.life.exit_h == after.life.entry_h


def test_a_failure_ends_the_life_though_the_part_stayed() -> None:
    sat = [Sat("A", Hours(300)), Sat("A", Hours(200))]

    (only,) = pieces(0.0, sat, fitted=True, failure=Failure(0, 120.0))

    assert only.life == Life(0.0, 120.0, End.FAILED)


def test_what_is_lost_or_was_never_read_is_unknown_with_its_reason() -> None:
    ran = [Sat("A", Hours(300))]

    assert pieces(0.0, ran, fitted=False, missing=True)[0].why == MISSING
    assert pieces(0.0, [Sat("A", UNREAD)], fitted=True)[0].why == NO_HOURS
    assert pieces(0.0, ran, fitted=True)[0].why == ""


def test_an_unread_build_leaves_a_least_life_but_no_time_of_failing() -> None:
    sat = [Sat("A", UNREAD), Sat("A", Hours(300))]

    assert pieces(0.0, sat, fitted=True)[0].life == Life(0.0, 300.0, End.RUNNING)
    failed = pieces(0.0, sat, fitted=True, failure=Failure(1, 300.0))
    assert (failed[0].life.end, failed[0].why) == (End.UNKNOWN, NO_HOURS_AT_FAILURE)


def test_with_hours_missing_before_it_moved_its_entry_is_not_known() -> None:
    sat = [Sat("A", Hours(100, at_least=True)), Sat("B", Hours(300))]

    first, second = pieces(0.0, sat, fitted=True)

    assert first.life == Life(0.0, 100.0, End.REMOVED)
    assert (second.life.end, second.why) == (End.UNKNOWN, NO_HOURS_AT_ENTRY)


def test_a_part_in_no_build_has_no_life() -> None:
    assert pieces(0.0, [], fitted=False) == ()
